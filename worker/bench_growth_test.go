package worker

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream"
	"pupilrisk/worker/stream/streamtest"
)

// How the worker grows: with replicas, with what waits in the queue, with the length of a record. Every number is a ratio of one run.

// serveStub lets a stub answer on loopback, until the benchmark ends.
func serveStub(b *testing.B, s *stub) (base string) {
	b.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(b, err)
	httpServer := &http.Server{Handler: s}
	go httpServer.Serve(listener)
	b.Cleanup(func() { httpServer.Close() })
	return "http://" + listener.Addr().String() + stubBase[:len(stubBase)-1]
}

// newReplica is one process of several: its own client of the FHIR server, its own connection to NATS.
func newReplica(b *testing.B, base string, lanes int, queue stream.Config) Parts {
	b.Helper()
	nats, err := stream.Open(b.Context(), queue)
	require.NoError(b, err)
	cat := testCatalogue(b)
	cfg := DefaultConfig()
	cfg.Mode, cfg.FHIRURL, cfg.Concurrency, cfg.SweepHorizon = Live, base, lanes, 0 // events alone
	metrics := NewMetrics(prometheus.NewRegistry(), "bench", cat.Version, Live, cat)
	client, err := OpenFHIR(cfg, "bench", nil, metrics)
	require.NoError(b, err)
	b.Cleanup(func() {
		client.Close()
		closing, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		require.NoError(b, nats.Close(closing))
	})
	return Parts{Config: cfg, Version: "bench", Catalogue: cat, FHIR: client, Stream: nats, Metrics: metrics}
}

func reference(i int) []byte {
	return fmt.Appendf(nil, `{"reference":"Appointment/b%d-0"}`, i%benchPatients)
}

// publishReferences puts n events about the stub's patients into the queue.
func publishReferences(b *testing.B, js jetstream.JetStream, n int) {
	b.Helper()
	for i := range n {
		_, err := js.PublishAsync("clinic.booking.bench", reference(i))
		require.NoError(b, err)
	}
	<-js.PublishAsyncComplete()
}

// handle lets the replicas work until they have handled n events beside those that warm them, and says how many a second. It leaves
// what else waits in the queue.
func handle(b *testing.B, replicas []Parts, warm, n int) (perSecond float64) {
	b.Helper()
	done := func() (sum int) {
		for _, r := range replicas {
			sum += int(testutil.ToFloat64(r.Metrics.events.WithLabelValues("booking", "done")))
		}
		return sum
	}
	before := done()
	until := func(n int) int {
		for end := time.Now().Add(time.Minute); done()-before < n; time.Sleep(time.Millisecond) {
			require.False(b, time.Now().After(end), "%d of %d events handled within a minute", done()-before, n)
		}
		return done() - before
	}
	running, stop := context.WithCancel(b.Context())
	var work sync.WaitGroup
	defer work.Wait()
	defer stop()
	for _, r := range replicas {
		work.Go(func() {
			if err := New(r).Run(running); err != nil {
				b.Error(err)
			}
		})
	}
	warmed := until(warm)
	begun := time.Now()
	warmed = until(warmed+n) - warmed
	return float64(warmed) / time.Since(begun).Seconds()
}

// BenchmarkReplicas has one, two and four workers, each with few lanes, on one queue and one FHIR server that takes 20 ms for each
// request. Asked for: 1.8 times and 3.4 times the events of one.
func BenchmarkReplicas(b *testing.B) {
	const lanes, each = 4, 200
	s := newStub()
	s.delay.Store(int64(20 * time.Millisecond))
	base := serveStub(b, s)
	nats := streamtest.StartProcess(b, b.TempDir())
	js, err := jetstream.New(nats.Connect())
	require.NoError(b, err)
	manage := true
	var replicas []Parts
	for range 4 {
		replicas = append(replicas, newReplica(b, base, lanes, stream.Config{URL: nats.URL(), TokenFile: nats.TokenFile(), Manage: &manage}))
	}
	run := func(n int) float64 {
		warm := 8 * lanes * n
		publishReferences(b, js, warm+each*n+4*lanes*n)
		return handle(b, replicas[:n], warm, each*n)
	}
	one := run(1)
	for _, n := range []int{1, 2, 4} {
		b.Run("replicas="+strconv.Itoa(n), func(b *testing.B) {
			ours := run(n)
			b.ReportMetric(0, "ns/op") // so many events are no operation
			b.ReportMetric(ours, "events/s")
			b.ReportMetric(ours/one, "times-one-replica")
		})
	}
}

