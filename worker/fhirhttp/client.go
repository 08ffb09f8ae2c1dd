package fhirhttp

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"pupilrisk/fhirmap"
)

// The operations under which requests are observed and failures reported.
const (
	OpCapability  = "capability"
	OpRead        = "read"
	OpBatch       = "batch"
	OpSearch      = "search"
	OpPage        = "page"
	OpTransaction = "transaction"
	OpCreate      = "create"
	OpUpdate      = "update"
	OpPatch       = "patch"
)

// Operations lists every operation that Config.Observe is told.
var Operations = []string{OpCapability, OpRead, OpBatch, OpSearch, OpPage, OpTransaction, OpCreate, OpUpdate, OpPatch}

func isWrite(operation string) bool {
	return operation == OpTransaction || operation == OpCreate || operation == OpUpdate || operation == OpPatch
}

// When to send several reads as one batch.
const (
	BatchAuto = "auto" // where the server declares batch, until it refuses one
	BatchOn   = "on"   // always
	BatchOff  = "off"  // never: parallel reads
)

// Config is how to reach one FHIR server. Only Base is needed.
type Config struct {
	Base      string   // the server's FHIR base, http or https
	Aliases   []string // other names of the same server: links under them are re-based to Base
	TokenFile string   // file with a bearer token, read again when it changes; "" sends none
	Bearer    Bearer   // gives the token instead of TokenFile
	CAFile    string   // PEM certificates trusted besides the system's
	CertFile  string   // PEM client certificate, read at each handshake
	KeyFile   string   // its key

	MaxInFlight    int           // requests at once, by all lanes together; default 16
	RequestTimeout time.Duration // for one request from connecting to the last byte of the answer; default 20 s
	MaxBody        int64         // bytes of one answer after decompression; default 64 MiB
	MaxPages       int           // pages followed from one search; default 500
	MaxBatch       int           // entries in one batch; default 100
	Batch          string        // BatchAuto (default), BatchOn or BatchOff
	PostSearch     bool          // search by POST to _search, so that proxies and their logs see no patient's id in an address
	Return         string        // what a write asks back (Prefer: return=): default "representation"
	Version        string        // of this program, for the User-Agent; default "devel"

	// Observe, where set, is told each request sent: an operation of Operations, a code of Codes, and how long it took.
	Observe func(operation, code string, took time.Duration)
	// Trace, where set, is told of each request before it is sent, and may add to its header; what it returns is told the code, of
	// Codes, with which the answer came.
	Trace func(ctx context.Context, operation string, h http.Header) (end func(code string))
	Log   *slog.Logger // default: discards
}

// Client speaks to one FHIR R4 server. It is safe for use by any number of goroutines, which share one gate.
type Client struct {
	cfg       Config
	at        address
	transport *http.Transport
	gate      *gate
	bearer    Bearer
	header    header

	capability     atomic.Pointer[Capability]
	capabilityTurn chan struct{} // one goroutine asks, the others wait for its answer
	batchRefused   atomic.Bool
	scratch        sync.Pool // *bytes.Buffer for answers of unknown length
}

