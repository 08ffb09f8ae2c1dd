package fhirhttp

import (
	"compress/flate"
	"compress/gzip"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Kind says what a caller can do about a failed request.
type Kind uint8

// The kinds of failure. Throttled and Unavailable pass by themselves; the others answer the request that was made.
const (
	// Refused: the server, or this client, will not do it however often it is asked.
	Refused Kind = iota + 1
	// Throttled: 429, or 503 with a Retry-After. Nothing is wrong but the pace.
	Throttled
	// Unavailable: no token, no connection, no answer in time, a 5xx, an answer cut short, or one that is not FHIR.
	Unavailable
	// Conflict: 409, 412, and 422 on a write. Read again and decide again.
	Conflict
	// Denied: 401 or 403. It says nothing about what the record holds.
	Denied
	// Gone: 404 (never heard of) or 410 (deleted); Error.Status tells which.
	Gone
)

var kindNames = [...]string{"", "refused", "throttled", "unavailable", "conflict", "denied", "gone"}

// String is one lower-case word.
func (k Kind) String() string { return kindNames[k] }

// Reasons that an Error may wrap.
var (
	// ErrForeignOrigin: a link, reference or redirect leads away from the configured server and was not followed.
	ErrForeignOrigin = errors.New("leads to another origin")
	// ErrRedirect: the server answered with a redirect, which is not followed.
	ErrRedirect = errors.New("redirect not followed")
	// ErrReference: a path or reference that cannot be asked of a FHIR server.
	ErrReference = errors.New("not a path below the base")
	// ErrTooLarge: the answer is larger than Config.MaxBody.
	ErrTooLarge = errors.New("answer larger than the limit")
	// ErrEntries: the answer to a batch or transaction does not match what was asked, so no part of it is used.
	ErrEntries = errors.New("entries do not match the request")
	// ErrNotFHIR: the answer is not whole JSON, not a resource, or another resource than was asked for.
	ErrNotFHIR = errors.New("answer is not the FHIR resource asked for")
	// ErrCutShort: the connection ended before the answer did.
	ErrCutShort = errors.New("answer cut short")
	// ErrConnection: the connection failed in a way not told apart further.
	ErrConnection = errors.New("connection failed")
	// ErrPages: more pages than Config.MaxPages.
	ErrPages = errors.New("too many pages")
	// ErrPageLoop: a next link that was already followed.
	ErrPageLoop = errors.New("next links lead in a circle")
	// ErrOpen: not sent, because the server was found to be down a moment ago.
	ErrOpen = errors.New("held back while the server is down")
	// ErrFHIRVersion: the server does not speak FHIR R4 (4.0.x).
	ErrFHIRVersion = errors.New("server is not FHIR R4 (4.0)")
)

// Error is a request that did not give what was asked. Its text holds the operation, the status, issue codes of FHIR's own list
// and a reason of ours, never a path, a query, an id or the server's prose.
type Error struct {
	Operation  string        // one of Operations
	Status     int           // HTTP status of the answer or of the Bundle entry; 0 without an answer
	Issues     []string      // codes of the OperationOutcome, from FHIR's issue-type list only, each once
	RetryAfter time.Duration // how long the server, or the open breaker, wants quiet; 0 if it did not say

	kind Kind
	weak bool // one request failed inside a server that is up: see gate
	err  error
}

// Kind says what the failure is.
func (e *Error) Kind() Kind { return e.kind }

// Transient says that the same request may succeed later.
func (e *Error) Transient() bool { return e.kind == Throttled || e.kind == Unavailable }

func (e *Error) Unwrap() error { return e.err }

func (e *Error) Error() string {
	b := make([]byte, 0, 96)
	b = append(b, "fhir "...)
	b = append(b, e.Operation...)
	b = append(b, ": "...)
	b = append(b, e.kind.String()...)
	if e.Status != 0 {
		b = append(b, ", status "...)
		b = strconv.AppendInt(b, int64(e.Status), 10)
	}
	if len(e.Issues) > 0 {
		b = append(b, " ("...)
		b = append(b, strings.Join(e.Issues, ", ")...)
		b = append(b, ')')
	}
	if e.RetryAfter > 0 {
		b = append(b, ", retry after "...)
		b = append(b, e.RetryAfter.Round(time.Millisecond).String()...)
	}
	if e.err != nil {
		b = append(b, ": "...)
		b = append(b, e.err.Error()...)
	}
	return string(b)
}

// KindOf is the Kind of the Error in err's chain; 0 if there is none, as for a cancelled context.
func KindOf(err error) Kind {
	if e, ok := errors.AsType[*Error](err); ok {
		return e.kind
	}
	return 0
}

// issueTypes is the code system http://hl7.org/fhir/issue-type of FHIR 4.0.1; true marks `transient` and what is below it,
// where asking again may help.
var issueTypes = map[string]bool{
	"invalid": false, "structure": false, "required": false, "value": false, "invariant": false,
	"security": false, "login": false, "unknown": false, "expired": false, "forbidden": false, "suppressed": false,
	"processing": false, "not-supported": false, "duplicate": false, "multiple-matches": false, "not-found": false,
	"deleted": false, "too-long": false, "code-invalid": false, "extension": false, "too-costly": false,
	"business-rule": false, "conflict": false,
	"transient": true, "lock-error": true, "no-store": true, "exception": true, "timeout": true, "incomplete": true,
	"throttled": true, "informational": false,
}

// issueCodes reads the codes of an OperationOutcome; outcome is false for any other body.
func issueCodes(body []byte) (codes []string, outcome bool) {
	var o struct {
		ResourceType string `json:"resourceType"`
		Issue        []struct {
			Severity string `json:"severity"`
			Code     string `json:"code"`
		} `json:"issue"`
	}
	if json.Unmarshal(body, &o, lenient) != nil || o.ResourceType != "OperationOutcome" {
		return nil, false
	}
	for _, i := range o.Issue {
		_, known := issueTypes[i.Code]
		if known && i.Severity != "information" && !slices.Contains(codes, i.Code) {
			codes = append(codes, i.Code)
		}
	}
	return codes, true
}

// lenient leaves duplicate names and broken characters to whoever reads the single resource: one bad entry must not cost a page.
var lenient = json.JoinOptions(jsontext.AllowDuplicateNames(true), jsontext.AllowInvalidUTF8(true))

// statusError is the Error for an answer or entry with a status that is no success.
func statusError(operation string, status int, retryAfter time.Duration, body []byte) *Error {
	e := &Error{Operation: operation, Status: status, RetryAfter: retryAfter}
	var outcome bool
	if len(body) > 0 {
		e.Issues, outcome = issueCodes(body)
	}
	switch {
	case status == http.StatusTooManyRequests, status == http.StatusServiceUnavailable && retryAfter > 0:
		e.kind = Throttled
	case status == http.StatusConflict, status == http.StatusPreconditionFailed:
		e.kind = Conflict
	case status == http.StatusUnauthorized, status == http.StatusForbidden:
		e.kind = Denied
	case status == http.StatusNotFound, status == http.StatusGone:
		e.kind = Gone
	case status == http.StatusRequestEntityTooLarge, status == http.StatusNotImplemented, status == http.StatusHTTPVersionNotSupported:
		e.kind = Refused
	case status >= 500, status == http.StatusRequestTimeout, status == http.StatusTooEarly:
		e.kind = Unavailable
		// A server that explains a 500 in FHIR is up; the fault may lie in this one record.
		e.weak = status == http.StatusInternalServerError && outcome
	case status >= 300 && status < 400:
		e.kind, e.err = Refused, ErrRedirect
	case slices.Contains(e.Issues, "throttled"):
		e.kind = Throttled
	case len(e.Issues) > 0 && !slices.ContainsFunc(e.Issues, func(c string) bool { return !issueTypes[c] }):
		e.kind, e.weak = Unavailable, true
	case status == http.StatusUnprocessableEntity && isWrite(operation):
		e.kind = Conflict
	case status >= 400:
		e.kind = Refused
	default: // a success we did not ask for, as 202 or 206
		e.kind, e.weak, e.err = Unavailable, true, ErrNotFHIR
	}
	return e
}

func transportError(operation string, err error) *Error {
	return &Error{Operation: operation, kind: Unavailable, err: Fault(err)}
}

// Fault describes why no whole answer came over HTTP, in words of ours: what net/http writes may quote the URL or the answer.
func Fault(err error) error {
	var (
		unknown *net.DNSError
		cert    *tls.CertificateVerificationError
		alert   tls.AlertError
		errno   syscall.Errno
		timeout net.Error
		corrupt flate.CorruptInputError
	)
	switch {
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, os.ErrDeadlineExceeded):
		return context.DeadlineExceeded
	case errors.Is(err, context.Canceled):
		return context.Canceled
	case errors.As(err, &cert):
		return certificateFault(cert)
	case errors.As(err, &alert):
		return alert
	case errors.As(err, &unknown):
		return errors.New("host name not resolved")
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return ErrCutShort
	case errors.As(err, &errno):
		return errno
	case errors.As(err, &timeout) && timeout.Timeout():
		return context.DeadlineExceeded
	case errors.Is(err, gzip.ErrHeader), errors.Is(err, gzip.ErrChecksum), errors.As(err, &corrupt):
		return ErrNotFHIR
	}
	return ErrConnection
}