// fill makes the store of an embedded NATS server in which n events wait. The server that writes it leaves it to the system when
// that reaches the disk, or a million would take long.
func fill(b *testing.B, dir string, n int) {
	b.Helper()
	srv, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, NoSigs: true, NoLog: true, JetStream: true, StoreDir: dir})
	require.NoError(b, err)
	srv.Start()
	defer srv.WaitForShutdown()
	defer srv.Shutdown()
	require.True(b, srv.ReadyForConnections(10*time.Second))
	manage := true
	layout, err := stream.Open(b.Context(), stream.Config{URL: srv.ClientURL(), Manage: &manage})
	require.NoError(b, err)
	require.NoError(b, layout.Ready())
	require.NoError(b, layout.Close(b.Context()))
	conn, err := nats.Connect(srv.ClientURL())
	require.NoError(b, err)
	defer conn.Close()
	js, err := jetstream.New(conn)
	require.NoError(b, err)
	publishReferences(b, js, n)
	stands, err := js.Stream(b.Context(), stream.Clinic)
	require.NoError(b, err)
	require.EqualValues(b, n, stands.CachedInfo().State.Msgs)
}

// BenchmarkQueued has so many events waiting in the embedded NATS server, and handles the first of them; in turns with a queue of
// 1,000, so that what else the machine does strikes both. PUPILRISK_LOAD adds a million.
func BenchmarkQueued(b *testing.B) {
	const lanes, turns, warm, few = 8, 3, 100, 1_000
	const n = few - 2*warm // of each turn
	base := serveStub(b, newStub())
	open := func(b *testing.B, events int) Parts {
		dir := b.TempDir()
		fill(b, dir, events)
		return newReplica(b, base, lanes, stream.Config{StoreDir: dir, Listen: "127.0.0.1:0"})
	}
	many := []int{100_000}
	if os.Getenv("PUPILRISK_LOAD") != "" {
		many = append(many, 1_000_000)
	}
	for _, events := range many {
		b.Run("events="+strconv.Itoa(events), func(b *testing.B) {
			long, short := open(b, events), open(b, warm)
			var ours, beside float64 // seconds
			for range turns {
				ours += n / handle(b, []Parts{long}, warm, n)
				for i := range few - warm { // what the turn before left makes it full
					_, err := short.Stream.Publish(b.Context(), "clinic.booking.bench", reference(i), "")
					require.NoError(b, err)
				}
				beside += n / handle(b, []Parts{short}, warm, n)
			}
			b.ReportMetric(0, "ns/op") // so many events are no operation
			b.ReportMetric(turns*n/ours, "events/s")
			b.ReportMetric(beside/ours, "of-1000")
		})
	}
}

// recordOf adds a patient with so many resources of history, 40 or a multiple of it, to what a stub knows, in pages.
func (s *stub) recordOf(patient string, resources int) {
	const perPage = 200 // as many as are asked for
	of40 := map[string]int{
		"MedicationStatement": 6, "MedicationRequest": 6, "MedicationDispense": 4, "Procedure": 6, "Condition": 6, "Observation": 10, "AllergyIntolerance": 2,
	}
	s.direct[patient] = []byte(`{"resourceType":"Patient","id":"` + id(patient) + `","active":true,"name":[{"family":"Bench"}]}`)
	s.direct["Appointment/"+id(patient)+"-0"] = []byte(benchResource("Appointment", patient, 0))
	for _, t := range append([]string{"Appointment", "Flag", "Task"}, historyTypes...) {
		var entries []string
		for round := range resources / 40 {
			for k := range of40[t] {
				was := id(patient) + "-" + strconv.Itoa(k)
				resource := strings.ReplaceAll(benchResource(t, patient, k), was, was+"-"+strconv.Itoa(round))
				entries = append(entries, `{"resource":`+resource+`,"search":{"mode":"match"}}`)
			}
		}
		if t == "Appointment" {
			entries = []string{`{"resource":` + benchResource(t, patient, 0) + `,"search":{"mode":"match"}}`}
		}
		total := len(entries)
		first := t + "?patient=" + patient + "&_count=" + pageSize
		for page := first; page != ""; {
			most := min(perPage, len(entries))
			link, next := "", ""
			if len(entries) > most {
				next = first + "&_left=" + strconv.Itoa(len(entries)-most)
				link = `"link":[{"relation":"next","url":"` + next + `"}],`
			}
			s.search[page] = fmt.Appendf(nil, `{"resourceType":"Bundle","type":"searchset","total":%d,%s"entry":[%s]}`, total, link, strings.Join(entries[:most], ","))
			page, entries = next, entries[most:]
		}
	}
}

