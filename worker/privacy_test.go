package worker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/otel/trace"

	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream"
)

// private is in every name, id, text, code and identifier of these tests' patient, and in whatever a faulty server says.
const private = "zmark"

// The record of a patient about whom nothing may be said, and the events about it.
var (
	privateRecord = []string{
		`{"resourceType":"Patient","id":"zmark-p","identifier":[{"system":"urn:zmark","value":"zmark-mrn"}],"name":[{"family":"Zmark","given":["Zmark"]}],"birthDate":"1950-01-01"}`,
		`{"resourceType":"MedicationStatement","id":"zmark-m","status":"active","subject":{"reference":"Patient/zmark-p"},"medicationCodeableConcept":{"text":"Tamsulosin zmark","coding":[{"system":"http://www.nlm.nih.gov/research/umls/rxnorm","code":"77492","display":"zmark"}]},"note":[{"text":"zmark"}]}`,
		`{"resourceType":"MedicationStatement","id":"zmark-m2","status":"active","subject":{"reference":"Patient/zmark-p"},"medicationCodeableConcept":{"text":"zmarkol 5 mg"}}`,
		`{"resourceType":"Procedure","id":"zmark-x","status":"completed","subject":{"reference":"Patient/zmark-p"},"code":{"text":"zmarkectomy"},"performedDateTime":"1999"}`,
		`{"resourceType":"Condition","id":"zmark-c","subject":{"reference":"Patient/zmark-p"},"code":{"text":"Pseudoexfoliation zmark, right eye"}}`,
		`{"resourceType":"Appointment","id":"zmark-a","identifier":[{"system":"urn:zmark","value":"zmark-booking"}],"status":"booked","serviceType":[{"text":"Cataract surgery, right eye"}],"description":"zmark","start":"2026-03-09T09:00:00Z","end":"2026-03-09T09:30:00Z","participant":[{"actor":{"reference":"Patient/zmark-p","display":"Zmark"},"status":"accepted"}]}`,
	}
	privateEvents = []string{
		privateRecord[5], `{"reference":"Appointment/zmark-a"}`, `{"reference":"Patient/zmark-p"}`, `{"reference":"Patient/zmark-nobody"}`, `{"reference":"Appointment/zmark-none"}`,
		"MSH|^~\\&|S|E|P|E|20260302080000||SIU^S12^SIU_S12|zmark|P|2.5.1\rSCH|zmark-booking|zmark\rPID|1||zmark-mrn^^^ZMARK^MR||Zmark^Zmark\r",
	}
	// What nobody can read, or nobody handles.
	privateRubbish = []string{
		"zmark", `{"zmark":`, `{"reference":"Patient/../zmark"}`, `{"reference":"Zmark/zmark"}`, `{"resourceType":"Zmark","id":"zmark"}`, `{"resourceType":"Appointment","status":"zmark"}`,
		`{"resourceType":"Appointment","id":"zmark-a","status":"zmark","start":"zmark"}`, `{"resourceType":"Bundle","type":"zmark","entry":[{"resource":{"resourceType":"Zmark"}}]}`,
		`{"resourceType":"Bundle","type":"history","entry":[{"resource":{"resourceType":"Parameters","parameter":[{"name":"type","valueCode":"zmark"}]}}]}`,
		`{"specversion":"1.0","id":"zmark","source":"zmark","type":"zmark","data":"zmark"}`, `{"resourceType":"Bundle","resourceType":"zmark"}`,
		"MSH|^~\\&||||||zmark", "MSH|^~\\&|Z|Z|Z|Z|zmark||ZMK^ZMK|zmark|P|2.5.1\rPID|zmark", "MSH|^~\\&|S|E|P|E|20260302080000||SIU^S12|zmark|P|2.5.1\rZMK|zmark\r",
		"MSH|^~\\&|S|E|P|E|20260302080000||SIU^S12^SIU_S12|zmark|P|2.5.1\rSCH|zmark^zmark^zmark&zmark\rPID|1||\rMRG|zmark\r", "MSHzmark",
	}
)

const privateOutcome = `{"resourceType":"OperationOutcome","text":{"status":"generated","div":"<div>zmark</div>"},"issue":[{"severity":"error","code":"%s","details":{"text":"zmark"},"diagnostics":"zmark: Patient/zmark-p has zmarkol","expression":["zmark"]}]}`

