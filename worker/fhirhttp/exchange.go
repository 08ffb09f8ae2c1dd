package fhirhttp

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"
)

// Codes lists every code that Config.Observe is told: the status of the answer, "other" for one not listed, "error" without an
// answer that is whole and what was asked for.
var Codes = []string{
	"200", "201", "204", "400", "401", "403", "404", "405", "409", "410", "412", "422", "429", "500", "502", "503", "504",
	"other", "error",
}

func codeOf(status int) string {
	if s := strconv.Itoa(status); slices.Contains(Codes, s) {
		return s
	}
	return "other"
}

// request is one HTTP request to the server.
type request struct {
	operation   string
	method      string
	url         *url.URL
	body        []byte
	contentType []string // of the body; nil = FHIR JSON
	prefer      []string
	ifMatch     string
	ifNoneExist string
	idempotent  bool // a POST that only reads: net/http may send it again when a kept connection turns out to be closed
}

// reply is a whole HTTP answer.
type reply struct {
	status int
	header http.Header
	body   []byte
}

// header holds the header values that every request shares; net/http only reads them.
type header struct {
	accept, userAgent, preferReturn []string
}

var (
	fhirJSON     = []string{"application/fhir+json"}
	jsonPatch    = []string{"application/json-patch+json"}
	form         = []string{"application/x-www-form-urlencoded"}
	preferStrict = []string{"handling=strict"}
	noKey        = []string{} // an Idempotency-Key that is not sent, but tells net/http that a retry does no harm
)

func newHeader(cfg Config) header {
	return header{
		accept:       []string{"application/fhir+json, application/json;q=0.9"},
		userAgent:    []string{"pupilrisk/" + cfg.Version},
		preferReturn: []string{"return=" + cfg.Return},
	}
}

// exchange sends one request through the gate. accept is given a successful answer and says whether it is what was asked for;
// its errors, as a broken connection, tell that the server is not well. The reply is returned with an error too, where there was
// an answer.
func (c *Client) exchange(ctx context.Context, q request, accept func(reply) error) (reply, error) {
	if b := budgetOf(ctx); b != nil && b.Exceeded() {
		return reply{}, &Error{Operation: q.operation, kind: Refused, err: ErrBudget}
	}
	p, err := c.gate.enter(ctx, q.operation)
	if err != nil {
		return reply{}, err
	}
	v, quiet, fault := unknown, time.Duration(0), error(nil)
	defer func() { c.gate.leave(p, v, quiet, fault) }()

	r, took, err := c.authorized(ctx, q)
	p.release()
	if err == nil {
		err = c.judge(q.operation, r, accept)
	}
	// What the caller gave up says nothing about the server.
	if err != nil && errors.Is(ctx.Err(), context.Canceled) {
		return reply{}, ctx.Err()
	}
	c.cfg.Observe(q.operation, observed(r, err), took)
	v, fault = verdictOf(err), err
	if e, ok := errors.AsType[*Error](err); ok {
		quiet = e.RetryAfter
	}
	return r, err
}

// judge turns an answer into an error unless it is a success that accept takes.
func (c *Client) judge(operation string, r reply, accept func(reply) error) error {
	ok := r.status == http.StatusOK || (isWrite(operation) && (r.status == http.StatusCreated || r.status == http.StatusNoContent))
	if !ok {
		return statusError(operation, r.status, RetryAfter(r.header, time.Now()), r.body)
	}
	err := accept(r)
	if err == nil {
		return nil
	}
	if _, ok := errors.AsType[*Error](err); ok {
		return err
	}
	e := &Error{Operation: operation, Status: r.status, kind: Unavailable, err: err}
	// These come from a server that is up and answers in FHIR.
	e.weak = errors.Is(err, ErrEntries)
	e.Issues, _ = issueCodes(r.body)
	return e
}

func observed(r reply, err error) string {
	e, ok := errors.AsType[*Error](err)
	if r.status == 0 || (ok && e.err != nil && !errors.Is(e.err, ErrRedirect)) {
		return "error"
	}
	return codeOf(r.status)
}

