package worker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"go.opentelemetry.io/otel/trace"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/fhirhttp"
	"pupilrisk/worker/smart"
	"pupilrisk/worker/stream"
)

const (
	// ackWait is how long the stream waits for a sign of life before it gives an event to another worker.
	ackWait = 30 * time.Second
	// grace is how long a stopping worker finishes what is in flight; shorter than ackWait, so that nobody else has begun it.
	grace = 20 * time.Second
	// eventTimeout bounds one event as a whole. The stream is told of progress meanwhile.
	eventTimeout = 5 * time.Minute
)

// Worker reads, assesses and writes. One process holds one.
type Worker struct {
	// OnAssessment, if set, is told every result that differs from the last one of its operation. It must not block.
	OnAssessment func(rules.Assessment)

	cfg       Config
	version   string
	log       *slog.Logger
	audit     auditor
	catalogue *rules.Catalogue
	settings  rules.Settings
	fhir      *fhirhttp.Client
	stream    *stream.Stream
	metrics   *Metrics
	tracer    trace.Tracer // nil: nothing is traced
	writer    fhirmap.Writer
	now       func() time.Time

	preparationCodes []string
	services         serviceMatch

	locks      patientLocks
	brake      *brake
	outcomes   *outcomes
	work       *work
	seen       seen
	once       onceLog
	health     health
	deviceLock sync.Mutex
	buckets    sync.Map // name → jetstream.KeyValue
	device     string

	lanes, sweepLanes chan struct{}
	heavy             chan struct{} // the right to read a large record
	stop              sync.Once
	stopping          chan struct{} // closed when Run has been told to end: who only waits gives up
	swept             chan struct{}
	sweepNow          <-chan struct{}
	sweepAsked        chan struct{}
	sweeps            atomic.Bool  // this replica is the one that sweeps
	process           string       // names this process among the replicas
	busy              atomic.Int64 // booking events being handled
	sweepLease        time.Duration
	ackWait           time.Duration
	eventTimeout      time.Duration
	workEvery         time.Duration
	lookEvery         time.Duration
}

// Parts are what a Worker is made of.
type Parts struct {
	Config    Config
	Version   string
	Log       *slog.Logger
	Catalogue *rules.Catalogue
	FHIR      *fhirhttp.Client
	Stream    *stream.Stream
	Metrics   *Metrics
	// Tracer makes the spans of events; nil makes none.
	Tracer trace.Tracer
	// SweepNow asks for a sweep out of turn; nil never does.
	SweepNow <-chan struct{}
	// Now is the clock; nil is time.Now.
	Now func() time.Time
}

// New puts a Worker together. Nothing runs yet.
func New(p Parts) *Worker {
	w := &Worker{
		cfg: p.Config, version: p.Version, log: p.Log, catalogue: p.Catalogue, settings: p.Config.settings(),
		fhir: p.FHIR, stream: p.Stream, metrics: p.Metrics, tracer: p.Tracer, now: p.Now,
		locks: patientLocks{locks: map[string]*patientLock{}}, brake: &brake{}, outcomes: newOutcomes(), work: newWork(), seen: seen{by: map[string]uint64{}},
		process: uuid.NewString(),
		lanes:   make(chan struct{}, p.Config.Concurrency), sweepLanes: make(chan struct{}, max(1, p.Config.Concurrency/2)),
		heavy: make(chan struct{}, 1), stopping: make(chan struct{}), swept: make(chan struct{}, 1), sweepNow: p.SweepNow, sweepAsked: make(chan struct{}, 1),
		ackWait: ackWait, eventTimeout: eventTimeout, workEvery: workEvery, lookEvery: lookEvery, sweepLease: sweepLease,
	}
	if w.log == nil {
		w.log = slog.New(slog.DiscardHandler)
	}
	w.audit = newAuditor(p.Config, w.log)
	if w.now == nil {
		w.now = time.Now
	}
	for _, rule := range p.Catalogue.Preparations {
		w.preparationCodes = append(w.preparationCodes, rule.Code)
	}
	w.services = newServiceMatch(p.Config, p.Catalogue)
	w.writer = fhirmap.Writer{
		Names: fhirmap.Names{Canonical: p.Config.Canonical}, Catalogue: p.Catalogue, Intent: p.Config.TaskIntent,
		MinLevel: w.settings.MinLevel, CopyLabels: p.Config.FlagCopyLabels, SoftwareVersion: p.Version,
	}
	return w
}