// New checks the configuration and sends nothing. Its errors name the configuration key and never quote a URL.
func New(cfg Config) (*Client, error) {
	if cfg.MaxInFlight <= 0 {
		cfg.MaxInFlight = 16
	}
	if cfg.RequestTimeout <= 0 {
		cfg.RequestTimeout = 20 * time.Second
	}
	if cfg.MaxBody <= 0 {
		cfg.MaxBody = 64 << 20
	}
	if cfg.MaxPages <= 0 {
		cfg.MaxPages = 500
	}
	if cfg.MaxBatch <= 0 {
		cfg.MaxBatch = 100
	}
	if cfg.Batch == "" {
		cfg.Batch = BatchAuto
	}
	if cfg.Return == "" {
		cfg.Return = "representation"
	}
	if cfg.Version == "" {
		cfg.Version = "devel"
	}
	if cfg.Observe == nil {
		cfg.Observe = func(string, string, time.Duration) {}
	}
	if cfg.Trace == nil {
		cfg.Trace = func(context.Context, string, http.Header) func(string) { return func(string) {} }
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if !slices.Contains([]string{BatchAuto, BatchOn, BatchOff}, cfg.Batch) {
		return nil, errors.New("fhir.batch: must be auto, on or off")
	}
	at, err := newAddress(cfg.Base, cfg.Aliases)
	if err != nil {
		return nil, err
	}
	transport, err := NewTransport(cfg)
	if err != nil {
		return nil, err
	}
	c := &Client{
		cfg: cfg, at: at, transport: transport, gate: newGate(cfg.MaxInFlight, cfg.Log), bearer: noToken{},
		header: newHeader(cfg), capabilityTurn: make(chan struct{}, 1),
	}
	switch {
	case cfg.Bearer != nil:
		c.bearer = cfg.Bearer
	case cfg.TokenFile != "":
		if c.bearer, err = openTokenFile(cfg.TokenFile, cfg.Log); err != nil {
			return nil, err
		}
	}
	if c.bearer != (noToken{}) && at.base.Scheme == "http" && !isLoopback(at.base.Hostname()) {
		cfg.Log.Warn("fhir.url is plain http: the token can be read on the way")
	}
	return c, nil
}

func isLoopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || (ip != nil && ip.IsLoopback())
}

// NewTransport is how a Client reaches its server, for others who must reach it in the same way: certificates, proxy and limits as
// the configuration says.
func NewTransport(cfg Config) (*http.Transport, error) {
	secure := &tls.Config{MinVersion: tls.VersionTLS12}
	if cfg.CAFile != "" {
		pem, err := os.ReadFile(cfg.CAFile)
		if err != nil {
			return nil, fmt.Errorf("fhir.tls.ca_file: %w", err)
		}
		if secure.RootCAs, err = x509.SystemCertPool(); err != nil {
			return nil, fmt.Errorf("fhir.tls.ca_file: system certificates: %w", err)
		}
		if !secure.RootCAs.AppendCertsFromPEM(pem) {
			return nil, errors.New("fhir.tls.ca_file: holds no PEM certificate")
		}
	}
	if (cfg.CertFile == "") != (cfg.KeyFile == "") {
		return nil, errors.New("fhir.tls.cert_file and fhir.tls.key_file: one without the other")
	}
	if cfg.CertFile != "" {
		own := func() (*tls.Certificate, error) {
			pair, err := tls.LoadX509KeyPair(cfg.CertFile, cfg.KeyFile)
			return &pair, err
		}
		if _, err := own(); err != nil {
			return nil, fmt.Errorf("fhir.tls.cert_file: %w", err)
		}
		secure.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return own() }
	}
	return &http.Transport{
		Proxy:                  http.ProxyFromEnvironment,
		DialContext:            (&net.Dialer{Timeout: 10 * time.Second, KeepAlive: 15 * time.Second}).DialContext,
		TLSClientConfig:        secure,
		TLSHandshakeTimeout:    10 * time.Second,
		MaxIdleConns:           cfg.MaxInFlight,
		MaxIdleConnsPerHost:    cfg.MaxInFlight,
		MaxConnsPerHost:        cfg.MaxInFlight,
		IdleConnTimeout:        90 * time.Second,
		MaxResponseHeaderBytes: 64 << 10,
		ForceAttemptHTTP2:      true,
		HTTP2:                  &http.HTTP2Config{SendPingTimeout: 15 * time.Second, PingTimeout: 5 * time.Second},
	}, nil
}

// Close drops the connections that are kept alive. Requests under way go on.
func (c *Client) Close() { c.transport.CloseIdleConnections() }

// Open says until when nobody should start a request, because the server asked for quiet or is down. It is the zero time and
// false while requests go out.
func (c *Client) Open() (until time.Time, open bool) { return c.gate.until() }

// Relative is a reference or Location of this server as a path below its base: "Patient/1" stays, the base and its aliases are
// cut off. ErrForeignOrigin is the answer for another server's, ErrReference for what is no path at all.
func (c *Client) Relative(ref string) (string, error) { return c.at.relative(ref) }

