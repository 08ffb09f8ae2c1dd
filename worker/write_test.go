package worker

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
)

// transactions are the transactions asked for, each by the types and methods of its entries.
func transactions(c *clinic) (out [][]string) {
	for _, r := range c.store.Requests() {
		switch {
		case r.Interaction == "transaction":
			out = append(out, nil)
		case r.InBundle && (r.Method == "PUT" || r.Method == "POST"):
			typ, _, _ := strings.Cut(r.Path, "/")
			out[len(out)-1] = append(out[len(out)-1], typ)
		}
	}
	return out
}

// A server that takes small transactions gets the Flags first and then the Tasks, each part with its Provenance, and in the end
// holds what one that takes all holds.
func TestLargeTransactionIsSplitFlagsFirst(t *testing.T) {
	for name, tt := range map[string]struct {
		ids            bool
		limit, setting int
		status         int // of the refusal, where the server does not refuse by itself
	}{
		"the setting alone":                     {ids: true, setting: 3},
		"the setting, ids of the server's":      {setting: 3},
		"the server refuses":                    {ids: true, limit: 3},
		"the server refuses, ids of its own":    {limit: 3},
		"413":                                   {ids: true, status: 413},
		"nothing but a resource and Provenance": {ids: true, limit: 2, setting: 2},
	} {
		t.Run(name, func(t *testing.T) {
			options := fhirstore.DefaultOptions()
			options.UpdateCreate, options.TransactionLimit = tt.ids, tt.limit
			c := newClinic(t, options)
			c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, both eyes"))
			if tt.status != 0 {
				c.store.Fault(fhirstore.Fault{Interaction: "transaction", Status: tt.status, Times: 1})
			}
			w := c.worker()
			w.cfg.FHIRTransactionLimit = tt.setting
			pass := func() {
				require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace))
			}
			pass()
			parts := slices.DeleteFunc(transactions(c), func(p []string) bool { return len(p) == 0 })
			require.NotEmpty(t, parts)
			tasks := false
			for _, p := range parts {
				require.Equal(t, "Provenance", p[len(p)-1], "each part is complete: %v", parts)
				require.LessOrEqual(t, len(p), max(tt.setting, tt.limit, 8))
				tasks = tasks || slices.Contains(p, "Task")
				require.False(t, tasks && slices.Contains(p, "Flag"), "Flags first: %v", parts)
			}
			require.Len(t, c.all("Flag", `"active"`), 2)
			require.NotEmpty(t, c.all("Task", `"requested"`))
			require.Empty(t, withoutProvenance(t, c))
			for _, task := range c.all("Task", `"reasonReference"`) {
				var r struct{ ReasonReference struct{ Reference string } }
				require.NoError(t, json.Unmarshal([]byte(task), &r))
				_, found := c.store.Get(r.ReasonReference.Reference)
				require.True(t, found, "points to a Flag that is there")
			}
			c.store.ResetRequests()
			pass()
			require.Empty(t, transactions(c), "and nothing is left to do")
		})
	}
}

// The worker dies between two parts: what stands is complete in itself, and the next pass adds the rest.
func TestStoppedBetweenPartsOfATransaction(t *testing.T) {
	for after := range 4 {
		t.Run(fmt.Sprint(after), func(t *testing.T) {
			c := newClinic(t, fhirstore.DefaultOptions())
			c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
			c.store.Fault(fhirstore.Fault{Interaction: "transaction", After: after, Status: 503})
			pass := func() error {
				w := c.worker()
				w.cfg.FHIRTransactionLimit = 2
				return w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace)
			}
			require.Error(t, pass())
			require.Empty(t, withoutProvenance(t, c))
			c.store.ClearFaults()
			require.NoError(t, pass())
			require.Empty(t, withoutProvenance(t, c))
			require.Len(t, c.all("Flag", `"active"`), 1)
			require.Len(t, c.all("Task", `"requested"`), 4)
		})
	}
}

// With fhir.post_search no address that goes over the wire names a patient: searches are forms, reads are entries of a batch.
func TestPostSearchKeepsIDsOutOfAddresses(t *testing.T) {
	for _, batch := range []string{"auto", "off"} {
		t.Run(batch, func(t *testing.T) {
			options := fhirstore.DefaultOptions()
			options.PageSize = 2
			c := newClinic(t, options)
			c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
			c.set = func(cfg *Config) { cfg.FHIRPostSearch, cfg.FHIRBatch = true, batch }
			w := c.worker()
			_, err := w.author(t.Context())
			require.NoError(t, err)
			c.store.ResetRequests()
			require.NoError(t, w.handle(t.Context(), []byte(`{"reference":"Appointment/a1"}`), bookingGrace))
			require.NoError(t, w.Sweep(t.Context()))
			require.Len(t, c.all("Flag", `"active"`), 1)
			searches := 0
			for _, r := range c.store.Requests() {
				if r.InBundle {
					continue
				}
				if r.Interaction == "search-type" {
					searches++
					require.True(t, r.Method == "POST" || strings.Contains(r.Query, "_page"), "%s %s", r.Method, r.Path)
				}
				require.False(t, batch == "auto" && (r.Interaction == "read" || strings.Contains(r.Path, "/bob")), "%s %s", r.Method, r.Path)
			}
			require.NotZero(t, searches)
		})
	}
}

