package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream"
	"pupilrisk/worker/stream/streamtest"
)

// TestKilledAtAnyInstruction kills the worker's process, and now and then the NATS server's, at random times under load. Then
// everything is handled within the 40 s that the contract gives, no event is lost, nothing stands twice, and what stands is what an
// undisturbed worker makes of the same record. PUPILRISK_CRASH=1m is how long it goes on.
func TestKilledAtAnyInstruction(t *testing.T) {
	site := newSite(t)
	nats := streamtest.StartProcess(t, t.TempDir())
	site.connect(nats.URL(), nats.TokenFile())
	site.store.Fault(fhirstore.Fault{Delay: 3 * time.Millisecond}) // so that there is always something in flight
	process := site.serve()
	loading := site.load(100)
	random := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 0))
	kills := 0
	for end := time.Now().Add(duration(t, "PUPILRISK_CRASH", 10*time.Second)); time.Now().Before(end); kills++ {
		time.Sleep(time.Duration(100+random.IntN(1500)) * time.Millisecond)
		if random.IntN(4) == 0 {
			nats.Kill()
			nats.Restart()
			continue
		}
		process.kill(syscall.SIGKILL)
		process = site.serve()
	}
	events := loading()
	drained := site.drained(2 * time.Minute)
	t.Logf("%d events, %d kills, all settled %s after the load ended", events, kills, drained.Round(time.Millisecond))
	if os.Getenv("PUPILRISK_CRASH") != "" { // on a machine that has nothing else to do
		require.LessOrEqual(t, drained, 40*time.Second)
	}
	process.kill(syscall.SIGTERM)
	site.sameAsUndisturbed(events)
}

// TestEndsInGoodOrderUnderLoad: SIGTERM under load is exit 0 within the grace time, and who comes next has all of it at once.
func TestEndsInGoodOrderUnderLoad(t *testing.T) {
	site := newSite(t)
	nats := streamtest.StartProcess(t, t.TempDir())
	site.connect(nats.URL(), nats.TokenFile())
	site.store.Fault(fhirstore.Fault{Delay: 3 * time.Millisecond})
	loading := site.load(100)
	for range 3 {
		process := site.serve()
		process.ready()
		time.Sleep(time.Second)
		begun := time.Now()
		process.kill(syscall.SIGTERM)
		require.Zero(t, process.code, process.log.String())
		require.Less(t, time.Since(begun), 25*time.Second)
	}
	events := loading()
	process := site.serve()
	drained := site.drained(2 * time.Minute)
	t.Logf("%d events, all settled %s after the load ended", events, drained.Round(time.Millisecond))
	require.Less(t, drained, 29*time.Second, "what was in flight was handed back, not left to AckWait")
	process.kill(syscall.SIGTERM)
	require.Zero(t, process.code, process.log.String())
	site.sameAsUndisturbed(events)
}

// TestSoak holds the worker under an even load and looks at what must not grow. PUPILRISK_SOAK=10m turns it on.
func TestSoak(t *testing.T) {
	if os.Getenv("PUPILRISK_SOAK") == "" {
		t.Skip("PUPILRISK_SOAK=10m runs it")
	}
	site := newSite(t)
	dir := t.TempDir()
	listen := freeAddr(t)
	site.environ = append(site.environ, "PUPILRISK_NATS_STORE_DIR="+dir, "PUPILRISK_NATS_LISTEN="+listen)
	process := site.serve()
	process.ready()
	site.open("nats://"+listen, filepath.Join(dir, "token"))
	length := duration(t, "PUPILRISK_SOAK", 0)
	loading := site.load(50)
	time.Sleep(length / 6) // warm
	names := []string{"process_resident_memory_bytes", "go_goroutines", "process_open_fds", "pupilrisk_stream_pending"}
	samples := map[string][]float64{}
	for end := time.Now().Add(length - length/6); time.Now().Before(end); time.Sleep(time.Second) {
		now := process.metrics()
		for _, name := range names {
			samples[name] = append(samples[name], now[name])
		}
	}
	events := loading()
	site.drained(time.Minute)
	process.kill(syscall.SIGTERM)
	require.Zero(t, process.code)
	for _, name := range names {
		all := samples[name]
		third := len(all) / 3
		first, last := median(all[:third]), median(all[len(all)-third:])
		t.Logf("%-32s first third %.0f, last third %.0f, greatest %.0f", name, first, last, slices.Max(all))
		switch name {
		case "process_resident_memory_bytes":
			require.Less(t, last, 1.25*first+8e6, name)
		case "pupilrisk_stream_pending":
			require.Less(t, last, 100., name)
		default:
			require.LessOrEqual(t, last, first+5, name)
		}
	}
	t.Logf("%d events in %s", events, length)
}

