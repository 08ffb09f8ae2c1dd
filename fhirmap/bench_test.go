package fhirmap

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	jsonv2 "github.com/go-json-experiment/json"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"
)

// densePage is a page of a hundred invented entries of five types, 1.6 kB each, as servers write them: narrative, codings in
// two systems, references with displays.
func densePage() []byte {
	var entries []string
	for i := range 20 {
		for _, members := range []string{
			`"resourceType":"MedicationStatement","status":"stopped","medicationCodeableConcept":CODE,"effectivePeriod":{"start":"2011-02-03","end":"2014"},"dosage":[{"text":"one at night","route":CODE}]`,
			`"resourceType":"MedicationRequest","status":"completed","intent":"order","medicationCodeableConcept":CODE,"authoredOn":"2014-03-05T08:00:00+01:00","dosageInstruction":[{"text":"one at night","route":CODE}]`,
			`"resourceType":"Condition","clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},"code":CODE,"bodySite":[CODE],"onsetDateTime":"2019"`,
			`"resourceType":"Procedure","status":"completed","code":CODE,"bodySite":[CODE],"performedDateTime":"2020-01-02"`,
			`"resourceType":"Observation","status":"final","code":CODE,"method":CODE,"effectiveDateTime":"2026-01-15T09:30:00Z","valueQuantity":{"value":4.5,"unit":"mm","system":"http://unitsofmeasure.org","code":"mm"}`,
		} {
			code := fmt.Sprintf(`{"coding":[{"system":"http://snomed.info/sct","code":"%d00","display":"an invented thing of the right eye"},{"system":"https://here.example/codes","code":"L%d","display":"thing"}],"text":"Invented thing"}`, 1000+i, i)
			entries = append(entries, fmt.Sprintf(`{"fullUrl":"https://here.example/fhir/X/%d","resource":{%s,"id":"e%d","meta":{"versionId":"1","lastUpdated":"2026-01-15T09:30:00Z"},
				"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">%s</div>"},
				"identifier":[{"system":"https://here.example/id","value":"%d"}],"subject":{"reference":"Patient/p","display":"Invented, Ada"},"encounter":{"reference":"Encounter/e%d"},
				"note":[{"text":"An invented note of some length about what was said and done on this day."}]},"search":{"mode":"match"}}`,
				len(entries), strings.ReplaceAll(members, "CODE", code), len(entries), strings.Repeat("words of a narrative ", 20), i, i))
		}
	}
	return []byte(`{"resourceType":"Bundle","type":"searchset","total":100,"entry":[` + strings.Join(entries, ",") + `]}`)
}

// readPage reads a page as the worker does, into the history that is assessed.
func readPage(t testing.TB, body []byte) {
	r := NewRecord("Patient/p", Options{Bases: []string{"https://here.example/fhir"}})
	defer r.Close()
	_, err := r.AddPage("", body)
	require.NoError(t, err)
	if h := r.History(); len(h.Entries) != 100 || len(h.Dropped) != 0 {
		t.Fatalf("%d entries, %d dropped", len(h.Entries), len(h.Dropped))
	}
}

// readIntoModel is the plain way: encoding/json into the model library. It stops where a history has yet to be made of it.
func readIntoModel(t testing.TB, body []byte) {
	bundle, err := fhir.UnmarshalBundle(body)
	require.NoError(t, err)
	for _, e := range bundle.Entry {
		var head struct {
			ResourceType string `json:"resourceType"`
		}
		require.NoError(t, json.Unmarshal(e.Resource, &head))
		switch head.ResourceType {
		case "MedicationStatement":
			_, err = fhir.UnmarshalMedicationStatement(e.Resource)
		case "MedicationRequest":
			_, err = fhir.UnmarshalMedicationRequest(e.Resource)
		case "Condition":
			_, err = fhir.UnmarshalCondition(e.Resource)
		case "Procedure":
			_, err = fhir.UnmarshalProcedure(e.Resource)
		case "Observation":
			_, err = fhir.UnmarshalObservation(e.Resource)
		}
		require.NoError(t, err)
	}
}

// readIntoStructs reads as strictly as we do, with a general decoder, into the same structs.
func readIntoStructs(t testing.TB, body []byte) {
	_, err := plainWalk(body, Limits{}, func(e BundleEntry) error {
		return jsonv2.Unmarshal(e.Resource, structs(head(e.Resource).ResourceType), plainly)
	})
	require.NoError(t, err)
}

// BenchmarkPage reads a page of a hundred entries into a history, beside other ways of reading it: in turns, since what else
// the machine does meanwhile changes more than any of them. The times are medians; times-X is how much faster we are than X.
func BenchmarkPage(b *testing.B) {
	body := densePage()
	ways := []struct {
		name string
		read func(testing.TB, []byte)
		took []time.Duration
	}{
		{name: "ours", read: readPage},
		{name: "model", read: readIntoModel},
		{name: "structs", read: readIntoStructs},
		{name: "valid", read: func(t testing.TB, body []byte) { require.True(t, json.Valid(body)) }}, // says no more than whether it is JSON
	}
	for b.Loop() {
		for i := range ways {
			start := time.Now()
			ways[i].read(b, body)
			ways[i].took = append(ways[i].took, time.Since(start))
		}
	}
	median := func(all []time.Duration) float64 { return float64(slices.Sorted(slices.Values(all))[len(all)/2]) }
	ours := median(ways[0].took)
	for _, w := range ways {
		m := median(w.took)
		b.ReportMetric(float64(len(body))*1000/m, w.name+"-MB/s")
		if w.name != "ours" {
			b.ReportMetric(m/ours, "times-"+w.name)
		}
	}
	b.ReportMetric(testing.AllocsPerRun(10, func() { readPage(b, body) }), "ours-allocs")
	b.ReportMetric(0, "ns/op") // of all ways together
}

// A page of a hundred entries costs no more than a few allocations for each: what is read stays in the body.
func TestPageAllocations(t *testing.T) {
	body := densePage()
	readPage(t, body)
	require.Less(t, testing.AllocsPerRun(10, func() { readPage(t, body) }), 600.0)
}

// BenchmarkWalkBundle only hands out the entries.
func BenchmarkWalkBundle(b *testing.B) {
	body := densePage()
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		n := 0
		_, err := WalkBundle(body, Limits{}, func(BundleEntry) error { n++; return nil })
		require.NoError(b, err)
		require.Equal(b, 100, n)
	}
}
