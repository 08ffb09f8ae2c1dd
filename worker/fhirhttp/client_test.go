package fhirhttp

import (
	"cmp"
	"context"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestReadAnswersWithBodyAndVersion(t *testing.T) {
	c, server := newClient(t, record{"Patient/1": patient("1"), "Patient/1/_history/7": patient("1")}.ServeHTTP, func(cfg *Config) {
		cfg.Aliases = []string{"https://records.example/r4/"}
	})
	for _, ref := range []string{
		"Patient/1", "Patient/1/_history/7", server.URL + "/fhir/Patient/1", "https://records.example/r4/Patient/1", "https://RECORDS.example:443/r4/Patient/1",
	} {
		a, err := c.Read(t.Context(), ref)
		require.NoError(t, err, ref)
		require.Equal(t, 200, a.Status)
		require.Equal(t, `W/"7"`, a.ETag)
		require.JSONEq(t, patient("1"), string(a.Body))
	}
}

func TestReadRefusesWhatIsNoReferenceOfThisServer(t *testing.T) {
	c, _ := newClient(t, func(http.ResponseWriter, *http.Request) { panic("asked") })
	for ref, want := range map[string]error{
		"": ErrReference, "/Patient/1": ErrReference, "Patient/../Flag/1": ErrReference, "Patient/..": ErrReference, "Patient//1": ErrReference,
		"Patient/": ErrReference, "#contained": ErrReference, "Patient/a b": ErrReference, "Patient/%2e%2e": ErrReference, "Patient/1\r\nX: 1": ErrReference,
		"urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0": ErrForeignOrigin, "https://elsewhere.example/fhir/Patient/" + marker: ErrForeignOrigin,
	} {
		_, err := c.Read(t.Context(), ref)
		require.ErrorIs(t, err, want, ref)
		requireKind(t, Refused, err)
	}
}

func TestBatchAndParallelReadsGiveTheSame(t *testing.T) {
	rec := record{
		"Patient/1":                          patient("1"),
		"Condition?patient=Patient/1":        searchset(`{"resource":{"resourceType":"Condition"}}`),
		"Flag?identifier=https://x%7C" + "1": searchset(),
	}
	paths := []string{"Condition?patient=Patient/1", "Patient/1", "Patient/" + marker, "Flag?identifier=https://x|1", "Patient/1"}
	var posts, gets atomic.Int32
	count := func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPost {
			posts.Add(1)
		} else if r.URL.Path != "/fhir/metadata" {
			gets.Add(1)
		}
		rec.ServeHTTP(w, r)
	}
	gather := func(set func(*Config)) []Answer {
		posts.Store(0)
		gets.Store(0)
		c, _ := newClient(t, count, set)
		answers, err := c.Gather(t.Context(), paths)
		require.NoError(t, err)
		return answers
	}
	flat := func(answers []Answer) (out []string) {
		for _, a := range answers {
			out = append(out, strings.Join([]string{a.Path, http.StatusText(a.Status), a.ETag, string(a.Body), KindOf(a.Err).String()}, "\n"))
		}
		return out
	}
	batch := gather(func(cfg *Config) { cfg.Batch = BatchAuto })
	require.EqualValues(t, 1, posts.Load())
	require.Zero(t, gets.Load())
	parts := gather(func(cfg *Config) { cfg.Batch, cfg.MaxBatch = BatchOn, 2 })
	require.EqualValues(t, 3, posts.Load())
	single := gather(func(cfg *Config) { cfg.Batch, cfg.MaxInFlight = BatchOff, 3 })
	require.EqualValues(t, len(paths), gets.Load())
	require.Zero(t, posts.Load())

	require.Equal(t, flat(batch), flat(single))
	require.Equal(t, flat(batch), flat(parts))
	require.Equal(t, "Patient/1", batch[1].Path)
	e := requireKind(t, Gone, batch[2].Err)
	require.Equal(t, 404, e.Status)
	require.Equal(t, []string{"not-found"}, e.Issues)
	require.JSONEq(t, notFound, string(batch[2].Body))
}

