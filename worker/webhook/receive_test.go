package webhook

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"pupilrisk/fhirmap"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	theSecret = "invented-secret"
	fhirJSON  = "application/fhir+json"
	booking   = `{"resourceType":"Appointment","id":"a1","meta":{"versionId":"3"},"status":"booked","participant":[{"actor":{"reference":"Patient/PRIVATE"}}]}`
)

// notification is one of the Subscriptions R5 Backport guide, R4 form.
func notification(typ, since string, parameters ...string) string {
	all := append([]string{
		`{"name":"subscription","valueReference":{"reference":"https://here.example/fhir/Subscription/s"}}`,
		`{"name":"status","valueCode":"active"}`, `{"name":"type","valueCode":"` + typ + `"}`,
		`{"name":"events-since-subscription-start","valueString":"` + since + `"}`,
	}, parameters...)
	return `{"resourceType":"Bundle","type":"history","timestamp":"2026-03-02T08:00:00Z","entry":[{"resource":{"resourceType":"Parameters","parameter":[` +
		strings.Join(all, ",") + `]},"request":{"method":"GET","url":"Subscription/s/$status"}}]}`
}

func event(number, focus string) string {
	parts := `{"name":"event-number","valueString":"` + number + `"},{"name":"timestamp","valueInstant":"2026-03-02T08:00:00Z"}`
	if focus != "" {
		parts += `,{"name":"focus","valueReference":{"reference":"` + focus + `"}}`
	}
	return `{"name":"notification-event","part":[` + parts + `]}`
}

// hook is a receiver with what it did.
type hook struct {
	*Receiver
	mu        sync.Mutex
	fault     error
	secret    string
	secretErr error
	published []stored
	outcomes  []string
	sweeps    int
}

type stored struct{ id, body string }

func newHook(o Options) *hook {
	h := &hook{secret: theSecret + "\n"}
	o.Secret = func() ([]byte, error) {
		h.mu.Lock()
		defer h.mu.Unlock()
		return []byte(h.secret), h.secretErr
	}
	if o.Publish == nil {
		o.Publish = func(_ context.Context, id string, body []byte) error {
			h.mu.Lock()
			defer h.mu.Unlock()
			if h.fault == nil {
				h.published = append(h.published, stored{id, string(body)})
			}
			return h.fault
		}
	}
	if o.Sweep == nil {
		o.Sweep = func(context.Context) {
			h.mu.Lock()
			defer h.mu.Unlock()
			h.sweeps++
		}
	}
	o.Observe = func(outcome string) {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.outcomes = append(h.outcomes, outcome)
	}
	h.Receiver = New(o)
	return h
}

// taken is what was done since the last call.
func (h *hook) taken() (published []stored, outcomes []string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	published, outcomes = h.published, h.outcomes
	h.published, h.outcomes = nil, nil
	return published, outcomes
}

func serve(t *testing.T, h http.Handler) *httptest.Server {
	t.Helper()
	s := httptest.NewServer(h)
	t.Cleanup(func() { s.Client().CloseIdleConnections(); s.Close() })
	return s
}

func request(t testing.TB, method, url, contentType, body string) *http.Request {
	t.Helper()
	var content io.Reader
	if body != "" {
		content = strings.NewReader(body)
	}
	r, err := http.NewRequestWithContext(t.Context(), method, url, content)
	require.NoError(t, err)
	r.Header.Set("Authorization", "Bearer "+theSecret)
	if contentType != "" {
		r.Header.Set("Content-Type", contentType)
	}
	return r
}

func do(t *testing.T, s *httptest.Server, r *http.Request) (*http.Response, string) {
	t.Helper()
	a, err := s.Client().Do(r)
	require.NoError(t, err)
	defer a.Body.Close()
	body, err := io.ReadAll(a.Body)
	require.NoError(t, err)
	return a, string(body)
}