// inherit takes over from the worker before it in this process what it knows beyond the stream: whether withdrawals are stopped,
// how the FHIR server was, and who asks for a sweep (the doors go on with the first worker).
func (w *Worker) inherit(from *Worker) {
	w.brake, w.sweepAsked = from.brake, from.sweepAsked
	if fault := from.health.fhir.Load(); fault != nil {
		w.health.fhir.Store(fault)
	}
}

// Swept tells, once each time, that a sweep has ended well or not.
func (w *Worker) Swept() <-chan struct{} { return w.swept }

// Run works until ctx ends; then it stops pulling, finishes what is in flight within the grace time, hands back the rest,
// and returns nil.
func (w *Worker) Run(ctx context.Context) error {
	w.log.Info("worker starts", "mode", string(w.cfg.Mode), "catalogue", w.catalogue.Version, "timezone", w.cfg.Timezone, "lanes", cap(w.lanes))
	w.shareBrake(ctx) // before anything is withdrawn
	var parts sync.WaitGroup
	parts.Go(func() { w.look(ctx) })
	parts.Go(func() { w.sweepLoop(ctx) })
	parts.Go(func() { w.retryLoop(ctx) })
	parts.Go(func() { w.consume(ctx, w.stream.Bookings, "booking", w.lanes, cap(w.lanes)) })
	// A changed record is less urgent than a booking: it has lanes of its own, a quarter as many.
	history := make(chan struct{}, max(1, cap(w.lanes)/4))
	parts.Go(func() { w.consume(ctx, w.stream.History, "history", history, cap(history)) })
	<-ctx.Done()
	w.health.draining.Store(true)
	w.stop.Do(func() { close(w.stopping) })
	w.log.Info("worker stops, finishing what is in flight")
	done := make(chan struct{})
	go func() { parts.Wait(); close(done) }()
	select {
	case <-done:
		w.log.Info("worker stopped")
		return nil
	case <-time.After(grace):
		return errors.New("what was in flight did not end within the grace time; it will be delivered again")
	}
}

// Serve is the unattended worker: it opens everything that the configuration names, runs until ctx ends, and closes it in
// the safe order, metrics last. A FHIR server or NATS server that is down at the start is waited for, not an error. A reload
// replaces the worker by another on the same connections; what is in flight is finished first.
func Serve(ctx context.Context, cfg Config, cat *rules.Catalogue, version string, log *slog.Logger, reload Reload) (err error) {
	reg := prometheus.NewRegistry()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	metrics := NewMetrics(reg, version, cat.Version, cfg.Mode, cat)
	tracer, endTracing, err := openTracing(ctx, cfg, version, log)
	if err != nil {
		return err
	}
	defer endTracing()
	fhir, err := OpenFHIR(cfg, version, log, metrics)
	if err != nil { // what cannot be read of what the configuration names
		return ConfigError{cfg.places["fhir.url"], "fhir", strings.TrimPrefix(err.Error(), "fhir: ")}
	}
	defer fhir.Close()
	// A stream that was made anew, or could not store for a while, may have lost events: the sweep closes the hole.
	holes := make(chan struct{}, 1)
	natsConfig := streamConfig(cfg, log)
	natsConfig.OnEvent = func(kind string) {
		metrics.streamEvents.WithLabelValues(kind).Inc()
		if kind == stream.EventCreated || kind == stream.EventStore {
			select {
			case holes <- struct{}{}:
			default:
			}
		}
	}
	nats, err := stream.Open(ctx, natsConfig)
	if err != nil {
		return err
	}
	defer func() {
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
		defer cancel()
		err = errors.Join(err, nats.Close(closing))
	}()
	parts := &Parts{Config: cfg, Version: version, Log: log, Catalogue: cat, FHIR: fhir, Stream: nats, Metrics: metrics, Tracer: tracer, SweepNow: holes}
	w := New(*parts)
	var current atomic.Pointer[http.Handler]
	show := func(w *Worker) { h := w.Handler(reg); current.Store(&h) }
	show(w)
	listener, err := net.Listen("tcp", cfg.HTTPAddr)
	if err != nil {
		return ConfigError{cfg.places["http.addr"], "http.addr", "cannot listen: " + listenText(err)}
	}
	handler := http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) { (*current.Load()).ServeHTTP(rw, r) })
	server := &http.Server{Handler: handler, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: 30 * time.Second, MaxHeaderBytes: 16 << 10, ErrorLog: doorLog(log, "http")}
	go server.Serve(listener) //nolint:errcheck // ends with Shutdown
	defer func() {
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		err = errors.Join(err, server.Shutdown(closing))
	}()
	stopV2, err := w.serveV2(ctx)
	if err != nil {
		return err
	}
	defer stopV2()
	stopHook, err := w.serveHook(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, stopHook()) }()
	if cfg.Timezone == "UTC" && cfg.places["timezone"] == "" {
		log.Warn("no timezone is set; dates without a zone are read as UTC", "key", "timezone")
	}
	if cfg.Mode == Shadow {
		log.Warn("shadow mode: everything is assessed, nothing is written to the FHIR server", "key", "mode")
	}
	log.Info("listening", "http", listener.Addr().String(), "nats", nats.URL())
	for {
		running, stop := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- w.Run(running) }()
		parts = reload.next(ctx, *parts)
		stop()
		err := <-ended
		if parts == nil {
			return err
		}
		if err != nil {
			log.Warn("the former worker has not finished", "error", err) // its events come again
		}
		next := New(*parts)
		next.inherit(w)
		w = next
		show(w)
	}
}

