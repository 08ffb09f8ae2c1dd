package worker

import (
	"bufio"
	"bytes"
	"context"
	stdjson "encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	fhir "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
)

// The benchmark of the whole event, beside its two peers on the same stub in the same run:
//
//	bare loop     one batch POST and one transaction POST, bodies discarded: what the two round trips cost
//	plain worker  six GET searches, encoding/json into the model library, one PUT for each Flag and Task
//	this worker   from the message in JetStream to the confirmed acknowledgement
//
// The stub is a process of its own, as a FHIR server is: what it costs to answer is the same for all, and is part of all. Absolute
// numbers swing with the machine; of-bare and times-plain are ratios of one run.

// benchPatients is how many patients the stub knows; each event is about one of them.
const benchPatients = 512

// stub answers like a FHIR server that holds 41 resources (64 KiB) of history for every patient, from memory prepared
// before, so that it costs its peers all the same little.
type stub struct {
	requests atomic.Int64
	delay    atomic.Int64      // nanoseconds that every request takes longer
	search   map[string][]byte // by path and query
	direct   map[string][]byte
	batches  sync.Map // request body → answer
}

func newStub() *stub {
	s := &stub{search: map[string][]byte{}, direct: map[string][]byte{}}
	for i := range benchPatients {
		p := "Patient/b" + strconv.Itoa(i)
		s.direct[p] = []byte(`{"resourceType":"Patient","id":"` + id(p) + `","active":true,"name":[{"family":"Bench"}]}`)
		for _, t := range append([]string{"Appointment", "Flag", "Task"}, historyTypes...) {
			n := 0
			switch t {
			case "Appointment":
				n = 1
			case "MedicationStatement", "MedicationRequest", "Procedure", "Condition":
				n = 6
			case "Observation":
				n = 10
			case "MedicationDispense":
				n = 4
			case "AllergyIntolerance":
				n = 2
			}
			var entries []string
			for k := range n {
				entries = append(entries, `{"fullUrl":"http://stub.example/`+t+`/`+id(p)+"-"+strconv.Itoa(k)+`","resource":`+benchResource(t, p, k)+`,"search":{"mode":"match"}}`)
			}
			s.search[t+"?patient="+p+"&_count="+pageSize] = []byte(`{"resourceType":"Bundle","type":"searchset","total":` + strconv.Itoa(n) + `,"entry":[` + strings.Join(entries, ",") + `]}`)
		}
		a := "Appointment/" + id(p) + "-0"
		s.direct[a] = []byte(benchResource("Appointment", p, 0))
	}
	return s
}

