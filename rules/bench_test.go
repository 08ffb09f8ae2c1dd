package rules_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
)

// longHistory is an invented history of 60 entries as records hold them: drugs, operations, diagnoses and measurements, coded
// in one or two systems, of which one drug and one disease are findings.
func longHistory() rules.History {
	concept := func(text string, codes ...rules.Code) []rules.Concept {
		return []rules.Concept{{Text: text, Codes: codes}}
	}
	const (
		rxnorm = "http://www.nlm.nih.gov/research/umls/rxnorm"
		atc    = "http://www.whocc.no/atc"
		snomed = "http://snomed.info/sct"
		icd    = "http://hl7.org/fhir/sid/icd-10"
		loinc  = "http://loinc.org"
	)
	var entries []rules.Entry
	add := func(e rules.Entry) {
		e.Reference = fmt.Sprintf("%s/%d", e.Kind, len(entries))
		e.Start, e.Recorded = day("2020-05-06"), day("2020-05-06")
		entries = append(entries, e)
	}
	add(rules.Entry{Kind: rules.Medication, Concepts: concept("Tamsulosin 400 micrograms capsules", rules.Code{System: atc, Code: "G04CA02", Display: "tamsulosin"}), Note: "one a day after breakfast"})
	add(rules.Entry{Kind: rules.Condition, Eye: rules.RightEye, Concepts: concept("Pseudoexfoliation of the lens, right eye", rules.Code{System: "urn:clinic", Code: "PXF"})})
	for i := range 24 {
		drug := []struct{ text, atc, rxnorm string }{
			{"Amlodipine besilate 5 mg tablets", "C08CA01", "17767"}, {"Metformin hydrochloride 500 mg tablets", "A10BA02", "6809"},
			{"Atorvastatin calcium 20 mg film-coated tablets", "C10AA05", "83367"}, {"Omeprazole 20 mg gastro-resistant capsules", "A02BC01", "7646"},
			{"Bisoprolol fumarate 2.5 mg", "C07AB07", "19484"}, {"Levothyroxine sodium 100 micrograms", "H03AA01", "10582"},
		}[i%6]
		add(rules.Entry{
			Kind: rules.Medication, Ended: i%3 == 0, Note: "one in the morning",
			Concepts:   concept(drug.text, rules.Code{System: atc, Code: drug.atc, Display: drug.text}, rules.Code{System: rxnorm, Code: drug.rxnorm, Display: drug.text}),
			Qualifiers: concept("Oral", rules.Code{System: snomed, Code: "26643006", Display: "Oral route"}),
		})
	}
	for i := range 14 {
		disease := []struct{ text, icd, snomed string }{
			{"Senile nuclear cataract", "H25.1", "53889007"}, {"Primary open angle glaucoma", "H40.1", "77075001"},
			{"Chronic obstructive pulmonary disease", "J44.9", "13645005"}, {"Posterior vitreous detachment", "H43.8", "35000000"},
			{"Low back pain", "M54.5", "279039007"},
		}[i%5]
		add(rules.Entry{Kind: rules.Condition, Concepts: concept(disease.text, rules.Code{System: icd, Code: disease.icd, Display: disease.text}, rules.Code{System: snomed, Code: disease.snomed, Display: disease.text})})
	}
	for i := range 8 {
		text := []string{"Total hip replacement", "Intravitreal injection of aflibercept", "Colonoscopy", "Appendectomy"}[i%4]
		add(rules.Entry{Kind: rules.Procedure, Concepts: concept(text, rules.Code{System: snomed, Code: fmt.Sprintf("5215900%d", i%4), Display: text})})
	}
	for i := range 12 {
		text := []string{"Visual acuity, right eye", "Intraocular pressure", "Body weight", "Haemoglobin A1c"}[i%4]
		add(rules.Entry{
			Kind: rules.Observation, Concepts: concept(text, rules.Code{System: loinc, Code: []string{"79893-4", "56844-4", "29463-7", "4548-4"}[i%4], Display: text}),
			Amount: &rules.Amount{Value: 12, Unit: "mm[Hg]"}, Qualifiers: concept("Applanation"),
		})
	}
	return history(entries...)
}

// manyCodes is the catalogue with n codes more.
func manyCodes(b *testing.B, n int) *rules.Catalogue {
	var codes []map[string]string
	for i := range n {
		codes = append(codes, map[string]string{"code": fmt.Sprint(20_000_000 + i)})
	}
	set, err := json.Marshal(map[string]any{
		"resourceType": "ValueSet", "id": "more-codes", "title": "More codes", "status": "draft",
		"compose": map[string]any{"include": []any{map[string]any{"system": "http://www.nlm.nih.gov/research/umls/rxnorm", "concept": codes}}},
	})
	require.NoError(b, err)
	c, err := fhirmap.LoadCatalogue(catalogue.FS, fstest.MapFS{"codes/more-codes.json": {Data: set}})
	require.NoError(b, err)
	return c
}

// BenchmarkAssess is one assessment of a history of 60 entries with two findings. The number of codes in the catalogue makes
// no difference.
func BenchmarkAssess(b *testing.B) {
	h, op := longHistory(), operation(rules.RightEye)
	require.Len(b, h.Entries, 60)
	for _, n := range []int{0, 50_000} {
		c := cat
		if n > 0 {
			c = manyCodes(b, n)
		}
		require.Len(b, rules.Assess(c, op, h, now, rules.Settings{}).Findings, 2)
		b.Run(fmt.Sprintf("more-codes=%d", n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				rules.Assess(c, op, h, now, rules.Settings{})
			}
		})
	}
}