func TestGatherNothingAsksNothing(t *testing.T) {
	c, _ := newClient(t, func(http.ResponseWriter, *http.Request) { panic("asked") }, func(cfg *Config) { cfg.Batch = BatchAuto })
	answers, err := c.Gather(t.Context(), nil)
	require.NoError(t, err)
	require.Empty(t, answers)
}

// batchOnly answers every batch with the same text.
func batchOnly(body string) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) { answer(w, http.StatusOK, body) }
}

func TestBatchThatDoesNotMatchIsAnErrorForTheWhole(t *testing.T) {
	entry := func(id string) string { return `{"resource":` + patient(id) + `,"response":{"status":"200"}}` }
	bundle := func(entries ...string) string {
		return `{"resourceType":"Bundle","type":"batch-response","entry":[` + strings.Join(entries, ",") + `]}`
	}
	for name, tt := range map[string]struct {
		body string
		want error
	}{
		"one too few":       {bundle(entry("1")), ErrEntries},
		"none":              {`{"resourceType":"Bundle","type":"batch-response"}`, ErrEntries},
		"one too many":      {bundle(entry("1"), entry("2"), entry("2")), ErrEntries},
		"another order":     {bundle(entry("2"), entry("1")), ErrEntries},
		"another type":      {bundle(entry("1"), `{"resource":{"resourceType":"Flag","id":"2"},"response":{"status":"200"}}`), ErrEntries},
		"no status":         {bundle(entry("1"), `{"resource":`+patient("2")+`}`), ErrEntries},
		"a senseless code":  {bundle(entry("1"), `{"resource":`+patient("2")+`,"response":{"status":"2000"}}`), ErrEntries},
		"an outcome":        {notFound, ErrNotFHIR},
		"HTML":              {"<html>" + marker, ErrNotFHIR},
		"nothing":           {"", ErrNotFHIR},
		"cut JSON":          {bundle(entry("1"), entry("2"))[:90], ErrNotFHIR},
		"two JSON texts":    {bundle(entry("1"), entry("2")) + "{}", ErrNotFHIR},
		"entry is no array": {`{"resourceType":"Bundle","entry":{"a":1}}`, ErrNotFHIR},
	} {
		t.Run(name, func(t *testing.T) {
			c, _ := newClient(t, batchOnly(tt.body), func(cfg *Config) { cfg.Batch = BatchOn })
			answers, err := c.Gather(t.Context(), []string{"Patient/1", "Patient/2"})
			requireKind(t, Unavailable, err)
			require.ErrorIs(t, err, tt.want)
			require.Nil(t, answers)
		})
	}
}

func TestBatchEntriesFailAlone(t *testing.T) {
	c, _ := newClient(t, batchOnly(`{"resourceType":"Bundle","type":"batch-response","entry":[
		{"response":{"status":"403 Forbidden"}},
		{"response":{"status":"410","outcome":{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"deleted"},{"severity":"error","code":"`+marker+`"}]}}},
		{"resource":{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"throttled"}]},"response":{"status":"503"}},
		{"response":{"status":"200"}},
		{"resource":{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"incomplete"}]},"response":{"status":"200"}},
		{"resource":{"resourceType":"Bundle","type":"searchset"},"response":{"status":"200"}},
		{"resource":`+patient("9")+`,"response":{"status":"200","etag":"W/\"8\""}}]}`),
		func(cfg *Config) { cfg.Batch = BatchOn })
	answers, err := c.Gather(t.Context(), []string{"A?x", "Patient/2", "B?x", "C?x", "D?x", "E?x", "Patient/9"})
	require.NoError(t, err)
	require.Equal(t, 403, requireKind(t, Denied, answers[0].Err).Status)
	require.Equal(t, []string{"deleted"}, requireKind(t, Gone, answers[1].Err).Issues)
	requireKind(t, Unavailable, answers[2].Err)
	requireKind(t, Unavailable, answers[3].Err)
	require.Equal(t, []string{"incomplete"}, requireKind(t, Unavailable, answers[4].Err).Issues)
	require.NoError(t, answers[5].Err)
	require.NoError(t, answers[6].Err)
	require.Equal(t, `W/"8"`, answers[6].ETag)
	_, open := c.Open()
	require.False(t, open)
}