func TestRequests(t *testing.T) {
	const (
		// as the same event has the same id; "-" stands for none, "*" for one
		none, some = "-", "*"
	)
	message := `{"resourceType":"Bundle","type":"message","entry":[{"resource":{"resourceType":"MessageHeader","id":"m","focus":[{"reference":"Appointment/a1"}]}}]}`
	for name, c := range map[string]struct {
		method, path, contentType, body string
		outcome                         string
		published, id                   string // "" as published: nothing is
	}{
		"handshake":              {"POST", "/hook", fhirJSON, notification("handshake", "0"), "handshake", "", ""},
		"heartbeat":              {"POST", "/hook/", fhirJSON, notification("heartbeat", "7"), "heartbeat", "", ""},
		"status":                 {"POST", "/hook", fhirJSON, notification("query-status", "7"), "status", "", ""},
		"status with an error":   {"POST", "/hook", fhirJSON, notification("heartbeat", "7", `{"name":"error","valueCodeableConcept":{"coding":[{"code":"x"}]}}`), "subscription-error", "", ""},
		"event, id only":         {"POST", "/hook", fhirJSON, notification("event-notification", "7", event("7", "Appointment/PRIVATE")), "published", "", some},
		"event again":            {"POST", "/hook", fhirJSON, notification("query-event", "7", event("7", "Appointment/PRIVATE")), "published", "", some},
		"event, no number":       {"POST", "/hook", fhirJSON, notification("event-notification", "7", `{"name":"notification-event","part":[{"name":"focus","valueReference":{"reference":"Patient/p"}}]}`), "published", "", none},
		"event, empty":           {"POST", "/hook", fhirJSON, notification("event-notification", "7", event("7", "")), "sweep", "", ""},
		"event in an envelope":   {"POST", "/hook", "application/cloudevents+json", `{"specversion":"1.0","data":` + notification("event-notification", "7", event("7", "Patient/p")) + `}`, "published", "", some},
		"heartbeat in one":       {"POST", "/hook", "application/cloudevents+json", `{"specversion":"1.0","data":` + notification("heartbeat", "7") + `}`, "heartbeat", "", ""},
		"HL7 v2 in one":          {"POST", "/hook", "application/json; charset=UTF-8", `{"specversion":"1.0","id":"1","data":"MSH|^~\\&|"}`, "published", "", some},
		"an envelope in one":     {"POST", "/hook", fhirJSON, `{"specversion":"1.0","data":{"specversion":"1.0","data":` + booking + `}}`, "unreadable", "", ""},
		"message":                {"POST", "/hook", fhirJSON, message, "published", "", some},
		"message without id":     {"POST", "/hook", fhirJSON, strings.Replace(message, `"id":"m",`, "", 1), "published", "", none},
		"resource":               {"POST", "/hook", fhirJSON, "\n" + booking + "\n", "published", booking, some},
		"resource, no version":   {"POST", "/hook", "application/json", strings.Replace(booking, "versionId", "x", 1), "published", "", none},
		"resource of a type":     {"POST", "/hook/Appointment", fhirJSON, booking, "published", "", some},
		"reference":              {"POST", "/hook", "application/json", `{"reference":"Patient/p"}`, "published", "", none},
		"put":                    {"PUT", "/hook/Appointment/a1", fhirJSON, booking, "published", "", some},
		"put without an id":      {"PUT", "/hook/Appointment/a1", fhirJSON, strings.Replace(booking, `"id":"a1",`, "", 1), "published", `{"reference":"Appointment/a1"}`, none},
		"put without a body":     {"PUT", "/hook/Patient/p", "", "", "published", `{"reference":"Patient/p"}`, none},
		"put of a history item":  {"PUT", "/hook/Condition/c", fhirJSON, `{"resourceType":"Condition","id":"c","subject":{"reference":"Patient/p"}}`, "published", "", none},
		"put, a broken meta":     {"PUT", "/hook/Appointment/a1", fhirJSON, strings.Replace(booking, `{"versionId":"3"}`, "7", 1), "published", "", none},
		"delete":                 {"DELETE", "/hook/Appointment/a1", "", "", "published", `{"reference":"Appointment/a1"}`, none},
		"delete with a body":     {"DELETE", "/hook/Appointment/a1", "text/plain", "PRIVATE", "published", `{"reference":"Appointment/a1"}`, none},
		"delete of history":      {"DELETE", "/hook/Condition/c", "", "", "sweep", "", ""},
		"no payload":             {"POST", "/hook", "", "", "sweep", "", ""},
		"no payload, spaces":     {"POST", "/hook", fhirJSON, " \n", "sweep", "", ""},
		"other path":             {"POST", "/other", fhirJSON, booking, "not-found", "", ""},
		"path that only begins":  {"POST", "/hookx", fhirJSON, booking, "not-found", "", ""},
		"path too long":          {"PUT", "/hook/Appointment/a1/x", fhirJSON, booking, "not-found", "", ""},
		"path that is no type":   {"PUT", "/hook/appointment/a1", fhirJSON, booking, "not-found", "", ""},
		"path that climbs":       {"PUT", "/hook/Appointment/%2e%2e", fhirJSON, booking, "not-found", "", ""},
		"get":                    {"GET", "/hook", "", "", "method", "", ""},
		"put on the hook":        {"PUT", "/hook", fhirJSON, booking, "method", "", ""},
		"post on a resource":     {"POST", "/hook/Appointment/a1", fhirJSON, booking, "method", "", ""},
		"another media type":     {"POST", "/hook", "application/fhir+xml", booking, "content-type", "", ""},
		"no media type":          {"POST", "/hook", "", booking, "content-type", "", ""},
		"another charset":        {"POST", "/hook", "application/json; charset=latin1", booking, "content-type", "", ""},
		"not JSON":               {"POST", "/hook", fhirJSON, `{"PRIVATE"`, "unreadable", "", ""},
		"a text":                 {"POST", "/hook", fhirJSON, `"MSH|"`, "unreadable", "", ""},
		"neither":                {"POST", "/hook", fhirJSON, `{"PRIVATE":1}`, "unreadable", "", ""},
		"reference to elsewhere": {"POST", "/hook", fhirJSON, `{"reference":"Condition/PRIVATE"}`, "unreadable", "", ""},
		"reference to a path":    {"POST", "/hook", fhirJSON, `{"reference":"Patient/../PRIVATE"}`, "unreadable", "", ""},
		"a name given twice":     {"POST", "/hook", fhirJSON, `{"resourceType":"Appointment","id":"PRIVATE","id":"b"}`, "unreadable", "", ""},
		"too deep":               {"POST", "/hook", fhirJSON, `{"resourceType":"Appointment","x":` + strings.Repeat("[", 70) + strings.Repeat("]", 70) + `}`, "unreadable", "", ""},
		"a page":                 {"POST", "/hook", fhirJSON, `{"resourceType":"Bundle","type":"searchset","entry":[]}`, "unreadable", "", ""},
		"broken notification":    {"POST", "/hook", fhirJSON, notification("PRIVATE", "7"), "unreadable", "", ""},
		"broken message":         {"POST", "/hook", fhirJSON, strings.Replace(message, `"focus":[`, `"eventUri":7,"focus":[`, 1), "unreadable", "", ""},
		"broken envelope":        {"POST", "/hook", fhirJSON, `{"specversion":"1.0"}`, "unreadable", "", ""},
		"put of another type":    {"PUT", "/hook/Patient/a1", fhirJSON, booking, "unreadable", "", ""},
		"put of another id":      {"PUT", "/hook/Appointment/a2", fhirJSON, booking, "unreadable", "", ""},
		"too large":              {"POST", "/hook", fhirJSON, strings.Replace(booking, "booked", strings.Repeat("x", 5000), 1), "too-large", "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			h := newHook(Options{Prefix: "/hook", MaxBody: 5000})
			s := serve(t, h)
			a, text := do(t, s, request(t, c.method, s.URL+c.path, c.contentType, c.body))
			published, outcomes := h.taken()
			require.Equal(t, []string{c.outcome}, outcomes)
			i := slices.IndexFunc(answers, func(a answer) bool { return a.outcome == c.outcome })
			require.Equal(t, answers[i].status, a.StatusCode)
			require.Equal(t, c.outcome == "method", a.Header.Get("Allow") != "")
			require.NotContains(t, text, "PRIVATE")
			require.Equal(t, c.outcome == "sweep", len(h.sweep) == 1)
			if c.outcome != "published" {
				require.Empty(t, published)
				return
			}
			if c.published == "" {
				c.published = c.body
			}
			require.Len(t, published, 1)
			require.Equal(t, c.published, published[0].body)
			require.Equal(t, c.id == some, published[0].id != "")
		})
	}
	h := newHook(Options{})
	a, _ := do(t, serve(t, h), request(t, "GET", serve(t, h).URL, "", ""))
	require.Equal(t, "POST", a.Header.Get("Allow"))
	s := serve(t, h)
	a, _ = do(t, s, request(t, "POST", s.URL+"/Appointment/a1", "", ""))
	require.Equal(t, "PUT, DELETE", a.Header.Get("Allow"))
}