// BenchmarkRecord is one pass over a patient with so many resources, in pages of 200: read, assessed, written. times-a-tenth is its
// ratio to a pass over a record of a tenth of the size, in turns with it. Asked for: at most 11. PUPILRISK_LOAD adds 40,000.
func BenchmarkRecord(b *testing.B) {
	s := newStub()
	lengths := []int{40, 400, 4000}
	if os.Getenv("PUPILRISK_LOAD") != "" {
		lengths = append(lengths, 40_000)
	}
	patient := func(resources int) string { return "Patient/long" + strconv.Itoa(resources) }
	for _, n := range lengths {
		s.recordOf(patient(n), n)
	}
	r := newReplica(b, serveStub(b, s), 8, stream.Config{StoreDir: b.TempDir(), Listen: "127.0.0.1:0"})
	w, flags := New(r), r.Metrics.writes.WithLabelValues("Flag", string(fhirmap.Create))
	pass := func(resources int) time.Duration {
		p, written := patient(resources), testutil.ToFloat64(flags)
		begun := time.Now()
		_, err := w.pass(b.Context(), p, nudge{appointment: "Appointment/" + id(p) + "-0"}, false)
		took := time.Since(begun)
		require.NoError(b, err)
		require.Equal(b, written+1, testutil.ToFloat64(flags))
		return took
	}
	for _, n := range lengths { // warm, and that all of the record is read
		var a rules.Assessment
		w.OnAssessment = func(is rules.Assessment) { a = is }
		pass(n)
		require.True(b, a.Complete)
		require.Len(b, a.Findings, 1)
		require.Len(b, a.Findings[0].Evidence, n/40)
	}
	for i, n := range lengths {
		b.Run("resources="+strconv.Itoa(n), func(b *testing.B) {
			var ours, tenth time.Duration
			b.StopTimer()
			for range b.N {
				for range min(10*i, 10) { // none for the shortest
					tenth += pass(n / 10)
				}
				b.StartTimer()
				ours += pass(n)
				b.StopTimer()
			}
			if tenth > 0 {
				b.ReportMetric(10*float64(ours)/float64(tenth), "times-a-tenth")
			}
		})
	}
}

// BenchmarkUnchanged is an event about a patient of whom everything stands as it should, so that nothing is written: the history of the
// stub, on the FHIR server that demo and tests use. It asks for 1 request where the event names the patient, and for 2 where it is a
// bare reference to the booking.
func BenchmarkUnchanged(b *testing.B) {
	const patient = "Patient/b0"
	store := fhirstore.New(fhirstore.DefaultOptions())
	s := newStub()
	require.NoError(b, store.Put(s.direct[patient]))
	for _, t := range append([]string{"Appointment"}, historyTypes...) {
		_, err := fhirmap.WalkBundle(s.search[t+"?patient="+patient+"&_count="+pageSize], fhirmap.Limits{}, func(e fhirmap.BundleEntry) error { return store.Put(e.Resource) })
		require.NoError(b, err)
	}
	var requests atomic.Int64
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		requests.Add(1)
		store.ServeHTTP(w, r)
	}))
	defer server.Close()
	w := New(newReplica(b, server.URL+"/fhir", 1, stream.Config{StoreDir: b.TempDir(), Listen: "127.0.0.1:0"}))
	for name, event := range map[string][]byte{"names-the-patient": []byte(benchResource("Appointment", patient, 0)), "bare-reference": reference(0)} {
		b.Run("event="+name, func(b *testing.B) {
			require.NoError(b, w.handle(b.Context(), event, 0)) // writes, the first time
			stands, err := w.fhir.Gather(b.Context(), []string{"Flag?patient=" + patient})
			require.NoError(b, err)
			require.Contains(b, string(stands[0].Body), `"active"`)
			requests.Store(0)
			for b.Loop() {
				require.NoError(b, w.handle(b.Context(), event, 0))
			}
			b.ReportMetric(float64(requests.Load())/float64(b.N), "requests/event")
		})
	}
}