func TestThrottledBatchEntryQuietsAll(t *testing.T) {
	c, _ := newClient(t, batchOnly(`{"resourceType":"Bundle","type":"batch-response","entry":[{"response":{"status":"429"}}]}`),
		func(cfg *Config) { cfg.Batch = BatchOn })
	answers, err := c.Gather(t.Context(), []string{"Patient/1"})
	require.NoError(t, err)
	requireKind(t, Throttled, answers[0].Err)
	_, open := c.Open()
	require.True(t, open)
}

func TestServerThatRefusesTheBatchItDeclaresIsReadOneByOne(t *testing.T) {
	rec := record{"Patient/1": patient("1"), "Patient/2": patient("2")}
	for _, tt := range []struct{ status, posts int }{{405, 1}, {404, 1}, {501, 1}, {403, 2}} {
		var posts int
		c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
			if r.Method == http.MethodPost {
				posts++
				answer(w, tt.status, "")
				return
			}
			rec.ServeHTTP(w, r)
		}, func(cfg *Config) { cfg.Batch = BatchAuto })
		for range 2 {
			answers, err := c.Gather(t.Context(), []string{"Patient/1", "Patient/2"})
			require.NoError(t, err)
			require.NoError(t, cmp.Or(answers[0].Err, answers[1].Err))
		}
		require.Equal(t, tt.posts, posts, "status %d", tt.status)
	}
}

func TestBatchAnswerTooLargeIsReadOneByOne(t *testing.T) {
	rec := record{"Patient/1": patient("1"), "Patient/2": patient("2")}
	c, _ := newClient(t, rec.ServeHTTP, func(cfg *Config) { cfg.Batch, cfg.MaxBody = BatchAuto, int64(len(capabilityR4)) })
	rec["Patient/1"] = strings.Replace(patient("1"), "}", `,"x":"`+strings.Repeat("x", len(capabilityR4)-2*len(patient("1")))+`"}`, 1)
	rec["Patient/2"] = strings.Replace(patient("2"), "}", `,"x":"`+strings.Repeat("x", len(capabilityR4)-2*len(patient("2")))+`"}`, 1)
	answers, err := c.Gather(t.Context(), []string{"Patient/1", "Patient/2"})
	require.NoError(t, err)
	require.NoError(t, cmp.Or(answers[0].Err, answers[1].Err))
}

func TestParallelReadsThatAllFailForNowAreAnErrorForTheWhole(t *testing.T) {
	c, _ := newClient(t, func(w http.ResponseWriter, _ *http.Request) { answer(w, 502, "") })
	_, err := c.Gather(t.Context(), []string{"Patient/1", "Patient/2"})
	requireKind(t, Unavailable, err)

	c, _ = newClient(t, func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, "1") {
			answer(w, 502, "")
			return
		}
		answer(w, 200, patient("2"))
	})
	answers, err := c.Gather(t.Context(), []string{"Patient/1", "Patient/2"})
	require.NoError(t, err)
	require.True(t, requireKind(t, Unavailable, answers[0].Err).Transient())
	require.NoError(t, answers[1].Err)

	c, _ = newClient(t, func(w http.ResponseWriter, _ *http.Request) { answer(w, 401, "") })
	_, err = c.Gather(t.Context(), []string{"Patient/1", "Patient/2"})
	requireKind(t, Denied, err)
}

