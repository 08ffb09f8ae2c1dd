package peertest

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/require"
)

type answer struct {
	status int
	header http.Header
	body   []byte
}

// send makes one request of the FHIR API; the headers are pairs of name and value.
func send(t testing.TB, p *Peer, method, path, body string, header ...string) (answer, error) {
	req, err := http.NewRequestWithContext(t.Context(), method, strings.TrimSuffix(p.Base+"/"+path, "/"), strings.NewReader(body))
	if err != nil {
		return answer{}, err
	}
	req.Header.Set("Content-Type", "application/fhir+json")
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	resp, err := p.client.Do(req)
	if err != nil {
		return answer{}, err
	}
	defer resp.Body.Close()
	raw, err := io.ReadAll(resp.Body)
	return answer{resp.StatusCode, resp.Header, raw}, err
}

func mustSend(t testing.TB, p *Peer, method, path, body string, header ...string) answer {
	t.Helper()
	a, err := send(t, p, method, path, body, header...)
	require.NoError(t, err)
	return a
}

type resource struct {
	ResourceType string `json:"resourceType"`
	ID           string `json:"id"`
	Status       string `json:"status"`
	Meta         struct {
		VersionID string `json:"versionId"`
	} `json:"meta"`
	Focus struct {
		Reference string `json:"reference"`
	} `json:"focus"`
	Total int `json:"total"`
	Link  []struct {
		Relation string `json:"relation"`
		URL      string `json:"url"`
	} `json:"link"`
	Entry []struct {
		FullURL  string   `json:"fullUrl"`
		Resource resource `json:"resource"`
		Search   struct {
			Mode string `json:"mode"`
		} `json:"search"`
		Response struct {
			Status string `json:"status"`
		} `json:"response"`
	} `json:"entry"`
	Rest []struct {
		Interaction []struct {
			Code string `json:"code"`
		} `json:"interaction"`
		Resource []struct {
			Type         string `json:"type"`
			UpdateCreate bool   `json:"updateCreate"`
			SearchParam  []struct {
				Name string `json:"name"`
			} `json:"searchParam"`
		} `json:"resource"`
	} `json:"rest"`
}

func (a answer) resource(t testing.TB) resource {
	t.Helper()
	var r resource
	require.NoError(t, json.Unmarshal(a.body, &r), "%s", a.body)
	return r
}

// statuses are those of the entries of a batch or transaction response, with the type and number of what was found.
func (r resource) statuses() []string {
	var all []string
	for _, e := range r.Entry {
		line := e.Response.Status
		switch {
		case e.Resource.ResourceType == "Bundle":
			line += fmt.Sprintf(" %d", e.Resource.Total)
		case e.Resource.ResourceType != "":
			line += " " + e.Resource.ResourceType
		}
		all = append(all, line)
	}
	return all
}

func (r resource) next() string {
	for _, l := range r.Link {
		if l.Relation == "next" {
			return l.URL
		}
	}
	return ""
}

func TestTransactionOfAnAssessment(t *testing.T) {
	peer := Server(t, Options{})

	written := mustSend(t, peer, "POST", "", assessmentWritten())
	require.Equal(t, http.StatusOK, written.status, "%s", written.body)
	require.Equal(t, []string{"201 Flag", "201 Task", "201 Provenance"}, written.resource(t).statuses())

	stands := append(append(peer.All(t, "Flag"), peer.All(t, "Task")...), peer.All(t, "Provenance")...)
	require.Len(t, stands, 3)
	Validate(t, append(stands, []byte(assessmentWritten()))...)

	again := mustSend(t, peer, "POST", "", assessmentWritten())
	require.Equal(t, []string{"200 Flag", "200 Task", "200 Provenance"}, again.resource(t).statuses())
	require.Len(t, peer.All(t, "Flag"), 1)
}

