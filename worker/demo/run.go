package demo

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"pupilrisk/rules"
	"pupilrisk/worker"
	"pupilrisk/worker/fhirhttp"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/operatinglist"
	"pupilrisk/worker/stream"
)

// Days is how many days ahead the demo's list shows.
const Days = 14

// quietPolls is how often in a row nothing must be pending: the server counts a message a moment after it has confirmed it.
const quietPolls = 5

// Run is a demo in progress: an embedded NATS server, an in-memory FHIR server and one worker in live mode, all on loopback
// ports of their own.
type Run struct {
	Clinic  Clinic
	Store   *fhirstore.Store
	FHIRURL string
	NATSURL string
	Token   string // file
	// MetricsURL is where the worker's metrics are; /healthz and /readyz are beside it.
	MetricsURL string
	Worker     *worker.Worker
	Gather     prometheus.Gatherer

	cfg     worker.Config
	cat     *rules.Catalogue
	fhir    *fhirhttp.Client
	stream  *stream.Stream
	now     func() time.Time
	mu      sync.Mutex
	last    map[string]rules.Assessment
	order   []string
	closers []func(context.Context) error
	cancel  context.CancelFunc
	done    chan error
}

// Start builds the clinic, starts everything, and publishes the events. Close ends it.
func Start(ctx context.Context, cat *rules.Catalogue, version string, log *slog.Logger, now func() time.Time) (r *Run, err error) {
	r = &Run{cat: cat, now: now, last: map[string]rules.Assessment{}, done: make(chan error, 1)}
	defer func() {
		if err != nil {
			err = errors.Join(err, r.Close(context.WithoutCancel(ctx)))
		}
	}()
	zone := time.Local
	if r.Clinic, err = NewClinic(now(), zone); err != nil {
		return r, err
	}
	r.Store = fhirstore.New(fhirstore.DefaultOptions())
	for _, resource := range r.Clinic.Resources {
		if err := r.Store.Put(resource); err != nil {
			return r, fmt.Errorf("fill the demo's FHIR server: %w", err)
		}
	}
	server, err := fhirstore.Serve(r.Store, "127.0.0.1:0")
	if err != nil {
		return r, fmt.Errorf("start the demo's FHIR server: %w", err)
	}
	r.closers = append(r.closers, server.Close)
	r.FHIRURL = server.URL()

	dir, err := os.MkdirTemp("", "pupilrisk-demo-")
	if err != nil {
		return r, fmt.Errorf("make a directory for the demo: %w", err)
	}
	r.closers = append(r.closers, func(context.Context) error { return os.RemoveAll(dir) })
	if r.stream, err = stream.Open(ctx, stream.Config{StoreDir: dir, Listen: "127.0.0.1:0", Log: log}); err != nil {
		return r, fmt.Errorf("start the demo's NATS server: %w", err)
	}
	r.closers = append(r.closers, r.stream.Close)
	r.NATSURL, r.Token = r.stream.URL(), r.stream.TokenFile()

	r.cfg = worker.DefaultConfig()
	r.cfg.Mode, r.cfg.FHIRURL, r.cfg.Timezone = worker.Live, r.FHIRURL, zone.String()
	r.cfg.HistoryGather = 0 // nobody waits half a minute for a demo
	reg := prometheus.NewRegistry()
	r.Gather = reg
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	metrics := worker.NewMetrics(reg, version, cat.Version, r.cfg.Mode, cat)
	if r.fhir, err = worker.OpenFHIR(r.cfg, version, log, metrics); err != nil {
		return r, err
	}
	r.closers = append(r.closers, func(context.Context) error { r.fhir.Close(); return nil })
	r.Worker = worker.New(worker.Parts{
		Config: r.cfg, Version: version, Log: log, Catalogue: cat, FHIR: r.fhir, Stream: r.stream, Metrics: metrics, Now: now,
	})
	r.Worker.OnAssessment = r.keep
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return r, fmt.Errorf("serve the demo's metrics: %w", err)
	}
	health := &http.Server{Handler: r.Worker.Handler(reg), ReadHeaderTimeout: 5 * time.Second}
	go health.Serve(listener) //nolint:errcheck // ends with Shutdown
	r.closers = append(r.closers, health.Shutdown)
	r.MetricsURL = "http://" + listener.Addr().String() + "/metrics"
	for _, e := range r.Clinic.Events {
		if _, err := r.stream.Publish(ctx, e.Subject, e.Payload, e.MsgID); err != nil {
			return r, fmt.Errorf("publish the demo's events: %w", err)
		}
	}
	running, cancel := context.WithCancel(ctx)
	r.cancel = cancel
	go func() { r.done <- r.Worker.Run(running) }()
	return r, nil
}

func (r *Run) keep(a rules.Assessment) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, ok := r.last[a.Operation.Appointment]; !ok {
		r.order = append(r.order, a.Operation.Appointment)
	}
	r.last[a.Operation.Appointment] = a
}

// Handled waits until every event has been settled and the first sweep has ended.
func (r *Run) Handled(ctx context.Context) error {
	select {
	case <-r.Worker.Swept():
	case <-ctx.Done():
		return fmt.Errorf("the sweep did not end: %w", ctx.Err())
	}
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for quiet := 0; ; {
		p, err := r.stream.Pending(ctx)
		quiet++
		if err != nil || p.Pending != 0 || p.AckPending != 0 {
			quiet = 0
		}
		if quiet == quietPolls {
			return nil
		}
		select {
		case <-ctx.Done():
			return errors.Join(fmt.Errorf("not every event was handled: %w", ctx.Err()), err)
		case <-tick.C:
		}
	}
}

// Assessments are the last results, by the start of the operation.
func (r *Run) Assessments() map[string]rules.Assessment {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := make(map[string]rules.Assessment, len(r.last))
	for k, v := range r.last {
		out[k] = v
	}
	return out
}

// List is the operating list as it now stands in the demo's FHIR server.
func (r *Run) List(ctx context.Context) (operatinglist.List, error) {
	at := r.now().In(r.cfg.Zone())
	from := time.Date(at.Year(), at.Month(), at.Day(), 0, 0, 0, 0, at.Location())
	l := worker.Lister{Config: r.cfg, Catalogue: r.cat, FHIR: r.fhir, Assessments: r.Assessments(), Now: r.now}
	return l.List(ctx, from, from.AddDate(0, 0, Days))
}

// Close stops the worker and everything it stands on, and removes what the demo kept on disk.
func (r *Run) Close(ctx context.Context) error {
	var errs []error
	if r.cancel != nil {
		r.cancel()
		errs = append(errs, <-r.done)
	}
	for i := len(r.closers) - 1; i >= 0; i-- {
		errs = append(errs, r.closers[i](ctx))
	}
	return errors.Join(errs...)
}
