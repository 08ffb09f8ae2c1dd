package worker

import (
	"context"
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
)

// searched counts the searches of a type for a patient.
func (c *clinic) searched(typ, patient string) (n int) {
	for _, r := range c.store.Requests() {
		if r.Path == typ && strings.Contains(r.Query, "patient=Patient/"+patient) {
			n++
		}
	}
	return n
}

// Changes of one record within the time are one pass, and a later one is another.
func TestChangesOfOneRecordAreGathered(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", bobsOperation))
	w := c.worker()
	w.cfg.HistoryGather, w.cfg.SweepHorizon = 2*time.Second, 0
	changes := func(passes int) {
		begun := time.Now()
		for i := range 20 {
			c.publish("clinic.history.x", `{"reference":"Patient/bob"}`, fmt.Sprint(passes, " ", i))
		}
		inTime := time.Since(begun) < w.cfg.HistoryGather
		c.settled()
		if inTime { // else the machine was too slow to say
			require.Equal(t, passes, c.searched("MedicationStatement", "bob"))
		}
	}
	c.run(func() {
		c.swept(w)
		c.store.ResetRequests()
		changes(1)
		require.Empty(t, c.all("Flag", ""))
		c.put(bobTook)
		changes(2)
	}, w)
	require.Len(t, c.all("Flag", `"active"`), 1)
	require.Equal(t, 40., testutil.ToFloat64(w.metrics.events.WithLabelValues("history", "done")))
	require.Zero(t, testutil.ToFloat64(w.metrics.redeliveries), "handed back on purpose")
}