func median(of []float64) float64 {
	of = slices.Sorted(slices.Values(of))
	return of[len(of)/2]
}

func duration(t *testing.T, name string, otherwise time.Duration) time.Duration {
	t.Helper()
	if os.Getenv(name) == "" {
		return otherwise
	}
	d, err := time.ParseDuration(os.Getenv(name))
	require.NoError(t, err, name)
	return d
}

// buildBinary builds the program once.
var buildBinary = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "pupilrisk-")
	if err != nil {
		return "", err
	}
	name := filepath.Join(dir, "pupilrisk")
	if out, err := exec.Command("go", "build", "-o", name, ".").CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	return name, nil
})

// site is a FHIR server, a NATS server, and the environment of a worker's process.
type site struct {
	t       testing.TB
	binary  string
	store   *fhirstore.Store
	environ []string
	stream  *stream.Stream
	last    *process
}

func newSite(t testing.TB) *site {
	t.Helper()
	binary, err := buildBinary()
	require.NoError(t, err)
	s := &site{t: t, binary: binary, store: fhirstore.New(fhirstore.DefaultOptions())}
	server, err := fhirstore.Serve(s.store, "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() {
		closing, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		_ = server.Close(closing) // a killed client may have left a request behind
	})
	// Within the sweep's horizon there is no operation: what stands in the end came by events alone.
	mine := slices.DeleteFunc(os.Environ(), func(kv string) bool { return strings.HasPrefix(kv, "PUPILRISK_") })
	s.environ = append(mine, "PUPILRISK_MODE=live", "PUPILRISK_FHIR_URL="+server.URL(), "PUPILRISK_SWEEP_HORIZON=1d", "PUPILRISK_CONCURRENCY=8", "PUPILRISK_HISTORY_GATHER=0s", "PUPILRISK_LOG_FORMAT=text")
	return s
}

// connect makes the site use a NATS server of its own.
func (s *site) connect(url, tokenFile string) {
	s.environ = append(s.environ, "PUPILRISK_NATS_URL="+url, "PUPILRISK_NATS_TOKEN_FILE="+tokenFile, "PUPILRISK_NATS_MANAGE=true")
	s.open(url, tokenFile)
}

// open connects the test itself.
func (s *site) open(url, tokenFile string) {
	s.t.Helper()
	manage := true
	var err error
	s.stream, err = stream.Open(s.t.Context(), stream.Config{URL: url, TokenFile: tokenFile, Manage: &manage})
	require.NoError(s.t, err)
	s.t.Cleanup(func() {
		closing, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		_ = s.stream.Close(closing)
	})
	require.Eventually(s.t, func() bool { return s.stream.Ready() == nil }, 20*time.Second, 20*time.Millisecond)
}

// process is the program, running.
type process struct {
	t    testing.TB
	cmd  *exec.Cmd
	http string
	log  *output
	code int
}

func (s *site) serve() *process {
	s.t.Helper()
	p := &process{t: s.t, http: freeAddr(s.t), log: &output{}}
	p.cmd = exec.Command(s.binary, "serve")
	p.cmd.Env = append(slices.Clone(s.environ), "PUPILRISK_HTTP_ADDR="+p.http)
	p.cmd.Stderr = p.log
	require.NoError(s.t, p.cmd.Start())
	s.t.Cleanup(func() { p.kill(syscall.SIGKILL) })
	s.last = p
	return p
}

