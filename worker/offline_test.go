package worker

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
	"unsafe"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
)

// sharedData is the folder of open test data beside the project. Where it is absent the test is skipped with a message, or
// fails if it is required.
func sharedData(t *testing.T, part string) string {
	t.Helper()
	dir := os.Getenv("PUPILRISK_SHARED_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "shared", "data")
	}
	dir = filepath.Join(dir, part)
	if _, err := os.Stat(dir); err != nil {
		if strings.Contains(os.Getenv("PUPILRISK_REQUIRE"), "shared") {
			t.Fatalf("open test data is required and not there: %s", part)
		}
		t.Skipf("no open test data (%s); PUPILRISK_SHARED_DATA names its folder", part)
	}
	return dir
}

func offline(t testing.TB) Offline {
	return Offline{Config: DefaultConfig(), Catalogue: testCatalogue(t), At: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC), Version: "test"}
}

func results(t *testing.T, in string) (out []Result) {
	t.Helper()
	require.NoError(t, offline(t).Read(strings.NewReader(in), func(r Result) error { out = append(out, r); return nil }))
	return out
}

// The test patients of the published measure CMS133 (FHIR, CC0; half of its 73 cases): an eye condition that the measure
// excludes because it stood before the operation, and that is a factor of ours, is found; one that came after is not. The
// measure is no oracle for drugs and pupils: its cases hold none.
func TestCMS133Cases(t *testing.T) {
	dir := sharedData(t, "cms133-cases")
	file, err := os.Open(filepath.Join(dir, "EXPECTED.csv"))
	require.NoError(t, err)
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	// Which factor the condition in a case's name is with us; for every other name none is expected.
	factors := map[string]string{
		"DENEXPASS-CertainTypeIridOverlapsCatSurg":  "uveitis",              // H20.9 iridocyclitis
		"DENEXPASS-GlaucomaWithCatSurg":             "pseudoexfoliation",    // the cases hold 111514006, pseudoexfoliation glaucoma
		"DENEXPASS-DiabeticMacularEdemaWithCatSurg": "diabetic-retinopathy", // low
		"DENEXPASS-OpenWoundofEyeballWithCatSurg":   "iris-trauma",          // S05.8, injury of the eye with iris involved
	}
	seen := map[string]bool{}
	for _, row := range rows[1:] {
		t.Run(row[1]+" "+row[0][:8], func(t *testing.T) {
			raw, err := os.ReadFile(filepath.Join(dir, row[0]))
			require.NoError(t, err)
			got := results(t, string(raw))
			require.Len(t, got, 1)
			require.Len(t, got[0].Assessments, 1)
			a := got[0].Assessments[0]
			require.False(t, a.Operation.Start.IsZero(), "the finished operation is recognised as a lens operation and assessed at its start")
			var found []string
			for _, f := range a.Findings {
				found = append(found, f.Factor)
			}
			if want := factors[row[1]]; want != "" {
				require.Contains(t, found, want)
				seen[row[1]] = true
			} else {
				require.Empty(t, found)
			}
		})
	}
	require.Len(t, seen, len(factors), "every row of the table was used")
}

const (
	offlinePatient = `{"resourceType":"Patient","id":"p"}`
	offlineDrug    = `{"resourceType":"MedicationStatement","id":"m","status":"active","subject":{"reference":"Patient/p"},"medicationCodeableConcept":{"text":"tamsulosin"}}`
)

func bundleOf(resources ...string) string {
	return `{"resourceType":"Bundle","type":"collection","entry":[{"resource":` + strings.Join(resources, `},{"resource":`) + `}]}`
}