// Answer is what came back for one request or one entry of a batch or transaction.
type Answer struct {
	Path     string // what was asked, relative to the base; "" in a transaction
	Status   int    // HTTP status of the answer or the entry; 0 without one
	ETag     string // version as If-Match wants it; made from meta.versionId where the server sends none
	Location string // of a written resource, relative to the base; "" if absent or of another origin
	Body     []byte // the resource, searchset Bundle or OperationOutcome; nil if there is none. It may share memory with others'
	// Text is Body as it was gone over, of an answer without error to Read, Page and Gather. Whoever has no more use for it may Release it.
	Text fhirmap.Text
	Err  error // why this answer is no use: an *Error
}

// Read reads one resource: "Appointment/1", "Patient/1/_history/2", or the same below the base or an alias.
func (c *Client) Read(ctx context.Context, ref string) (Answer, error) {
	path, err := c.at.relative(ref)
	if err != nil {
		return Answer{Path: ref}, &Error{Operation: OpRead, kind: Refused, err: err}
	}
	a := c.get(ctx, OpRead, path)
	return a, a.Err
}

// Page follows a next link of this server, whatever its form (a path below the base, or the base with a query), under the base.
// A link to anywhere else is refused with ErrForeignOrigin: it would take the token along.
func (c *Client) Page(ctx context.Context, link string) (Answer, error) {
	if c.cfg.PostSearch && searchPath(link) {
		a := c.get(ctx, OpSearch, link)
		return a, a.Err
	}
	u, err := c.at.follow(link)
	if err != nil {
		return Answer{}, &Error{Operation: OpPage, kind: Refused, err: err}
	}
	a := c.fetch(ctx, OpPage, u, "", "Bundle", "")
	return a, a.Err
}

// Pages follows next links from link to the last page, at most Config.MaxPages (ErrPages), none twice (ErrPageLoop). each takes a
// page and returns its next link, "" on the last.
func (c *Client) Pages(ctx context.Context, link string, each func(Answer) (next string, err error)) error {
	seen := map[string]bool{}
	for link != "" {
		switch {
		case seen[link]:
			return &Error{Operation: OpPage, kind: Refused, err: ErrPageLoop}
		case len(seen) == c.cfg.MaxPages:
			return &Error{Operation: OpPage, kind: Refused, err: ErrPages}
		}
		seen[link] = true
		a, err := c.Page(ctx, link)
		if err != nil {
			return err
		}
		if link, err = each(a); err != nil {
			return err
		}
	}
	return nil
}

// Gather reads several resources and searches ("Flag/abc", "Condition?patient=Patient/1&_count=200"), in one batch where the
// server takes batches, else in parallel, and answers in the order asked. What failed alone is told in its Answer.Err, a
// transient one (Error.Transient) included: it is a reason to come again, not a gap. The error is for what failed as a whole, and
// then no answer may be used.
func (c *Client) Gather(ctx context.Context, paths []string) ([]Answer, error) {
	clean := make([]string, len(paths))
	for i, p := range paths {
		var err error
		if clean[i], err = cleanPath(p); err != nil {
			return nil, &Error{Operation: OpBatch, kind: Refused, err: err}
		}
	}
	batch, err := c.batches(ctx, len(paths))
	if err != nil {
		return nil, err
	}
	if !batch {
		return c.parallel(ctx, clean)
	}
	answers := make([]Answer, 0, len(clean))
	for part := range slices.Chunk(clean, c.cfg.MaxBatch) {
		a, err := c.batch(ctx, part)
		if err != nil && c.cfg.Batch == BatchAuto && c.withoutBatch(err) {
			a, err = c.parallel(ctx, part)
		}
		if err != nil {
			return nil, err
		}
		answers = append(answers, a...)
	}
	return answers, nil
}

func (c *Client) batches(ctx context.Context, n int) (bool, error) {
	switch {
	case c.cfg.Batch != BatchAuto:
		return c.cfg.Batch == BatchOn, nil
	case c.batchRefused.Load(), n == 0, n == 1 && !c.cfg.PostSearch:
		return false, nil
	}
	have, err := c.Capability(ctx)
	return have.Batch, err
}