// benchResource is a resource as record systems give it: a short narrative and the usual structured members, about 1.6 KiB.
func benchResource(t, patient string, k int) string {
	rid := id(patient) + "-" + strconv.Itoa(k)
	concept := func(system, code, display string) string {
		return `{"coding":[{"system":"` + system + `","code":"` + code + `","display":"` + display + `"}],"text":"` + display + `"}`
	}
	person := func(role string) string {
		return `{"reference":"Practitioner/` + role + `-417","display":"Invented person who is the ` + role + `"}`
	}
	head := `{"resourceType":"` + t + `","id":"` + rid + `","meta":{"versionId":"1","lastUpdated":"2026-01-05T08:00:00.000Z"},` +
		`"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><p><b>` + t + `</b> reviewed with the patient at the visit; no change was made.</p></div>"},` +
		`"identifier":[{"use":"official","type":` + concept("http://terminology.hl7.org/CodeSystem/v2-0203", "FILL", "Filler Identifier") + `,"system":"http://example.org/` + t + `","value":"` + rid + `-2026"}],`
	subject := `"subject":{"reference":"` + patient + `","display":"Bench"},"encounter":{"reference":"Encounter/` + rid + `"},`
	category := func(code string) string {
		return `"category":[` + concept("http://terminology.hl7.org/CodeSystem/example-category", code, code) + `],`
	}
	note := `"note":[{"authorReference":` + person("author") + `,"time":"2025-11-02T10:15:00+01:00","text":"Takes it in the morning with food; asked about side effects, none."}],`
	code := []string{"77492", "161", "6809", "29046", "83367", "7646"}[k%6]
	if t != "MedicationStatement" && code == "77492" {
		code = "310798"
	}
	drug := `"medicationCodeableConcept":` + concept("http://www.nlm.nih.gov/research/umls/rxnorm", code, "drug number "+strconv.Itoa(k))
	dosage := `[{"sequence":1,"text":"one capsule in the morning","timing":{"repeat":{"frequency":1,"period":1,"periodUnit":"d","when":["MORN"]}},"asNeededBoolean":false,"route":` + concept("http://snomed.info/sct", "26643006", "Oral route") +
		`,"doseAndRate":[{"type":` + concept("http://terminology.hl7.org/CodeSystem/dose-rate-type", "ordered", "Ordered") + `,"doseQuantity":{"value":1,"unit":"capsule","system":"http://unitsofmeasure.org","code":"{capsule}"}}]}]`
	reason := `"reasonCode":[` + concept("http://snomed.info/sct", "38341003", "Hypertensive disorder") + `],`
	switch t {
	case "Appointment":
		return `{"resourceType":"Appointment","id":"` + rid + `","status":"booked","serviceType":[{"text":"Cataract surgery, right eye"}],"start":"2036-03-09T09:00:00Z","end":"2036-03-09T09:30:00Z","participant":[{"actor":{"reference":"` + patient + `"},"status":"accepted"}]}`
	case "MedicationStatement":
		return head + `"status":"completed",` + strings.Replace(subject, "encounter", "context", 1) + `"effectivePeriod":{"start":"2012-02","end":"2014-05-03"},"dateAsserted":"2014-06-01","informationSource":` + person("source") + `,` + reason + note + `"dosage":` + dosage + `,` + drug + `}`
	case "MedicationRequest":
		return head + `"status":"active","intent":"order",` + category("community") + `"priority":"routine",` + subject + `"authoredOn":"2025-11-02","requester":` + person("requester") + `,` + reason + note + `"dosageInstruction":` + dosage + `,"dispenseRequest":{"validityPeriod":{"start":"2025-11-02","end":"2026-11-02"},"numberOfRepeatsAllowed":6,"quantity":{"value":28,"unit":"capsule"}},` + drug + `}`
	case "MedicationDispense":
		return head + `"status":"completed",` + strings.Replace(subject, "encounter", "context", 1) + `"performer":[{"actor":` + person("pharmacist") + `}],"quantity":{"value":28,"unit":"capsule"},"daysSupply":{"value":28,"unit":"day"},"whenHandedOver":"2025-11-02T10:00:00Z",` + note + `"dosageInstruction":` + dosage + `,` + drug + `}`
	case "Procedure":
		return head + `"status":"completed","category":` + concept("http://terminology.hl7.org/CodeSystem/example-category", "therapeutic", "therapeutic") + `,"code":` + concept("http://snomed.info/sct", "8041500"+strconv.Itoa(k), "procedure number "+strconv.Itoa(k)) + `,` + subject + `"performedDateTime":"2015-03-0` + strconv.Itoa(k+1) + `","performer":[{"function":` + concept("http://snomed.info/sct", "304292004", "Surgeon") + `,"actor":` + person("surgeon") + `}],"location":{"reference":"Location/1"},` + reason + `"bodySite":[` + concept("http://snomed.info/sct", "818981001", "Abdomen") + `],"outcome":` + concept("http://snomed.info/sct", "385669000", "Successful") + `,` + note + `"recorder":` + person("recorder") + `}`
	case "Condition":
		return head + `"clinicalStatus":` + concept("http://terminology.hl7.org/CodeSystem/condition-clinical", "active", "Active") + `,"verificationStatus":` + concept("http://terminology.hl7.org/CodeSystem/condition-ver-status", "confirmed", "Confirmed") + `,` + category("problem-list-item") + `"severity":` + concept("http://snomed.info/sct", "6736007", "Moderate") + `,` + subject + `"code":` + concept("http://hl7.org/fhir/sid/icd-10-cm", "I1"+strconv.Itoa(k), "disease number "+strconv.Itoa(k)) + `,` + note + `"recordedDate":"2010-05-01","recorder":` + person("recorder") + `,"onsetDateTime":"2010"}`
	case "Observation":
		return head + `"status":"final",` + category("vital-signs") + subject + `"code":` + concept("http://loinc.org", "8480-"+strconv.Itoa(k), "measurement number "+strconv.Itoa(k)) + `,"effectiveDateTime":"2025-10-1` + strconv.Itoa(k) + `","performer":[` + person("nurse") + `],"valueQuantity":{"value":12` + strconv.Itoa(k) + `.5,"unit":"mmHg","system":"http://unitsofmeasure.org","code":"mm[Hg]"},"interpretation":[` + concept("http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation", "N", "Normal") + `],"referenceRange":[{"low":{"value":90,"unit":"mmHg"},"high":{"value":140,"unit":"mmHg"},"type":` + concept("http://terminology.hl7.org/CodeSystem/referencerange-meaning", "normal", "Normal Range") + `}],` + strings.TrimSuffix(note, ",") + `}`
	default: // AllergyIntolerance
		return head + `"patient":{"reference":"` + patient + `"},"code":{"text":"penicillin"}}`
	}
}

