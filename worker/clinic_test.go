package worker

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream"
)

// clinicDay is the day on which the tests' clinic stands still.
var clinicDay = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// clinic is a small clinic for tests: an in-memory FHIR server over HTTP, an embedded NATS server, workers on both.
type clinic struct {
	t       *testing.T
	store   *fhirstore.Store
	url     string
	stream  *stream.Stream
	mode    Mode
	workers int
	now     func() time.Time
	// configure, where set, changes the configuration of the workers made from then on.
	configure func(*Config)
}

// newClinic starts the servers. Nothing works yet.
func newClinic(t *testing.T, options fhirstore.Options) *clinic {
	t.Helper()
	c := &clinic{t: t, store: fhirstore.New(options), mode: Live, now: func() time.Time { return clinicDay }}
	server, err := fhirstore.Serve(c.store, "127.0.0.1:0")
	require.NoError(t, err)
	c.url = server.URL()
	c.stream, err = stream.Open(t.Context(), stream.Config{StoreDir: t.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	t.Cleanup(func() {
		closing, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		require.NoError(t, c.stream.Close(closing))
		require.NoError(t, server.Close(closing))
	})
	return c
}

func (c *clinic) put(resources ...string) {
	c.t.Helper()
	for _, r := range resources {
		require.NoError(c.t, c.store.Put([]byte(r)))
	}
}

// worker makes one worker on the clinic's servers.
func (c *clinic) worker() *Worker {
	c.t.Helper()
	c.workers++
	cat := testCatalogue(c.t)
	cfg := DefaultConfig()
	cfg.Mode, cfg.FHIRURL, cfg.Concurrency = c.mode, c.url, 4
	if c.configure != nil {
		c.configure(&cfg)
	}
	metrics := NewMetrics(prometheus.NewRegistry(), "test", cat.Version, c.mode, cat)
	client, err := OpenFHIR(cfg, "test", nil, metrics)
	require.NoError(c.t, err)
	c.t.Cleanup(client.Close)
	return New(Parts{Config: cfg, Version: "test", Catalogue: cat, FHIR: client, Stream: c.stream, Metrics: metrics, Now: c.now})
}

// run runs workers until do has returned.
func (c *clinic) run(do func(), workers ...*Worker) {
	c.t.Helper()
	ctx, cancel := context.WithCancel(c.t.Context())
	var running sync.WaitGroup
	for _, w := range workers {
		running.Go(func() {
			if err := w.Run(ctx); err != nil {
				c.t.Error(err)
			}
		})
	}
	do()
	cancel()
	running.Wait()
}

func (c *clinic) publish(subject, payload, msgID string) {
	c.t.Helper()
	_, err := c.stream.Publish(c.t.Context(), subject, []byte(payload), msgID)
	require.NoError(c.t, err)
}

// settled waits until no event is pending.
func (c *clinic) settled() {
	c.t.Helper()
	// The server counts a message a moment after it has confirmed it: only a quiet that lasts is one.
	quiet := 0
	require.Eventually(c.t, func() bool {
		p, err := c.stream.Pending(c.t.Context())
		quiet++
		if err != nil || p.Pending != 0 || p.AckPending != 0 {
			quiet = 0
		}
		return quiet == 5
	}, 30*time.Second, 10*time.Millisecond)
}

// swept waits for the first sweep of each worker.
func (c *clinic) swept(workers ...*Worker) {
	c.t.Helper()
	for _, w := range workers {
		select {
		case <-w.Swept():
		case <-time.After(30 * time.Second):
			c.t.Fatal("no sweep ended")
		}
	}
}

// written are the Flags and Tasks that stand, without what a server adds.
func (c *clinic) written() map[string]string {
	out := map[string]string{}
	for ref, raw := range c.store.Snapshot() {
		if strings.HasPrefix(ref, "Flag/") || strings.HasPrefix(ref, "Task/") {
			out[ref] = string(raw)
		}
	}
	return out
}

func (c *clinic) all(typ, containing string) (found []string) {
	for _, raw := range c.store.All(typ) {
		if strings.Contains(string(raw), containing) {
			found = append(found, string(raw))
		}
	}
	return found
}

const (
	bob          = `{"resourceType":"Patient","id":"bob","active":true,"name":[{"family":"Invented","given":["Bob"]}]}`
	bobTook      = `{"resourceType":"MedicationStatement","id":"m1","status":"completed","subject":{"reference":"Patient/bob"},"effectivePeriod":{"start":"2012","end":"2014-05"},"medicationCodeableConcept":{"coding":[{"system":"http://www.nlm.nih.gov/research/umls/rxnorm","code":"77492","display":"tamsulosin"}]}}`
	bobProcedure = `{"resourceType":"Procedure","id":"x1","status":"completed","subject":{"reference":"Patient/bob"},"code":{"text":"appendectomy"},"performedDateTime":"1999"}`
)

func booking(patient, id, status, start, service string) string {
	return fmt.Sprintf(`{"resourceType":"Appointment","id":%q,"status":%q,"serviceType":[{"text":%q}],"start":%q,"end":%q,"participant":[{"actor":{"reference":"Patient/%s"},"status":"accepted"}]}`,
		id, status, service, start, strings.Replace(start, ":00Z", ":30Z", 1), patient)
}

func TestEventToFlagTaskAndProvenance(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	w := c.worker()
	c.run(func() {
		c.publish("clinic.booking.x", `{"reference":"Appointment/a1"}`, "1")
		c.settled()
		c.swept(w)
	}, w)
	flags := c.all("Flag", `"active"`)
	require.Len(t, flags, 1)
	require.Contains(t, flags[0], "EXPECT floppy iris, RIGHT eye: tamsulosin, stopped 2014-05 (still counts)")
	require.Contains(t, flags[0], `"MedicationStatement/m1"`)
	require.NotEmpty(t, c.all("Task", `"requested"`))
	require.Len(t, c.store.All("Provenance"), 1)
	require.Len(t, c.store.All("Device"), 1)
	require.Equal(t, 1., testutil.ToFloat64(w.metrics.events.WithLabelValues("booking", "done")))
}

// An event is a nudge: one whose own status nobody knows still says which booking to look at.
func TestEventWithAStatusOfTheSchedulersOwn(t *testing.T) {
	n, err := decodeEvent([]byte(booking("bob", "a1", "confirmed-by-phone", "2026-03-09T09:00:00Z", "Cataract surgery")), fhirmap.Options{})
	require.NoError(t, err)
	require.Equal(t, []nudge{{appointment: "Appointment/a1"}}, n)
}

func TestSweepAloneFlagsWithNoEvent(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	w := c.worker()
	c.run(func() { c.swept(w) }, w)
	require.Len(t, c.all("Flag", `"active"`), 1)
}

func TestShadowDoesEverythingButWrite(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.mode = Shadow
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	w := c.worker()
	c.run(func() {
		c.swept(w)
		for i := range 3 {
			c.publish("clinic.booking.x", `{"reference":"Appointment/a1"}`, fmt.Sprint(i))
		}
		c.settled()
	}, w)
	require.Empty(t, c.written())
	require.Empty(t, c.store.All("Device"))
	require.Equal(t, 1., testutil.ToFloat64(w.metrics.wouldWrite.WithLabelValues("Flag", "create")), "counted once, not once for each event")
	for _, r := range c.store.Requests() {
		require.True(t, r.Method == http.MethodGet || r.Path == "", "%s %s", r.Method, r.Path)
	}
}

// Booked, moved, cancelled, no-show and past operations end in the right state, whatever happened before.
func TestLifeOfABooking(t *testing.T) {
	for status, want := range map[string]string{"cancelled": "operation-cancelled", "noshow": "operation-cancelled", "entered-in-error": "operation-cancelled", "fulfilled": "operation-over"} {
		t.Run(status, func(t *testing.T) {
			c := newClinic(t, fhirstore.DefaultOptions())
			c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
			w := c.worker()
			c.run(func() {
				c.swept(w)
				require.Len(t, c.all("Flag", `"active"`), 1)
				c.put(booking("bob", "a1", "booked", "2026-03-10T09:00:00Z", "Cataract surgery, right eye"))
				c.publish("clinic.booking.x", `{"reference":"Appointment/a1"}`, "moved")
				c.settled()
				require.NotEmpty(t, c.all("Task", `"2026-03-09T16:00:00Z"`), "due the working day before the new date")
				c.put(booking("bob", "a1", status, "2026-03-10T09:00:00Z", "Cataract surgery, right eye"))
				c.publish("clinic.booking.x", `{"reference":"Appointment/a1"}`, "ended")
				c.settled()
			}, w)
			require.Empty(t, c.all("Flag", `"active"`))
			require.Empty(t, c.all("Task", `"requested"`))
			require.NotEmpty(t, c.all("Task", want))
		})
	}
}

func TestPastOperationIsClosedByTheSweep(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	at := clinicDay
	c.now = func() time.Time { return at }
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-03T09:00:00Z", "Cataract surgery, right eye"))
	w := c.worker()
	c.run(func() { c.swept(w) }, w)
	require.Len(t, c.all("Flag", `"active"`), 1)
	at = at.Add(50 * time.Hour)
	w = c.worker()
	c.run(func() { c.swept(w) }, w)
	require.Empty(t, c.all("Flag", `"active"`))
	require.Empty(t, c.all("Task", `"requested"`))
}

func TestBookingGivenToAnotherPatient(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, strings.ReplaceAll(bob, "bob", "eve"), booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	w := c.worker()
	c.run(func() {
		c.swept(w)
		require.Len(t, c.all("Flag", `"active"`), 1)
		c.put(booking("eve", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
		c.publish("clinic.booking.x", `{"reference":"Appointment/a1"}`, "2")
		c.settled()
	}, w)
	require.Empty(t, c.all("Flag", `"active"`), "Bob has no operation any more, Eve no finding")
	for _, task := range c.all("Task", `"requested"`) {
		require.Contains(t, task, "Patient/eve")
	}
}

func TestUnreadableEventIsKeptWithItsReason(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	payloads := map[string]string{
		"{":                                 "unreadable",
		`{"resourceType":"Appointment"}`:    "unreadable",
		`{"reference":"Appointment/../x"}`:  "unreadable",
		`MSH|^~\&|A|B|C|D|2026||ORU^R01|1`:  "unsupported",
		`{"resourceType":"Basic","id":"1"}`: "unsupported",
	}
	c.run(func() {
		for p := range payloads {
			c.publish("clinic.booking.x", p, "")
		}
		c.settled()
	}, w)
	letters, err := c.stream.DeadLetters(t.Context(), 0, 100)
	require.NoError(t, err)
	require.Len(t, letters, len(payloads))
	for _, l := range letters {
		whole, err := c.stream.GetDeadLetter(t.Context(), l.Seq)
		require.NoError(t, err)
		require.Equal(t, payloads[string(whole.Data)], whole.Reason)
	}
	require.Equal(t, 3., testutil.ToFloat64(w.metrics.deadLetters.WithLabelValues("unreadable")))
}

// A lost page is tried again and ends as not assessed with a Task to do it by hand, never as nothing found.
func TestLostPageIsNeverNothingFound(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	c.store.Fault(fhirstore.Fault{Status: 500, Path: "MedicationStatement", Times: 1 << 20})
	c.store.Fault(fhirstore.Fault{Status: 500, Path: "MedicationRequest", Times: 1 << 20})
	w := c.worker()
	require.Error(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, false, bookingGrace), "tried again")
	require.Empty(t, c.written())
	require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace), "the last try")
	require.NotEmpty(t, c.all("Task", "assess-by-hand"))
	notAssessed, _, next := w.outcomes.counts(clinicDay, 30*24*time.Hour)
	require.Equal(t, 1, notAssessed)
	require.Equal(t, time.Date(2026, 3, 9, 9, 0, 0, 0, time.UTC), next)

	c.store.ClearFaults()
	require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, false, bookingGrace))
	notAssessed, _, _ = w.outcomes.counts(clinicDay, 30*24*time.Hour)
	require.Zero(t, notAssessed)
}

