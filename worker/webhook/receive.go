package webhook

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"io"
	"mime"
	"net/http"
	"os"
	"slices"
	"strings"
	"time"

	"pupilrisk/fhirmap"
)

const (
	// defaultMaxBody is what the stream takes of one event (1 MiB less 16 KiB), less its headers.
	defaultMaxBody = 1<<20 - 20<<10
	defaultTimeout = 10 * time.Second
	defaultAtOnce  = 64
	defaultPause   = 30 * time.Second
	// retryAfter is what a sender is asked to wait, in seconds.
	retryAfter = "10"
)

// Options say how requests are received. Secret, Publish and Sweep are required.
type Options struct {
	// Prefix is the path of the hook, without a slash at its end; resources are sent to Prefix/Type/id. "" is the root.
	Prefix string
	// Header carries the secret. "" is Authorization, whose value is "Bearer " and the secret; any other holds it alone.
	Header string
	// Secret is asked at each request, so that it can be changed while the worker runs. Each line that is not empty is valid:
	// while it is being changed, the old and the new one may stand there.
	Secret func() ([]byte, error)
	// MaxBody is the size of a body in bytes; default 1 MiB less 20 KiB, which the stream takes.
	MaxBody int64
	// ReadTimeout is how long a body may take to come; default 10 s. Headers are bounded by the http.Server.
	ReadTimeout time.Duration
	// PublishTimeout is how long the stream may take; default 10 s.
	PublishTimeout time.Duration
	// AtOnce bounds the requests whose bodies are held in memory; default 64.
	AtOnce int
	// Publish stores an event, as it came, and returns when that is confirmed. id is the same for the same event, so that it
	// is stored once however often it is sent; "" where an equal body may be another event.
	Publish func(ctx context.Context, id string, body []byte) error
	// Sweep looks at all bookings. Run calls it when an event named nothing.
	Sweep func(ctx context.Context)
	// SweepPause is the least time between two sweeps; default 30 s.
	SweepPause time.Duration
	// Gaps, if set, is told of every notification.
	Gaps *Gaps
	// Observe, if set, is told the outcome of each request, one of Outcomes.
	Observe func(outcome string)
	// FHIR holds the server's own addresses and the limits of what is read.
	FHIR fhirmap.Options
}

// answer is what a request comes to: for the metrics, and for the sender.
type answer struct {
	outcome string
	status  int
	text    string
}

var (
	published         = answer{"published", http.StatusOK, ""}
	handshake         = answer{"handshake", http.StatusOK, ""}
	heartbeat         = answer{"heartbeat", http.StatusOK, ""}
	statusOnly        = answer{"status", http.StatusOK, ""}
	subscriptionError = answer{"subscription-error", http.StatusOK, ""}
	sweepAsked        = answer{"sweep", http.StatusOK, ""}
	notFound          = answer{"not-found", http.StatusNotFound, "no such path"}
	wrongMethod       = answer{"method", http.StatusMethodNotAllowed, "method not allowed"}
	unauthorized      = answer{"unauthorized", http.StatusUnauthorized, "the secret is missing or wrong"}
	wrongType         = answer{"content-type", http.StatusUnsupportedMediaType, "wants application/fhir+json, application/json or application/cloudevents+json, not encoded"}
	tooLarge          = answer{"too-large", http.StatusRequestEntityTooLarge, "the body is too large"}
	tooSlow           = answer{"slow", http.StatusRequestTimeout, "the body came too slowly"}
	unreadable        = answer{"unreadable", http.StatusBadRequest, "the body cannot be read"}
	noSecret          = answer{"no-secret", http.StatusServiceUnavailable, "not ready"}
	busy              = answer{"busy", http.StatusServiceUnavailable, "too many requests at once"}
	notPublished      = answer{"publish-failed", http.StatusServiceUnavailable, "the event could not be stored"}

	answers = []answer{
		published, handshake, heartbeat, statusOnly, subscriptionError, sweepAsked, notFound, wrongMethod, unauthorized, wrongType, tooLarge, tooSlow,
		unreadable, noSecret, busy, notPublished,
	}
)

// Outcomes lists every outcome that Observe is told.
func Outcomes() []string {
	var out []string
	for _, a := range answers {
		out = append(out, a.outcome)
	}
	return out
}

// Receiver is the handler of the hook. It holds no events: what it answers with 200 is stored, or is a wish for a sweep,
// which the sweep at the next start fulfils as well.
type Receiver struct {
	o     Options
	slots chan struct{}
	sweep chan struct{}
}

// New makes a receiver. Run must run beside it.
func New(o Options) *Receiver {
	orDefault(&o.MaxBody, defaultMaxBody)
	orDefault(&o.ReadTimeout, defaultTimeout)
	orDefault(&o.PublishTimeout, defaultTimeout)
	orDefault(&o.AtOnce, defaultAtOnce)
	orDefault(&o.SweepPause, defaultPause)
	if o.Observe == nil {
		o.Observe = func(string) {}
	}
	return &Receiver{o: o, slots: make(chan struct{}, o.AtOnce), sweep: make(chan struct{}, 1)}
}

func orDefault[T comparable](v *T, def T) {
	if *v == *new(T) {
		*v = def
	}
}

