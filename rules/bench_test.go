package rules_test

import (
	"encoding/json"
	"fmt"
	"strconv"
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
	const (
		rxnorm = "http://www.nlm.nih.gov/research/umls/rxnorm"
		atc    = "http://www.whocc.no/atc"
		snomed = "http://snomed.info/sct"
		icd    = "http://hl7.org/fhir/sid/icd-10"
		loinc  = "http://loinc.org"
	)
	// thing is a text with codes, each of the system before it.
	thing := func(text string, codes ...string) []rules.Concept {
		c := rules.Concept{Text: text}
		for i := 0; i < len(codes); i += 2 {
			c.Codes = append(c.Codes, rules.Code{System: codes[i], Code: codes[i+1], Display: text})
		}
		return []rules.Concept{c}
	}
	entries := []rules.Entry{
		{Kind: rules.Medication, Concepts: thing("Tamsulosin 400 micrograms capsules", atc, "G04CA02"), Note: "one a day after breakfast"},
		{Kind: rules.Device, Concepts: thing("Cardiac pacemaker")},
		{Kind: rules.Intolerance, Concepts: thing("Penicillin")},
		{Kind: rules.Condition, Concepts: thing("Pseudoexfoliation of the lens, right eye", "urn:clinic", "PXF"), Eye: rules.RightEye},
	}
	for range 4 {
		for _, concepts := range [][]rules.Concept{
			thing("Amlodipine besilate 5 mg tablets", atc, "C08CA01", rxnorm, "17767"),
			thing("Metformin hydrochloride 500 mg tablets", atc, "A10BA02", rxnorm, "6809"),
			thing("Atorvastatin calcium 20 mg film-coated tablets", atc, "C10AA05", rxnorm, "83367"),
			thing("Omeprazole 20 mg gastro-resistant capsules", atc, "A02BC01", rxnorm, "7646"),
			thing("Bisoprolol fumarate 2.5 mg", atc, "C07AB07", rxnorm, "19484"),
			thing("Levothyroxine sodium 100 micrograms", atc, "H03AA01", rxnorm, "10582"),
		} {
			entries = append(entries, rules.Entry{
				Kind: rules.Medication, Concepts: concepts, Note: "one in the morning", Qualifiers: thing("Oral route", snomed, "26643006"),
			})
		}
		for _, concepts := range [][]rules.Concept{
			thing("Senile nuclear cataract", icd, "H25.1", "urn:clinic", "CAT"),
			thing("Primary open angle glaucoma", icd, "H40.1", "urn:clinic", "POAG"),
			thing("Chronic obstructive pulmonary disease", icd, "J44.9"),
		} {
			entries = append(entries, rules.Entry{Kind: rules.Condition, Concepts: concepts})
		}
		for _, text := range []string{"Total hip replacement", "Intravitreal injection of aflibercept"} {
			entries = append(entries, rules.Entry{Kind: rules.Procedure, Concepts: thing(text, "urn:clinic", text[:3])})
		}
		for _, concepts := range [][]rules.Concept{
			thing("Visual acuity, right eye", loinc, "79893-4"), thing("Intraocular pressure", loinc, "56844-4"), thing("Body weight", loinc, "29463-7"),
		} {
			entries = append(entries, rules.Entry{
				Kind: rules.Observation, Concepts: concepts, Amount: &rules.Amount{Value: 12, Unit: "1"}, Qualifiers: thing("As usual"),
			})
		}
	}
	for i := range entries {
		e := &entries[i]
		e.Reference = fmt.Sprintf("%s/%d", e.Kind, i)
		e.Start, e.Recorded = day("2020-05-06"), day("2020-05-06")
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

// BenchmarkUnseenNames is the same for names that no record has named before, so that none of them is remembered.
func BenchmarkUnseenNames(b *testing.B) {
	h, op := longHistory(), operation(rules.RightEye)
	names := make([]string, len(h.Entries))
	for i, e := range h.Entries {
		names[i] = e.Concepts[0].Text
	}
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		for i := range h.Entries {
			n++
			h.Entries[i].Concepts[0].Text = names[i] + " " + strconv.Itoa(n)
		}
		rules.Assess(cat, op, h, now, rules.Settings{})
	}
}