// Every fault that a server, a sender or the stream can have, with private values in all that comes in: nothing that a log line, a
// metric, an error, a dead letter's header, a door or a health page says holds one.
func TestNothingPrivateIsSaid(t *testing.T) {
	answer := func(status int, body string) http.HandlerFunc {
		return func(rw http.ResponseWriter, _ *http.Request) {
			rw.Header().Set("Content-Type", "application/fhir+json")
			rw.Header().Set("Location", "https://zmark.example/fhir/Patient/zmark-p/_history/zmark")
			rw.Header().Set("WWW-Authenticate", `Bearer realm="zmark"`)
			rw.Header().Set("ETag", `W/"zmark"`)
			rw.WriteHeader(status)
			_, _ = io.WriteString(rw, body)
		}
	}
	page := func(entries, next string) string {
		return `{"resourceType":"Bundle","type":"searchset","total":9,"link":[{"relation":"next","url":"` + next + `"}],"entry":[` + entries + `]}`
	}
	faults := map[string]http.HandlerFunc{
		"HTML":                     answer(200, "<html>zmark</html>"),
		"empty":                    answer(200, ""),
		"cut":                      answer(200, `{"resourceType":"Bundle","entry":[{"resource":{"id":"zmark`),
		"another's resource":       answer(200, `{"resourceType":"Patient","id":"zmark-other"}`),
		"no resource":              answer(200, `{"zmark":"zmark"}`),
		"duplicate names":          answer(200, `{"resourceType":"Bundle","zmark":1,"zmark":2}`),
		"a foreign next link":      answer(200, page("", "https://zmark.example/fhir?zmark")),
		"a next link that is none": answer(200, page("", "::zmark%zz")),
		"an entry of no type":      answer(200, page(`{"fullUrl":"urn:zmark","resource":{"id":"zmark"}},{"resource":"zmark"},{"zmark":[]}`, "")),
		"a batch of failures":      answer(200, `{"resourceType":"Bundle","type":"batch-response","entry":[{"response":{"status":"500 zmark","location":"zmark","outcome":`+fmt.Sprintf(privateOutcome, "exception")+`}}]}`),
		"not HTTP": func(rw http.ResponseWriter, _ *http.Request) {
			conn, _, err := rw.(http.Hijacker).Hijack()
			if err == nil {
				_, _ = io.WriteString(conn, "zmark zmark zmark\r\n\r\n")
				_ = conn.Close()
			}
		},
	}
	for i, status := range []int{302, 307, 400, 401, 403, 404, 409, 410, 412, 413, 422, 429, 500, 501, 503} {
		code := []string{"exception", "processing", "zmark"}[i%3]
		faults[fmt.Sprint(status, " ", code)] = answer(status, fmt.Sprintf(privateOutcome, code))
	}
	// Which requests the fault meets: a pass gets further where only some do.
	where := map[string]func(*http.Request) bool{
		"everywhere":        func(r *http.Request) bool { return !strings.HasSuffix(r.URL.Path, "/metadata") },
		"in the history":    func(r *http.Request) bool { return strings.Contains(r.URL.Path, "/MedicationStatement") },
		"in writes":         func(r *http.Request) bool { return r.Method == http.MethodPost || r.Method == http.MethodPut },
		"at the capability": func(r *http.Request) bool { return strings.HasSuffix(r.URL.Path, "/metadata") },
	}
	heard := newEars(t)
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(privateRecord...)
	for at, meets := range where {
		for name, fault := range faults {
			for _, batch := range []string{"on", "off"} {
				if batch == "on" && at == "in the history" || batch == "off" && at == "at the capability" {
					continue // the path of a batch says nothing, and the capability is asked the same way
				}
				heard.during(fmt.Sprintf("%s, %s, batch %s", name, at, batch), func() {
					faulty := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
						if meets(r) {
							fault(rw, r)
							return
						}
						c.store.ServeHTTP(rw, r)
					}))
					faulty.Config.ErrorLog = heard.plain
					defer faulty.Close()
					c.url = faulty.URL + "/fhir"
					heard.pass(c, func(cfg *Config) { cfg.FHIRBatch = batch }, privateEvents[1])
				})
			}
		}
	}
}