const (
	stubBase = "/fhir/"
	// stubControl gives how many requests there were since it was last asked, and sets the delay of those to come.
	stubControl = "control"
	// stubVariable makes the test's binary be the stub.
	stubVariable = "PUPILRISK_BENCH_STUB"
)

// runStub answers until its standard input ends, which is when whoever started it does.
func runStub() {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		panic(err)
	}
	fmt.Println("http://" + listener.Addr().String() + "/fhir")
	go func() { panic(http.Serve(listener, newStub())) }()
	_, _ = io.Copy(io.Discard, os.Stdin)
}

// startStub starts the stub in a process of its own, and gives its base.
func startStub(b testing.TB) string {
	self, err := os.Executable()
	require.NoError(b, err)
	c := exec.Command(self)
	c.Env, c.Stderr = append(os.Environ(), stubVariable+"=1"), os.Stderr
	alive, err := c.StdinPipe()
	require.NoError(b, err)
	out, err := c.StdoutPipe()
	require.NoError(b, err)
	require.NoError(b, c.Start())
	b.Cleanup(func() {
		alive.Close()
		_ = c.Wait() // it has nothing to tell
	})
	base, err := bufio.NewReader(out).ReadString('\n')
	require.NoError(b, err)
	return strings.TrimSpace(base)
}

// control tells how many requests the stub was sent since it was last asked, and sets the delay of those to come.
func control(b testing.TB, base string, delay time.Duration) (requests int) {
	r, err := http.Get(base + "/" + stubControl + "?delay=" + strconv.FormatInt(int64(delay), 10))
	require.NoError(b, err)
	defer r.Body.Close()
	defer http.DefaultClient.CloseIdleConnections()
	_, err = fmt.Fscan(r.Body, &requests)
	require.NoError(b, err)
	return requests
}

func (s *stub) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.requests.Add(1)
	time.Sleep(time.Duration(s.delay.Load()))
	w.Header().Set("Content-Type", "application/fhir+json")
	path := strings.TrimPrefix(r.URL.Path, stubBase)
	switch {
	case path == stubControl:
		if d, err := strconv.ParseInt(r.URL.Query().Get("delay"), 10, 64); err == nil {
			s.delay.Store(d)
		}
		fmt.Fprint(w, s.requests.Swap(0)-1)
	case r.Method == http.MethodGet && path == "metadata":
		s.requests.Add(-1) // once at the start, not per event
		w.Write(stubCapability())
	case r.Method == http.MethodGet && r.URL.RawQuery != "":
		w.Write(s.search[path+"?"+r.URL.RawQuery])
	case r.Method == http.MethodGet && s.direct[path] != nil:
		w.Write(s.direct[path])
	case r.Method == http.MethodGet:
		w.WriteHeader(http.StatusNotFound)
	case r.Method == http.MethodPut:
		io.Copy(io.Discard, r.Body)
		w.WriteHeader(http.StatusCreated)
	default:
		body, _ := io.ReadAll(r.Body)
		if bytes.Contains(body[:min(len(body), 200)], []byte(`"batch"`)) {
			answer, ok := s.batches.Load(string(body))
			if !ok {
				answer = s.batch(body)
				s.batches.Store(string(body), answer)
			}
			w.Write(answer.([]byte))
			return
		}
		w.Write(transactionAnswer(bytes.Count(body, []byte(`"method":`))))
	}
}

