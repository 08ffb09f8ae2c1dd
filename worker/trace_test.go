package worker

import (
	"bytes"
	"context"
	"encoding/hex"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"
	"go.opentelemetry.io/otel/trace"
	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/protobuf/proto"

	"pupilrisk/rules"
	"pupilrisk/worker/fhirhttp"
	"pupilrisk/worker/fhirstore"
)

// collector takes traces over a real socket, as an OpenTelemetry collector does.
type collector struct {
	t   *testing.T
	url string

	mu  sync.Mutex
	raw bytes.Buffer // everything that was sent
	got []*tracepb.ResourceSpans
}

func newCollector(t *testing.T) *collector {
	c := &collector{t: t}
	server := httptest.NewServer(c)
	t.Cleanup(server.Close)
	c.url = server.URL
	return c
}

func (c *collector) ServeHTTP(rw http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	var request tracepb.TracesData
	if err != nil || r.URL.Path != "/v1/traces" || proto.Unmarshal(body, &request) != nil {
		c.t.Errorf("no OTLP at %s", r.URL.Path)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.raw.Write(body)
	c.got = append(c.got, request.ResourceSpans...)
	rw.Header().Set("Content-Type", "application/x-protobuf")
}

// spans are all spans that came, each of which says only what may be said.
func (c *collector) spans() (out []*tracepb.Span) {
	c.t.Helper()
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, r := range c.got {
		resource := map[string]string{}
		for _, a := range r.Resource.Attributes {
			resource[a.Key] = a.Value.GetStringValue()
		}
		require.Equal(c.t, map[string]string{"service.name": "pupilrisk", "service.version": "test"}, resource)
		for _, s := range r.ScopeSpans {
			require.Equal(c.t, "pupilrisk", s.Scope.Name)
			for _, span := range s.Spans {
				onlyAllowed(c.t, span)
				out = append(out, span)
			}
		}
	}
	return out
}

// onlyAllowed holds a span to the list of what it may say.
func onlyAllowed(t *testing.T, s *tracepb.Span) {
	t.Helper()
	operation, fhir := strings.CutPrefix(s.Name, "fhir ")
	if fhir {
		require.Contains(t, fhirhttp.Operations, operation)
	} else {
		require.Contains(t, []string{"event", "read", "assess", "write"}, s.Name)
	}
	require.Empty(t, s.Events)
	require.Empty(t, s.Links)
	require.Empty(t, s.GetStatus().GetMessage())
	require.Zero(t, s.DroppedAttributesCount)
	var keys []string
	for _, a := range s.Attributes {
		keys = append(keys, a.Key)
		value := a.Value.GetStringValue()
		switch a.Key {
		case "pupilrisk.source":
			require.Contains(t, eventSources, value)
		case "pupilrisk.outcome":
			require.Contains(t, eventOutcomes, value)
		case "pupilrisk.fhir.operation":
			require.Equal(t, operation, value)
		case "pupilrisk.fhir.code":
			require.Contains(t, fhirhttp.Codes, value)
		case "pupilrisk.writes.Flag", "pupilrisk.writes.Task":
			require.Positive(t, a.Value.GetIntValue())
		default:
			require.Fail(t, "an attribute that nobody has allowed", a.Key)
		}
	}
	slices.Sort(keys)
	switch {
	case fhir:
		require.Equal(t, []string{"pupilrisk.fhir.code", "pupilrisk.fhir.operation"}, keys)
	case s.Name == "event":
		require.Equal(t, []string{"pupilrisk.outcome", "pupilrisk.source"}, keys)
	}
}

func attr(s *tracepb.Span, key string) (value string) {
	for _, a := range s.Attributes {
		if a.Key == key && a.Value.GetStringValue() != "" {
			return a.Value.GetStringValue()
		}
		if a.Key == key {
			return fmt.Sprint(a.Value.GetIntValue())
		}
	}
	return ""
}

// traced gives a worker a tracer; end sends what it has.
func traced(t *testing.T, w *Worker, endpoint string, ratio float64) (end func()) {
	t.Helper()
	cfg := DefaultConfig()
	cfg.TracingEndpoint, cfg.TracingRatio = endpoint, ratio
	var err error
	w.tracer, end, err = openTracing(t.Context(), cfg, "test", slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	return end
}

// sentOn puts a proxy before the clinic's FHIR server and returns the traceparent and tracestate of each request that came by.
func (c *clinic) sentOn() func() []string {
	target, err := url.Parse(c.url)
	require.NoError(c.t, err)
	target.Path = ""
	proxy := httputil.NewSingleHostReverseProxy(target)
	var mu sync.Mutex
	var seen []string
	server := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		mu.Lock()
		seen = append(seen, r.Header.Get("traceparent")+" "+r.Header.Get("tracestate"))
		mu.Unlock()
		proxy.ServeHTTP(rw, r)
	}))
	c.t.Cleanup(func() {
		server.Close()
		http.DefaultTransport.(*http.Transport).CloseIdleConnections()
	})
	c.url = strings.Replace(c.url, target.Host, strings.TrimPrefix(server.URL, "http://"), 1)
	return func() []string { mu.Lock(); defer mu.Unlock(); return slices.Clone(seen) }
}