// The same event has the same id however its notification is wrapped; another event never has.
func TestEventIDs(t *testing.T) {
	h := newHook(Options{})
	id := func(body string) string {
		t.Helper()
		w := httptest.NewRecorder()
		h.ServeHTTP(w, request(t, "POST", "/", fhirJSON, body))
		require.Equal(t, http.StatusOK, w.Code)
		published, _ := h.taken()
		require.Len(t, published, 1)
		require.NotContains(t, published[0].id, "PRIVATE")
		return published[0].id
	}
	first := notification("event-notification", "7", event("7", "Appointment/PRIVATE"))
	again := strings.Replace(first, "08:00:00Z\",\"entry", "08:05:00Z\",\"entry", 1)
	require.NotEqual(t, first, again)
	require.Equal(t, id(first), id(again))
	require.Equal(t, id(first), id(`{"specversion":"1.0","id":"1","data":`+first+`}`))
	others := map[string]bool{id(first): true}
	for _, body := range []string{
		notification("event-notification", "8", event("8", "Appointment/PRIVATE")),
		notification("event-notification", "7", event("7", "Appointment/b")),
		notification("event-notification", "7", event("7", "Appointment/PRIVATE"), event("8", "Appointment/PRIVATE")),
		strings.Replace(first, "Subscription/s", "Subscription/t", 1),
		strings.Replace(first, `"valueInstant":"2026-03-02T08:00:00Z"`, `"valueInstant":"2026-03-02T09:00:00Z"`, 1), // counted anew
		booking, strings.Replace(booking, `"3"`, `"4"`, 1),
	} {
		x := id(body)
		require.False(t, others[x], body)
		others[x] = true
	}
}