// batch answers every request of a batch from what is prepared; the answer is kept, so that it is made once.
func (s *stub) batch(body []byte) []byte {
	var b struct {
		Entry []struct{ Request struct{ URL string } }
	}
	_ = stdjson.Unmarshal(body, &b) // our own client's bytes
	var out bytes.Buffer
	out.WriteString(`{"resourceType":"Bundle","type":"batch-response","entry":[`)
	for i, e := range b.Entry {
		if i > 0 {
			out.WriteByte(',')
		}
		resource := s.search[e.Request.URL]
		if resource == nil {
			resource = s.direct[e.Request.URL]
		}
		if resource == nil {
			out.WriteString(`{"response":{"status":"404 Not Found"}}`)
			continue
		}
		out.WriteString(`{"resource":`)
		out.Write(resource)
		out.WriteString(`,"response":{"status":"200 OK"}}`)
	}
	out.WriteString(`]}`)
	return out.Bytes()
}

func transactionAnswer(n int) []byte {
	entries := strings.TrimSuffix(strings.Repeat(`{"response":{"status":"201 Created","etag":"W/\"1\""}},`, n), ",")
	return []byte(`{"resourceType":"Bundle","type":"transaction-response","entry":[` + entries + `]}`)
}

func stubCapability() []byte {
	var types []string
	for _, t := range append([]string{"Patient", "Appointment", "Flag", "Task", "Provenance", "Device"}, historyTypes...) {
		types = append(types, `{"type":"`+t+`","updateCreate":true,"interaction":[{"code":"read"},{"code":"search-type"},{"code":"create"},{"code":"update"}],"searchParam":[{"name":"patient","type":"reference"}]}`)
	}
	return []byte(`{"resourceType":"CapabilityStatement","status":"active","date":"2026-01-01","kind":"instance","fhirVersion":"4.0.1","format":["json"],"rest":[{"mode":"server","interaction":[{"code":"batch"},{"code":"transaction"}],"resource":[` + strings.Join(types, ",") + `]}]}`)
}

// BenchmarkEvent is the whole event at several concurrencies.
func BenchmarkEvent(b *testing.B) {
	base := startStub(b)
	for _, c := range []struct {
		lanes int
		delay time.Duration
	}{{1, 0}, {8, 0}, {16, 0}, {64, 0}, {8, 20 * time.Millisecond}, {64, 20 * time.Millisecond}} {
		lanes, name := c.lanes, "concurrency="+strconv.Itoa(c.lanes)
		if c.delay > 0 {
			name += "/each-request=" + c.delay.String()
		}
		b.Run(name, func(b *testing.B) {
			control(b, base, c.delay)
			bare := bareLoop(b, base, lanes, max(b.N, 4*lanes))
			plain := plainWorker(b, base, lanes, max(min(b.N, 400), 2*lanes))
			ours, cpu, requests := thisWorker(b, base, lanes, c.delay, b.N)
			b.ReportMetric(ours, "events/s")
			b.ReportMetric(requests, "requests/event")
			b.ReportMetric(cpu, "cpu-µs/event") // of this process: worker and JetStream
			b.ReportMetric(ours/bare, "of-bare")
			b.ReportMetric(ours/plain, "times-plain")
		})
	}
}