func TestChangedRecordWithoutAnOperationCostsOneSearch(t *testing.T) {
	for name, bookings := range map[string][]string{
		"no booking":     nil,
		"another kind":   {booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Dental check")},
		"cancelled":      {booking("bob", "a1", "cancelled", "2026-03-09T09:00:00Z", bobsOperation)},
		"over":           {booking("bob", "a1", "booked", "2026-02-09T09:00:00Z", bobsOperation)},
		"somebody elses": {booking("eve", "a1", "booked", "2026-03-09T09:00:00Z", bobsOperation)},
	} {
		t.Run(name, func(t *testing.T) {
			c := newClinic(t, fhirstore.DefaultOptions())
			c.put(bob, bobTook)
			c.put(bookings...)
			w := c.worker()
			_, err := w.fhir.Capability(t.Context())
			require.NoError(t, err)
			c.store.ResetRequests()
			require.NoError(t, w.change(t.Context(), []byte(`{"reference":"Patient/bob"}`), 1, 0))
			require.Equal(t, 1, c.searched("Appointment", "bob"))
			require.Zero(t, c.searched("MedicationStatement", "bob"))
		})
	}
	t.Run("a booking that cannot be read may be one", func(t *testing.T) {
		c := newClinic(t, fhirstore.DefaultOptions())
		c.put(bob, booking("bob", "a1", "confirmed-by-phone", "2026-03-09T09:00:00Z", bobsOperation))
		w := c.worker()
		require.NoError(t, w.change(t.Context(), []byte(`{"reference":"Patient/bob"}`), 1, 0))
		require.Equal(t, 1, c.searched("MedicationStatement", "bob"))
	})
}

// A pass covers what was in the stream before it began, and in no other stream of the same name.
func TestPassCoversEarlierEvents(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	for i := range 3 {
		c.publish("clinic.history.x", `{"reference":"Patient/bob"}`, fmt.Sprint(i))
	}
	require.NoError(t, w.changed(t.Context(), "Patient/bob", 1, 0))
	for seq, want := range map[uint64]bool{2: true, 3: true, 4: false} {
		_, done := w.seenSince(t.Context(), "Patient/bob", seq)
		require.Equal(t, want, done, seq)
	}
	_, done := w.seenSince(t.Context(), "Patient/eve", 1)
	require.False(t, done)
	w.seen.last, w.seen.looked = 1000, time.Time{}
	_, done = w.seenSince(t.Context(), "Patient/bob", 2)
	require.False(t, done)
}

// Of two looks at the stream at once the one that ended first stands.
func TestLookThatEndsLateChangesNothing(t *testing.T) {
	begun := time.Now()
	s := seen{last: 7, by: map[string]uint64{"Patient/bob": 5}}
	s.look(9, begun)
	s.look(3, begun) // of a stream that is no more, or has been made since
	require.Equal(t, uint64(9), s.last)
	require.NotEmpty(t, s.by)
	s.looked = time.Time{}
	s.look(3, begun)
	require.Equal(t, uint64(3), s.last)
	require.Empty(t, s.by)
}

// stalled is a context in which a request to NATS does not come back until it is let: each request looks for its deadline.
type stalled struct {
	context.Context
	asked chan struct{}
	let   chan struct{}
}

func (s stalled) Deadline() (time.Time, bool) {
	s.asked <- struct{}{}
	<-s.let
	return s.Context.Deadline()
}

// One request that NATS is slow to answer holds only who asked.
func TestSlowRequestHoldsNobodyElse(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	_, err := w.bucket(t.Context(), workBucket, workTTL)
	require.NoError(t, err)
	for name, call := range map[string]func(context.Context){
		"bucket": func(ctx context.Context) { _, _ = w.bucket(ctx, shadowBucket, 0) },
		"last":   func(ctx context.Context) { w.seenSince(ctx, "Patient/bob", 1) },
	} {
		t.Run(name, func(t *testing.T) {
			w.seen.looked = time.Time{}
			slow := stalled{t.Context(), make(chan struct{}, 100), make(chan struct{})}
			others := make(chan struct{})
			var calls sync.WaitGroup
			defer calls.Wait()
			defer close(slow.let)
			calls.Go(func() { call(slow) })
			<-slow.asked
			calls.Go(func() {
				defer close(others)
				_, _ = w.bucket(t.Context(), workBucket, workTTL)
				w.seenSince(t.Context(), "Patient/eve", 1)
			})
			select {
			case <-others:
			case <-time.After(10 * time.Second):
				t.Error("others wait for the slow one")
			}
		})
	}
}

// A hundred thousand events about changed records in the queue (two thousand without PUPILRISK_LOAD) delay a booking by less than 5 s.
func TestChangedRecordsDelayNoBooking(t *testing.T) {
	events, patients := 2_000, 500
	if os.Getenv("PUPILRISK_LOAD") != "" {
		events, patients = 100_000, 20_000
	}
	c := newClinic(t, fhirstore.DefaultOptions())
	for i := range patients {
		other := strings.NewReplacer("bob", fmt.Sprint("p", i), `"m1"`, fmt.Sprintf(`"m%d"`, i), `"a1"`, fmt.Sprintf(`"a%d"`, i))
		c.put(other.Replace(bob), other.Replace(bobTook), other.Replace(booking("bob", "a1", "booked", "2026-03-10T09:00:00Z", bobsOperation)))
	}
	var publishing sync.WaitGroup
	for lane := range 16 {
		publishing.Go(func() {
			for i := lane; i < events; i += 16 {
				_, err := c.stream.Publish(t.Context(), "clinic.history.x", fmt.Appendf(nil, `{"reference":"Patient/p%d"}`, i%patients), "")
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	publishing.Wait()
	w := c.worker()
	w.cfg.SweepHorizon = 0 // events alone
	c.run(func() {
		handled := w.metrics.events.WithLabelValues("history", "done")
		require.Eventually(t, func() bool { return testutil.ToFloat64(handled) > 10 }, time.Minute, time.Millisecond)
		c.put(bob, strings.Replace(bobTook, `"m1"`, `"mb"`, 1), booking("bob", "ab", "booked", "2026-03-09T09:00:00Z", bobsOperation))
		begun := time.Now()
		c.publish("clinic.booking.x", `{"reference":"Appointment/ab"}`, "")
		require.Eventually(t, func() bool {
			return testutil.ToFloat64(w.metrics.events.WithLabelValues("booking", "done")) == 1
		}, time.Minute, time.Millisecond)
		t.Logf("booking handled after %s, while %.0f of %d changes were", time.Since(begun).Round(time.Millisecond), testutil.ToFloat64(handled), events)
		require.Less(t, time.Since(begun), 5*time.Second)
	}, w)
}