func TestTransactionIsAllOrNothing(t *testing.T) {
	peer := Server(t, Options{})
	require.Equal(t, 201, mustSend(t, peer, "PUT", "Flag/"+flagID, flag("active")).status)
	before := mustSend(t, peer, "GET", "Flag/"+flagID, "").resource(t)
	current := fmt.Sprintf(`W/"%s"`, before.Meta.VersionID)

	for _, tc := range []struct {
		name string
		body string
		want int
	}{
		{"stale If-Match", bundle("transaction", put(task(), "Task/"+taskID), putIfMatch(flag("inactive"), "Flag/"+flagID, `W/"0"`)), 412},
		{"If-Match on what does not exist", bundle("transaction", putIfMatch(flag("inactive"), "Flag/"+flagID, current), putIfMatch(task(), "Task/"+taskID, `W/"0"`)), 404},
		{"a resource that is not valid", bundle("transaction", put(task(), "Task/"+taskID), put(`{"resourceType":"Provenance","id":"`+provenanceID+`"}`, "Provenance/"+provenanceID)), 400},
	} {
		t.Run(tc.name, func(t *testing.T) {
			require.Equal(t, tc.want, mustSend(t, peer, "POST", "", tc.body).status)
			require.Empty(t, peer.All(t, "Task"))
			require.Equal(t, before, mustSend(t, peer, "GET", "Flag/"+flagID, "").resource(t))
		})
	}

	t.Run("current If-Match", func(t *testing.T) {
		a := mustSend(t, peer, "POST", "", bundle("transaction", putIfMatch(flag("inactive"), "Flag/"+flagID, current)))
		require.Equal(t, []string{"200 Flag"}, a.resource(t).statuses())
	})
}

// The limits are the packages' own; a client of real servers meets such limits too.
func TestTransactionLimits(t *testing.T) {
	peer := Server(t, Options{})
	updates := func(n int) string {
		var entries []string
		for i := range n {
			id := fmt.Sprintf("f%d", i)
			entries = append(entries, put(strings.Replace(flag("active"), flagID, id, 1), "Flag/"+id))
		}
		return bundle("transaction", entries...)
	}
	require.Equal(t, 200, mustSend(t, peer, "POST", "", updates(50)).status)
	require.Equal(t, 400, mustSend(t, peer, "POST", "", updates(51)).status)

	creates := func(n int) string {
		var entries []string
		for i := range n {
			entries = append(entries, post(flag("active"), "Flag", fmt.Sprintf("urn:uuid:00000000-0000-4000-8000-%012d", i), fmt.Sprintf("identifier=urn:none|%d", i)))
		}
		return bundle("transaction", entries...)
	}
	require.Equal(t, 200, mustSend(t, peer, "POST", "", creates(8)).status)
	require.Equal(t, 400, mustSend(t, peer, "POST", "", creates(9)).status)
}

func TestConditionalCreate(t *testing.T) {
	peer := Server(t, Options{NoUpdateCreate: true})
	key := "identifier=" + canonical + "/identifier/flag|p1.floppy-iris.right.1"

	first := mustSend(t, peer, "POST", "Flag", flag("active"), "If-None-Exist", key)
	require.Equal(t, 201, first.status, "%s", first.body)
	id := first.resource(t).ID
	require.NotEqual(t, flagID, id, "the server chooses the id of a created resource")
	require.Equal(t, fmt.Sprintf(`W/"%s"`, first.resource(t).Meta.VersionID), first.header.Get("ETag"))
	require.Equal(t, peer.Base+"/Flag/"+id+"/_history/"+first.resource(t).Meta.VersionID, first.header.Get("Location"))

	second := mustSend(t, peer, "POST", "Flag", flag("active"), "If-None-Exist", key)
	require.Equal(t, 200, second.status)
	require.Equal(t, id, second.resource(t).ID)

	t.Run("in a transaction that refers to it", func(t *testing.T) {
		const flagURL, taskURL = "urn:uuid:" + flagID, "urn:uuid:" + taskID
		pointing := strings.Replace(task(), "Flag/"+flagID, flagURL, 1)
		pointing = strings.Replace(pointing, `"reference": "Appointment/a1"`, `"reference": "`+flagURL+`"`, 1)
		a := mustSend(t, peer, "POST", "", bundle(
			"transaction",
			post(flag("active"), "Flag", flagURL, key),
			post(pointing, "Task", taskURL, "identifier="+canonical+"/identifier/task|a1.p1.right.prepare-pupil-expansion.1"),
		))
		require.Equal(t, []string{"200 Flag", "201 Task"}, a.resource(t).statuses(), "%s", a.body)
		require.Equal(t, "Flag/"+id, a.resource(t).Entry[1].Resource.Focus.Reference)
	})

	t.Run("two match", func(t *testing.T) {
		require.Equal(t, 201, mustSend(t, peer, "POST", "Flag", flag("active")).status)
		require.Equal(t, 412, mustSend(t, peer, "POST", "Flag", flag("active"), "If-None-Exist", key).status)
	})
}