// rate runs n jobs in lanes and says how many were done in a second.
func rate(lanes, n int, job func(i int)) float64 {
	var next atomic.Int64
	var lanesDone sync.WaitGroup
	begun := time.Now()
	for range lanes {
		lanesDone.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				job(i)
			}
		})
	}
	lanesDone.Wait()
	return float64(n) / time.Since(begun).Seconds()
}

func benchClient(lanes int) *http.Client {
	return &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: lanes, MaxConnsPerHost: lanes}}
}

// bareLoop is the cost of the two round trips alone.
func bareLoop(b *testing.B, base string, lanes, n int) float64 {
	client := benchClient(lanes)
	defer client.CloseIdleConnections()
	var bodies [][]byte
	for i := range benchPatients {
		p := "Patient/b" + strconv.Itoa(i)
		paths := []string{p, "Appointment?patient=" + p + "&_count=" + pageSize}
		for _, t := range append(append([]string{}, historyTypes...), ownTypes...) {
			paths = append(paths, t+"?patient="+p+"&_count="+pageSize)
		}
		var entries []string
		for _, path := range paths {
			entries = append(entries, `{"request":{"method":"GET","url":"`+path+`"}}`)
		}
		bodies = append(bodies, []byte(`{"resourceType":"Bundle","type":"batch","entry":[`+strings.Join(entries, ",")+`]}`))
	}
	transaction := []byte(`{"resourceType":"Bundle","type":"transaction","entry":[` + strings.TrimSuffix(strings.Repeat(`{"resource":{"resourceType":"Flag"},"request":{"method":"PUT","url":"Flag/1"}},`, 5), ",") + `]}`)
	post := func(body []byte) {
		r, err := client.Post(base+"/", "application/fhir+json", bytes.NewReader(body))
		if err != nil {
			b.Error(err)
			return
		}
		io.Copy(io.Discard, r.Body)
		r.Body.Close()
	}
	job := func(i int) {
		post(bodies[i%benchPatients])
		post(transaction)
	}
	rate(lanes, benchPatients, job)
	return rate(lanes, n, job)
}

// plainWorker is the worker as one writes it at first: a search for each type, the model library for all of it.
func plainWorker(b *testing.B, base string, lanes, n int) float64 {
	client := benchClient(lanes)
	defer client.CloseIdleConnections()
	get := func(path string) fhir.Bundle {
		r, err := client.Get(base + "/" + path)
		if err != nil {
			b.Error(err)
			return fhir.Bundle{}
		}
		defer r.Body.Close()
		body, err := io.ReadAll(r.Body)
		if err != nil {
			b.Error(err)
		}
		bundle, err := fhir.UnmarshalBundle(body)
		if err != nil {
			b.Error(err)
		}
		return bundle
	}
	put := func(path string, resource any) {
		body, err := stdjson.Marshal(resource)
		if err != nil {
			b.Error(err)
			return
		}
		request, err := http.NewRequest(http.MethodPut, base+"/"+path, bytes.NewReader(body))
		if err != nil {
			b.Error(err)
			return
		}
		r, err := client.Do(request)
		if err != nil {
			b.Error(err)
			return
		}
		io.Copy(io.Discard, r.Body)
		r.Body.Close()
	}
	job := func(i int) {
		p := "Patient/b" + strconv.Itoa(i%benchPatients)
		found := false
		for _, t := range []string{"MedicationStatement", "MedicationRequest", "MedicationDispense", "Procedure", "Condition", "Observation"} {
			for _, e := range get(t + "?patient=" + p + "&_count=" + pageSize).Entry {
				switch t {
				case "MedicationStatement":
					m, err := fhir.UnmarshalMedicationStatement(e.Resource)
					if err != nil {
						b.Error(err)
					}
					for _, c := range m.MedicationCodeableConcept.Coding {
						found = found || c.Code != nil && *c.Code == "77492"
					}
				case "MedicationRequest":
					if _, err := fhir.UnmarshalMedicationRequest(e.Resource); err != nil {
						b.Error(err)
					}
				case "MedicationDispense":
					if _, err := fhir.UnmarshalMedicationDispense(e.Resource); err != nil {
						b.Error(err)
					}
				case "Procedure":
					if _, err := fhir.UnmarshalProcedure(e.Resource); err != nil {
						b.Error(err)
					}
				case "Condition":
					if _, err := fhir.UnmarshalCondition(e.Resource); err != nil {
						b.Error(err)
					}
				case "Observation":
					if _, err := fhir.UnmarshalObservation(e.Resource); err != nil {
						b.Error(err)
					}
				}
			}
		}
		if !found {
			b.Error("the plain worker found nothing")
		}
		put("Flag/1", fhir.Flag{Status: fhir.FlagStatusActive, Subject: fhir.Reference{Reference: &p}})
		for range 3 {
			put("Task/1", fhir.Task{Status: fhir.TaskStatusRequested, Intent: "proposal"})
		}
	}
	rate(lanes, lanes, job)
	return rate(lanes, n, job)
}