func TestRefusedTypeIsAGap(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	c.store.Fault(fhirstore.Fault{Status: 403, Path: "Procedure", Times: 1 << 20})
	w := c.worker()
	var got []rules.Assessment
	w.OnAssessment = func(a rules.Assessment) { got = append(got, a) }
	require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, false, bookingGrace))
	require.Len(t, got, 1)
	require.Equal(t, rules.Flagged, got[0].Outcome, "what was found still counts")
	require.False(t, got[0].Complete)
	require.Contains(t, fmt.Sprint(got[0].Gaps), string(rules.GapTypeRefused))
}

func TestOneUnreadableEntryLosesNoOther(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"),
		strings.Replace(strings.Replace(bobTook, `"m1"`, `"m2"`, 1), `"completed"`, `"a-code-of-nobody"`, 1),
		strings.Replace(strings.Replace(bobProcedure, `"x1"`, `"x2"`, 1), `"1999"`, `"not a date"`, 1),
		strings.Replace(strings.Replace(bobProcedure, `"x1"`, `"x3"`, 1), `"completed"`, `7`, 1))
	w := c.worker()
	var got []rules.Assessment
	w.OnAssessment = func(a rules.Assessment) { got = append(got, a) }
	require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, false, bookingGrace))
	require.Len(t, got, 1)
	require.Equal(t, rules.Flagged, got[0].Outcome)
	require.False(t, got[0].Complete)
	require.Equal(t, 1., testutil.ToFloat64(w.metrics.dropped.WithLabelValues("MedicationStatement", "code")))
	require.Equal(t, 1., testutil.ToFloat64(w.metrics.dropped.WithLabelValues("Procedure", "date")))
	require.Equal(t, 1., testutil.ToFloat64(w.metrics.dropped.WithLabelValues("Procedure", "json")))
}