// Records that cannot be read, entry by entry, and a record that can: what is written to the FHIR server may name the patient, what
// anybody else hears may not.
func TestNothingPrivateIsSaidOfAnyRecord(t *testing.T) {
	heard := newEars(t)
	broken := strings.NewReplacer(`"active"`, `"zmark"`, `"completed"`, `"zmark"`, `"1999"`, `"zmark"`, `"1950-01-01"`, `"zmark"`, `"2026-03-09T09:00:00Z"`, `"zmark"`)
	for name, change := range map[string]func(*clinic){
		"whole": func(*clinic) {},
		"broken": func(c *clinic) {
			for _, r := range privateRecord {
				c.put(broken.Replace(r))
			}
		},
		"merged": func(c *clinic) {
			c.put(strings.Replace(privateRecord[0], `"birthDate"`, `"link":[{"other":{"reference":"Patient/zmark-q"},"type":"replaced-by"}],"birthDate"`, 1))
		},
		"of nobody": func(c *clinic) { require.NoError(c.t, c.store.Delete("Patient/zmark-p")) },
		"what is ours, changed": func(c *clinic) {
			heard.pass(c, nil, privateEvents[0])
			for ref := range c.written() {
				require.NoError(c.t, c.store.Edit(ref, func(m map[string]any) { m["status"], m["period"] = "zmark", "zmark" }))
			}
		},
	} {
		for _, mode := range []Mode{Live, Shadow} {
			heard.during(fmt.Sprint(name, " ", mode), func() {
				c := newClinic(t, fhirstore.DefaultOptions())
				c.mode = mode
				c.put(privateRecord...)
				change(c)
				heard.pass(c, nil, append(privateEvents, privateRubbish...)...)
			})
		}
	}
}

// The whole way of an event, from the door to the dead letter, and a stream that breaks under it.
func TestNothingPrivateIsSaidOnTheWay(t *testing.T) {
	heard := newEars(t)
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(privateRecord...)
	c.store.Fault(fhirstore.Fault{Status: 500, Times: 20})
	secret := filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(secret, []byte("only-in-this-test\n"), 0o600))
	heard.during("the whole way", func() {
		w, reg := heard.worker(c, func(cfg *Config) { cfg.WebhookSecretFile = secret })
		handler, run := w.hook()
		ctx, cancel := context.WithCancel(t.Context())
		var hook sync.WaitGroup
		hook.Go(func() { run(ctx) })
		c.run(func() {
			for i, e := range append(privateEvents[:3:3], privateRubbish...) {
				c.publish("clinic.booking.x", e, fmt.Sprint(i))
				heard.say("the v2 door", redacted(w.answerV2(ctx, []byte(e))))
				for _, token := range []string{"only-in-this-test", "zmark"} {
					r := httptest.NewRequest(http.MethodPost, "/", strings.NewReader(e))
					r.Header.Set("Authorization", "Bearer "+token)
					r.Header.Set("Content-Type", "application/fhir+json")
					rw := httptest.NewRecorder()
					handler.ServeHTTP(rw, r)
					heard.say("the hook", rw.Body.String())
				}
			}
			require.Eventually(t, func() bool {
				p, err := c.stream.Pending(t.Context())
				return err == nil && p.Pending == 0 // each has been tried once
			}, 30*time.Second, 50*time.Millisecond)
		}, w)
		cancel()
		hook.Wait()
		heard.pages(w, reg)
		letters, err := c.stream.DeadLetters(t.Context(), 0, 1000)
		require.NoError(t, err)
		require.NotEmpty(t, letters)
		for _, l := range letters {
			heard.say("dead letter", fmt.Sprintf("%+v", l))
		}
	})
	heard.during("a stream that has ended", func() {
		gone, err := stream.Open(t.Context(), stream.Config{StoreDir: t.TempDir(), Listen: "127.0.0.1:0", Log: heard.log})
		require.NoError(t, err)
		require.NoError(t, gone.Close(t.Context()))
		broken := *c
		broken.stream, broken.mode = gone, Shadow
		heard.pass(&broken, nil, privateEvents...)
		_, err = gone.Publish(t.Context(), "clinic.booking.x", []byte(privateEvents[0]), "zmark")
		heard.fail(err)
		_, err = gone.Publish(t.Context(), "zmark.zmark", []byte("zmark"), "zmark")
		heard.fail(err)
	})
}