// Which operations a file holds (contract, commands: assess).
func TestWhatIsAssessed(t *testing.T) {
	appointment := func(id, status, service string) string {
		return booking("p", id, status, "2026-12-01T09:00:00Z", service)
	}
	procedure := `{"resourceType":"Procedure","id":"x","status":"completed","subject":{"reference":"Patient/p"},"code":{"text":"Phacoemulsification, right eye"},"performedDateTime":"2026-03-05T09:00:00Z"}`
	request := `{"resourceType":"ServiceRequest","id":"s","status":"active","intent":"order","subject":{"reference":"Patient/p"},"code":{"text":"Cataract surgery, left eye"},"occurrenceDateTime":"2026-12-05"}`
	for name, c := range map[string]struct {
		resources []string
		want      []string // key and eye
	}{
		"booked appointments": {[]string{appointment("a", "booked", "Cataract surgery, right eye"), appointment("b", "pending", "Phaco OS")}, []string{"a right", "b left"}},
		"without an appointment each lens procedure and request": {[]string{procedure, request}, []string{"x right", "s left"}},
		"appointments rule":          {[]string{procedure, appointment("a", "booked", "Cataract surgery, right eye")}, []string{"a right"}},
		"with neither, both eyes":    {nil, []string{"p both"}},
		"only cancelled":             {[]string{appointment("a", "cancelled", "Cataract surgery, right eye")}, nil},
		"only other appointments":    {[]string{appointment("a", "booked", "Eye clinic follow-up"), procedure}, nil},
		"a request that was revoked": {[]string{strings.Replace(request, "active", "revoked", 1)}, []string{"p both"}},
	} {
		t.Run(name, func(t *testing.T) {
			got := results(t, bundleOf(append([]string{offlinePatient, offlineDrug}, c.resources...)...))
			require.Len(t, got, 1)
			var have []string
			for _, a := range got[0].Assessments {
				have = append(have, a.Operation.Key+" "+a.Operation.Eye.String())
				require.Equal(t, rules.Flagged, a.Outcome)
			}
			slices.Sort(have)
			slices.Sort(c.want)
			require.Equal(t, c.want, have)
		})
	}
}

func TestFilesOfEveryForm(t *testing.T) {
	other := strings.NewReplacer(`"p"`, `"q"`, "Patient/p", "Patient/q", `"m"`, `"n"`, "tamsulosin", "aspirin").Replace
	for name, in := range map[string]string{
		"two Bundles, one a line": bundleOf(offlinePatient, offlineDrug) + "\n" + bundleOf(other(offlinePatient), other(offlineDrug)),
		"two patients in one":     bundleOf(offlinePatient, other(offlineDrug), offlineDrug, other(offlinePatient)),
		"NDJSON of resources":     strings.Join([]string{offlinePatient, offlineDrug, other(offlinePatient), other(offlineDrug)}, "\n"),
		"over several lines":      strings.ReplaceAll(bundleOf(offlinePatient, offlineDrug, other(offlinePatient), other(offlineDrug)), ",", ",\n"),
	} {
		got := results(t, in)
		require.Len(t, got, 2, name)
		require.Equal(t, rules.Flagged, got[0].Assessments[0].Outcome, name)
		require.Equal(t, rules.NoneFound, got[1].Assessments[0].Outcome, name)
		bundle, err := got[1].Transaction()
		require.NoError(t, err, name)
		require.NotContains(t, string(bundle), `"Flag"`, name)
	}
	cut := results(t, strings.Replace(bundleOf(offlinePatient), `"type"`, `"link":[{"relation":"next","url":"x"}],"type"`, 1))
	require.Equal(t, rules.NotAssessed, cut[0].Assessments[0].Outcome, "a page without its next one is not the whole record")
	for name, in := range map[string]string{
		"cut short": bundleOf(offlinePatient)[:20], "no resource": `{"a":1}`, "a number": "7", "too deep": `{"resourceType":"Bundle","entry":` + strings.Repeat("[", 70) + strings.Repeat("]", 70) + "}",
		"a broken resource": `{"resourceType":"Patient","id":tru}`, "what follows": bundleOf(offlinePatient) + " x", "two closed at once": bundleOf(offlinePatient) + "}", "an array": "[]",
		"a broken Bundle among good ones": bundleOf(offlinePatient) + `{"resourceType":"Bundle","entry":7}`,
	} {
		require.Error(t, offline(t).Read(strings.NewReader(in), func(Result) error { return nil }), name)
	}
}

// Bundles are assessed at once and handed out in the order of the input; whoever wants no more stops it.
func TestBundlesKeepTheirOrder(t *testing.T) {
	var in strings.Builder
	for i := range 200 {
		in.WriteString(strings.NewReplacer(`"p"`, fmt.Sprintf(`"p%d"`, i), "Patient/p", fmt.Sprintf("Patient/p%d", i)).Replace(bundleOf(offlinePatient, offlineDrug)) + "\n")
	}
	for i, r := range results(t, in.String()) {
		require.Equal(t, fmt.Sprintf("Patient/p%d", i), r.Patient)
		require.Equal(t, rules.Flagged, r.Assessments[0].Outcome)
	}
	enough, seen := errors.New("enough"), 0
	require.ErrorIs(t, offline(t).Read(strings.NewReader(in.String()), func(Result) error {
		seen++
		return enough
	}), enough)
	require.Equal(t, 1, seen)
}