func listenText(err error) string {
	var op *net.OpError
	if errors.As(err, &op) {
		return op.Err.Error()
	}
	var sys *os.SyscallError
	if errors.As(err, &sys) {
		return sys.Err.Error()
	}
	return "not possible"
}

// OpenFHIR makes the client that every lane shares.
func OpenFHIR(cfg Config, version string, log *slog.Logger, m *Metrics) (*fhirhttp.Client, error) {
	c := fhirhttp.Config{
		Base: cfg.FHIRURL, Aliases: cfg.FHIRAliases, TokenFile: cfg.FHIRTokenFile,
		CAFile: cfg.FHIRCAFile, CertFile: cfg.FHIRCertFile, KeyFile: cfg.FHIRKeyFile,
		MaxInFlight: 2 * cfg.Concurrency, RequestTimeout: cfg.FHIRTimeout, Batch: cfg.FHIRBatch, PostSearch: cfg.FHIRPostSearch, Version: version, Trace: traceRequest, Log: log,
	}
	if m != nil {
		c.Observe = func(operation, code string, took time.Duration) {
			m.fhirRequests.WithLabelValues(operation, code).Inc()
			m.fhirSeconds.WithLabelValues(operation).Observe(took.Seconds())
		}
	}
	if cfg.FHIRClientKey != "" {
		source, err := tokenSource(cfg, c, m)
		if err != nil {
			return nil, fmt.Errorf("fhir: %w", err)
		}
		c.Bearer = source
	}
	client, err := fhirhttp.New(c)
	if err != nil {
		return nil, fmt.Errorf("fhir: %w", err)
	}
	return client, nil
}

// tokenSource asks for tokens over connections like those to the FHIR server, but of its own, and too rarely to keep them open.
func tokenSource(cfg Config, c fhirhttp.Config, m *Metrics) (*smart.Source, error) {
	transport, err := fhirhttp.NewTransport(c)
	if err != nil {
		return nil, err
	}
	transport.DisableKeepAlives = true
	s := smart.Config{
		Base: cfg.FHIRURL, TokenURL: cfg.FHIRTokenURL, ClientID: cfg.FHIRClientID, KeyFile: cfg.FHIRClientKey, Scope: cfg.FHIRScope,
		Transport: transport, Timeout: cfg.FHIRTimeout, UserAgent: "pupilrisk/" + c.Version, Log: c.Log,
	}
	if m != nil {
		s.Expires = func(at time.Time) { m.tokenExpiry.Set(timestamp(at)) }
	}
	return smart.New(s)
}

func streamConfig(cfg Config, log *slog.Logger) stream.Config {
	c := stream.Config{
		URL: cfg.NATSURL, CredsFile: cfg.NATSCreds, NKeyFile: cfg.NATSNKey, TokenFile: cfg.NATSTokenFile,
		CAFile: cfg.NATSCAFile, CertFile: cfg.NATSCertFile, KeyFile: cfg.NATSKeyFile,
		StoreDir: cfg.NATSStoreDir, StoreKeyFile: cfg.NATSStoreKey, Listen: cfg.NATSListen, Replicas: cfg.NATSReplicas, InboxPrefix: cfg.NATSInbox, AckWait: ackWait, Log: log,
	}
	if cfg.NATSManage.Set {
		c.Manage = &cfg.NATSManage.Value
	}
	return c
}

// count adds writes to a counter by resource and change.
func (w *Worker) count(c *prometheus.CounterVec, writes []fhirmap.Write) {
	for _, x := range writes {
		c.WithLabelValues(x.Type, string(x.Change)).Inc()
	}
}