func TestSomebodyElsesEntryIsNotTaken(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, strings.Replace(bobTook, "Patient/bob", "Patient/mallory", 1), bobProcedure,
		booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	// A server that ignores the patient parameter.
	wrong := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		if strings.HasPrefix(r.URL.Path, "/fhir/MedicationStatement") {
			r.URL.RawQuery = ""
		}
		c.store.ServeHTTP(rw, r)
	}))
	t.Cleanup(wrong.Close)
	c.url = wrong.URL + "/fhir"
	w := c.worker()
	w.cfg.FHIRBatch = "off"
	require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, false, bookingGrace))
	require.Empty(t, c.all("Flag", ""))
}

// Two requests when the event names the patient and the booking, three for a bare reference, one when nothing changes.
func TestRequestsPerEvent(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	a1 := booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye")
	c.put(bob, bobTook, bobProcedure, a1, strings.ReplaceAll(bob, "bob", "eve"), strings.NewReplacer("bob", "eve", "m1", "m9").Replace(bobTook),
		booking("eve", "a2", "booked", "2026-03-09T10:00:00Z", "Cataract surgery, left eye"))
	w := c.worker()
	_, err := w.author(t.Context())
	require.NoError(t, err)
	posts := func(payload string) int {
		c.store.ResetRequests()
		require.NoError(t, w.handle(t.Context(), []byte(payload), 0))
		n := 0
		for _, r := range c.store.Requests() {
			if !r.InBundle {
				n++
			}
		}
		return n
	}
	require.Equal(t, 2, posts(a1))
	require.Equal(t, 1, posts(a1))
	require.Equal(t, 3, posts(`{"reference":"Appointment/a2"}`))
}