func TestRaces(t *testing.T) {
	peer := Server(t, Options{})
	const racers = 20
	// race sends the same request from many goroutines and counts the statuses.
	race := func(t *testing.T, request func(i int) (answer, error)) map[int]int {
		answers := make([]answer, racers)
		errs := make([]error, racers)
		var wg sync.WaitGroup
		for i := range racers {
			wg.Go(func() { answers[i], errs[i] = request(i) })
		}
		wg.Wait()
		counts := map[int]int{}
		for i := range racers {
			require.NoError(t, errs[i])
			counts[answers[i].status]++
		}
		return counts
	}
	key := "identifier=" + canonical + "/identifier/flag|p1.floppy-iris.right.1"

	t.Run("conditional create", func(t *testing.T) {
		peer.Reset(t)
		counts := race(t, func(int) (answer, error) {
			return send(t, peer, "POST", "Flag", flag("active"), "If-None-Exist", key)
		})
		require.Equal(t, map[int]int{201: 1, 200: racers - 1}, counts)
		require.Len(t, peer.All(t, "Flag"), 1)
	})
	t.Run("PUT to one id", func(t *testing.T) {
		peer.Reset(t)
		counts := race(t, func(int) (answer, error) { return send(t, peer, "PUT", "Flag/"+flagID, flag("active")) })
		require.Equal(t, map[int]int{201: 1, 200: racers - 1}, counts)
		require.Len(t, peer.All(t, "Flag"), 1)
	})
	t.Run("PUT with the same If-Match", func(t *testing.T) {
		peer.Reset(t)
		etag := mustSend(t, peer, "PUT", "Flag/"+flagID, flag("active")).header.Get("ETag")
		counts := race(t, func(int) (answer, error) {
			return send(t, peer, "PUT", "Flag/"+flagID, flag("inactive"), "If-Match", etag)
		})
		require.Equal(t, map[int]int{200: 1, 412: racers - 1}, counts)
	})
	t.Run("a failing transaction undoes no other write", func(t *testing.T) {
		peer.Reset(t)
		counts := race(t, func(i int) (answer, error) {
			if i%2 == 0 {
				return send(t, peer, "POST", "", bundle("transaction", put(task(), "Task/"+taskID), put(`{"resourceType":"Flag","id":"bad"}`, "Flag/bad")))
			}
			id := fmt.Sprintf("f%d", i)
			return send(t, peer, "PUT", "Flag/"+id, strings.Replace(flag("active"), flagID, id, 1))
		})
		require.Equal(t, map[int]int{201: racers / 2, 400: racers / 2}, counts)
		require.Len(t, peer.All(t, "Flag"), racers/2)
		require.Empty(t, peer.All(t, "Task"))
	})
}

// historyTypes are what the product reads of a patient.
var historyTypes = []string{
	"MedicationStatement", "MedicationRequest", "MedicationDispense", "MedicationAdministration", "Procedure", "Condition",
	"Observation", "AllergyIntolerance", "DeviceUseStatement",
}