// BenchmarkNDJSON assesses lines of one patient with 40 resources each; beside it the same lines are only split and validated.
func BenchmarkNDJSON(b *testing.B) {
	resources := []string{offlinePatient, offlineDrug}
	for i := range 38 {
		resources = append(resources, fmt.Sprintf(`{"resourceType":"Condition","id":"c%d","subject":{"reference":"Patient/p"},"recordedDate":"2019-02-03",`+
			`"clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},`+
			`"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"E11.%d","display":"Invented disease of the benchmark"}],"text":"Invented disease"}}`, i, i))
	}
	lines := strings.Repeat(bundleOf(resources...)+"\n", 200)
	defer debug.SetGCPercent(debug.SetGCPercent(AssessGCPercent)) // as the command does
	o := offline(b)
	b.SetBytes(int64(len(lines)))
	var split, ours time.Duration
	for b.Loop() {
		begun := time.Now()
		d := jsontext.NewDecoder(strings.NewReader(lines))
		for {
			if _, err := d.ReadValue(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				b.Fatal(err)
			}
		}
		split += time.Since(begun)
		begun = time.Now()
		n := 0
		if err := o.Read(strings.NewReader(lines), func(Result) error { n++; return nil }); err != nil || n != 200 {
			b.Fatal(n, err)
		}
		ours += time.Since(begun)
	}
	b.ReportMetric(float64(ours)/float64(split), "times-split")
	b.ReportMetric(float64(200*b.N)/ours.Seconds(), "patients/s")
}

func FuzzOffline(f *testing.F) {
	f.Add(bundleOf(offlinePatient, offlineDrug))
	f.Add(offlinePatient + "\n" + offlineDrug)
	o := Offline{Config: DefaultConfig(), At: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)}
	o.Catalogue = testCatalogue(f)
	f.Fuzz(func(t *testing.T, in string) {
		_ = o.Read(strings.NewReader(in), func(r Result) error {
			for _, a := range r.Assessments {
				if a.Outcome == "" {
					t.Fatal("an assessment without an outcome")
				}
			}
			if _, err := r.Transaction(); err != nil {
				t.Fatal(err)
			}
			return nil
		})
	})
}

func FuzzDecodeEvent(f *testing.F) {
	for _, s := range []string{`{"reference":"Patient/p"}`, `{"resourceType":"Appointment","id":"a","status":"booked"}`, `MSH|^~\&|`, fmt.Sprintf(siu, "S12", "1"), `{"reference":7}`, "[]", notice("heartbeat", ""), notice("event-notification", "Appointment/a"), cloudEvent(`{"reference":"Patient/p"}`)} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		nudges, err := decodeEvent(data, fhirmap.Options{})
		for _, n := range nudges {
			if n.appointment == "" && len(n.patients)+len(n.bookingIDs)+len(n.patientIDs) == 0 && !n.sweep {
				t.Fatal("an event about nobody")
			}
		}
		if err != nil && settle(err, 1).outcome != "dead-letter" {
			t.Fatal("an event that cannot be read is put aside at once")
		}
	})
}

