package worker

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"log"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

const (
	// lookEvery is how often the connections and gauges are looked at; readiness follows a failure within 10 s.
	lookEvery = 4 * time.Second
)

// health is what the probes answer.
type health struct {
	draining atomic.Bool
	// fhir is the fault of the last look at the FHIR server, "" if it answered.
	fhir atomic.Value
	// bucket is the fault of the last look at the bucket that replicas share, "" if it stands.
	bucket atomic.Value
}

// ready lists what is missing, by name; nothing missing means ready.
func (w *Worker) ready() []string {
	var missing []string
	if w.health.draining.Load() {
		missing = append(missing, "draining: the worker is stopping")
	}
	if err := w.stream.Ready(); err != nil {
		missing = append(missing, "stream: "+err.Error())
	}
	if fault, _ := w.health.bucket.Load().(string); fault != "" {
		missing = append(missing, "stream: "+fault)
	}
	if fault, looked := w.health.fhir.Load().(string); fault != "" || !looked {
		missing = append(missing, "fhir: "+cmp.Or(fault, "not looked at yet"))
	}
	return missing
}

// warnings are what an operator should know of a worker that is ready.
func (w *Worker) warnings(ctx context.Context) (out []string) {
	if n := w.brake.active(); w.cfg.Mode == Shadow && n > 0 {
		out = append(out, fmt.Sprintf("warning: shadow mode writes nothing, and %d flags that live mode wrote are still active", n))
	}
	if w.brake.holds() {
		out = append(out, "warning: too many flags would be withdrawn at once, so none is")
	}
	// A capability that cannot be read makes the worker not ready elsewhere.
	if c, err := w.fhir.Capability(ctx); err == nil && len(c.Types) > 0 {
		for typ, lost := range map[string]string{"Task": "nobody gets a task to tick off", "Provenance": "the source of a flag stands in the flag alone"} {
			if !offered(c, typ) {
				out = append(out, "warning: the FHIR server holds no "+typ+": "+lost)
			}
		}
	}
	if left := w.cfg.scopesLeftOut(); len(left) > 0 {
		out = append(out, "warning: fhir.scope does not ask for "+strings.Join(left, " ")+"; a server may answer such a search as if there were nothing")
	}
	slices.Sort(out)
	return out
}

// Handler serves /metrics, /healthz (the process is alive: only what a restart would mend) and /readyz (stream and FHIR
// server can be reached and the worker is not stopping). Nothing it says is about a patient.
func (w *Worker) Handler(reg prometheus.Gatherer) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(reg, promhttp.HandlerOpts{EnableOpenMetrics: true}))
	mux.HandleFunc("GET /healthz", func(rw http.ResponseWriter, _ *http.Request) { fmt.Fprintln(rw, "alive") })
	mux.HandleFunc("GET /readyz", func(rw http.ResponseWriter, r *http.Request) {
		missing := w.ready()
		if len(missing) > 0 {
			rw.WriteHeader(http.StatusServiceUnavailable)
			fmt.Fprintln(rw, "not ready\n"+strings.Join(missing, "\n"))
			return
		}
		fmt.Fprintln(rw, strings.Join(append([]string{"ready"}, w.warnings(r.Context())...), "\n"))
	})
	return mux
}

// look keeps readiness and the gauges current.
func (w *Worker) look(ctx context.Context) {
	t := time.NewTicker(w.lookEvery)
	defer t.Stop()
	for {
		w.lookOnce(ctx)
		w.shareBrake(ctx)
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}

func (w *Worker) lookOnce(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, lookEvery)
	defer cancel()
	fault := ""
	if c, err := w.fhir.Refresh(ctx); err != nil {
		fault = err.Error()
	} else {
		for what, has := range map[string]bool{
			"batch": c.Batch, "transaction": c.Transaction, "update-as-create": clientIDs(c),
			"Flag": offered(c, "Flag"), "Task": offered(c, "Task"), "Provenance": offered(c, "Provenance"),
		} {
			w.metrics.capability.WithLabelValues(what).Set(boolGauge(has))
			if !has && len(c.Types) > 0 {
				w.once.log(w.log, 4, "the FHIR server does not offer "+what+"; working without")
			}
		}
	}
	w.health.fhir.Store(fault)
	fault = ""
	if _, err := w.bucket(ctx, workBucket, workTTL); err != nil {
		fault = err.Error()
	}
	w.health.bucket.Store(fault)
	_, held := w.fhir.Open()
	w.metrics.breakerOpen.Set(boolGauge(held))
	if p, err := w.stream.Pending(ctx); err == nil {
		w.metrics.pending.Set(float64(p.Pending))
		w.metrics.ackPending.Set(float64(p.AckPending))
		w.metrics.oldestPending.Set(timestamp(p.OldestPending))
	}
	w.metrics.setCertificateExpiry(w.cfg)
	w.gauges()
}

// gauges sets what the last results of all replicas say about the operations ahead. Only the replica that sweeps does; the others
// stand at 0, so that a sum over replicas is right and none shows old numbers.
func (w *Worker) gauges() {
	at, sweeps := w.now(), w.sweeps.Load()
	for within, d := range map[string]time.Duration{"48h": 48 * time.Hour, "horizon": w.cfg.SweepHorizon} {
		var notAssessed, incomplete int
		var next time.Time
		if sweeps {
			notAssessed, incomplete, next = w.work.counts(at, d)
		}
		w.metrics.notAssessed.WithLabelValues(within).Set(float64(notAssessed))
		w.metrics.incomplete.WithLabelValues(within).Set(float64(incomplete))
		if within == "horizon" {
			w.metrics.nextUnassessed.Set(timestamp(next))
		}
	}
	answers, rejected := map[[2]string]int{}, map[string]int{}
	for a, n := range w.outcomes.answers() {
		answers[[2]string{a.preparation, a.status}] += n
		if a.status == "rejected" {
			rejected[a.reason] += n
		}
	}
	for _, p := range w.preparationCodes {
		for _, s := range answerStatuses {
			w.metrics.answers.WithLabelValues(p, s).Set(float64(answers[[2]string{p, s}]))
		}
	}
	for _, r := range rejectReasons {
		w.metrics.rejections.WithLabelValues(r).Set(float64(rejected[r]))
	}
}

func timestamp(t time.Time) float64 {
	if t.IsZero() {
		return 0
	}
	return float64(t.Unix())
}

// doorLog takes what the HTTP server says of a door: faults of connections, and panics. Their text may quote what was sent, so
// only their kind is logged.
func doorLog(to *slog.Logger, door string) *log.Logger {
	return log.New(doorFaults{to.With("kind", door)}, "", 0)
}

type doorFaults struct{ log *slog.Logger }

func (d doorFaults) Write(line []byte) (int, error) {
	if bytes.Contains(line, []byte("panic")) {
		d.log.Error("a request to a door made the worker's handler panic; it was not answered")
	} else {
		d.log.Debug("a connection to a door failed")
	}
	return len(line), nil
}