// withoutBatch says that a failed batch is worth trying as single reads, and remembers a server that declares batches but takes
// none until its capabilities are read afresh.
func (c *Client) withoutBatch(err error) bool {
	e, ok := errors.AsType[*Error](err)
	switch {
	case !ok, errors.Is(err, ErrBudget):
		return false
	case errors.Is(err, ErrTooLarge), errors.Is(err, ErrEntries), e.Status == http.StatusForbidden:
		return true
	case e.kind != Refused && e.kind != Gone:
		return false
	}
	if !c.batchRefused.Swap(true) {
		c.cfg.Log.Warn("fhir server declares batch but refuses it, reading one by one", "status", e.Status)
	}
	return true
}

func (c *Client) batch(ctx context.Context, paths []string) (answers []Answer, err error) {
	throttled := false
	_, err = c.exchange(ctx, request{
		operation: OpBatch, method: http.MethodPost, url: c.at.base, body: batchBundle(paths), prefer: preferStrict, idempotent: true,
	}, func(r reply) (err error) {
		answers, throttled, err = c.batchAnswers(paths, r.body)
		return err
	})
	if err != nil {
		return nil, err
	}
	if throttled {
		c.gate.throttled()
	}
	return answers, nil
}

// batchAnswers takes a batch-response apart. It is all or nothing: entries that do not match the paths leave no answer.
func (c *Client) batchAnswers(paths []string, body []byte) (answers []Answer, throttled bool, err error) {
	answers = make([]Answer, 0, len(paths))
	text, err := walkEntries(body, func(e fhirmap.BundleEntry) error {
		if len(answers) == len(paths) {
			return ErrEntries
		}
		path := paths[len(answers)]
		a := c.entryAnswer(OpBatch, path, e)
		if a.Err == nil {
			a.Err = a.confirm(OpBatch, path, e)
		}
		switch {
		case a.Err == nil:
			a.Text = e.Text()
		case errors.Is(a.Err, ErrEntries):
			return ErrEntries
		}
		throttled = throttled || KindOf(a.Err) == Throttled
		answers = append(answers, a)
		return nil
	})
	if err == nil && len(answers) != len(paths) {
		err = ErrEntries
	}
	if err != nil {
		text.Free()
	}
	return answers, throttled, err
}

// batchBundle is the batch of GETs for paths that cleanPath passed, which need no escaping in JSON.
func batchBundle(paths []string) []byte {
	const head, open, shut, tail = `{"resourceType":"Bundle","type":"batch","entry":[`, `{"request":{"method":"GET","url":"`, `"}}`, `]}`
	size := len(head) + len(tail)
	for _, p := range paths {
		size += len(open) + len(p) + len(shut) + 1
	}
	b := append(make([]byte, 0, size), head...)
	for i, p := range paths {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(append(append(b, open...), p...), shut...)
	}
	return append(b, tail...)
}

func (c *Client) parallel(ctx context.Context, paths []string) ([]Answer, error) {
	answers := make([]Answer, len(paths))
	var next atomic.Int64
	var lanes sync.WaitGroup
	for range min(len(paths), c.cfg.MaxInFlight) {
		lanes.Go(func() {
			for i := int(next.Add(1)) - 1; i < len(paths); i = int(next.Add(1)) - 1 {
				operation := OpRead
				if strings.Contains(paths[i], "?") {
					operation = OpSearch
				}
				answers[i] = c.get(ctx, operation, paths[i])
			}
		})
	}
	lanes.Wait()
	if err := ctx.Err(); err != nil {
		return nil, contextError(ctx, OpSearch)
	}
	all := len(answers) > 0
	for _, a := range answers {
		e, ok := errors.AsType[*Error](a.Err)
		if ok && e.Status == http.StatusUnauthorized {
			return nil, a.Err
		}
		all = all && ok && e.Transient()
	}
	if all {
		return nil, answers[0].Err
	}
	return answers, nil
}

func (c *Client) get(ctx context.Context, operation, path string) Answer {
	u, err := c.at.below(path)
	if err != nil {
		return Answer{Path: path, Err: &Error{Operation: operation, kind: Refused, err: err}}
	}
	wantType, wantID := asked(path)
	return c.fetch(ctx, operation, u, path, wantType, wantID)
}

// searchPath says whether a path is a search of one type, as "Flag?patient=Patient/1".
func searchPath(path string) bool {
	typ, _, query := strings.Cut(path, "?")
	return query && typ != "" && !strings.ContainsAny(typ, "/:$")
}