func TestNeverMoreRequestsThanMaxInFlight(t *testing.T) {
	var now, most atomic.Int32
	c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		n := now.Add(1)
		for m := most.Load(); n > m && !most.CompareAndSwap(m, n); m = most.Load() {
		}
		time.Sleep(2 * time.Millisecond)
		now.Add(-1)
		answer(w, 200, patient(strings.TrimPrefix(r.URL.Path, "/fhir/Patient/")))
	}, func(cfg *Config) { cfg.MaxInFlight = 3 })
	var lanes sync.WaitGroup
	for range 4 {
		lanes.Go(func() {
			answers, err := c.Gather(t.Context(), slices.Repeat([]string{"Patient/1"}, 10))
			require.NoError(t, err)
			for _, a := range answers {
				require.NoError(t, a.Err)
			}
		})
	}
	lanes.Wait()
	require.EqualValues(t, 3, most.Load())
}

// With PostSearch a search is a form; reads by id and the server's own next links stay as they are. A patch goes out as JSON Patch.
func TestPostSearchSendsAForm(t *testing.T) {
	var got []string
	c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		got = append(got, strings.TrimSpace(strings.Join([]string{r.Method, r.URL.RequestURI(), r.Header.Get("Content-Type"), string(body)}, " ")))
		if r.URL.Path == "/fhir/Patient/1" {
			answer(w, 200, patient("1"))
			return
		}
		answer(w, 200, searchset())
	}, func(cfg *Config) { cfg.PostSearch, cfg.MaxInFlight = true, 1 })
	answers, err := c.Gather(t.Context(), []string{"Flag?identifier=s|1&_count=2", "Patient/1"})
	require.NoError(t, err)
	require.NoError(t, answers[0].Err)
	require.NoError(t, answers[1].Err)
	_, err = c.Page(t.Context(), "Task?patient=Patient/1")
	require.NoError(t, err)
	_, err = c.Page(t.Context(), "?page=2")
	require.NoError(t, err)
	_, err = c.Write(t.Context(), http.MethodPatch, "Patient/1", []byte(`[]`), "", "")
	require.NoError(t, err)
	require.Equal(t, []string{
		"POST /fhir/Flag/_search application/x-www-form-urlencoded identifier=s%7C1&_count=2", "GET /fhir/Patient/1",
		"POST /fhir/Task/_search application/x-www-form-urlencoded patient=Patient/1", "GET /fhir/?page=2",
		"PATCH /fhir/Patient/1 application/json-patch+json []",
	}, got)
}