func TestSecret(t *testing.T) {
	h := newHook(Options{})
	s := serve(t, h)
	try := func(header, value string) (int, string) {
		t.Helper()
		r := request(t, "POST", s.URL, "", "")
		r.Header.Del("Authorization")
		if value != "" {
			r.Header.Set(header, value)
		}
		a, _ := do(t, s, r)
		_, outcomes := h.taken()
		if a.StatusCode == http.StatusUnauthorized {
			require.Equal(t, header == "Authorization", a.Header.Get("WWW-Authenticate") != "")
		}
		return a.StatusCode, outcomes[0]
	}
	for value, want := range map[string]int{
		"Bearer " + theSecret: 200, "bearer  " + theSecret + " ": 200,
		"": 401, theSecret: 401, "Bearer": 401, "Bearer ": 401, "Basic " + theSecret: 401, "Bearer " + theSecret + "x": 401, "Bearer " + theSecret[1:]: 401,
	} {
		status, _ := try("Authorization", value)
		require.Equal(t, want, status, value)
	}
	// Changed while running: for a time the old and the new one are valid, and then the old one no more.
	h.secret = "new\n\n" + theSecret
	for _, v := range []string{"new", theSecret} {
		status, _ := try("Authorization", "Bearer "+v)
		require.Equal(t, 200, status)
	}
	h.secret = "new"
	status, _ := try("Authorization", "Bearer "+theSecret)
	require.Equal(t, 401, status)
	// Without a secret nobody comes in.
	h.secret = " \n"
	status, outcome := try("Authorization", "Bearer ")
	require.Equal(t, 503, status)
	require.Equal(t, "no-secret", outcome)
	h.secret, h.secretErr = theSecret, errors.New("no such file")
	status, _ = try("Authorization", "Bearer "+theSecret)
	require.Equal(t, 503, status)

	h = newHook(Options{Header: "X-Hook-Secret"})
	s = serve(t, h)
	for value, want := range map[string]int{theSecret: 200, "Bearer " + theSecret: 401, "": 401} {
		status, _ := try("X-Hook-Secret", value)
		require.Equal(t, want, status, value)
	}
	status, _ = try("X-Other", theSecret)
	require.Equal(t, 401, status)
}

// What the stream did not confirm is not answered as received, and counts as missing.
func TestPublishFails(t *testing.T) {
	g := NewGaps(GapsOptions{})
	h := newHook(Options{Gaps: g})
	h.fault = errors.New("NATS is full")
	s := serve(t, h)
	body := notification("event-notification", "7", event("7", "Appointment/a1"))
	a, text := do(t, s, request(t, "POST", s.URL, fhirJSON, body))
	require.Equal(t, http.StatusServiceUnavailable, a.StatusCode)
	require.NotEmpty(t, a.Header.Get("Retry-After"))
	require.NotContains(t, text, "full")
	require.Empty(t, g.all)
	h.mu.Lock()
	h.fault = nil
	h.mu.Unlock()
	a, _ = do(t, s, request(t, "POST", s.URL, fhirJSON, body))
	require.Equal(t, http.StatusOK, a.StatusCode)
	require.Equal(t, int64(8), g.all["https://here.example/fhir/Subscription/s"].next)
	_, outcomes := h.taken()
	require.Equal(t, []string{"publish-failed", "published"}, outcomes)
}

