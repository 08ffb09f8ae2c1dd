package fhirhttp

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// marker stands for whatever identifies a patient: it may be in what is asked and answered, never in an error's text.
const marker = "Zz-Marker-Zz"

// newClient is a client of a real HTTP server that handler answers for, with base path /fhir.
func newClient(t *testing.T, handler http.HandlerFunc, set ...func(*Config)) (*Client, *httptest.Server) {
	t.Helper()
	server := httptest.NewServer(handler)
	t.Cleanup(server.Close)
	cfg := Config{Base: server.URL + "/fhir", Batch: BatchOff}
	for _, f := range set {
		f(&cfg)
	}
	c, err := New(cfg)
	require.NoError(t, err)
	t.Cleanup(c.Close)
	return c, server
}

// bubbleClient is a client of a real net/http server over in-memory connections, for use inside a synctest bubble, where time
// passes only when all wait.
func bubbleClient(t *testing.T, handler http.HandlerFunc, set ...func(*Config)) *Client {
	t.Helper()
	l := &pipeListener{conns: make(chan net.Conn), done: make(chan struct{})}
	server := &http.Server{Handler: handler}
	go func() { _ = server.Serve(l) }()
	cfg := Config{Base: "http://fhir.test/fhir", Batch: BatchOff}
	for _, f := range set {
		f(&cfg)
	}
	c, err := New(cfg)
	require.NoError(t, err)
	c.transport.DialContext = l.dial
	t.Cleanup(func() {
		c.Close()
		require.NoError(t, server.Close())
	})
	return c
}

type pipeListener struct {
	conns chan net.Conn
	done  chan struct{}
	once  sync.Once
}

func (l *pipeListener) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}

func (l *pipeListener) Close() error { l.once.Do(func() { close(l.done) }); return nil }

func (l *pipeListener) Addr() net.Addr { return &net.TCPAddr{} }

func (l *pipeListener) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	ours, theirs := net.Pipe()
	select {
	case l.conns <- theirs:
		return ours, nil
	case <-l.done:
		return nil, net.ErrClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// record is a FHIR server of few words: it answers GETs from a map of path and query below /fhir to body, batches of the same,
// and a CapabilityStatement that declares batch.
type record map[string]string

const capabilityR4 = `{"resourceType":"CapabilityStatement","fhirVersion":"4.0.1","rest":[{"mode":"server",
"interaction":[{"code":"batch"},{"code":"transaction"}],"searchParam":[{"name":"_id"}],
"resource":[{"type":"Flag","interaction":[{"code":"read"},{"code":"search-type"},{"code":"create"},{"code":"update"}],
"versioning":"versioned-update","updateCreate":true,"conditionalCreate":true,"searchParam":[{"name":"patient"},{"name":"identifier"}]},
{"type":"Patient","interaction":[{"code":"read"}]}]}]}`

const notFound = `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"not-found","diagnostics":"no ` + marker + `"}]}`

func (rec record) one(path string) (status int, body string) {
	if path == "metadata" {
		return http.StatusOK, capabilityR4
	}
	if body, ok := rec[path]; ok {
		return http.StatusOK, body
	}
	return http.StatusNotFound, notFound
}

func (rec record) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodGet {
		status, body := rec.one(strings.TrimPrefix(r.URL.RequestURI(), "/fhir/"))
		answer(w, status, body)
		return
	}
	type request struct {
		Method string `json:"method"`
		URL    string `json:"url"`
	}
	var bundle struct {
		Type  string `json:"type"`
		Entry []struct {
			Request request `json:"request"`
		} `json:"entry"`
	}
	if err := json.UnmarshalRead(r.Body, &bundle); err != nil || bundle.Type != "batch" || r.URL.Path != "/fhir" {
		answer(w, http.StatusBadRequest, `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"invalid"}]}`)
		return
	}
	var out []string
	for _, e := range bundle.Entry {
		status, body := rec.one(e.Request.URL)
		if status == http.StatusOK {
			out = append(out, `{"resource":`+body+`,"response":{"status":"200 OK"}}`)
			continue
		}
		out = append(out, `{"response":{"status":"404","outcome":`+body+`}}`)
	}
	answer(w, http.StatusOK, `{"resourceType":"Bundle","type":"batch-response","entry":[`+strings.Join(out, ",")+`]}`)
}

func answer(w http.ResponseWriter, status int, body string) {
	w.Header().Set("Content-Type", "application/fhir+json")
	w.WriteHeader(status)
	_, _ = io.WriteString(w, body)
}

func patient(id string) string {
	return `{"resourceType":"Patient","id":"` + id + `","meta":{"versionId":"7"},"name":[{"family":"` + marker + `"}]}`
}

func searchset(entries ...string) string {
	return `{"resourceType":"Bundle","type":"searchset","entry":[` + strings.Join(entries, ",") + `]}`
}

// requireKind checks the kind of an error and that nothing private is in its text.
func requireKind(t *testing.T, want Kind, err error) *Error {
	t.Helper()
	require.Error(t, err)
	e, ok := errors.AsType[*Error](err)
	require.True(t, ok, "an *Error, not %T", err)
	require.Equal(t, want.String(), e.Kind().String(), "%v", err)
	require.NotContains(t, err.Error(), marker)
	require.NotContains(t, err.Error(), "http://")
	for _, code := range e.Issues {
		require.Contains(t, issueTypes, code)
	}
	return e
}

// within bounds a test that talks to a server that will not answer.
func within(t *testing.T, d time.Duration) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	t.Cleanup(cancel)
	return ctx
}