func TestStatusDecidesTheKind(t *testing.T) {
	outcome := func(codes ...string) string {
		s := ""
		for _, c := range codes {
			s += `,{"severity":"error","code":"` + c + `","diagnostics":"` + marker + `"}`
		}
		return `{"resourceType":"OperationOutcome","issue":[` + strings.TrimPrefix(s, ",") + `]}`
	}
	for _, tt := range []struct {
		status     int
		body       string
		retryAfter string
		read       Kind
		write      Kind
	}{
		{status: 202, read: Unavailable, write: Unavailable},
		{status: 206, read: Unavailable, write: Unavailable},
		{status: 302, read: Refused, write: Refused},
		{status: 304, read: Refused, write: Refused},
		{status: 400, read: Refused, write: Refused},
		{status: 400, body: outcome("invalid"), read: Refused, write: Refused},
		{status: 400, body: outcome("timeout"), read: Unavailable, write: Unavailable},
		{status: 400, body: outcome("timeout", "invalid"), read: Refused, write: Refused},
		{status: 400, body: outcome("throttled"), read: Throttled, write: Throttled},
		{status: 400, body: "<html>" + marker, read: Refused, write: Refused},
		{status: 401, read: Denied, write: Denied},
		{status: 403, read: Denied, write: Denied},
		{status: 404, read: Gone, write: Gone},
		{status: 405, read: Refused, write: Refused},
		{status: 408, read: Unavailable, write: Unavailable},
		{status: 409, read: Conflict, write: Conflict},
		{status: 410, read: Gone, write: Gone},
		{status: 413, body: outcome("timeout"), read: Refused, write: Refused},
		{status: 412, read: Conflict, write: Conflict},
		{status: 413, read: Refused, write: Refused},
		{status: 422, read: Refused, write: Conflict},
		{status: 422, body: outcome("lock-error"), read: Unavailable, write: Unavailable},
		{status: 429, read: Throttled, write: Throttled},
		{status: 500, body: outcome("exception"), read: Unavailable, write: Unavailable},
		{status: 500, read: Unavailable, write: Unavailable},
		{status: 501, read: Refused, write: Refused},
		{status: 502, body: "<html>" + marker, read: Unavailable, write: Unavailable},
		{status: 503, read: Unavailable, write: Unavailable},
		{status: 503, retryAfter: "1", read: Throttled, write: Throttled},
		{status: 503, retryAfter: "soon", read: Throttled, write: Throttled},
		{status: 504, read: Unavailable, write: Unavailable},
	} {
		handler := func(w http.ResponseWriter, _ *http.Request) {
			if tt.retryAfter != "" {
				w.Header().Set("Retry-After", tt.retryAfter)
			}
			answer(w, tt.status, tt.body)
		}
		c, _ := newClient(t, handler)
		a, err := c.Read(t.Context(), "Patient/"+marker)
		e := requireKind(t, tt.read, err)
		require.Equal(t, tt.status, e.Status)
		require.Equal(t, tt.status, a.Status)
		require.NotContains(t, string(a.Body), "<html>")

		c, _ = newClient(t, handler)
		_, err = c.Write(t.Context(), http.MethodPut, "Flag/"+marker, []byte("{}"), "", "")
		require.Equal(t, OpUpdate, requireKind(t, tt.write, err).Operation)

		c, _ = newClient(t, handler)
		_, err = c.Transaction(t.Context(), []byte(`{"resourceType":"Bundle","entry":[]}`), 0)
		requireKind(t, tt.write, err)
	}
}

func TestErrorText(t *testing.T) {
	e := &Error{Operation: OpSearch, Status: 503, Issues: []string{"timeout", "transient"}, RetryAfter: 90 * time.Second, kind: Throttled, err: ErrCutShort}
	require.Equal(t, "fhir search: throttled, status 503 (timeout, transient), retry after 1m30s: answer cut short", e.Error())
	require.Zero(t, KindOf(context.Canceled))
	require.Equal(t, Throttled, KindOf(errors.Join(io.EOF, e)))
}

func TestTransactionAnswersEntryByEntry(t *testing.T) {
	var got *http.Request
	var sent []byte
	c, server := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		got = r
		sent, _ = io.ReadAll(r.Body)
		answer(w, 200, `{"resourceType":"Bundle","type":"transaction-response","entry":[
			{"response":{"status":"201 Created","etag":"W/\"1\"","location":"http://`+r.Host+`/fhir/Flag/a/_history/1"}},
			{"resource":{"resourceType":"Task","id":"b","meta":{"versionId":"3"}},"response":{"status":"200","location":"Task/b/_history/3"}},
			{"response":{"status":"201","location":"https://elsewhere.example/fhir/Provenance/1"}},
			{"response":{"status":"412","outcome":`+notFound+`}}]}`)
	})
	bundle := []byte(`{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"PUT","url":"Flag/a"}},
		{"request":{"method":"PUT","url":"Task/b"}},{"request":{"method":"POST","url":"Provenance"}},{"request":{"method":"PUT","url":"Task/c"}}]}`)
	answers, err := c.Transaction(t.Context(), bundle, 4)
	require.NoError(t, err)
	require.Equal(t, bundle, sent)
	require.Equal(t, "/fhir", got.URL.Path)
	require.Equal(t, "return=representation", got.Header.Get("Prefer"))
	require.Equal(t, "application/fhir+json", got.Header.Get("Content-Type"))
	require.Equal(t, "pupilrisk/devel", got.Header.Get("User-Agent"))
	require.Equal(t, Answer{Status: 201, ETag: `W/"1"`, Location: "Flag/a/_history/1"}, answers[0])
	require.Equal(t, Answer{
		Status: 200, ETag: `W/"3"`, Location: "Task/b/_history/3",
		Body: []byte(`{"resourceType":"Task","id":"b","meta":{"versionId":"3"}}`),
	}, answers[1])
	require.Equal(t, Answer{Status: 201}, answers[2])
	requireKind(t, Conflict, answers[3].Err)

	_, err = c.Transaction(t.Context(), []byte(`{"resourceType":"Bundle","entry":[{"request":{"method":"PUT","url":"Flag/a"}}]}`), 1)
	require.ErrorIs(t, err, ErrEntries)
	requireKind(t, Unavailable, err)
	server.Close()
	_, err = c.Transaction(t.Context(), bundle, 4)
	requireKind(t, Unavailable, err)
}

