package worker

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
)

// token is what the clinic's NATS server asks for.
func (c *clinic) token() string {
	c.t.Helper()
	token, err := os.ReadFile(c.stream.TokenFile())
	require.NoError(c.t, err)
	return strings.TrimSpace(string(token))
}

// next fetches the next booking event as a worker would.
func (c *clinic) next() jetstream.Msg {
	c.t.Helper()
	consumer, err := c.stream.Bookings(c.t.Context())
	require.NoError(c.t, err)
	m, err := consumer.Next(jetstream.FetchMaxWait(10 * time.Second))
	require.NoError(c.t, err)
	return m
}

// breakRecord makes a part of the record of every patient whose id begins so fail for good.
func (c *clinic) breakRecord(patient string) {
	for _, typ := range []string{"MedicationStatement", "MedicationRequest"} {
		c.store.Fault(fhirstore.Fault{Status: 500, Path: typ + "?patient=Patient/" + patient})
	}
}

// Eight failures are eight failures, whoever met them: then the event is let go, what it is about stands as not assessed for every
// replica, with a Task, and is tried again until it can be read.
func TestWhatCannotBeAssessedOutlivesAWorker(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-03T09:00:00Z", "Cataract surgery, right eye"))
	c.breakRecord("bob")
	c.publish("clinic.booking.x", `{"reference":"Appointment/a1"}`, "1")
	for attempt := 1; attempt < maxAttempts; attempt++ {
		m := c.next()
		meta, err := m.Metadata()
		require.NoError(t, err)
		w := c.worker() // each a new one
		require.Equal(t, attempt, w.attempt(t.Context(), meta))
		require.NoError(t, m.Nak())
	}
	last := c.worker()
	last.event(t.Context(), c.next(), "booking")
	require.Equal(t, 1., testutil.ToFloat64(last.metrics.events.WithLabelValues("booking", "not-assessed")))
	c.settled()
	require.Len(t, c.all("Task", "assess-by-hand"), 1)

	other := c.worker()
	require.NoError(t, other.refreshWork(t.Context()))
	notAssessed, incomplete, next := other.work.counts(clinicDay, 48*time.Hour)
	require.Equal(t, []int{1, 1}, []int{notAssessed, incomplete})
	require.Equal(t, time.Date(2026, 3, 3, 9, 0, 0, 0, time.UTC), next)
	require.Empty(t, other.work.due(time.Now()))
	due := other.work.due(time.Now().Add(laterCap))
	require.Len(t, due, 1)

	other.retry(t.Context(), due[0])
	require.Equal(t, 1., testutil.ToFloat64(other.metrics.events.WithLabelValues("retry", "not-assessed")))
	c.store.ClearFaults()
	third := c.worker()
	require.NoError(t, third.refreshWork(t.Context()))
	third.retry(t.Context(), due[0])
	require.Len(t, c.all("Flag", `"active"`), 1)
	require.Empty(t, c.all("Task", `"requested","intent":"proposal","code":{"coding":[{"system":"https://pupilrisk.example/fhir/CodeSystem/preparation","code":"assess-by-hand"`))
	require.NoError(t, other.refreshWork(t.Context()))
	notAssessed, incomplete, _ = other.work.counts(clinicDay, 48*time.Hour)
	require.Equal(t, []int{0, 0}, []int{notAssessed, incomplete})
	require.Empty(t, other.work.due(time.Now().Add(laterCap)))
}

// Two replicas that see the same entry due try it once.
func TestOneReplicaTriesAgain(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-03T09:00:00Z", "Cataract surgery, right eye"))
	a, b := c.worker(), c.worker()
	require.NoError(t, a.tryAgain(t.Context(), nudge{patients: []string{"Patient/bob"}}, 1, nil))
	require.NoError(t, a.tryAgain(t.Context(), nudge{patients: []string{"Patient/bob"}}, 1, nil), "known already")
	require.NoError(t, b.refreshWork(t.Context()))
	due := b.work.due(time.Now().Add(laterCap))
	require.Len(t, due, 1)
	a.retry(t.Context(), due[0])
	b.retry(t.Context(), due[0])
	tried := func(w *Worker) float64 { return testutil.ToFloat64(w.metrics.events.WithLabelValues("retry", "done")) }
	require.Equal(t, 1., tried(a))
	require.Zero(t, tried(b))
}