// thisWorker is the whole event: n messages wait in a real JetStream, and the clock runs until the last is acknowledged.
func thisWorker(b *testing.B, base string, lanes int, delay time.Duration, n int) (perSecond, cpuPerEvent, requestsPerEvent float64) {
	defer debug.SetGCPercent(debug.SetGCPercent(ServeGCPercent)) // as serve does
	ctx := b.Context()
	nats, err := stream.Open(ctx, stream.Config{StoreDir: b.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(b, err)
	defer nats.Close(context.WithoutCancel(ctx))
	cat := testCatalogue(b)
	cfg := DefaultConfig()
	cfg.Mode, cfg.FHIRURL, cfg.Concurrency, cfg.Timezone = Live, base, lanes, "Europe/Berlin"
	metrics := NewMetrics(prometheus.NewRegistry(), "bench", cat.Version, Live, cat)
	client, err := OpenFHIR(cfg, "bench", nil, metrics)
	require.NoError(b, err)
	defer client.Close()
	w := New(Parts{Config: cfg, Version: "bench", Catalogue: cat, FHIR: client, Stream: nats, Metrics: metrics})
	_, err = w.author(ctx)
	require.NoError(b, err)
	publish := func(from, n int) {
		var wait sync.WaitGroup
		queue := make(chan int)
		for range 32 {
			wait.Go(func() {
				for i := range queue {
					p := "Patient/b" + strconv.Itoa(i%benchPatients)
					if _, err := nats.Publish(ctx, "clinic.booking.bench", []byte(benchResource("Appointment", p, 0)), fmt.Sprint("e", from+i)); err != nil {
						b.Error(err)
					}
				}
			})
		}
		for i := range n {
			queue <- i
		}
		close(queue)
		wait.Wait()
	}
	running, stop := context.WithCancel(ctx)
	defer stop()
	var done sync.WaitGroup
	drain := func() {
		for {
			p, err := nats.Pending(ctx)
			if err == nil && p.Pending == 0 && p.AckPending == 0 {
				return
			}
			time.Sleep(5 * time.Millisecond) // asking costs the stream too
		}
	}
	publish(0, benchPatients) // warms connections, stub and catalogue
	done.Go(func() { w.consume(running, nats.Bookings, "booking", w.lanes, lanes) })
	drain()
	stop()
	done.Wait()

	publish(benchPatients, n)
	control(b, base, delay)
	running, stop = context.WithCancel(ctx)
	b.ResetTimer()
	begun, before := time.Now(), cpuTime()
	done.Go(func() { w.consume(running, nats.Bookings, "booking", w.lanes, lanes) })
	drain()
	took, cpu := time.Since(begun), cpuTime()-before
	b.StopTimer()
	requests := control(b, base, delay)
	stop()
	done.Wait()
	return float64(n) / took.Seconds(), float64(cpu.Microseconds()) / float64(n), float64(requests) / float64(n)
}

// cpuTime is what this process has computed so far, on all cores.
func cpuTime() time.Duration {
	var r syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &r) != nil {
		return 0
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}