func TestWriteSendsItsConditions(t *testing.T) {
	var got *http.Request
	c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		got = r
		if r.Method == http.MethodPost {
			w.Header().Set("Location", "http://"+r.Host+"/fhir/Flag/new/_history/1")
			answer(w, 201, `{"resourceType":"Flag","id":"new","meta":{"versionId":"1"}}`)
			return
		}
		w.Header().Set("ETag", `W/"9"`)
		w.WriteHeader(204)
	}, func(cfg *Config) { cfg.Return, cfg.Version = "minimal", "1.2" })
	a, err := c.Write(t.Context(), http.MethodPut, "Flag/a", []byte(`{}`), `W/"8"`, "")
	require.NoError(t, err)
	require.Equal(t, Answer{Path: "Flag/a", Status: 204, ETag: `W/"9"`}, a)
	require.Equal(t, `W/"8"`, got.Header.Get("If-Match"))
	require.Empty(t, got.Header.Get("If-None-Exist"))
	require.Equal(t, "return=minimal", got.Header.Get("Prefer"))
	require.Equal(t, "pupilrisk/1.2", got.Header.Get("User-Agent"))

	a, err = c.Write(t.Context(), http.MethodPost, "Flag", []byte(`{}`), "", "identifier=s%7C1")
	require.NoError(t, err)
	require.Equal(t, "Flag/new/_history/1", a.Location)
	require.Equal(t, `W/"1"`, a.ETag)
	require.Equal(t, "identifier=s%7C1", got.Header.Get("If-None-Exist"))
	require.Empty(t, got.Header.Get("If-Match"))

	for _, bad := range [][2]string{{http.MethodDelete, "Flag/a"}, {http.MethodPut, "../Flag/a"}} {
		_, err = c.Write(t.Context(), bad[0], bad[1], nil, "", "")
		requireKind(t, Refused, err)
	}
}

func TestSearchesAreStrictAndReadsCarryNoPreference(t *testing.T) {
	seen := map[string]string{}
	c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		seen[r.URL.Path] = r.Header.Get("Prefer")
		require.Contains(t, r.Header.Get("Accept"), "application/fhir+json")
		answer(w, 200, map[string]string{"/fhir/Patient/1": patient("1"), "/fhir/Flag": searchset()}[r.URL.Path])
	}, func(cfg *Config) { cfg.MaxInFlight = 1 })
	_, err := c.Gather(t.Context(), []string{"Patient/1", "Flag?patient=Patient/1"})
	require.NoError(t, err)
	require.Equal(t, map[string]string{"/fhir/Patient/1": "", "/fhir/Flag": "handling=strict"}, seen)
}