// Run sweeps when asked, at most one wish waiting while a sweep goes on, until ctx ends.
func (h *Receiver) Run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-h.sweep:
			h.o.Sweep(ctx)
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(h.o.SweepPause):
		}
	}
}

// askSweep wishes for a sweep; one that waits already is enough for all.
func (h *Receiver) askSweep() answer {
	select {
	case h.sweep <- struct{}{}:
	default:
	}
	return sweepAsked
}

func (h *Receiver) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	a := h.receive(w, r)
	h.o.Observe(a.outcome)
	if a.status == http.StatusOK {
		return
	}
	switch a.status {
	case http.StatusServiceUnavailable:
		w.Header().Set("Retry-After", retryAfter)
	case http.StatusRequestTimeout:
		w.Header().Set("Connection", "close")
	case http.StatusUnauthorized:
		if h.o.Header == "" {
			w.Header().Set("WWW-Authenticate", "Bearer")
		}
	}
	http.Error(w, a.text, a.status)
}

func (h *Receiver) receive(w http.ResponseWriter, r *http.Request) answer {
	// This also bounds how long the server waits for the rest of a body that is refused.
	control := http.NewResponseController(w)
	_ = control.SetReadDeadline(time.Now().Add(h.o.ReadTimeout)) // a writer that has none leaves it to the server
	to, ok := h.target(r.URL.Path)
	if !ok {
		return notFound
	}
	if allowed := to.methods(); !slices.Contains(allowed, r.Method) {
		w.Header().Set("Allow", strings.Join(allowed, ", "))
		return wrongMethod
	}
	if a, ok := h.authorize(r); !ok {
		return a
	}
	select {
	case h.slots <- struct{}{}:
		defer func() { <-h.slots }()
	default:
		return busy
	}
	if r.ContentLength > h.o.MaxBody {
		return tooLarge
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, h.o.MaxBody))
	switch {
	case errors.As(err, new(*http.MaxBytesError)):
		return tooLarge
	case errors.Is(err, os.ErrDeadlineExceeded):
		return tooSlow
	case err != nil:
		return unreadable
	}
	// The connection is read on while the event is stored, and must not be found too slow by then.
	_ = control.SetReadDeadline(time.Time{})
	body = bytes.TrimSpace(body)
	if len(body) > 0 && r.Method != http.MethodDelete && !readable(r.Header) {
		return wrongType
	}
	// A sender that gives up does not take back what happened.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), h.o.PublishTimeout)
	defer cancel()
	if r.Method == http.MethodDelete || len(body) == 0 {
		return h.changed(ctx, to)
	}
	return h.take(ctx, to, body)
}

// authorize checks the secret; where it is wrong, the answer says so.
func (h *Receiver) authorize(r *http.Request) (answer, bool) {
	secret, err := h.o.Secret()
	if err != nil || len(bytes.TrimSpace(secret)) == 0 {
		return noSecret, false
	}
	var given string
	if h.o.Header == "" {
		scheme, token, _ := strings.Cut(r.Header.Get("Authorization"), " ")
		if !strings.EqualFold(scheme, "Bearer") {
			return unauthorized, false
		}
		given = strings.TrimSpace(token)
	} else {
		given = r.Header.Get(h.o.Header)
	}
	// Hashes are of one length, so that the time taken tells nothing of the secret's.
	have, valid := sha256.Sum256([]byte(given)), 0
	for line := range bytes.Lines(secret) {
		if line = bytes.TrimSpace(line); len(line) > 0 {
			want := sha256.Sum256(line)
			valid |= subtle.ConstantTimeCompare(have[:], want[:])
		}
	}
	return unauthorized, valid == 1
}

// readable reports a media type that the decoders read.
func readable(header http.Header) bool {
	typ, params, err := mime.ParseMediaType(header.Get("Content-Type"))
	if err != nil || header.Get("Content-Encoding") != "" && header.Get("Content-Encoding") != "identity" {
		return false
	}
	if c := params["charset"]; c != "" && !strings.EqualFold(c, "utf-8") {
		return false
	}
	return slices.Contains([]string{"application/fhir+json", "application/json", "application/cloudevents+json"}, typ)
}

// target is what the path of a request names: the hook itself, a type, or one resource.
type target struct{ typ, id string }

func (t target) methods() []string {
	if t.id != "" {
		return []string{http.MethodPut, http.MethodDelete}
	}
	return []string{http.MethodPost}
}

func (h *Receiver) target(path string) (target, bool) {
	rest, ok := strings.CutPrefix(path, h.o.Prefix)
	if !ok {
		return target{}, false
	}
	rest = strings.TrimSuffix(rest, "/")
	if rest == "" {
		return target{}, true
	}
	rest, ok = strings.CutPrefix(rest, "/")
	typ, id, one := strings.Cut(rest, "/")
	if !ok || !resourceType(typ) || one && !fhirmap.ValidReference(rest, typ) {
		return target{}, false
	}
	return target{typ, id}, true
}

// resourceType reports what may be the name of a resource type: letters, the first upper case.
func resourceType(s string) bool {
	for i, c := range []byte(s) {
		if upper := c >= 'A' && c <= 'Z'; !upper && (i == 0 || c < 'a' || c > 'z') {
			return false
		}
	}
	return s != "" && len(s) <= 64
}