func seedPatient(t testing.TB, p *Peer) {
	t.Helper()
	p.Put(
		t,
		[]byte(`{"resourceType":"Patient","id":"p1","link":[{"other":{"reference":"Patient/p0"},"type":"replaces"}]}`),
		[]byte(`{"resourceType":"Appointment","id":"a1","status":"booked","start":"2026-12-01T07:30:00+01:00","end":"2026-12-01T08:00:00+01:00","participant":[{"actor":{"reference":"Patient/p1"},"status":"accepted"}]}`),
		[]byte(`{"resourceType":"Condition","id":"c1","subject":{"reference":"Patient/p1"},"code":{"text":"Pseudoexfoliation"}}`),
		[]byte(`{"resourceType":"Condition","id":"c2","subject":{"reference":"Patient/p1"},"code":{"text":"Glaucoma"}}`),
		[]byte(`{"resourceType":"MedicationRequest","id":"m1","status":"stopped","intent":"order","subject":{"reference":"Patient/p1"},"medicationCodeableConcept":{"text":"tamsulosin"}}`),
		[]byte(`{"resourceType":"Observation","id":"o1","status":"no-such-status","code":{"text":"malformed on purpose"},"subject":{"reference":"Patient/p1"},"effectiveDateTime":"25/11/2026","valueString":""}`),
		[]byte(flag("active")),
		[]byte(task()),
	)
}

// everythingOf is the one batch in which the product asks for a patient's record.
func everythingOf(patient string) []string {
	entries := []string{get("Patient/" + patient)}
	for _, resourceType := range append(historyTypes, "Appointment", "Flag", "Task") {
		entries = append(entries, get(resourceType+"?patient=Patient/"+patient+"&_count=200"))
	}
	return entries
}

func TestBatchOfReads(t *testing.T) {
	peer := Server(t, Options{})
	seedPatient(t, peer)

	t.Run("a patient's record", func(t *testing.T) {
		a := mustSend(t, peer, "POST", "", bundle("batch", everythingOf("p1")...))
		require.Equal(t, 200, a.status)
		require.Equal(t, []string{
			"200 Patient", "200 0", "200 1", "200 0", "200 0", "200 0", "200 2", "200 1", "200 0", "200 0", // patient and history
			"200 1", "200 1", "200 1", // Appointment, Flag, Task
		}, a.resource(t).statuses())
	})
	t.Run("reads by id", func(t *testing.T) {
		peer.Delete(t, "Flag/"+flagID)
		a := mustSend(t, peer, "POST", "", bundle("batch", get("Flag/"+flagID), get("Task/"+taskID), get("Flag/never-there"), get("Nonsense?patient=Patient/p1")))
		require.Equal(t, 200, a.status)
		require.Equal(t, []string{"410", "200 Task", "404", "404"}, a.resource(t).statuses())
	})
	t.Run("many entries", func(t *testing.T) {
		var entries []string
		for range 100 {
			entries = append(entries, everythingOf("p1")...)
		}
		a := mustSend(t, peer, "POST", "", bundle("batch", entries...))
		require.Equal(t, 200, a.status)
		require.Len(t, a.resource(t).Entry, 1300)
	})
	t.Run("a bare id finds nothing", func(t *testing.T) {
		require.Equal(t, 2, mustSend(t, peer, "GET", "Condition?patient=Patient/p1", "").resource(t).Total)
		require.Zero(t, mustSend(t, peer, "GET", "Condition?patient=p1", "").resource(t).Total)
	})
	t.Run("an unknown parameter finds nothing", func(t *testing.T) {
		a := mustSend(t, peer, "GET", "Condition?patient=Patient/p1&colour=blue", "")
		require.Equal(t, 200, a.status)
		require.Zero(t, a.resource(t).Total)
	})
	t.Run("references to an appointment, to an absorbed patient", func(t *testing.T) {
		require.Equal(t, 1, mustSend(t, peer, "GET", "Task?focus=Appointment/a1", "").resource(t).Total)
		require.Equal(t, 1, mustSend(t, peer, "GET", "Patient?link=Patient/p0", "").resource(t).Total)
	})
	t.Run("include", func(t *testing.T) {
		a := mustSend(t, peer, "GET", "Task?patient=Patient/p1&_include=Task:focus&_include=Task:patient", "").resource(t)
		require.Equal(t, 1, a.Total)
		var found []string
		for _, e := range a.Entry {
			found = append(found, e.Search.Mode+" "+strings.TrimPrefix(e.FullURL, peer.Base+"/"))
		}
		require.Equal(t, []string{"match Task/" + taskID, "include Appointment/a1", "include Patient/p1"}, found)
	})
	t.Run("what was put stays as it was", func(t *testing.T) {
		a := mustSend(t, peer, "GET", "Observation/o1", "")
		var o map[string]jsontext.Value
		require.NoError(t, json.Unmarshal(a.body, &o))
		require.Equal(t, `""`, string(o["valueString"]))
		require.Equal(t, `"no-such-status"`, string(o["status"]))
	})
}