// kill ends the process by a signal and waits until it is gone.
func (p *process) kill(sig syscall.Signal) {
	if p.cmd == nil {
		return
	}
	_ = p.cmd.Process.Signal(sig)
	_ = p.cmd.Wait()
	p.code = p.cmd.ProcessState.ExitCode()
	p.cmd = nil
	require.NotContains(p.t, p.log.String(), "panic")
}

// ready waits until the worker says so.
func (p *process) ready() { p.readyAsked(20 * time.Millisecond) }

// readyAsked does so, asking so often.
func (p *process) readyAsked(every time.Duration) {
	p.t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(every) {
		answer, err := http.Get("http://" + p.http + "/readyz")
		said := fmt.Sprint(err)
		if err == nil {
			body, _ := io.ReadAll(answer.Body)
			_ = answer.Body.Close()
			if said = string(body); answer.StatusCode == http.StatusOK {
				return
			}
		}
		require.False(p.t, time.Now().After(end), said+"\n"+p.log.String())
	}
}

// metrics are the series without labels.
func (p *process) metrics() map[string]float64 {
	p.t.Helper()
	answer, err := http.Get("http://" + p.http + "/metrics")
	require.NoError(p.t, err)
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	require.NoError(p.t, err)
	out := map[string]float64{}
	for line := range strings.Lines(string(body)) {
		if name, value, ok := strings.Cut(strings.TrimSpace(line), " "); ok && name != "#" {
			out[name], _ = strconv.ParseFloat(value, 64)
		}
	}
	return out
}

const loadPatients = 40

// load changes the record and publishes an event for each change, so many a second, until stop is called; then it returns how many
// events the stream has confirmed.
func (s *site) load(perSecond int) (stop func() int) {
	ctx, cancel := context.WithCancel(s.t.Context())
	done := make(chan int)
	go func() {
		random := rand.New(rand.NewPCG(1, 2))
		tick := time.NewTicker(time.Second / time.Duration(perSecond))
		defer tick.Stop()
		sent := 0
		for ; ctx.Err() == nil; sent++ {
			<-tick.C
			p := sent
			if sent >= loadPatients {
				p = random.IntN(loadPatients)
			}
			payload := s.change(random, p, sent < loadPatients)
			subject := []string{"clinic.booking.load", "clinic.history.load"}[random.IntN(2)]
			for { // until it is confirmed; the id keeps it from being stored twice
				confirm, cancel := context.WithTimeout(context.Background(), 2*time.Second)
				_, err := s.stream.Publish(confirm, subject, []byte(payload), fmt.Sprintf("load-%d", sent))
				cancel()
				if err == nil {
					break
				}
				time.Sleep(50 * time.Millisecond)
			}
		}
		done <- sent
	}()
	return func() int { cancel(); return <-done }
}

// change is one change of patient p's record, and the event that tells of it. None of them withdraws a Flag without a booking that
// explains it: so many would be stopped.
func (s *site) change(random *rand.Rand, p int, first bool) (event string) {
	put := func(format string, args ...any) {
		if err := s.store.Put(fmt.Appendf(nil, format, args...)); err != nil {
			s.t.Error(err)
		}
	}
	drug := func() {
		put(`{"resourceType":"MedicationStatement","id":"m%d-%d","status":%q,"subject":{"reference":"Patient/p%d"},"medicationCodeableConcept":{"text":%q}}`,
			p, random.IntN(3), []string{"active", "completed"}[random.IntN(2)], p, []string{"Tamsulosin 400 micrograms", "Doxazosin 4 mg", "Aspirin 75 mg"}[p%3])
	}
	if first {
		put(`{"resourceType":"Patient","id":"p%d","name":[{"family":"Invented"}]}`, p)
		drug()
	}
	if !first && random.IntN(3) == 0 {
		drug()
		return fmt.Sprintf(`{"reference":"Patient/p%d"}`, p)
	}
	start := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, 20+random.IntN(40)).Add(9 * time.Hour)
	put(`{"resourceType":"Appointment","id":"a%d","status":%q,"description":"Cataract surgery, %s eye","start":%q,"end":%q,"participant":[{"actor":{"reference":"Patient/p%d"},"status":"accepted"}]}`,
		p, []string{"booked", "booked", "booked", "cancelled"}[random.IntN(4)], []string{"left", "right"}[p%2],
		start.Format(time.RFC3339), start.Add(time.Hour).Format(time.RFC3339), p)
	return fmt.Sprintf(`{"reference":"Appointment/a%d"}`, p)
}