func TestBodyThatTellsNoSize(t *testing.T) {
	h := newHook(Options{MaxBody: 1000})
	s := serve(t, h)
	for size, want := range map[int]int{100: 400, 1001: 413, 300000: 413} {
		r := request(t, "POST", s.URL, fhirJSON, "x")
		r.Body, r.ContentLength = io.NopCloser(bytes.NewReader(bytes.Repeat([]byte("x"), size))), -1
		a, _ := do(t, s, r)
		require.Equal(t, want, a.StatusCode, size)
	}
}

func TestSlowBody(t *testing.T) {
	h := newHook(Options{ReadTimeout: 20 * time.Millisecond})
	s := serve(t, h)
	reader, writer := io.Pipe()
	defer writer.Close()
	r := request(t, "POST", s.URL, fhirJSON, "x")
	r.Body, r.ContentLength = reader, -1
	go writer.Write([]byte(`{"resourceType":`))
	a, _ := do(t, s, r)
	require.Equal(t, http.StatusRequestTimeout, a.StatusCode)
	_, outcomes := h.taken()
	require.Equal(t, []string{"slow"}, outcomes)
}

// The time that a body may take does not count against the stream.
func TestReadTimeoutEndsWithTheBody(t *testing.T) {
	const readTimeout = 20 * time.Millisecond
	var cancelled error
	h := newHook(Options{ReadTimeout: readTimeout, Publish: func(ctx context.Context, _ string, _ []byte) error {
		time.Sleep(3 * readTimeout)
		cancelled = ctx.Err()
		return nil
	}})
	s := serve(t, h)
	for range 2 { // over one connection
		a, _ := do(t, s, request(t, "POST", s.URL, fhirJSON, booking))
		require.Equal(t, http.StatusOK, a.StatusCode)
		require.NoError(t, cancelled)
	}
}

// A sender that gives up while its event is being stored does not stop that.
func TestSenderGivesUp(t *testing.T) {
	began, gone, stored := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	h := newHook(Options{Publish: func(ctx context.Context, _ string, _ []byte) error {
		close(began)
		<-gone
		stored <- ctx.Err()
		return ctx.Err()
	}})
	s := serve(t, h)
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		<-began
		cancel()
	}()
	_, err := s.Client().Do(request(t, "POST", s.URL, fhirJSON, booking).WithContext(ctx))
	require.ErrorIs(t, err, context.Canceled)
	close(gone)
	require.NoError(t, <-stored)
}

func TestTooManyAtOnce(t *testing.T) {
	began, release := make(chan struct{}), make(chan struct{})
	h := newHook(Options{AtOnce: 1, Publish: func(context.Context, string, []byte) error {
		close(began)
		<-release
		return nil
	}})
	s := serve(t, h)
	first := make(chan int)
	go func() {
		a, _ := do(t, s, request(t, "POST", s.URL, fhirJSON, booking))
		first <- a.StatusCode
	}()
	<-began
	a, _ := do(t, s, request(t, "POST", s.URL, fhirJSON, booking))
	require.Equal(t, http.StatusServiceUnavailable, a.StatusCode)
	close(release)
	require.Equal(t, http.StatusOK, <-first)
}

func TestOverTLS(t *testing.T) {
	h := newHook(Options{Prefix: "/hook"})
	s := httptest.NewUnstartedServer(h)
	s.Config.ErrorLog = log.New(io.Discard, "", 0)
	s.EnableHTTP2 = true
	s.StartTLS()
	defer s.Close()
	defer s.Client().CloseIdleConnections()
	a, _ := do(t, s, request(t, "POST", s.URL+"/hook", fhirJSON, booking))
	require.Equal(t, http.StatusOK, a.StatusCode)
	require.NotNil(t, a.TLS)
	require.Equal(t, 2, a.ProtoMajor)
	published, _ := h.taken()
	require.Equal(t, booking, published[0].body)
	plain, err := http.NewRequestWithContext(t.Context(), "POST", "http"+strings.TrimPrefix(s.URL, "https")+"/hook", strings.NewReader(booking))
	require.NoError(t, err)
	a, err = s.Client().Do(plain)
	require.NoError(t, err)
	defer a.Body.Close()
	require.Equal(t, http.StatusBadRequest, a.StatusCode)
}