// The label of the evidence, or of the drug that the evidence refers to, is on the Flag where the site wants it, and the next
// pass sees no difference.
func TestFlagCarriesTheLabelsOfItsEvidenceWhereSet(t *testing.T) {
	labelled := func(code string) string {
		return `"meta":{"security":[{"system":"http://terminology.hl7.org/CodeSystem/v3-Confidentiality","code":"` + code + `"}]},`
	}
	drug := `{"resourceType":"Medication","id":"d1",` + labelled("V") + `"code":{"coding":[{"system":"http://www.nlm.nih.gov/research/umls/rxnorm","code":"77492"}]}}`
	for name, tt := range map[string]struct {
		resources []string
		want      string
	}{
		"evidence": {[]string{strings.Replace(bobTook, `"id":"m1",`, `"id":"m1",`+labelled("R"), 1)}, `"code":"R"`},
		"drug": {[]string{drug, `{"resourceType":"MedicationStatement","id":"m1","status":"active","subject":{"reference":"Patient/bob"},` +
			`"medicationReference":{"reference":"Medication/d1"}}`}, `"code":"V"`},
	} {
		t.Run(name, func(t *testing.T) {
			c := newClinic(t, fhirstore.DefaultOptions())
			c.set = func(cfg *Config) { cfg.FlagCopyLabels = true }
			c.put(bob, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
			c.put(tt.resources...)
			w := c.worker()
			for range 2 {
				require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace))
			}
			flags := c.all("Flag", tt.want)
			require.Len(t, flags, 1)
			require.Contains(t, flags[0], "reason restricted, ask")
			require.NotContains(t, flags[0], "tamsulosin")
			require.Contains(t, flags[0], `"versionId":"1"`, "the second pass wrote nothing")
		})
	}
}

// A booking's business identifier names the operation, so that one that the scheduler has deleted and booked anew under another
// FHIR id keeps its Tasks.
func TestBusinessIdentifierNamesTheOperation(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.set = func(cfg *Config) { cfg.OperationIdentifier = "urn:theatre" }
	of := func(id string) string {
		return strings.Replace(booking("bob", id, "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"), `"status"`,
			`"identifier":[{"system":"urn:other","value":"9"},{"system":"urn:theatre","value":"T-7"}],"status"`, 1)
	}
	c.put(bob, bobTook, bobProcedure, of("a1"))
	w := c.worker()
	require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace))
	tasks := c.all("Task", `"requested"`)
	require.Len(t, tasks, 4)
	for _, task := range tasks {
		require.True(t, strings.HasPrefix(standingOf(t, task).Base, "T-7.bob.right."))
	}
	require.NoError(t, c.store.Delete("Appointment/a1"))
	c.put(of("a2"))
	require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace))
	require.Len(t, c.store.All("Task"), 4)
	for _, task := range c.all("Task", `"requested"`) {
		require.Equal(t, "Appointment/a2", standingOf(t, task).Focus)
	}
	require.Len(t, c.all("Task", `"requested"`), 4)
}

// A server that ignores ifMatch inside a transaction would let us write over a person: with fhir.transaction off each change goes
// alone, is refused, and is decided anew.
func TestWithoutTransactionsAPersonsChangeInBetweenStands(t *testing.T) {
	options := fhirstore.DefaultOptions()
	options.IfMatchInTransaction = false
	c := newClinic(t, options)
	c.set = func(cfg *Config) { cfg.FHIRTransaction = "off" }
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	meddle := func() {}
	between := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPut {
			meddle()
			meddle = func() {}
		}
		c.store.ServeHTTP(rw, r)
	}))
	t.Cleanup(between.Close)
	c.url = between.URL + "/fhir"
	w := c.worker()
	pass := func() {
		require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace))
	}
	pass()
	flag := "Flag/" + standingOf(t, c.all("Flag", `"active"`)[0]).ID
	meddle = func() {
		require.NoError(t, c.store.Edit(flag, func(m map[string]any) { m["status"] = "entered-in-error" }))
	}
	c.put(booking("bob", "a1", "cancelled", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	pass()
	require.Len(t, c.all("Flag", `"entered-in-error"`), 1)
	require.Equal(t, 1., testutil.ToFloat64(w.metrics.conflicts))
	require.Empty(t, c.all("Task", `"requested"`))
	require.Empty(t, transactions(c))
}

// A lease that a dead worker left behind holds up nobody who is stopping: the event is handed back.
func TestStoppingWaitsForNoLease(t *testing.T) {
	options := fhirstore.DefaultOptions()
	options.UpdateCreate = false
	c := newClinic(t, options)
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	w := c.worker()
	kv, err := w.bucket(t.Context(), leaseBucket, leaseTime)
	require.NoError(t, err)
	_, err = kv.Create(t.Context(), shadowKey("Patient/bob"), nil)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	c.publish("clinic.booking.x", `{"reference":"Appointment/a1"}`, "")
	require.Eventually(t, func() bool { p, err := c.stream.Pending(t.Context()); return err == nil && p.AckPending == 1 }, 10*time.Second, 10*time.Millisecond)
	cancel()
	begun := time.Now()
	require.NoError(t, <-ended)
	require.Less(t, time.Since(begun), grace/2)
	require.Empty(t, c.all("Flag", ""))

	require.NoError(t, kv.Delete(t.Context(), shadowKey("Patient/bob")))
	again := c.worker()
	c.run(func() { c.flagged(1) }, again)
}

// What is said of a door goes into the log as its kind alone.
func TestDoorFaultsQuoteNothing(t *testing.T) {
	var b bytes.Buffer
	l := doorLog(slog.New(slog.NewTextHandler(&b, &slog.HandlerOptions{Level: slog.LevelDebug})), "http")
	l.Print("http: panic serving 10.0.0.1:1: invented-marker")
	l.Print("http: TLS handshake error from 10.0.0.1:1: invented-marker")
	require.Equal(t, 2, strings.Count(b.String(), "kind=http"))
	require.Contains(t, b.String(), "level=ERROR")
	require.NotContains(t, b.String(), "invented-marker")
}