func TestPages(t *testing.T) {
	peer := Server(t, Options{Page: 2, Advertise: "https://fhir.clinic.example/r4"})
	var conditions [][]byte
	for i := range 5 {
		conditions = append(conditions, fmt.Appendf(nil, `{"resourceType":"Condition","id":"c%d","subject":{"reference":"Patient/p1"}}`, i))
	}
	peer.Put(t, conditions...)

	a := mustSend(t, peer, "POST", "", bundle("batch", get("Condition?patient=Patient/p1&_count=200")))
	page := a.resource(t).Entry[0].Resource
	require.Equal(t, 5, page.Total)
	require.Len(t, page.Entry, 2, "fewer than asked for")
	next, ok := strings.CutPrefix(page.next(), "https://fhir.clinic.example/r4/")
	require.True(t, ok, page.next())
	require.Len(t, mustSend(t, peer, "GET", next, "").resource(t).Entry, 2)

	require.Len(t, peer.All(t, "Condition"), 5)
}

func TestOptions(t *testing.T) {
	statement := func(t *testing.T, p *Peer) resource {
		a := mustSend(t, p, "GET", "metadata", "")
		require.Equal(t, 200, a.status)
		return a.resource(t)
	}

	t.Run("all offered", func(t *testing.T) {
		peer := Server(t, Options{})
		a := mustSend(t, peer, "GET", "metadata", "")
		Validate(t, a.body)
		offers := map[string]bool{}
		for _, r := range a.resource(t).Rest[0].Resource {
			require.True(t, r.UpdateCreate)
			for _, p := range r.SearchParam {
				offers[r.Type+" "+p.Name] = true
			}
		}
		for _, resourceType := range append(historyTypes, "Appointment", "Flag", "Task") {
			require.True(t, offers[resourceType+" patient"], resourceType)
			require.True(t, offers[resourceType+" _lastUpdated"], resourceType)
		}
		require.Len(t, a.resource(t).Rest[0].Interaction, 2)
	})
	t.Run("nothing special", func(t *testing.T) {
		peer := Server(t, Options{NoUpdateCreate: true, NoBatch: true, NoTransaction: true, Without: []string{"DeviceUseStatement"}})
		rest := statement(t, peer).Rest[0]
		require.Empty(t, rest.Interaction)
		for _, r := range rest.Resource {
			require.False(t, r.UpdateCreate)
			require.NotEqual(t, "DeviceUseStatement", r.Type)
		}
		require.Equal(t, 405, mustSend(t, peer, "PUT", "Flag/"+flagID, flag("active")).status)
		require.Equal(t, 400, mustSend(t, peer, "POST", "", bundle("batch", get("Patient/p1"))).status)
		require.Equal(t, 400, mustSend(t, peer, "POST", "", assessmentWritten()).status)
		require.Equal(t, 404, mustSend(t, peer, "GET", "DeviceUseStatement?patient=Patient/p1", "").status)

		peer.Put(t, []byte(flag("active")))
		require.Equal(t, 200, mustSend(t, peer, "PUT", "Flag/"+flagID, flag("inactive")).status)
	})
	t.Run("no update as create, inside a Bundle", func(t *testing.T) {
		peer := Server(t, Options{NoUpdateCreate: true})
		require.Equal(t, 405, mustSend(t, peer, "POST", "", assessmentWritten()).status)
		a := mustSend(t, peer, "POST", "", bundle("batch", put(flag("active"), "Flag/"+flagID)))
		require.Equal(t, []string{"405"}, a.resource(t).statuses())
		require.Empty(t, peer.All(t, "Flag"))
	})
	t.Run("token", func(t *testing.T) {
		peer := Server(t, Options{Token: "open-sesame"})
		statement(t, peer)
		require.Equal(t, 401, mustSend(t, peer, "GET", "Patient/p1", "").status)
		require.Equal(t, 404, mustSend(t, peer, "GET", "Patient/p1", "", "Authorization", "Bearer open-sesame").status)
		require.Empty(t, peer.All(t, "Flag"))
	})
}