// drained waits until every event is settled, and says how long that took.
func (s *site) drained(most time.Duration) time.Duration {
	s.t.Helper()
	begun, quiet, last := time.Now(), 0, ""
	for quiet < 5 {
		p, err := s.stream.Pending(s.t.Context())
		quiet++
		if err != nil || p.Pending != 0 || p.AckPending != 0 {
			quiet, last = 0, fmt.Sprintf("%d wait, %d in hand, %v", p.Pending, p.AckPending, err)
		}
		require.Less(s.t, time.Since(begun), most, "not every event was settled: %s\n%s", last, s.said())
		time.Sleep(50 * time.Millisecond)
	}
	return time.Since(begun)
}

// said is the end of what the last process said.
func (s *site) said() string {
	if s.last == nil {
		return ""
	}
	text := s.last.log.String()
	return text[max(0, len(text)-4000):]
}

// sameAsUndisturbed compares what stands with what a worker makes of the same record that nobody disturbs.
func (s *site) sameAsUndisturbed(events int) {
	s.t.Helper()
	letters, err := s.stream.DeadLetters(s.t.Context(), 0, 10)
	require.NoError(s.t, err)
	require.Empty(s.t, letters)

	calm := newSite(s.t)
	for ref, raw := range s.store.Snapshot() {
		if typ, _, _ := strings.Cut(ref, "/"); slices.Contains([]string{"Patient", "MedicationStatement", "Appointment"}, typ) {
			require.NoError(s.t, calm.store.Put(raw))
		}
	}
	nats := streamtest.StartProcess(s.t, s.t.TempDir())
	calm.connect(nats.URL(), nats.TokenFile())
	process := calm.serve()
	for p := range min(events, loadPatients) {
		_, err := calm.stream.Publish(s.t.Context(), "clinic.booking.load", fmt.Appendf(nil, `{"reference":"Appointment/a%d"}`, p), "")
		require.NoError(s.t, err)
	}
	calm.drained(time.Minute)
	process.kill(syscall.SIGTERM)
	require.NotEmpty(s.t, calm.standing())
	require.Equal(s.t, calm.standing(), s.standing())
}

// standing are our open Flags and Tasks by key, and what each says. A key that stands twice fails the test.
func (s *site) standing() map[string]string {
	s.t.Helper()
	out, keys := map[string]string{}, map[string]bool{}
	for _, raw := range slices.Concat(s.store.All("Flag"), s.store.All("Task")) {
		x, ours, err := fhirmap.ParseStanding(fhirmap.Names{Canonical: fhirmap.DefaultCanonical}, raw)
		require.NoError(s.t, err)
		require.True(s.t, ours)
		require.False(s.t, x.Touched)
		key := fmt.Sprintf("%s %s.%d", x.Type, x.Base, x.N)
		require.False(s.t, keys[key], "twice: %s", key)
		keys[key] = true
		if x.Open() {
			require.NotContains(s.t, out, x.Type+" "+x.Base, "open twice")
			out[x.Type+" "+x.Base] = x.Text + " " + x.Due
		}
	}
	return out
}

// output takes what a process says while a test reads it.
type output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}
