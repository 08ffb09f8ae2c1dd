package worker

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream/streamtest"
)

const bobsOperation = "Cataract surgery, right eye"

// brisk is a worker whose place falls free soon.
func (c *clinic) brisk() *Worker {
	w := c.worker()
	w.sweepLease, w.workEvery = 300*time.Millisecond, 50*time.Millisecond
	return w
}

// Of several replicas one sweeps, and it alone shows the gauges; when it stops, or falls silent, another takes its place.
func TestOneReplicaSweepsAtATime(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", bobsOperation))
	all := []*Worker{c.brisk(), c.brisk(), c.brisk()}
	holders := func() (n int) {
		for _, w := range all {
			if w.sweeps.Load() {
				n++
			}
		}
		return n
	}
	stop := map[*Worker]context.CancelFunc{}
	var running sync.WaitGroup
	for _, w := range all {
		ctx, cancel := context.WithCancel(t.Context())
		stop[w] = cancel
		running.Go(func() { w.sweepLoop(ctx); w.setHolder(false) })
		running.Go(func() { w.retryLoop(ctx) })
	}
	for round := range len(all) {
		require.Eventually(t, func() bool { return holders() == 1 }, 30*time.Second, time.Millisecond, "round %d", round)
		holder := all[slices.IndexFunc(all, func(w *Worker) bool { return w.sweeps.Load() })]
		c.swept(holder)
		require.Equal(t, 1, holders())
		for _, w := range all {
			require.Eventually(t, func() bool {
				w.gauges()
				return testutil.ToFloat64(w.metrics.incomplete.WithLabelValues("horizon")) == testutil.ToFloat64(w.metrics.sweepHolder)
			}, 30*time.Second, 10*time.Millisecond, "the operation is incomplete, and only the holder says so")
		}
		stop[holder]()
		all = slices.DeleteFunc(all, func(w *Worker) bool { return w == holder })
	}
	running.Wait()

	// One that died left its name behind.
	w := c.brisk()
	state, rev, err := w.readSweep(t.Context())
	require.NoError(t, err)
	require.Empty(t, state.Holder)
	state.Holder = "dead"
	_, err = w.writeSweep(t.Context(), state, rev)
	require.NoError(t, err)
	begun := time.Now()
	require.NotNil(t, w.takeSweep(t.Context()))
	require.Greater(t, time.Since(begun), w.sweepLease)
}

// How far the holder is stands in the bucket; whoever takes over goes on from there, and the one that fell silent lets go.
func TestProgressIsHandedOver(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	a, b := c.brisk(), c.brisk()
	b.sweepLease = 0 // takes a over at once
	h := a.takeSweep(t.Context())
	_, resumed := h.begin(clinicDay, time.Hour)
	require.False(t, resumed)
	through := clinicDay.Add(5 * sweepStep)
	h.note(through)
	held, let := context.WithCancel(t.Context())
	defer let()
	var renewing sync.WaitGroup
	renewing.Go(func() { a.renewSweep(held, let, h) })
	require.Eventually(t, func() bool {
		s, _, err := b.readSweep(t.Context())
		return err == nil && s.Through.Equal(through)
	}, 30*time.Second, 10*time.Millisecond)
	var other *sweepHold
	require.Eventually(t, func() bool { other = b.takeSweep(t.Context()); return other != nil }, 30*time.Second, time.Millisecond)
	<-held.Done()
	renewing.Wait()
	from, resumed := other.begin(clinicDay.Add(time.Minute), time.Hour)
	require.True(t, resumed)
	require.True(t, from.Equal(through))
	_, resumed = other.begin(clinicDay.Add(time.Hour), time.Hour)
	require.False(t, resumed, "too long ago")
}

// swept days, in the order in which the bookings were asked for.
func (c *clinic) sweptFrom() (from []string) {
	for _, r := range c.store.Requests() {
		if q := r.Query; r.Path == "Appointment" && strings.Contains(q, "date=ge") {
			_, q, _ = strings.Cut(q, "date=ge")
			from = append(from, q[:len("2026-03-02")])
		}
	}
	return from
}