// publishWith publishes as a scheduler with a tracing client does.
func (c *clinic) publishWith(header nats.Header, subject, payload string) {
	c.t.Helper()
	conn, err := nats.Connect(c.stream.URL(), nats.Token(c.token()))
	require.NoError(c.t, err)
	defer conn.Close()
	_, err = conn.RequestMsg(&nats.Msg{Subject: subject, Header: header, Data: []byte(payload)}, 10*time.Second)
	require.NoError(c.t, err)
}

const (
	foreignTrace = "0af7651916cd43dd8448eb211c80319c"
	foreignSpan  = "b7ad6b7169203331"
)

// One event from its message to what is written: the trace of the sender goes on to the FHIR server, and nothing of it is about the patient.
func TestTraceFromMessageToWrite(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(privateRecord...)
	sent := c.sentOn()
	collected := newCollector(t)
	w := c.worker()
	end := traced(t, w, collected.url, 1)
	parent := "00-" + foreignTrace + "-" + foreignSpan + "-01"
	header := nats.Header{"traceparent": {parent}, "tracestate": {"clinic=a1"}, "baggage": {"who=zmark"}}
	ctx, cancel := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { w.consume(ctx, w.stream.Bookings, "booking", w.lanes, cap(w.lanes)) }) // without a sweep, which would be first
	c.publishWith(header, "clinic.booking.x", privateEvents[1])
	c.settled()
	cancel()
	running.Wait()
	end()
	require.Len(t, c.all("Flag", `"active"`), 2)

	spans := map[string]*tracepb.Span{}
	byName := map[string][]*tracepb.Span{}
	for _, s := range collected.spans() {
		require.Equal(t, foreignTrace, hex.EncodeToString(s.TraceId))
		spans[hex.EncodeToString(s.SpanId)] = s
		byName[s.Name] = append(byName[s.Name], s)
	}
	for _, name := range []string{"event", "read", "assess", "write"} {
		require.Len(t, byName[name], 1, name)
	}
	event := byName["event"][0]
	require.Equal(t, foreignSpan, hex.EncodeToString(event.ParentSpanId))
	require.Equal(t, "clinic=a1", event.TraceState)
	require.Equal(t, tracepb.Span_SPAN_KIND_CONSUMER, event.Kind)
	require.Equal(t, "booking", attr(event, "pupilrisk.source"))
	require.Equal(t, "done", attr(event, "pupilrisk.outcome"))
	last := event.StartTimeUnixNano
	for _, name := range []string{"read", "assess", "write"} {
		part := byName[name][0]
		require.Equal(t, event.SpanId, part.ParentSpanId, name)
		require.GreaterOrEqual(t, part.StartTimeUnixNano, last, name)
		last = part.EndTimeUnixNano
	}
	require.GreaterOrEqual(t, event.EndTimeUnixNano, last)
	require.Equal(t, "2", attr(byName["write"][0], "pupilrisk.writes.Flag"))
	require.Equal(t, fmt.Sprint(len(c.store.All("Task"))), attr(byName["write"][0], "pupilrisk.writes.Task"))

	// Each request is a span below one of those, and carries its own place on.
	above := map[string]bool{}
	requests := sent()
	for _, on := range requests {
		place, state, _ := strings.Cut(on, " ")
		require.Equal(t, "clinic=a1", state)
		p := strings.Split(place, "-")
		require.Len(t, p, 4)
		require.Equal(t, foreignTrace, p[1])
		s := spans[p[2]]
		require.NotNil(t, s)
		require.True(t, strings.HasPrefix(s.Name, "fhir "), s.Name)
		require.Equal(t, tracepb.Span_SPAN_KIND_CLIENT, s.Kind)
		above[spans[hex.EncodeToString(s.ParentSpanId)].Name] = true
	}
	require.Equal(t, map[string]bool{"event": true, "read": true, "assess": true, "write": true}, above)
	require.Len(t, spans, 4+len(requests))
	require.Equal(t, "write", spans[hex.EncodeToString(byName["fhir transaction"][0].ParentSpanId)].Name)
	require.Equal(t, "200", attr(byName["fhir transaction"][0], "pupilrisk.fhir.code"))
	require.NotContains(t, strings.ToLower(collected.raw.String()), private)
}