// redacted is an acknowledgement without MSA-2, which repeats to the sender the control id of its own message.
func redacted(ack []byte) string {
	segments := strings.Split(string(ack), "\r")
	for i, s := range segments {
		if fields := strings.Split(s, "|"); fields[0] == "MSA" && len(fields) > 2 {
			fields[2] = ""
			segments[i] = strings.Join(fields, "|")
		}
	}
	return strings.Join(segments, "\r")
}

// ears hear everything that is said to anybody but the FHIR server.
type ears struct {
	t     *testing.T
	mu    sync.Mutex
	said  bytes.Buffer
	log   *slog.Logger
	plain *log.Logger

	traces *collector
}

func newEars(t *testing.T) *ears {
	h := &ears{t: t, traces: newCollector(t)}
	options := &slog.HandlerOptions{Level: slog.LevelDebug}
	h.log = slog.New(slog.NewMultiHandler(slog.NewTextHandler(h, options), slog.NewJSONHandler(h, options)))
	h.plain = log.New(h, "", 0)
	return h
}

func (h *ears) Write(b []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.said.Write(b)
}

func (h *ears) say(who, what string) { fmt.Fprintln(h, who, what) }

// fail hears an error in every form in which one is printed.
func (h *ears) fail(err error) {
	for ; err != nil; err = errors.Unwrap(err) {
		fmt.Fprintf(h, "%v\n%+v\n", err, err)
	}
}

// during holds what is said while do runs against the private values.
func (h *ears) during(what string, do func()) {
	h.t.Helper()
	h.said.Reset()
	do()
	h.mu.Lock()
	defer h.mu.Unlock()
	require.NotZero(h.t, h.said.Len(), what)
	for line := range strings.Lines(h.said.String()) {
		require.NotContains(h.t, strings.ToLower(line), private, what)
	}
}

func (h *ears) worker(c *clinic, more func(*Config)) (*Worker, *prometheus.Registry) {
	h.t.Helper()
	cat := testCatalogue(h.t)
	cfg := DefaultConfig()
	cfg.Mode, cfg.FHIRURL, cfg.Concurrency, cfg.FHIRTimeout = c.mode, c.url, 4, 2*time.Second
	if more != nil {
		more(&cfg)
	}
	reg := prometheus.NewRegistry()
	metrics := NewMetrics(reg, "test", cat.Version, c.mode, cat)
	client, err := OpenFHIR(cfg, "test", h.log, metrics)
	require.NoError(h.t, err)
	h.t.Cleanup(client.Close)
	return New(Parts{Config: cfg, Version: "test", Log: h.log, Catalogue: cat, FHIR: client, Stream: c.stream, Metrics: metrics, Now: c.now}), reg
}

// pass sends events and a sweep through a worker of its own, and hears all that comes of it.
func (h *ears) pass(c *clinic, more func(*Config), events ...string) {
	h.t.Helper()
	w, reg := h.worker(c, more)
	ctx, cancel := context.WithTimeout(h.t.Context(), 500*time.Millisecond) // what waits for a server to recover has been heard by then
	defer cancel()
	flush := traced(h.t, w, h.traces.url, 1)
	for _, e := range events {
		ctx, end := w.startEvent(ctx, "booking", trace.SpanKindConsumer, nil)
		h.fail(w.handle(ctx, []byte(e), 2*bookingGrace))
		h.fail(w.giveUp(ctx, []byte(e)))
		end("not-assessed")
	}
	h.fail(w.Sweep(ctx))
	flush()
	require.NotEmpty(h.t, h.traces.spans())
	h.say("traces", h.traces.raw.String())
	h.traces.raw.Reset()
	h.traces.got = nil
	w.lookOnce(ctx)
	h.pages(w, reg)
	w.fhir.Close()
}

// pages are what the operator's pages say.
func (h *ears) pages(w *Worker, reg *prometheus.Registry) {
	for _, path := range []string{"/metrics", "/readyz", "/healthz"} {
		rw := httptest.NewRecorder()
		w.Handler(reg).ServeHTTP(rw, httptest.NewRequest(http.MethodGet, path, nil))
		require.NotEmpty(h.t, rw.Body.String())
		h.say(path, rw.Body.String())
	}
}