func TestPagesAreFollowedToTheEnd(t *testing.T) {
	pages := map[string]string{"_getpages=x": "http://alias.example/_getpages?p=2", "p=2": "Condition?p=3", "p=3": "?p=4", "p=4": ""}
	c, server := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		require.True(t, strings.HasPrefix(r.URL.Path, "/fhir"))
		answer(w, 200, `{"resourceType":"Bundle","type":"searchset","id":"`+r.URL.RawQuery+`"}`)
	}, func(cfg *Config) { cfg.Aliases = []string{"http://alias.example"} })
	var seen []string
	err := c.Pages(t.Context(), server.URL+"/fhir?_getpages=x", func(a Answer) (string, error) {
		_, id, _ := a.Text.Identity()
		seen = append(seen, id)
		return pages[id], nil
	})
	require.NoError(t, err)
	require.Equal(t, []string{"_getpages=x", "p=2", "p=3", "p=4"}, seen)

	stop := errors.New("stop")
	require.ErrorIs(t, c.Pages(t.Context(), "?p=1", func(Answer) (string, error) { return "", stop }), stop)
}

func TestEndlessPages(t *testing.T) {
	var asked int
	c, _ := newClient(t, func(w http.ResponseWriter, _ *http.Request) { asked++; answer(w, 200, searchset()) }, func(cfg *Config) { cfg.MaxPages = 4 })
	err := c.Pages(t.Context(), "?p=0", func(Answer) (string, error) { return "?p=" + strings.Repeat("1", asked), nil })
	require.ErrorIs(t, err, ErrPages)
	requireKind(t, Refused, err)
	require.Equal(t, 4, asked)
	err = c.Pages(t.Context(), "?p=0", func(Answer) (string, error) { return "?p=0", nil })
	require.ErrorIs(t, err, ErrPageLoop)
}

func TestObserveIsToldEachRequest(t *testing.T) {
	var mu sync.Mutex
	var seen []string
	bodies := []string{patient("1"), "<html>", patient("2"), ""}
	c, server := newClient(t, func(w http.ResponseWriter, _ *http.Request) {
		b := bodies[0]
		bodies = bodies[1:]
		if b == "" {
			answer(w, http.StatusTeapot, "")
			return
		}
		answer(w, 200, b)
	}, func(cfg *Config) {
		cfg.Observe = func(operation, code string, took time.Duration) {
			mu.Lock()
			defer mu.Unlock()
			require.Contains(t, Operations, operation)
			require.Contains(t, Codes, code)
			require.Positive(t, took)
			seen = append(seen, operation+" "+code)
		}
	})
	for range 4 {
		_, _ = c.Read(t.Context(), "Patient/1")
	}
	server.Close()
	_, _ = c.Read(t.Context(), "Patient/1")
	require.Equal(t, []string{"read 200", "read error", "read error", "read other", "read error"}, seen)
}

func TestTokenIsReadAgainWhenItsFileChanges(t *testing.T) {
	file := filepath.Join(t.TempDir(), "token")
	put := func(s string, age time.Duration) {
		require.NoError(t, os.WriteFile(file, []byte(s), 0o600))
		require.NoError(t, os.Chtimes(file, time.Time{}, time.Now().Add(-age)))
	}
	put("first\n", time.Hour)
	good := "Bearer first"
	var seen []string
	c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		seen = append(seen, r.Header.Get("Authorization"))
		if r.Header.Get("Authorization") != good {
			answer(w, 401, "")
			return
		}
		answer(w, 200, patient("1"))
	}, func(cfg *Config) { cfg.TokenFile = file })
	read := func() error { _, err := c.Read(t.Context(), "Patient/1"); return err }
	require.NoError(t, read())

	put("second", time.Minute) // noticed by its time
	good = "Bearer second"
	require.NoError(t, read())

	info, err := os.Stat(file) // same size, same time: noticed by the refusal
	require.NoError(t, err)
	put("sECOND", 0)
	require.NoError(t, os.Chtimes(file, time.Time{}, info.ModTime()))
	good = "Bearer sECOND"
	require.NoError(t, read())

	good = "Bearer other" // refused and nothing new in the file: once is enough
	requireKind(t, Denied, read())

	good = "Bearer sECOND" // a file that is gone for a moment leaves the last token
	require.NoError(t, os.Remove(file))
	require.NoError(t, read())
	require.Equal(t, []string{"Bearer first", "Bearer second", "Bearer second", "Bearer sECOND", "Bearer sECOND", "Bearer sECOND"}, seen)
}

