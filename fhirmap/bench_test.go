package fhirmap

import (
	"fmt"
	"strings"
	"testing"
	"time"

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

// BenchmarkPage reads a page of a hundred entries into a history. times-model is how many times faster that is than the plain
// way, encoding/json into the model library, in the same run.
func BenchmarkPage(b *testing.B) {
	body := densePage()
	plain := func() {
		bundle, err := fhir.UnmarshalBundle(body)
		require.NoError(b, err)
		for _, e := range bundle.Entry {
			switch head(e.Resource).ResourceType {
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
			require.NoError(b, err)
		}
	}
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	var model time.Duration
	models := 0
	for b.Loop() {
		r := NewRecord("Patient/p", Options{Bases: []string{"https://here.example/fhir"}})
		_, err := r.AddPage("", body)
		require.NoError(b, err)
		h := r.History()
		if len(h.Entries) != 100 || len(h.Dropped) != 0 {
			b.Fatalf("%d entries, %d dropped", len(h.Entries), len(h.Dropped))
		}
		if models%8 == 0 { // the slow way, beside it, now and then
			b.StopTimer()
			start := time.Now()
			plain()
			model += time.Since(start)
			b.StartTimer()
		}
		models++
	}
	perModel := model / time.Duration((models+7)/8)
	b.ReportMetric(float64(perModel)/(float64(b.Elapsed())/float64(b.N)), "times-model")
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