func TestReadinessSaysWhatIsMissing(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	server := httptest.NewServer(w.Handler(prometheus.NewRegistry()))
	t.Cleanup(server.Close)
	get := func(path string) int {
		r, err := http.Get(server.URL + path)
		require.NoError(t, err)
		defer r.Body.Close()
		return r.StatusCode
	}
	w.lookOnce(t.Context())
	require.Equal(t, 200, get("/readyz"))
	c.store.Fault(fhirstore.Fault{Status: 503, Times: 1 << 20})
	w.lookOnce(t.Context())
	require.Equal(t, 503, get("/readyz"))
	require.Equal(t, 200, get("/healthz"), "nothing that a restart would mend")
	c.store.ClearFaults()
	require.Eventually(t, func() bool { w.lookOnce(t.Context()); return get("/readyz") == 200 }, 30*time.Second, 100*time.Millisecond)
	w.health.draining.Store(true)
	require.Equal(t, 503, get("/readyz"))
}

// A booking given from Bob to Eve: whichever of the two an event carries, both are put right.
func TestEventOfAGivenAwayBookingPutsBothPatientsRight(t *testing.T) {
	eve := strings.ReplaceAll(bob, "bob", "eve")
	eveTook := strings.NewReplacer("bob", "eve", `"m1"`, `"m2"`).Replace(bobTook)
	old := booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye")
	current := booking("eve", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye")
	for name, payload := range map[string]string{"the old version": old, "the current one": current, "a reference": `{"reference":"Appointment/a1"}`} {
		t.Run(name, func(t *testing.T) {
			c := newClinic(t, fhirstore.DefaultOptions())
			c.put(bob, bobTook, bobProcedure, eve, eveTook, old)
			w := c.worker()
			require.NoError(t, w.handle(t.Context(), []byte(old), 0))
			require.Len(t, c.all("Flag", `"active"`), 1)
			c.put(current)
			require.NoError(t, w.handle(t.Context(), []byte(payload), 0))
			flags := c.all("Flag", `"active"`)
			require.Len(t, flags, 1)
			require.Contains(t, flags[0], "Patient/eve")
			for _, task := range c.all("Task", `"requested"`) {
				require.Contains(t, task, "Patient/eve")
			}
		})
	}
}

// A server that ignores the patient parameter gives everybody's Flags and Tasks: those of others are left alone.
func TestFlagsOfOthersAreNobodysBusiness(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	eve := strings.ReplaceAll(bob, "bob", "eve")
	eveTook := strings.NewReplacer("bob", "eve", `"m1"`, `"m2"`).Replace(bobTook)
	c.put(bob, bobTook, bobProcedure, eve, eveTook,
		booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"), booking("eve", "a2", "booked", "2026-03-09T10:00:00Z", "Cataract surgery, left eye"))
	loose := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		if strings.HasPrefix(r.URL.Path, "/fhir/Flag") || strings.HasPrefix(r.URL.Path, "/fhir/Task") {
			r.URL.RawQuery = ""
		}
		c.store.ServeHTTP(rw, r)
	}))
	t.Cleanup(loose.Close)
	c.url = loose.URL + "/fhir"
	cat := testCatalogue(t)
	cfg := DefaultConfig()
	cfg.Mode, cfg.FHIRURL, cfg.FHIRBatch = Live, c.url, "off"
	metrics := NewMetrics(prometheus.NewRegistry(), "test", cat.Version, Live, cat)
	client, err := OpenFHIR(cfg, "test", nil, metrics)
	require.NoError(t, err)
	t.Cleanup(client.Close)
	w := New(Parts{Config: cfg, Version: "test", Catalogue: cat, FHIR: client, Stream: c.stream, Metrics: metrics, Now: c.now})
	for range 2 {
		for _, p := range []string{"Patient/bob", "Patient/eve"} {
			require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{p}}, false, bookingGrace))
		}
	}
	require.Len(t, c.all("Flag", `"active"`), 2)
	require.Empty(t, c.all("Task", `"cancelled"`))
}