func TestSweepGoesOnWhereTheFormerHolderStopped(t *testing.T) {
	for name, with := range map[string]string{"the same": "", "another catalogue": "other"} {
		t.Run(name, func(t *testing.T) {
			c := newClinic(t, fhirstore.DefaultOptions())
			c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", bobsOperation))
			w := c.worker()
			state := sweepState{With: w.sweepsWith() + with, Begun: clinicDay.Add(-time.Hour), Through: clinicDay.Add(50 * sweepStep)}
			_, err := w.writeSweep(t.Context(), state, 0)
			require.NoError(t, err)
			c.run(func() { c.swept(w) }, w)
			begins := []string{"2026-04-21", "2026-02-28"}
			if with != "" {
				begins = begins[1:]
			}
			from := c.sweptFrom()
			require.Equal(t, begins[0], from[0])
			require.Contains(t, from, "2026-02-28", "a whole one follows")
			require.Equal(t, float64(len(begins)), testutil.ToFloat64(w.metrics.sweeps.WithLabelValues("done")))
			require.Len(t, c.all("Flag", `"active"`), 1)
		})
	}
}

// A replica that does not sweep passes on that somebody asked for a sweep.
func TestAskingAnotherReplicaForASweep(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	holder, other := c.brisk(), c.brisk()
	c.run(func() {
		c.swept(holder)
		c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", bobsOperation))
		other.askSweep(t.Context())
		c.swept(holder)
	}, holder)
	require.Len(t, c.all("Flag", `"active"`), 1)
}

// Where the bucket is missing and not ours to make, a worker sweeps all the same; as soon as there is one it shares the sweep again.
func TestSweepWithoutTheBucket(t *testing.T) {
	p := streamtest.StartProcess(t, t.TempDir())
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", bobsOperation))
	c.on(p, false)
	w := c.brisk()
	ctx, cancel := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { w.sweepLoop(ctx) })
	c.swept(w)
	require.Len(t, c.all("Flag", `"active"`), 1)
	admin := open(t, p, true)
	require.Eventually(t, func() bool { _, err := admin.Bucket(t.Context(), workBucket, workTTL); return err == nil }, 30*time.Second, 10*time.Millisecond)
	require.NoError(t, admin.Close(t.Context()))
	require.Eventually(t, func() bool { s, _, err := w.readSweep(t.Context()); return err == nil && s.Holder == w.process }, 60*time.Second, 10*time.Millisecond)
	cancel()
	running.Wait()
}

// A patient who cannot be read makes no sweep fail, and neither is forgotten: one is tried again, one stands as not assessed.
func TestSweepRecordsWhomItCannotAssess(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.breakRecord("bad")
	c.put(bob, bobTook, bobProcedure, strings.ReplaceAll(bob, "bob", "bad"),
		booking("bad", "a1", "booked", "2026-03-03T09:00:00Z", bobsOperation),
		booking("nobody", "a2", "booked", "2026-03-03T10:00:00Z", bobsOperation),
		booking("nobody", "a3", "booked", "2026-03-03T10:00:00Z", "Dental check"),
		booking("bob", "a4", "booked", "2026-03-03T11:00:00Z", bobsOperation))
	w := c.worker()
	require.NoError(t, w.Sweep(t.Context()))
	require.Len(t, c.all("Flag", `"active"`), 1)
	other := c.worker()
	require.NoError(t, other.refreshWork(t.Context()))
	due := other.work.due(time.Now().Add(laterCap))
	require.Len(t, due, 1)
	require.Equal(t, []string{"Patient/bad"}, other.work.again[due[0]].value.Patients)
	notAssessed, _, next := other.work.counts(clinicDay, 48*time.Hour)
	require.Equal(t, 1, notAssessed)
	require.True(t, next.Equal(time.Date(2026, 3, 3, 10, 0, 0, 0, time.UTC)))
}