func (c *Client) fetch(ctx context.Context, operation string, u *url.URL, path, wantType, wantID string) Answer {
	a := Answer{Path: path}
	prefer := preferStrict
	if operation == OpRead {
		prefer = nil
	}
	q := request{operation: operation, method: http.MethodGet, url: u, prefer: prefer}
	if c.cfg.PostSearch && searchPath(path) {
		to := *u
		to.Path, to.RawQuery = to.Path+"/_search", ""
		q.method, q.url, q.body, q.contentType, q.idempotent = http.MethodPost, &to, []byte(u.RawQuery), form, true
	}
	r, err := c.exchange(ctx, q, func(r reply) error {
		text, head, err := inspect(r.body)
		if err == nil && !head.is(wantType, wantID) {
			text.Free()
			return ErrNotFHIR
		}
		a.Text = text
		if err == nil && wantID != "" {
			a.ETag = r.header.Get("ETag")
			a.setETag(head)
		}
		return err
	})
	a.take(r, err)
	return a
}

// Transaction sends a transaction Bundle of so many entries, all or nothing, and answers entry by entry in the order sent. The error is
// for a transaction that was refused or whose fate is unknown (Unavailable: it may have been stored).
func (c *Client) Transaction(ctx context.Context, bundle []byte, entries int) ([]Answer, error) {
	answers := make([]Answer, 0, entries)
	_, err := c.exchange(ctx, request{
		operation: OpTransaction, method: http.MethodPost, url: c.at.base, body: bundle, prefer: c.header.preferReturn,
	}, func(r reply) error {
		text, err := walkEntries(r.body, func(e fhirmap.BundleEntry) error {
			if len(answers) == entries {
				return ErrEntries
			}
			answers = append(answers, c.entryAnswer(OpTransaction, "", e))
			return nil
		})
		text.Free()
		if err == nil && len(answers) != entries {
			err = ErrEntries
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return answers, nil
}

// Write sends one resource, for servers without transactions, or a change of one: PUT to "Flag/<id>" (with ifMatch, the ETag of the
// version read, or with ifNoneExist "*" where nothing may stand yet), POST to "Flag" (with ifNoneExist, the search of a conditional
// create), or PATCH with a JSON Patch, whose own test must guard it: servers were seen to ignore If-Match there. The answer has no
// body where the server sends none.
func (c *Client) Write(ctx context.Context, method, path string, body []byte, ifMatch, ifNoneExist string) (Answer, error) {
	a := Answer{Path: path}
	operation, known := map[string]string{http.MethodPost: OpCreate, http.MethodPut: OpUpdate, http.MethodPatch: OpPatch}[method]
	u, err := c.at.below(path)
	if err == nil && !known {
		err = ErrReference
	}
	if err != nil {
		a.Err = &Error{Operation: operation, kind: Refused, err: err}
		return a, a.Err
	}
	q := request{operation: operation, method: method, url: u, body: body, prefer: c.header.preferReturn, ifMatch: ifMatch, ifNoneExist: ifNoneExist}
	if operation == OpPatch {
		q.contentType = jsonPatch
	}
	r, err := c.exchange(ctx, q, func(r reply) error {
		a.ETag, a.Location = r.header.Get("ETag"), c.location(r.header.Get("Location"))
		if len(r.body) == 0 {
			return nil
		}
		text, head, err := inspect(r.body)
		a.setETag(head)
		text.Free()
		return err
	})
	a.take(r, err)
	return a, a.Err
}

func (c *Client) location(s string) string {
	if s == "" {
		return ""
	}
	path, err := c.at.relative(s)
	if err != nil {
		return ""
	}
	return path
}

// entryAnswer is one entry of a batch-response or transaction-response.
func (c *Client) entryAnswer(operation, path string, e fhirmap.BundleEntry) Answer {
	a := Answer{Path: path, Status: e.Status, ETag: e.ETag, Location: c.location(e.Location), Body: object(e.Resource)}
	if len(a.Body) == 0 {
		a.Body = object(e.Outcome)
	}
	if e.Status < 200 || e.Status >= 300 {
		a.Err = statusError(operation, e.Status, 0, a.Body)
		return a
	}
	if isWrite(operation) {
		a.setETag(headOf(e.Text()))
	}
	return a
}
