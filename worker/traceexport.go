package worker

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"

	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/protobuf/proto"
)

// traceClient sends spans by OTLP over HTTP as protobuf (opentelemetry.io/docs/specs/otlp, from memory). It is our own for its size:
// the library's client links gRPC into a program that never speaks it. What the collector does not take is lost, which traces may be.
type traceClient struct {
	url  string
	http *http.Client
	ctx  context.Context
	stop context.CancelFunc
}

func newTraceClient(url string) *traceClient {
	ctx, stop := context.WithCancel(context.Background())
	// A redirect is not followed: what the configuration names is asked and nobody else.
	client := &http.Client{Transport: http.DefaultTransport.(*http.Transport).Clone(), CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	return &traceClient{url: url, http: client, ctx: ctx, stop: stop}
}

// Start is part of otlptrace.Client; there is nothing to start.
func (c *traceClient) Start(context.Context) error { return nil }

// Stop breaks off what still hangs.
func (c *traceClient) Stop(context.Context) error {
	c.stop()
	c.http.CloseIdleConnections()
	return nil
}

// UploadTraces sends one batch. TracesData has the form of the request on the wire: its first field are the same spans.
func (c *traceClient) UploadTraces(ctx context.Context, spans []*tracepb.ResourceSpans) error {
	body, err := proto.Marshal(&tracepb.TracesData{ResourceSpans: spans})
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(c.ctx, cancel)()
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, c.url, bytes.NewReader(body))
	if err != nil {
		return err
	}
	request.Header.Set("Content-Type", "application/x-protobuf")
	answer, err := c.http.Do(request)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	_, _ = io.CopyN(io.Discard, answer.Body, 64<<10) // so that the connection can be used again
	if answer.StatusCode/100 != 2 {
		return errors.New("the collector does not take the spans")
	}
	return nil
}
