package fhirstore

import (
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Fault is a disturbance of requests that match it. The zero filters match every HTTP request; entries of Bundles are
// matched only by a Fault with a Path below the base, and only its Status and Delay can happen to them.
type Fault struct {
	// Which requests.
	Method      string // empty = any
	Path        string // beginning of what follows the base, query included: "Flag", "Observation?patient="; "/" = the base itself
	Interaction string // read, vread, search-type, history-instance, create, update, patch, delete, batch, transaction, capabilities; empty = any
	After       int    // leave the first so many matching requests alone
	Times       int    // disturb so many; 0 = all until ClearFaults

	// What happens to them.
	Status     int           // this HTTP status and an OperationOutcome
	RetryAfter string        // Retry-After header beside Status
	Delay      time.Duration // wait first; alone, the request then goes on as usual
	Drop       bool          // close the connection without an answer
	CutBody    bool          // break the answer off in the middle
	Garbage    bool          // answer 200 with a text that is no JSON
	Late       bool          // carry the request out first: only the answer is lost to Status, Drop or Garbage
}

// Request is one interaction that the server was asked for, an entry of a Bundle included.
type Request struct {
	Method      string
	Path        string // below the base, such as "Flag/a1"; empty = the base itself
	Query       string // URL-encoded; of POST _search the form
	Interaction string // as in Fault; empty where the server knows no such thing
	InBundle    bool   // entry of a batch or transaction
}

const mostRequests = 1 << 17

// exchange keeps the record of requests and the faults that are set.
type exchange struct {
	mu       sync.Mutex
	requests []Request
	faults   []*armed
}

type armed struct {
	Fault
	seen, done int
}

// Fault sets a disturbance. Of several that match one request the first that was set happens.
func (s *Store) Fault(f Fault) {
	s.exchange.mu.Lock()
	defer s.exchange.mu.Unlock()
	s.exchange.faults = append(s.exchange.faults, &armed{Fault: f})
}

// ClearFaults ends all disturbances.
func (s *Store) ClearFaults() {
	s.exchange.mu.Lock()
	defer s.exchange.mu.Unlock()
	s.exchange.faults = nil
}

// Requests returns what was asked over HTTP so far, in order, disturbed requests too. Only the newest 131,072 are kept.
func (s *Store) Requests() []Request {
	s.exchange.mu.Lock()
	defer s.exchange.mu.Unlock()
	return append([]Request(nil), s.exchange.requests...)
}

// ResetRequests forgets what was asked.
func (s *Store) ResetRequests() {
	s.exchange.mu.Lock()
	defer s.exchange.mu.Unlock()
	s.exchange.requests = nil
}

// note records a call, and returns the fault that shall happen to it, or nil.
func (x *exchange) note(c call) *Fault {
	r := Request{Method: c.method, Path: strings.Join(c.segments, "/"), Query: c.query, Interaction: c.interaction(), InBundle: c.inBundle}
	x.mu.Lock()
	defer x.mu.Unlock()
	if len(x.requests) == mostRequests {
		x.requests = append([]Request(nil), x.requests[mostRequests/2:]...)
	}
	x.requests = append(x.requests, r)
	for _, f := range x.faults {
		if !f.matches(r) || f.Times > 0 && f.done == f.Times {
			continue
		}
		if f.seen++; f.seen > f.After {
			f.done++
			return &f.Fault
		}
	}
	return nil
}

func (f *Fault) matches(r Request) bool {
	path := strings.TrimPrefix(f.Path, "/")
	if r.InBundle && (path == "" || f.Status == 0 && f.Delay == 0) {
		return false
	}
	asked := r.Path
	if r.Query != "" {
		asked += "?" + r.Query
	}
	return (f.Method == "" || f.Method == r.Method) && (f.Interaction == "" || f.Interaction == r.Interaction) &&
		(f.Path != "/" || r.Path == "") && strings.HasPrefix(asked, path)
}

func (f *Fault) hits() bool { return f != nil }

// before waits as long as the fault says, and reports whether it takes the answer's place.
func (f *Fault) before(r *http.Request) bool {
	wait(r, f.Delay)
	return f.Status != 0 || f.Drop || f.Garbage
}

func wait(r *http.Request, d time.Duration) {
	if d <= 0 {
		return
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-r.Context().Done():
	}
}

// answer sends the fault in place of an answer.
func (f *Fault) answer(w http.ResponseWriter, s *Store) {
	switch {
	case f.Drop:
		panic(http.ErrAbortHandler)
	case f.Garbage:
		w.Header().Set("Content-Type", contentType)
		_, _ = w.Write([]byte(`{"resourceType":"Bundle","entry":[<html>`))
	default:
		if f.RetryAfter != "" {
			w.Header().Set("Retry-After", f.RetryAfter)
		}
		s.reply(w, answer{}, f.asFailure(), call{})
	}
}

// failure is what the fault does to an entry of a Bundle, nil if nothing.
func (f *Fault) failure() error {
	if f == nil {
		return nil
	}
	time.Sleep(f.Delay)
	if f.Status == 0 {
		return nil
	}
	return f.asFailure()
}

func (f *Fault) asFailure() *failure {
	code := "transient"
	if f.Status < http.StatusInternalServerError && f.Status != http.StatusTooManyRequests {
		code = "processing" // the same request would fail again
	}
	return refuse(f.Status, code, "disturbed on purpose: "+strconv.Itoa(f.Status))
}

// cutWriter promises a whole body, sends half of it and breaks the connection.
type cutWriter struct{ http.ResponseWriter }

func (w cutWriter) Write(b []byte) (int, error) {
	_, _ = w.ResponseWriter.Write(b[:len(b)/2])
	if f, ok := w.ResponseWriter.(http.Flusher); ok {
		f.Flush()
	}
	panic(http.ErrAbortHandler)
}