// What is over is tried no more, and neither is what nobody could read for as long as the sweep looks ahead.
func TestTryingAgainEnds(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	for name, a := range map[string]again{
		"over":     {Patients: []string{"Patient/a"}, Begun: time.Now(), Until: clinicDay.Add(-time.Minute)},
		"too long": {Patients: []string{"Patient/b"}, Begun: time.Now().Add(-w.cfg.SweepHorizon - time.Minute)},
	} {
		t.Run(name, func(t *testing.T) {
			rev, err := w.putWork(t.Context(), a.key(), a, 0)
			require.NoError(t, err)
			w.keepAgain(a.key(), a, rev)
			w.retry(t.Context(), a.key())
			require.NoError(t, w.refreshWork(t.Context()))
			require.Empty(t, w.work.due(time.Now().Add(laterCap)))
		})
	}
}

// An event whose failure cannot be recorded is not let go.
func TestNothingIsLetGoUnrecorded(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	require.NoError(t, c.stream.Close(t.Context()))
	_, err := w.giveUpOn(t.Context(), nudge{patients: []string{"Patient/bob"}}, nil)
	require.ErrorIs(t, err, errNotRecorded)
	notAssessed, _, _ := w.work.counts(clinicDay, 48*time.Hour)
	require.Equal(t, 1, notAssessed, "this process knows all the same")
}

// A bucket that goes away under the workers is made anew and gets what they remember.
func TestBucketMadeAnew(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	w.fail(t.Context(), unfinished{Patient: "Patient/bob", Operation: "a1"})
	require.NoError(t, w.tryAgain(t.Context(), nudge{patients: []string{"Patient/bob"}}, 1, nil))
	kv, err := w.bucket(t.Context(), workBucket, workTTL)
	require.NoError(t, err)
	keys, err := kv.Keys(t.Context())
	require.NoError(t, err)
	require.Len(t, keys, 2)
	require.NotContains(t, keys[0]+keys[1], "bob")

	nc, err := nats.Connect(c.stream.URL(), nats.Token(c.token()))
	require.NoError(t, err)
	defer nc.Close()
	js, err := jetstream.New(nc)
	require.NoError(t, err)
	require.NoError(t, js.DeleteKeyValue(t.Context(), workBucket))
	require.Eventually(t, func() bool { return w.refreshWork(t.Context()) == nil }, 30*time.Second, 10*time.Millisecond)
	other := c.worker()
	require.NoError(t, other.refreshWork(t.Context()))
	notAssessed, _, _ := other.work.counts(clinicDay, 48*time.Hour)
	require.Equal(t, 1, notAssessed)
	require.Len(t, other.work.due(time.Now().Add(laterCap)), 1)
}

// Five hundred patients whose records fail for good hold nobody up: the booking after them is flagged within 10 s.
func TestFailingPatientsHoldNobodyUp(t *testing.T) {
	const failing = 500
	c := newClinic(t, fhirstore.DefaultOptions())
	c.breakRecord("bad")
	for i := range failing {
		p := fmt.Sprintf("bad%d", i)
		c.put(strings.ReplaceAll(bob, "bob", p))
		c.publish("clinic.booking.x", booking(p, "a-"+p, "booked", "2026-03-09T09:00:00Z", "Cataract surgery, left eye"), "")
	}
	w := c.worker()
	w.cfg.SweepHorizon = 0 // events alone
	c.run(func() {
		failed := w.metrics.events.WithLabelValues("booking", "retry")
		require.Eventually(t, func() bool { return testutil.ToFloat64(failed) >= failing }, 2*time.Minute, 10*time.Millisecond)
		c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
		begun := time.Now()
		c.publish("clinic.booking.x", `{"reference":"Appointment/a1"}`, "")
		require.Eventually(t, func() bool { return len(c.all("Flag", `"active"`)) == 1 }, 2*time.Minute, 10*time.Millisecond)
		t.Logf("flagged %s after the event, with %d failing records in the queue", time.Since(begun).Round(time.Millisecond), failing)
		require.Less(t, time.Since(begun), 10*time.Second)
	}, w)
}