// fixedBearer gives one token, then another; then it fails.
type fixedBearer struct{ tokens []string }

var errNoToken = errors.New("no token today")

func (b *fixedBearer) Token(context.Context) (string, error) {
	if len(b.tokens) == 0 {
		return "", errNoToken
	}
	return b.tokens[0], nil
}

func (b *fixedBearer) Renew(ctx context.Context, refused string) (string, error) {
	if len(b.tokens) > 0 && b.tokens[0] == refused {
		b.tokens = b.tokens[1:]
	}
	return b.Token(ctx)
}

func TestRefusedTokenIsRenewedOnce(t *testing.T) {
	good, asked := "Bearer second", 0
	bearer := &fixedBearer{[]string{"first", "second", "third", "fourth"}}
	c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		asked++
		if r.Header.Get("Authorization") != good {
			answer(w, 401, "")
			return
		}
		answer(w, 200, patient("1"))
	}, func(cfg *Config) { cfg.Bearer = bearer })
	read := func() error { _, err := c.Read(t.Context(), "Patient/1"); return err }
	require.NoError(t, read())
	require.Equal(t, 2, asked)

	good = "Bearer fourth" // the next one is refused too: that is the answer
	requireKind(t, Denied, read())
	require.Equal(t, 4, asked)

	bearer.tokens = []string{"last"} // refused, and no other to be had: nothing is known of the record
	err := read()
	requireKind(t, Unavailable, err)
	require.ErrorIs(t, err, errNoToken)
	require.Equal(t, 5, asked)
	err = read()
	requireKind(t, Unavailable, err)
	require.ErrorIs(t, err, errNoToken)
	require.Equal(t, 5, asked, "nothing is asked without a token")
}

func TestConfigurationFaultsNameTheKey(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string) string {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
		return filepath.Join(dir, name)
	}
	for _, tt := range []struct {
		cfg  Config
		want string
	}{
		{Config{}, "fhir.url: must be an absolute"},
		{Config{Base: "fhir.example/r4"}, "fhir.url: must be an absolute"},
		{Config{Base: "ftp://fhir.example/r4"}, "fhir.url: must be an absolute"},
		{Config{Base: "https://u:" + marker + "@fhir.example"}, "fhir.url: must not hold a user"},
		{Config{Base: "https://fhir.example\x00/" + marker}, "fhir.url: must be an absolute"},
		{Config{Base: "https://fhir.example/r4?x=" + marker}, "fhir.url: must not hold a query"},
		{Config{Base: "https://fhir.example/a/../b"}, "fhir.url: must have a plain path"},
		{Config{Base: "https://f", Aliases: []string{"x"}}, "fhir.base_aliases: must be"},
		{Config{Base: "https://f", Batch: "maybe"}, "fhir.batch: must be"},
		{Config{Base: "https://f", TokenFile: filepath.Join(dir, "none")}, "fhir.token_file: "},
		{Config{Base: "https://f", TokenFile: file("empty", " \n")}, "fhir.token_file: empty"},
		{Config{Base: "https://f", TokenFile: file("two", marker+"\nX: y")}, "fhir.token_file: holds a character"},
		{Config{Base: "https://f", TokenFile: file("large", strings.Repeat(marker, 1<<13))}, "fhir.token_file: larger"},
		{Config{Base: "https://f", CAFile: file("ca", marker)}, "fhir.tls.ca_file: holds no PEM"},
		{Config{Base: "https://f", CAFile: filepath.Join(dir, "none")}, "fhir.tls.ca_file: "},
		{Config{Base: "https://f", CertFile: "x"}, "fhir.tls.cert_file and fhir.tls.key_file: one without"},
		{Config{Base: "https://f", CertFile: file("c", marker), KeyFile: file("k", marker)}, "fhir.tls.cert_file: "},
	} {
		_, err := New(tt.cfg)
		require.ErrorContains(t, err, tt.want)
		require.NotContains(t, err.Error(), marker)
	}
}