// A day whose bookings cannot be listed makes the sweep fail, after all other days.
func TestDayThatCannotBeListed(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", bobsOperation))
	c.store.Fault(fhirstore.Fault{Status: http.StatusForbidden, Path: "Appointment?_count=200&date=ge2026-03-05"})
	require.Error(t, c.worker().Sweep(t.Context()))
	require.Len(t, c.all("Flag", `"active"`), 1)
}

func TestNextEvening(t *testing.T) {
	for name, c := range map[string]struct{ zone, clock, at, want string }{
		"later today":              {"UTC", "18:00", "2026-03-02T08:00:00Z", "2026-03-02T18:00:00Z"},
		"at the very moment":       {"UTC", "18:00", "2026-03-02T18:00:00Z", "2026-03-03T18:00:00Z"},
		"end of the year":          {"UTC", "18:00", "2026-12-31T19:00:00Z", "2027-01-01T18:00:00Z"},
		"leap day":                 {"UTC", "18:00", "2028-02-28T19:00:00Z", "2028-02-29T18:00:00Z"},
		"the clinic's clock":       {"America/New_York", "18:00", "2026-01-15T22:30:00Z", "2026-01-15T23:00:00Z"},
		"summer time begins":       {"Europe/London", "18:00", "2026-03-28T18:30:00Z", "2026-03-29T17:00:00Z"},
		"summer time ends":         {"Europe/London", "18:00", "2026-10-24T18:30:00Z", "2026-10-25T18:00:00Z"},
		"an hour that there isn't": {"Europe/London", "01:30", "2026-03-29T00:00:00Z", "2026-03-29T01:30:00Z"},
		"midnight":                 {"UTC", "00:00", "2026-03-02T08:00:00Z", "2026-03-03T00:00:00Z"},
		"off":                      {"UTC", "off", "2026-03-02T08:00:00Z", "0001-01-01T00:00:00Z"},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := Config{Timezone: c.zone, SweepEvening: c.clock}
			at, err := time.Parse(time.RFC3339, c.at)
			require.NoError(t, err)
			require.Equal(t, c.want, cfg.nextEvening(at).UTC().Format(time.RFC3339))
		})
	}
}

// In the evening tomorrow's list is swept once more, and no more than that.
func TestEveningSweep(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	var clock atomic.Pointer[time.Time]
	set := func(at string) {
		parsed, err := time.Parse(time.RFC3339, at)
		require.NoError(t, err)
		clock.Store(&parsed)
	}
	set("2026-07-06T16:59:00Z")
	c.now = func() time.Time { return *clock.Load() }
	w := c.brisk()
	w.cfg.Timezone = "Europe/London"
	done := func() float64 { return testutil.ToFloat64(w.metrics.sweeps.WithLabelValues("done")) }
	eve := strings.NewReplacer("bob", "eve", `"m1"`, `"m2"`)
	c.run(func() {
		c.swept(w)
		c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-07-07T09:00:00Z", bobsOperation))
		c.put(eve.Replace(bob), eve.Replace(bobTook), booking("eve", "a2", "booked", "2026-07-08T09:00:00Z", bobsOperation))
		set("2026-07-06T17:00:30Z")
		require.Eventually(t, func() bool { return done() == 2 }, 30*time.Second, 10*time.Millisecond)
		flags := c.all("Flag", `"active"`)
		require.Len(t, flags, 1)
		require.Contains(t, flags[0], "Patient/bob")
	}, w)
}

// While events need every lane the sweep waits, but not for ever.
func TestSweepYieldsToEvents(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &Worker{lanes: make(chan struct{}, 2)}
		begun := time.Now()
		w.yield(t.Context())
		require.Equal(t, sweepPace, time.Since(begun))
		w.busy.Store(2)
		begun = time.Now()
		w.yield(t.Context())
		require.Equal(t, sweepPace+time.Second, time.Since(begun))
		go func() { time.Sleep(300 * time.Millisecond); w.busy.Store(1) }()
		begun = time.Now()
		w.yield(t.Context())
		require.Less(t, time.Since(begun), 400*time.Millisecond)
	})
}
