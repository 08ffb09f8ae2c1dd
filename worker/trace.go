package worker

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"

	"pupilrisk/fhirmap"
)

// What spans say is part of the product's outer contract: names, and values from closed lists or counts. A span never has an
// identifier, an address, or the text of an error.
const (
	spanEvent  = "event"
	spanRead   = "read"
	spanAssess = "assess"
	spanWrite  = "write"
	spanFHIR   = "fhir " // and the operation

	attrSource    = attribute.Key("pupilrisk.source")
	attrOutcome   = attribute.Key("pupilrisk.outcome")
	attrWrites    = "pupilrisk.writes." // and the type of resource
	attrOperation = attribute.Key("pupilrisk.fhir.operation")
	attrCode      = attribute.Key("pupilrisk.fhir.code")
)

const tracerName = "pupilrisk"

// traceFlush bounds how long the end waits for a collector to take the last spans.
const traceFlush = 3 * time.Second

// traceContext is W3C Trace Context. Baggage, in which anything may stand, is neither taken nor handed on.
var traceContext propagation.TraceContext

// openTracing makes the tracer that tracing.endpoint asks for, nil for none, and what sends its last spans and ends it.
func openTracing(ctx context.Context, cfg Config, version string, log *slog.Logger) (trace.Tracer, func(), error) {
	if cfg.TracingEndpoint == "" {
		return nil, func() {}, nil
	}
	address, err := url.JoinPath(cfg.TracingEndpoint, "v1/traces") // opentelemetry.io/docs/specs/otlp, "OTLP/HTTP Request"; from memory
	if err != nil {
		return nil, nil, cfg.fault("tracing.endpoint", "is no address")
	}
	exporter, err := otlptrace.New(ctx, newTraceClient(address))
	if err != nil {
		return nil, nil, fmt.Errorf("tracing: %w", err)
	}
	provider := sdktrace.NewTracerProvider(
		sdktrace.WithSampler(sdktrace.ParentBased(sdktrace.TraceIDRatioBased(cfg.TracingRatio))),
		sdktrace.WithResource(resource.NewSchemaless(attribute.String("service.name", "pupilrisk"), attribute.String("service.version", version))),
		sdktrace.WithBatcher(&exportOnceLogged{SpanExporter: exporter, log: log}),
	)
	return provider.Tracer(tracerName), func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), traceFlush)
		defer cancel()
		_ = provider.Shutdown(ctx) // what could not be sent has been logged
		_ = exporter.Shutdown(ctx) // breaks off what still hangs
	}, nil
}

// exportOnceLogged keeps the texts of a collector out of the log: the first failure is said, in our words.
type exportOnceLogged struct {
	sdktrace.SpanExporter
	log  *slog.Logger
	once sync.Once
}

func (e *exportOnceLogged) ExportSpans(ctx context.Context, spans []sdktrace.ReadOnlySpan) error {
	if e.SpanExporter.ExportSpans(ctx, spans) != nil {
		e.once.Do(func() {
			e.log.Warn("the collector does not take the traces: spans are lost, the work goes on; this is said once", "key", "tracing.endpoint")
		})
	}
	return nil
}

// startEvent begins the span of one event, within the trace that its message names. end is told what became of it.
func (w *Worker) startEvent(ctx context.Context, source string, kind trace.SpanKind, message nats.Header) (_ context.Context, end func(outcome string)) {
	if w.tracer == nil {
		return ctx, func(string) {}
	}
	carrier := propagation.MapCarrier{}
	for _, f := range traceContext.Fields() { // the names of NATS headers are case-sensitive, those of who copies HTTP's are "Traceparent"
		carrier[f] = cmp.Or(message.Get(f), message.Get(http.CanonicalHeaderKey(f)))
	}
	ctx, span := w.tracer.Start(traceContext.Extract(ctx, carrier), spanEvent, trace.WithSpanKind(kind), trace.WithAttributes(attrSource.String(source)))
	return ctx, func(outcome string) {
		span.SetAttributes(attrOutcome.String(outcome))
		if outcome != "done" && outcome != "wait" {
			span.SetStatus(codes.Error, "")
		}
		span.End()
	}
}

// startSpan begins a part of what the span of ctx is about. Without one, as with tracing off, nothing begins.
func startSpan(ctx context.Context, name string, o ...trace.SpanStartOption) (context.Context, trace.Span) {
	within := trace.SpanFromContext(ctx)
	if !within.SpanContext().IsValid() {
		return ctx, within
	}
	return within.TracerProvider().Tracer(tracerName).Start(ctx, name, o...)
}

// endSpan marks a span as failed if it did; why stands in the log.
func endSpan(span trace.Span, err error) {
	if err != nil {
		span.SetStatus(codes.Error, "")
	}
	span.End()
}

// countWrites says on a span how many resources of each type are to be written; their Provenance comes on top.
func countWrites(span trace.Span, writes []fhirmap.Write) {
	if !span.IsRecording() {
		return
	}
	counts := map[string]int{}
	for _, x := range writes {
		counts[x.Type]++
	}
	for typ, n := range counts {
		span.SetAttributes(attribute.Int(attrWrites+typ, n))
	}
}

// traceRequest is for fhirhttp.Config.Trace.
func traceRequest(ctx context.Context, operation string, h http.Header) (end func(code string)) {
	if !trace.SpanContextFromContext(ctx).IsValid() {
		return func(string) {}
	}
	ctx, span := startSpan(ctx, spanFHIR+operation, trace.WithSpanKind(trace.SpanKindClient), trace.WithAttributes(attrOperation.String(operation)))
	traceContext.Inject(ctx, propagation.HeaderCarrier(h))
	return func(code string) {
		span.SetAttributes(attrCode.String(code))
		if !strings.HasPrefix(code, "2") {
			span.SetStatus(codes.Error, "")
		}
		span.End()
	}
}