func TestManySenders(t *testing.T) {
	h := newHook(Options{Gaps: NewGaps(GapsOptions{}), AtOnce: 1000})
	s := serve(t, h)
	var all sync.WaitGroup
	for i := range 50 {
		all.Go(func() {
			n := string(rune('1' + i%9))
			r, err := http.NewRequestWithContext(t.Context(), "POST", s.URL, strings.NewReader(notification("event-notification", n, event(n, "Appointment/a1"))))
			if err != nil {
				panic(err)
			}
			r.Header.Set("Authorization", "Bearer "+theSecret)
			r.Header.Set("Content-Type", fhirJSON)
			a, err := s.Client().Do(r)
			if err != nil {
				panic(err)
			}
			a.Body.Close()
		})
	}
	all.Wait()
	published, outcomes := h.taken()
	require.Len(t, published, 50)
	require.Equal(t, slices.Repeat([]string{"published"}, 50), outcomes)
}

// However many events name nothing, one sweep runs and at most one waits; the next does not follow at once.
func TestSweepsAreCoalesced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var starts []time.Duration
		began := time.Now()
		h := newHook(Options{SweepPause: 30 * time.Second, Sweep: func(context.Context) {
			starts = append(starts, time.Since(began))
			time.Sleep(10 * time.Second)
		}})
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { h.Run(ctx); close(ended) }()
		ask := func(n int) {
			for range n {
				w := httptest.NewRecorder()
				r := httptest.NewRequest("POST", "/", nil)
				r.Header.Set("Authorization", "Bearer "+theSecret)
				h.ServeHTTP(w, r)
				require.Equal(t, http.StatusOK, w.Code)
			}
			synctest.Wait()
		}
		ask(100)
		time.Sleep(time.Second)
		ask(100)
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		require.Equal(t, []time.Duration{0, 40 * time.Second}, starts)
		cancel()
		<-ended
	})
}

func TestOutcomesAreAClosedList(t *testing.T) {
	seen := map[string]bool{}
	for _, a := range answers {
		require.False(t, seen[a.outcome], a.outcome)
		seen[a.outcome] = true
		require.Equal(t, a.status == http.StatusOK, a.text == "", a.outcome)
	}
	require.Len(t, Outcomes(), len(seen))
}

// Whatever comes, the answer is one of the list, and what is published is what came or a reference to what the path names.
func FuzzReceive(f *testing.F) {
	for _, body := range []string{
		"", booking, notification("handshake", "0"), notification("event-notification", "7", event("7", "Appointment/a1")), `{"reference":"Patient/p"}`,
		`{"specversion":"1.0","id":"1","data":"MSH|"}`, `{"resourceType":"Bundle","type":"message","entry":[{"resource":{"resourceType":"MessageHeader"}}]}`,
	} {
		f.Add(uint8(0), "", []byte(body))
		f.Add(uint8(1), "/Appointment/a1", []byte(body))
	}
	f.Add(uint8(2), "/Patient/p", []byte(nil))
	f.Fuzz(func(t *testing.T, method uint8, path string, body []byte) {
		h := newHook(Options{Gaps: NewGaps(GapsOptions{}), FHIR: fhirmap.Options{Bases: []string{"https://here.example/fhir"}}})
		r := httptest.NewRequest([]string{"POST", "PUT", "DELETE", "GET"}[method%4], "/", bytes.NewReader(body))
		r.URL.Path = path
		r.Header.Set("Authorization", "Bearer "+theSecret)
		r.Header.Set("Content-Type", fhirJSON)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		published, outcomes := h.taken()
		require.Len(t, outcomes, 1)
		require.Contains(t, Outcomes(), outcomes[0])
		require.Equal(t, outcomes[0] == "published", len(published) == 1)
		for _, p := range published {
			if p.body != string(bytes.TrimSpace(body)) && p.body != `{"reference":"`+strings.Trim(path, "/")+`"}` {
				t.Fatalf("published %q", p.body)
			}
		}
	})
}