// certificateFault says what is wrong with the server's certificate without quoting it.
func certificateFault(err error) error {
	if _, ok := errors.AsType[x509.UnknownAuthorityError](err); ok {
		return errors.New("server certificate signed by an unknown authority")
	}
	if _, ok := errors.AsType[x509.HostnameError](err); ok {
		return errors.New("server certificate made out to another host")
	}
	if e, ok := errors.AsType[x509.CertificateInvalidError](err); ok && e.Reason == x509.Expired {
		return errors.New("server certificate expired or not yet valid")
	}
	return errors.New("server certificate not trusted")
}

// RetryAfter reads the Retry-After header in both its forms (RFC 9110, section 10.2.3): seconds, or a date, which is taken
// relative to the answer's own Date so that a server with a wrong clock does not ask for years. 0 if absent; otherwise between
// firstQuiet, also for what is unreadable or past, and longestQuiet.
func RetryAfter(h http.Header, now time.Time) time.Duration {
	v := strings.TrimSpace(h.Get("Retry-After"))
	if v == "" {
		return 0
	}
	if s, err := strconv.ParseUint(v, 10, 64); err == nil {
		return max(time.Duration(min(s, uint64(longestQuiet/time.Second)))*time.Second, firstQuiet)
	}
	at, err := http.ParseTime(v)
	if err != nil {
		return firstQuiet
	}
	if date, err := http.ParseTime(h.Get("Date")); err == nil {
		now = date
	}
	return min(max(at.Sub(now), firstQuiet), longestQuiet)
}