// One booking that cannot be read hides no other from the sweep, and ends nothing of its patient.
func TestBrokenBookingStopsNoSweep(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	eve := strings.ReplaceAll(bob, "bob", "eve")
	eveTook := strings.NewReplacer("bob", "eve", `"m1"`, `"m2"`).Replace(bobTook)
	c.put(bob, bobTook, bobProcedure, eve, eveTook,
		booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"), booking("eve", "a2", "booked", "2026-03-09T10:00:00Z", "Cataract surgery, left eye"))
	w := c.worker()
	require.NoError(t, w.Sweep(t.Context()))
	require.Len(t, c.all("Flag", `"active"`), 2)
	c.put(booking("bob", "a1", "confirmed-by-phone", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	require.NoError(t, w.Sweep(t.Context()))
	require.NoError(t, w.handle(t.Context(), []byte(`{"reference":"Patient/bob"}`), 0))
	require.Len(t, c.all("Flag", `"active"`), 2, "an unreadable booking is no proof that there is none")
	require.NotZero(t, testutil.ToFloat64(w.metrics.dropped.WithLabelValues("Appointment", "code")))
}

// Patient.link: the survivor is read with what was merged into it; a link to nothing and a chain that bites its tail do no harm.
func TestMergedRecords(t *testing.T) {
	linked := func(id, typ string, to ...string) string {
		var links []string
		for _, other := range to {
			links = append(links, `{"other":{"reference":"Patient/`+other+`"},"type":"`+typ+`"}`)
		}
		return `{"resourceType":"Patient","id":"` + id + `","link":[` + strings.Join(links, ",") + `]}`
	}
	for name, c := range map[string]struct {
		patients []string
		survivor string
	}{
		"replaced":            {[]string{linked("bob", "replaced-by", "new"), `{"resourceType":"Patient","id":"new"}`}, "Patient/new"},
		"replaces":            {[]string{bob, linked("new", "replaces", "bob"), linked("bob", "replaced-by", "new")}, "Patient/new"},
		"replaced by nothing": {[]string{linked("bob", "replaced-by", "nobody")}, "Patient/bob"},
		"a circle":            {[]string{linked("bob", "replaced-by", "eve"), linked("eve", "replaced-by", "bob")}, "Patient/bob"},
		"twice":               {[]string{linked("bob", "replaced-by", "mid"), linked("mid", "replaced-by", "new"), `{"resourceType":"Patient","id":"new"}`}, "Patient/new"},
	} {
		t.Run(name, func(t *testing.T) {
			clinic := newClinic(t, fhirstore.DefaultOptions())
			clinic.put(c.patients...)
			clinic.put(bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
			w := clinic.worker()
			require.NoError(t, w.handle(t.Context(), []byte(`{"reference":"Appointment/a1"}`), bookingGrace))
			flags := clinic.all("Flag", `"active"`)
			require.Len(t, flags, 1)
			require.Contains(t, flags[0], `"`+c.survivor+`"`)
			require.NoError(t, w.handle(t.Context(), []byte(`{"reference":"`+c.survivor+`"}`), bookingGrace))
			require.Equal(t, flags, clinic.all("Flag", `"active"`), "seen from the other end")
		})
	}
}

func TestUnknownPatientIsWaitedForAndThenPutAside(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	for _, payload := range []string{`{"reference":"Patient/nobody"}`, `{"reference":"Appointment/none"}`} {
		require.Equal(t, "wait", settle(w.handle(t.Context(), []byte(payload), time.Minute), 1).outcome, "the event may be faster than the record")
		require.Equal(t, "dead-letter", settle(w.handle(t.Context(), []byte(payload), 2*bookingGrace), 1).outcome)
	}
}

// A booking that cannot be read is not on the list, and the list says so at its head.
func TestListSaysWhatIsNotOnIt(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, booking("bob", "a1", "confirmed-by-phone", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	cfg := DefaultConfig()
	cfg.FHIRURL = c.url
	client, err := OpenFHIR(cfg, "test", nil, nil)
	require.NoError(t, err)
	t.Cleanup(client.Close)
	l, err := Lister{Config: cfg, Catalogue: testCatalogue(t), FHIR: client, Now: c.now}.List(t.Context(), clinicDay, clinicDay.AddDate(0, 0, 14))
	require.NoError(t, err)
	var out strings.Builder
	require.NoError(t, l.WriteText(&out, 100, false))
	require.Contains(t, out.String(), "WARNING: 1 bookings of these days could not be read and are NOT on this list")
}

// A server may write its references in full: the patient is found, also under another name of the server.
func TestAbsoluteReferences(t *testing.T) {
	for name, base := range map[string]string{"its own": "", "an alias": "https://fhir.clinic.example/r4"} {
		t.Run(name, func(t *testing.T) {
			c := newClinic(t, fhirstore.DefaultOptions())
			if base == "" {
				base = c.url
			}
			absolute := func(s string) string {
				return strings.ReplaceAll(s, `"Patient/bob"`, `"`+base+`/Patient/bob"`)
			}
			c.put(bob, absolute(bobTook), bobProcedure, absolute(booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye")))
			// The store finds an alias's references for nobody, so the record's own are looked for by the plain ones.
			w := c.worker()
			w.cfg.FHIRAliases = []string{"https://fhir.clinic.example/r4"}
			decoded, err := decodeEvent([]byte(absolute(booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery"))), w.recordOptions())
			require.NoError(t, err)
			require.Equal(t, []string{"Patient/bob"}, decoded[0].patients)
			n, err := w.whose(t.Context(), nudge{appointment: "Appointment/a1"}, 0)
			require.NoError(t, err)
			require.Equal(t, []string{"Patient/bob"}, n.patients)
			nudges, err := w.booked(t.Context(), clinicDay, clinicDay.AddDate(0, 0, 30))
			require.NoError(t, err)
			require.Len(t, nudges, 1)
		})
	}
}

// An operation that is booked for nobody is counted and said, not passed over.
func TestBookingForNobodyIsNotSilence(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(strings.Replace(booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"), "Patient/bob", "https://elsewhere.example/Patient/bob", 1))
	w := c.worker()
	require.NoError(t, w.Sweep(t.Context()))
	require.Equal(t, 1., testutil.ToFloat64(w.metrics.dropped.WithLabelValues("Appointment", "patient")))
}

// manyProcedures are more than a page of one holds.
func manyProcedures(n int) (out []string) {
	for i := range n {
		out = append(out, strings.Replace(bobProcedure, `"x1"`, fmt.Sprintf(`"y%d"`, i), 1))
	}
	return out
}

// A server that ends its pages before its own total has left something out: a gap, never the whole record.
func TestPagesThatEndBeforeTheTotal(t *testing.T) {
	o := fhirstore.DefaultOptions()
	o.NoLinks, o.PageSize = true, 2
	c := newClinic(t, o)
	c.put(bob, bobTook, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	c.put(manyProcedures(5)...)
	w := c.worker()
	var got []rules.Assessment
	w.OnAssessment = func(a rules.Assessment) { got = append(got, a) }
	require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, false, bookingGrace))
	require.Len(t, got, 1)
	require.False(t, got[0].Complete)
	require.Contains(t, fmt.Sprint(got[0].Gaps), string(rules.GapTypeCut))
}

// A server that leaves the next link out of a search inside a batch is asked again without one.
func TestPagesOfASearchInsideABatch(t *testing.T) {
	o := fhirstore.DefaultOptions()
	o.PageSize = 2
	c := newClinic(t, o)
	c.put(bob, bobTook, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	c.put(manyProcedures(5)...)
	links := regexp.MustCompile(`"link":\[[^\]]*\]`)
	forgetful := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		answer := httptest.NewRecorder()
		c.store.ServeHTTP(answer, r)
		body := answer.Body.Bytes()
		if r.Method == http.MethodPost {
			body = links.ReplaceAll(body, []byte(`"left out":0`))
		}
		for k, v := range answer.Header() {
			if k != "Content-Length" {
				rw.Header()[k] = v
			}
		}
		rw.WriteHeader(answer.Code)
		_, _ = rw.Write(body)
	}))
	t.Cleanup(forgetful.Close)
	c.url = forgetful.URL + "/fhir"
	w := c.worker()
	var got []rules.Assessment
	w.OnAssessment = func(a rules.Assessment) { got = append(got, a) }
	require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, false, bookingGrace))
	require.Len(t, got, 1)
	require.True(t, got[0].Complete, "%v", got[0].Gaps)
}