// authorized sends the request with the token, and once more with a new one if the server refused the first and there is one.
func (c *Client) authorized(ctx context.Context, q request) (reply, time.Duration, error) {
	// Without a token nothing can be asked, which says nothing of one record: all lanes wait, as for a server that is down.
	token, err := c.bearer.Token(ctx)
	if err != nil {
		return reply{}, 0, &Error{Operation: q.operation, kind: Unavailable, err: err}
	}
	start := time.Now()
	r, err := c.send(ctx, q, token)
	took := time.Since(start)
	if err != nil || r.status != http.StatusUnauthorized || token == "" {
		return r, took, err
	}
	renewed, err := c.bearer.Renew(ctx, token)
	switch {
	case err != nil:
		return reply{}, took, &Error{Operation: q.operation, kind: Unavailable, err: err}
	case renewed == token:
		return r, took, nil
	}
	c.cfg.Observe(q.operation, codeOf(r.status), took)
	start = time.Now()
	r, err = c.send(ctx, q, renewed)
	return r, time.Since(start), err
}

// send makes one HTTP round trip and reads the whole answer, within Config.RequestTimeout. It goes to the transport directly: no
// redirect is followed, no cookie kept, and no error quotes the URL.
func (c *Client) send(ctx context.Context, q request, token string) (r reply, err error) {
	ctx, cancel := context.WithTimeout(ctx, c.cfg.RequestTimeout)
	defer cancel()
	h := make(http.Header, 8)
	h["Accept"], h["User-Agent"] = c.header.accept, c.header.userAgent
	if q.prefer != nil {
		h["Prefer"] = q.prefer
	}
	if q.ifMatch != "" {
		h["If-Match"] = []string{q.ifMatch}
	}
	switch {
	case q.method == http.MethodPut && q.ifNoneExist == "*":
		h["If-None-Match"] = []string{"*"}
	case q.ifNoneExist != "":
		h["If-None-Exist"] = []string{q.ifNoneExist}
	}
	if q.idempotent {
		h["Idempotency-Key"] = noKey
	}
	if token != "" {
		h["Authorization"] = []string{"Bearer " + token}
	}
	end := c.cfg.Trace(ctx, q.operation, h)
	defer func() { end(observed(r, err)) }()
	req := (&http.Request{
		Method: q.method, URL: q.url, Host: q.url.Host, Header: h, Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1,
	}).WithContext(ctx)
	if q.body != nil {
		if h["Content-Type"] = q.contentType; q.contentType == nil {
			h["Content-Type"] = fhirJSON
		}
		req.ContentLength = int64(len(q.body))
		req.GetBody = func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(q.body)), nil }
		req.Body, _ = req.GetBody()
	}
	res, err := c.transport.RoundTrip(req)
	if err != nil {
		return reply{}, transportError(q.operation, err)
	}
	defer res.Body.Close()
	r = reply{status: res.StatusCode, header: res.Header}
	r.body, err = c.readAll(res.ContentLength, budgetOf(ctx).reader(res.Body))
	switch {
	case err == nil, r.status >= 300: // a failure is known by its status, even if its explanation is broken
		return r, nil
	case errors.Is(err, ErrTooLarge), errors.Is(err, ErrBudget):
		return r, &Error{Operation: q.operation, Status: r.status, kind: Refused, err: err}
	}
	e := transportError(q.operation, err)
	e.Status = r.status
	return r, e
}

// readAll reads a body of n bytes (-1: not known) to its end, at most Config.MaxBody bytes after decompression (which net/http does, on the fly). A body
// of known length gets one buffer of that size, but a large one only as it arrives: a length is easily claimed.
func (c *Client) readAll(n int64, body io.Reader) ([]byte, error) {
	const trusted = 1 << 20
	limit := c.cfg.MaxBody
	switch {
	case n > limit:
		return nil, ErrTooLarge
	case n >= 0 && n <= trusted:
		b := make([]byte, n)
		if _, err := io.ReadFull(body, b); err != nil {
			return nil, err
		}
		// Reading on to the end lets the connection be used again.
		if m, err := io.Copy(io.Discard, io.LimitReader(body, 1)); m > 0 || err != nil {
			return nil, ErrCutShort
		}
		return b, nil
	}
	buffer, _ := c.scratch.Get().(*bytes.Buffer)
	if buffer == nil {
		buffer = new(bytes.Buffer)
	}
	read, err := buffer.ReadFrom(io.LimitReader(body, limit+1))
	switch {
	case err != nil:
		return nil, err
	case read > limit:
		return nil, ErrTooLarge
	case buffer.Cap() > trusted:
		return buffer.Bytes(), nil
	}
	b := bytes.Clone(buffer.Bytes())
	buffer.Reset()
	c.scratch.Put(buffer)
	return b, nil
}
