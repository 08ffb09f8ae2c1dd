package worker

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
)

// Whatever happens to the FHIR server, the worker says that it is not ready, stops pulling, lives on, and catches up: no event is
// lost, put aside, or given up for a fault that is not its own.
func TestFHIRServerInTrouble(t *testing.T) {
	const patients = 12
	for name, fault := range map[string]fhirstore.Fault{
		"drops every connection":     {Drop: true},
		"503, time named in seconds": {Status: http.StatusServiceUnavailable, RetryAfter: "2"},
		"429, time named as a date":  {Status: http.StatusTooManyRequests, RetryAfter: time.Now().Add(3 * time.Second).UTC().Format(http.TimeFormat)},
		"429, no time named":         {Status: http.StatusTooManyRequests},
		"502":                        {Status: http.StatusBadGateway},
		"garbage":                    {Garbage: true},
		"bodies cut short":           {CutBody: true},
		"takes the connection and does not answer": {Delay: 2 * time.Second},
		"carries out what it gives no answer to":   {Drop: true, Late: true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel() // they wait more than they work
			c := newClinic(t, fhirstore.DefaultOptions())
			c.set = func(cfg *Config) { cfg.FHIRTimeout, cfg.SweepHorizon = 500*time.Millisecond, 0 }
			w := c.worker()
			w.lookEvery = 50 * time.Millisecond
			probes := httptest.NewServer(w.Handler(prometheus.NewRegistry()))
			t.Cleanup(probes.Close)
			get := func(path string) int {
				r, err := http.Get(probes.URL + path)
				require.NoError(t, err)
				defer r.Body.Close()
				return r.StatusCode
			}
			held := func() bool { _, held := w.fhir.Open(); return held }
			c.run(func() {
				require.Eventually(t, func() bool { return get("/readyz") == http.StatusOK }, 30*time.Second, 10*time.Millisecond)
				c.store.Fault(fault)
				for i := range patients {
					p := fmt.Sprint("p", i)
					other := strings.NewReplacer("bob", p, `"m1"`, `"m`+p+`"`)
					c.put(other.Replace(bob), other.Replace(bobTook))
					c.put(booking(p, "a"+p, "booked", "2026-03-09T09:00:00Z", bobsOperation))
					c.publish("clinic.booking.x", `{"reference":"Appointment/a`+p+`"}`, p)
				}
				require.Eventually(t, held, 30*time.Second, time.Millisecond)
				require.Eventually(t, func() bool { return get("/readyz") == http.StatusServiceUnavailable }, 30*time.Second, 10*time.Millisecond)
				require.Equal(t, http.StatusOK, get("/healthz"))
				c.store.ClearFaults()
				require.Eventually(t, func() bool {
					return testutil.ToFloat64(w.metrics.events.WithLabelValues("booking", "done")) >= patients
				}, 90*time.Second, 10*time.Millisecond)
				c.settled()
				require.Eventually(t, func() bool { return get("/readyz") == http.StatusOK }, 30*time.Second, 10*time.Millisecond)
			}, w)
			require.Len(t, c.all("Flag", `"active"`), patients)
			require.Empty(t, twice(t, c))
			for _, outcome := range []string{"not-assessed", "dead-letter"} {
				require.Zero(t, testutil.ToFloat64(w.metrics.events.WithLabelValues("booking", outcome)), outcome)
			}
			require.NoError(t, w.refreshWork(t.Context()))
			notAssessed, _, _ := w.work.counts(clinicDay, w.cfg.SweepHorizon)
			require.Zero(t, notAssessed)
			require.Empty(t, w.work.due(time.Now().Add(laterCap)))
		})
	}
}

// While the server is down nothing is pulled, and what was delivered and not begun is handed back for others.
func TestNothingIsPulledWhileTheServerIsDown(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.set = func(cfg *Config) { cfg.SweepHorizon = 0 }
	c.store.Fault(fhirstore.Fault{Status: http.StatusServiceUnavailable, RetryAfter: "300"})
	w := c.worker()
	w.lookOnce(t.Context())
	_, held := w.fhir.Open()
	require.True(t, held)
	for i := range 20 {
		c.publish("clinic.booking.x", `{"reference":"Appointment/a"}`, fmt.Sprint(i))
	}
	c.run(func() {
		w.untilLooked(t)
		w.untilLooked(t)
		p, err := c.stream.Pending(t.Context())
		require.NoError(t, err)
		require.EqualValues(t, 20, p.Pending)
		require.Zero(t, p.AckPending)
	}, w)
}

// untilLooked waits until the loops have gone round.
func (w *Worker) untilLooked(t *testing.T) {
	t.Helper()
	before := testutil.ToFloat64(w.metrics.heartbeat)
	require.Eventually(t, func() bool { return testutil.ToFloat64(w.metrics.heartbeat) > before }, 30*time.Second, 10*time.Millisecond)
}

// A fault of the server is nobody's attempt while the server is held to be down; a record's own is.
func TestServersFaultIsNoAttempt(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	require.Equal(t, "retry", w.settle(http.ErrBodyNotAllowed).outcome)
	c.store.Fault(fhirstore.Fault{Drop: true})
	require.Eventually(t, func() bool {
		w.lookOnce(t.Context())
		_, held := w.fhir.Open()
		return held
	}, 30*time.Second, time.Millisecond)
	require.Equal(t, "wait", w.settle(http.ErrBodyNotAllowed).outcome)
	require.Equal(t, "dead-letter", w.settle(permanent(ReasonUnreadable, "x")).outcome)
	require.Equal(t, "done", w.settle(nil).outcome)
}

// Work that takes too long is an attempt that failed; work that is interrupted is none. Neither sets a deadline for NATS.
func TestLimited(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &Worker{eventTimeout: time.Minute}
		wait := func(ctx context.Context) error {
			_, deadline := ctx.Deadline()
			require.False(t, deadline)
			<-ctx.Done()
			return ctx.Err()
		}
		begun := time.Now()
		err := w.limited(t.Context(), wait)
		require.Equal(t, time.Minute, time.Since(begun))
		require.Equal(t, "retry", settle(err, 1).outcome)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		require.Equal(t, "wait", settle(w.limited(ctx, wait), 1).outcome)
		require.NoError(t, w.limited(t.Context(), func(context.Context) error { return nil }))
	})
}