// A list of many rows must not hold the inputs that they come from: no text of a row is a part of them.
func TestRowHoldsNothingOfTheInput(t *testing.T) {
	body := []byte(bundleOf(
		`{"resourceType":"Patient","id":"p","name":[{"family":"Invented","given":["Ada"]}],"birthDate":"1950-02-03"}`, offlineDrug,
		`{"resourceType":"Appointment","id":"a","status":"booked","start":"2036-03-09T09:00:00Z","serviceType":[{"text":"Cataract surgery, right eye"}],"participant":[{"actor":{"reference":"Patient/p"},"status":"accepted"}]}`,
		`{"resourceType":"Condition","id":"c","subject":{"reference":"Patient/p"},"recordedDate":"2019-02-03","clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},"code":{"text":"Pseudoexfoliation of the lens, right eye"}}`,
		`{"resourceType":"Observation","id":"o","status":"final","subject":{"reference":"Patient/p"},"effectiveDateTime":"2026-02-03","code":{"text":"Dilated pupil diameter, right eye"},"valueQuantity":{"value":4,"unit":"mm"}}`,
	))
	o := offline(t)
	o.settings, o.services = o.Config.settings(), newServiceMatch(o.Config, o.Catalogue)
	b := &offlineBundle{body: body}
	o.assess(b)
	require.NoError(t, b.err)
	row := o.Row(b.results[0].Assessments[0], b.results[0])
	require.NotEmpty(t, row.Hazards)
	require.NotEmpty(t, row.Hazards[0].Why)
	from := uintptr(unsafe.Pointer(unsafe.SliceData(body)))
	var look func(name string, v reflect.Value)
	look = func(name string, v reflect.Value) {
		switch v.Kind() {
		case reflect.String:
			if s := v.String(); s != "" {
				at := uintptr(unsafe.Pointer(unsafe.StringData(s)))
				require.False(t, at >= from && at < from+uintptr(len(body)), "%s: %q", name, s)
			}
		case reflect.Slice:
			for i := range v.Len() {
				look(name, v.Index(i))
			}
		case reflect.Struct:
			for i := range v.NumField() {
				look(name+"."+v.Type().Field(i).Name, v.Field(i))
			}
		}
	}
	look("Row", reflect.ValueOf(row))
}

// What is held until more is read is what fits the room to read into and one Bundle more, wherever in that room the long ones begin.
func TestLotsAreSmall(t *testing.T) {
	const room = 1 << 10
	short, long := `{"resourceType":"Bundle"}`, `{"resourceType":"Bundle","id":"`+strings.Repeat("x", 400)+`"}`
	input := long + strings.Repeat(strings.Repeat(short, (room-len(long))/len(short)-1)+long, 50)
	s := splitter{values: jsonValues{in: bufio.NewReaderSize(strings.NewReader(input), room)}}
	size, most := 0, 0
	s.values.waits = func() { size, most = 0, max(most, size) }
	var said strings.Builder
	for b := s.next(); b != nil; b = s.next() {
		said.Write(b.body)
		size += len(b.body)
	}
	require.Zero(t, size)
	require.Positive(t, most)
	require.Less(t, most, room+len(long))
	require.Equal(t, input, said.String())
}

// A Bundle that came whole waits for no other, however much of the next is there.
func TestBundleDoesNotWaitForTheNext(t *testing.T) {
	from, to := io.Pipe()
	came := make(chan string)
	var reading sync.WaitGroup
	reading.Go(func() {
		defer close(came)
		if err := offline(t).Read(from, func(r Result) error { came <- r.Patient; return nil }); err != nil {
			t.Error(err)
		}
	})
	rest := ""
	for n := range 5 {
		bundle := fmt.Sprintf(`{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Patient","id":"p%d"}}],"id":"%s"}`, n, strings.Repeat("x", 100<<(2*n)))
		_, err := io.WriteString(to, rest+bundle[:len(bundle)/2])
		require.NoError(t, err)
		if n > 0 {
			select {
			case patient := <-came:
				require.Equal(t, fmt.Sprintf("Patient/p%d", n-1), patient)
			case <-time.After(10 * time.Second):
				t.Fatal("it waits")
			}
		}
		rest = bundle[len(bundle)/2:]
	}
	_, err := io.WriteString(to, rest)
	require.NoError(t, err)
	require.Equal(t, "Patient/p4", <-came)
	require.NoError(t, to.Close())
	reading.Wait()
}

// What stands before a fault comes out, also where the same lot holds the fault, and in the order of the input.
func TestFaultInTheMiddleOfALot(t *testing.T) {
	bundle := func(n int) string {
		return fmt.Sprintf(`{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Patient","id":"p%d"}}]}`, n)
	}
	var before strings.Builder
	var want []string
	for n := range 9 {
		before.WriteString(bundle(n))
		want = append(want, fmt.Sprintf("Patient/p%d", n))
	}
	for name, fault := range map[string]string{
		"no JSON": `{"resourceType":"Bundle","entry":[}`, "no Bundle": `{"resourceType":"Bundle","entry":7}`, "no object": "7", "no end": `{"resourceType":"Bundle"`,
	} {
		t.Run(name, func(t *testing.T) {
			var got []string
			err := offline(t).Read(strings.NewReader(before.String()+fault+bundle(9)), func(r Result) error { got = append(got, r.Patient); return nil })
			require.Error(t, err)
			require.Equal(t, want, got)
		})
	}
}