func TestFaults(t *testing.T) {
	peer := Server(t, Options{})
	seedPatient(t, peer)

	t.Run("status with Retry-After, twice", func(t *testing.T) {
		peer.Fault(t, Fault{Times: 2, Method: "GET", Path: "Flag?", Status: 503, RetryAfter: "1"})
		require.Equal(t, 200, mustSend(t, peer, "GET", "Task?patient=Patient/p1", "").status)
		for range 2 {
			a := mustSend(t, peer, "GET", "Flag?patient=Patient/p1", "")
			require.Equal(t, 503, a.status)
			require.Equal(t, "1", a.header.Get("Retry-After"))
		}
		require.Equal(t, 200, mustSend(t, peer, "GET", "Flag?patient=Patient/p1", "").status)
	})
	t.Run("entry of a batch", func(t *testing.T) {
		peer.Fault(t, Fault{Entry: "Condition?", Status: 403})
		batch := bundle("batch", get("Patient/p1"), get("Condition?patient=Patient/p1"))
		require.Equal(t, []string{"200 Patient", "403"}, mustSend(t, peer, "POST", "", batch).resource(t).statuses())
		require.Equal(t, []string{"200 Patient", "200 2"}, mustSend(t, peer, "POST", "", batch).resource(t).statuses())
	})
	t.Run("drop before and after acting", func(t *testing.T) {
		peer.Fault(t, Fault{Method: "PUT", Drop: true})
		_, err := send(t, peer, "PUT", "Flag/dropped", strings.Replace(flag("active"), flagID, "dropped", 1))
		require.Error(t, err)
		require.Equal(t, 404, mustSend(t, peer, "GET", "Flag/dropped", "").status)

		peer.Fault(t, Fault{Method: "POST", DropAfter: true})
		_, err = send(t, peer, "POST", "", bundle("transaction", put(strings.Replace(flag("active"), flagID, "kept", 1), "Flag/kept")))
		require.Error(t, err)
		require.Equal(t, 200, mustSend(t, peer, "GET", "Flag/kept", "").status)
	})
	t.Run("cut answer", func(t *testing.T) {
		peer.Fault(t, Fault{Cut: 100})
		a, err := send(t, peer, "GET", "Flag/"+flagID, "")
		require.ErrorIs(t, err, io.ErrUnexpectedEOF)
		require.Len(t, a.body, 100)
	})
	t.Run("delay", func(t *testing.T) {
		peer.Fault(t, Fault{Delay: 150 * time.Millisecond})
		began := time.Now()
		require.Equal(t, 200, mustSend(t, peer, "GET", "Patient/p1", "").status)
		require.GreaterOrEqual(t, time.Since(began), 150*time.Millisecond)
	})
	t.Run("clear", func(t *testing.T) {
		peer.Fault(t, Fault{Times: 1000, Status: 500})
		peer.Clear(t)
		require.Equal(t, 200, mustSend(t, peer, "GET", "Patient/p1", "").status)
	})
	t.Run("reset", func(t *testing.T) {
		peer.Reset(t)
		require.Equal(t, 404, mustSend(t, peer, "GET", "Patient/p1", "").status)
	})
}

func TestServerLeavesWithItsTest(t *testing.T) {
	var base string
	t.Run("in here", func(t *testing.T) { base = Server(t, Options{}).Base })
	if base == "" {
		t.Skip("the server did not start: see the test inside")
	}
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Get(base + "/metadata")
	if err == nil {
		resp.Body.Close()
	}
	require.Error(t, err)
	require.False(t, os.IsTimeout(err))
}