// Whose trace an event belongs to, by what its message says of it, and whether it is told.
func TestTraceParentOfAMessage(t *testing.T) {
	for name, x := range map[string]struct {
		header nats.Header
		ratio  float64
		own    bool // a trace of its own
		told   bool
	}{
		"none":                    {nil, 1, true, true},
		"none, and none wanted":   {nil, 0, true, false},
		"sampled":                 {nats.Header{"traceparent": {"00-" + foreignTrace + "-" + foreignSpan + "-01"}}, 1, false, true},
		"as HTTP writes it":       {nats.Header{"Traceparent": {"00-" + foreignTrace + "-" + foreignSpan + "-01"}}, 1, false, true},
		"sampled goes before all": {nats.Header{"traceparent": {"00-" + foreignTrace + "-" + foreignSpan + "-01"}}, 0, false, true},
		"not sampled":             {nats.Header{"traceparent": {"00-" + foreignTrace + "-" + foreignSpan + "-00"}}, 1, false, false},
		"rubbish":                 {nats.Header{"traceparent": {"zmark"}, "tracestate": {"zmark"}}, 1, true, true},
		"all zeros":               {nats.Header{"traceparent": {"00-" + strings.Repeat("0", 32) + "-" + foreignSpan + "-01"}}, 1, true, true},
	} {
		t.Run(name, func(t *testing.T) {
			collected := newCollector(t)
			w := &Worker{}
			end := traced(t, w, collected.url, x.ratio)
			ctx, done := w.startEvent(t.Context(), "booking", trace.SpanKindConsumer, x.header)
			h := http.Header{}
			traceRequest(ctx, fhirhttp.OpRead, h)("404")
			done("wait")
			end()
			require.Equal(t, !x.own, strings.Contains(h.Get("traceparent"), foreignTrace))
			require.NotContains(t, fmt.Sprint(h), private)
			spans := collected.spans()
			if !x.told {
				require.True(t, strings.HasSuffix(h.Get("traceparent"), "-00"), "handed on all the same")
				require.Empty(t, spans)
				return
			}
			require.Len(t, spans, 2)
			require.Equal(t, tracepb.Status_STATUS_CODE_ERROR, spans[0].GetStatus().GetCode())
			require.Equal(t, tracepb.Status_STATUS_CODE_UNSET, spans[1].GetStatus().GetCode())
			require.Equal(t, x.own, len(spans[1].ParentSpanId) == 0)
		})
	}
}

func TestTracingOffMakesNothing(t *testing.T) {
	w := &Worker{}
	end := traced(t, w, "", 1)
	require.Nil(t, w.tracer)
	message := nats.Header{"traceparent": {"00-" + foreignTrace + "-" + foreignSpan + "-01"}}
	h := http.Header{}
	require.Zero(t, testing.AllocsPerRun(100, func() {
		ctx, done := w.startEvent(t.Context(), "booking", trace.SpanKindConsumer, message)
		ctx, span := startSpan(ctx, spanWrite)
		countWrites(span, nil)
		traceRequest(ctx, fhirhttp.OpRead, h)("200")
		endSpan(span, nil)
		done("done")
	}))
	require.Empty(t, h)
	end()

	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobsBooking)
	sent := c.sentOn()
	c.run(func() {
		c.publishWith(message, "clinic.booking.x", `{"reference":"Appointment/a1"}`)
		c.settled()
		c.flagged(1)
	}, c.worker())
	require.NotEmpty(t, sent())
	for _, on := range sent() {
		require.Equal(t, " ", on)
	}
}

// Serve opens what the configuration asks for, and sends the last spans when it ends.
func TestServeSendsItsTraces(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, strings.Replace(bobsBooking, "2026-03-09T09:00:00Z", time.Now().Add(24*time.Hour).UTC().Format(time.RFC3339), 1))
	collected := newCollector(t)
	cfg := DefaultConfig()
	cfg.Mode, cfg.FHIRURL, cfg.HTTPAddr, cfg.NATSStoreDir, cfg.NATSListen = Live, c.url, "127.0.0.1:0", t.TempDir(), "127.0.0.1:0"
	cfg.TracingEndpoint = collected.url + "/"
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		done <- Serve(ctx, cfg, testCatalogue(t), "test", slog.New(slog.DiscardHandler), Reload{
			Load: func() (Config, *rules.Catalogue, error) { return cfg, testCatalogue(t), nil },
		})
	}()
	c.flagged(1)
	cancel()
	require.NoError(t, <-done)
	swept := false
	for _, s := range collected.spans() {
		swept = swept || attr(s, "pupilrisk.source") == "sweep"
	}
	require.True(t, swept)
}

// A collector that hangs holds up no exit; one that refuses is logged once, and what it says is nobody's business.
func TestCollectorThatFails(t *testing.T) {
	release := make(chan struct{})
	hanging := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-release }))
	defer hanging.Close()
	defer close(release)
	w := &Worker{}
	end := traced(t, w, hanging.URL, 1)
	_, done := w.startEvent(t.Context(), "booking", trace.SpanKindConsumer, nil)
	done("done")
	end() // the collector has not answered yet

	refusing := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, _ *http.Request) { http.Error(rw, "zmark", http.StatusBadRequest) }))
	defer refusing.Close()
	exporter, err := otlptrace.New(t.Context(), newTraceClient(refusing.URL))
	require.NoError(t, err)
	var logged bytes.Buffer
	once := &exportOnceLogged{SpanExporter: exporter, log: slog.New(slog.NewTextHandler(&logged, nil))}
	for range 3 {
		require.NoError(t, once.ExportSpans(t.Context(), tracetest.SpanStubs{{Name: "event"}}.Snapshots()))
	}
	require.NoError(t, once.Shutdown(t.Context()))
	require.Equal(t, 1, strings.Count(logged.String(), "\n"))
	require.Contains(t, logged.String(), "does not take the traces")
	require.NotContains(t, logged.String(), private)
}
