package rules

import (
	"fmt"
	"strings"
	"testing"
	"unsafe"

	"github.com/stretchr/testify/require"
)

const (
	testATC    = "http://www.whocc.no/atc"
	testSNOMED = "http://snomed.info/sct"
	testICD    = "http://hl7.org/fhir/sid/icd-10"
)

// smallCatalogue is a catalogue of a few factors, with which single rules of matching are tried.
func smallCatalogue(t testing.TB, more ...func(*Layer)) *Catalogue {
	t.Helper()
	l := smallLayer(t)
	for _, m := range more {
		m(l)
	}
	c, err := NewCatalogue(l)
	require.NoError(t, err)
	return c
}

func smallLayer(t testing.TB) *Layer {
	t.Helper()
	l := &Layer{Version: "2026.1.1"}
	for file, text := range map[string]string{
		"factors/a.yaml": `
- factor: tamsulosin
  name: tamsulosin
  hazard: floppy-iris
  level: high
  why: why
  grade: A
  sources: [{text: "common practice, no source"}]
  eyes: both
  match:
    - kinds: [medication]
      codes: [tamsulosin]
      words: [tamsulosin, tamsulosina]
      spelling: true
      brands: [{name: Flomax, country: US}]
- factor: drops
  name: drops
  hazard: small-pupil
  level: moderate
  why: why
  grade: D
  sources: [{text: x, checked: from memory}]
  eyes: recorded
  match:
    - substance: pilocarpine
      kinds: [medication]
      codes: [pilocarpine]
      words: [pilocarpine]
      unless: [oral-route, tablets]
      despite: [eye drops]
    - substance: other
      kinds: [medication]
      codes: [miotic-class]
      words: [miotic]
      needs: [drops, eye-route]
- factor: iris
  name: iris
  hazard: small-pupil
  level: low
  why: why
  grade: D
  sources: [{text: x, checked: from memory}]
  eyes: recorded
  match:
    - kinds: [condition, observation]
      codes: [iris]
      words: [synechiae]
`,
		"services.yaml": "operation: [{codes: [operation], words: [phaco]}]\nnot_operation: [{words: [review]}]\n",
		"systems.yaml": `
- {system: "http://www.whocc.no/atc", name: ATC, drugs: atc, branches: true, aliases: ["urn:oid:2.16.840.1.113883.6.73"]}
- {system: "http://snomed.info/sct", name: SNOMED CT, drugs: snomed}
- {system: "http://hl7.org/fhir/sid/icd-10", name: ICD-10, branches: true}
`,
		"reading.yaml":  "harmless: [{codes: oral, why: a tablet}]\nabsent: {codes: [answer-no], words: [none]}\n",
		"wording.yaml":  smallWording(),
		"cautions.yaml": "", "questions.yaml": "", "preparations.yaml": "",
	} {
		require.NoError(t, l.AddYAML(file, []byte(text)), file)
	}
	l.CodeSets = []*CodeSet{
		{ID: "tamsulosin", Codes: []Code{{testATC, "G04CA02", ""}, {testSNOMED, "372509001", ""}, {"urn:hospital", "T-1", ""}}},
		{ID: "pilocarpine", Codes: []Code{{testATC, "S01EB01", ""}}},
		{ID: "miotic-class", Branches: []Code{{testATC, "S01EB", ""}}, Except: []Code{{testATC, "S01EB0", ""}}, ExceptCodes: []Code{{testATC, "S01EB1", ""}}},
		{ID: "oral", Codes: []Code{{testATC, "N07AX01", ""}}},
		{ID: "oral-route", Codes: []Code{{testSNOMED, "26643006", ""}}},
		{ID: "eye-route", Codes: []Code{{testSNOMED, "54485002", ""}}},
		{ID: "iris", Branches: []Code{{testICD, "H21.5", ""}}},
		{ID: "answer-no", Codes: []Code{{testSNOMED, "2667000", ""}}},
		{ID: "operation", Codes: []Code{{testSNOMED, "110473004", ""}}},
	}
	return l
}

func smallWording() string {
	text := "levels: {high: H, moderate: M, low: L}\nhazards: {floppy-iris: F, small-pupil: S}\neyes: {right: R, left: L, both: B, unknown: U}\noutcomes: {none-found: N, not-assessed: NA}\ncautions: {no-clearance: C, do-not-stop: S}\ngaps:\n"
	for _, k := range GapKinds {
		text += fmt.Sprintf("  %s: \"%s {name}\"\n", k, k)
	}
	return text
}

func TestMatch(t *testing.T) {
	c := smallCatalogue(t)
	drug := func(text string, codes ...Code) Entry {
		return Entry{Kind: Medication, Concepts: []Concept{{Text: text, Codes: codes}}}
	}
	with := func(e Entry, note string, qualifiers ...Concept) Entry {
		e.Note, e.Qualifiers = note, qualifiers
		return e
	}
	obs := func(text string, values ...Concept) Entry {
		return Entry{Kind: Observation, Concepts: []Concept{{Text: text}}, Qualifiers: values}
	}
	oral := Concept{Codes: []Code{{testSNOMED, "26643006", "Oral route"}}}
	eye := Concept{Codes: []Code{{testSNOMED, "54485002", ""}}}
	cases := []struct {
		name  string
		entry Entry
		want  string // code how "matched"; "" for none
	}{
		{"code", drug("", Code{testATC, "G04CA02", "tamsulosin"}), `tamsulosin code "tamsulosin"`},
		{"code in other dress", drug("", Code{"urn:oid:2.16.840.1.113883.6.73", " g04 ca02", ""}), `tamsulosin code " g04 ca02"`},
		{"system with a slash, a version, capitals", drug("", Code{"HTTP://www.whocc.no/atc/|2026", "G04CA02", ""}), `tamsulosin code "G04CA02"`},
		{"code of a system that knows no branches is not changed", drug("", Code{testSNOMED, "37250.9001", ""}), ""},
		{"local system", drug("", Code{"urn:hospital", "T-1", ""}), `tamsulosin code "T-1"`},
		{"local code, other case", drug("", Code{"urn:hospital", "t-1", ""}), ""},
		{"code without a system is its display", drug("", Code{"", "G04CA02", "Tamsulosin"}), `tamsulosin text "Tamsulosin"`},
		{"expression", drug("", Code{testSNOMED, "372509001 |Tamsulosin| : 762949000 = 1", ""}), `tamsulosin code "372509001 |Tamsulosin| : 762949000 = 1"`},
		{"text of a known code is the name", drug("Tamsulosin caps", Code{testATC, "G04CA02", ""}), `tamsulosin code "Tamsulosin caps"`},
		{"display of an unknown code", drug("", Code{"urn:x", "1", "Tamsulosin caps"}), `tamsulosin text "Tamsulosin caps"`},
		{"code beats text", drug("tamsulosin", Code{testATC, "N07AX01", ""}), ""},
		{"code beats display of another code", drug("", Code{"urn:x", "1", "tamsulosin"}, Code{testATC, "N07AX01", ""}), ""},
		{"but not in another concept", Entry{Kind: Medication, Concepts: []Concept{{Codes: []Code{{testATC, "N07AX01", ""}}}, {Text: "tamsulosin"}}}, `tamsulosin text "tamsulosin"`},
		{"the name before the bare code", drug("", Code{testATC, "G04CA02", ""}, Code{testSNOMED, "372509001", "Zeta"}), `tamsulosin code "Zeta"`},
		{"spelling", drug("tamsulosn"), `tamsulosin spelling "tamsulosn"`},
		{"an exact name in the same text is surer", drug("tamsulosn tamsulosin flomax"), `tamsulosin text "tamsulosn tamsulosin flomax"`},
		{"brand", drug("FLOMAX"), `tamsulosin spelling "FLOMAX"`},
		{"brand one letter off", drug("flomx"), ""},
		{"wrong kind", Entry{Kind: Condition, Concepts: []Concept{{Text: "tamsulosin"}}}, ""},
		{"unless by text", drug("pilocarpine tablets"), ""},
		{"unless by route code", with(drug("", Code{testATC, "S01EB01", "x"}), "", oral), ""},
		{"unless by note", with(drug("pilocarpine"), "two tablets"), ""},
		{"despite", with(drug("pilocarpine eye drops"), "also takes tablets", oral), `drops:pilocarpine text "pilocarpine eye drops"`},
		{"needs, not there", drug("miotic"), ""},
		{"needs by word", drug("miotic drops"), `drops:other text "miotic drops"`},
		{"needs by code", with(drug("", Code{testATC, "S01EB99", ""}), "", eye), `drops:other class "S01EB99"`},
		{"class itself", with(drug("", Code{testATC, "S01EB", ""}), "", eye), `drops:other class "S01EB"`},
		{"stranger and what is below", with(drug("", Code{testATC, "S01EB09", ""}), "", eye), ""},
		{"single stranger", with(drug("", Code{testATC, "S01EB1", ""}), "", eye), ""},
		{"below a single stranger", with(drug("", Code{testATC, "S01EB10", ""}), "", eye), `drops:other class "S01EB10"`},
		{"category with dagger", Entry{Kind: Condition, Concepts: []Concept{{Codes: []Code{{testICD, "h21.50†", ""}}}}}, `iris class "h21.50†"`},
		{"not the category before", Entry{Kind: Condition, Concepts: []Concept{{Codes: []Code{{testICD, "H21", ""}}}}}, ""},
		{"value names it", obs("Iris finding", Concept{Text: "Synechiae"}), `iris text "Synechiae"`},
		{"value denies it", obs("Synechiae", Concept{Text: " NONE "}), ""},
		{"value denies it by code", obs("Synechiae", Concept{Codes: []Code{{testSNOMED, "2667000", ""}}}), ""},
		{"value that says more", obs("Synechiae", Concept{Text: "none on the left"}), `iris text "Synechiae"`},
		{"condition with such a qualifier", Entry{Kind: Condition, Concepts: []Concept{{Text: "Synechiae"}}, Qualifiers: []Concept{{Text: "none"}}}, `iris text "Synechiae"`},
		{"nothing", Entry{Kind: Medication}, ""},
	}
	for _, k := range cases {
		t.Run(k.name, func(t *testing.T) {
			got := ""
			for _, h := range c.Match(&k.entry) {
				got += fmt.Sprintf("%s %s %q", h.Code, h.How, h.Matched)
			}
			require.Equal(t, k.want, got)
		})
	}
}

func TestServiceRules(t *testing.T) {
	c := smallCatalogue(t)
	op := Concept{Codes: []Code{{testSNOMED, "110473004", ""}}}
	for _, k := range []struct {
		want    Recognition
		booking []Concept
	}{
		{IsOperation, []Concept{op}},
		{IsOperation, []Concept{op, {Text: "review"}}},
		{IsOperation, []Concept{{Codes: op.Codes, Text: "review"}}},
		{IsOperation, []Concept{{Text: "phaco"}}},
		{IsNot, []Concept{{Text: "phaco review"}}},
		{IsNot, []Concept{{Text: "review"}, {Text: "phaco review"}}},
		{Unclear, []Concept{{Text: "review"}, {Text: "phaco"}}},
		{Unclear, nil},
	} {
		require.Equal(t, k.want, c.Service(k.booking), "%v", k.booking)
	}
}

func TestSystemURI(t *testing.T) {
	c := smallCatalogue(t)
	require.Equal(t, testATC, c.SystemURI("urn:oid:2.16.840.1.113883.6.73"))
	require.Equal(t, testATC, c.SystemURI(testATC))
	require.Equal(t, "urn:hospital", c.SystemURI("urn:hospital"))
	require.Equal(t, "urn:else", c.SystemURI("urn:else"))
	require.NotContains(t, c.index.factors, "nothing")
	require.Equal(t, "iris", c.Factors[c.index.factors["iris"]].ID)
}

// The cost of matching a concept that is not remembered does not grow with the number of codes.
func BenchmarkMatch(b *testing.B) {
	for _, n := range []int{500, 50_000} {
		b.Run(fmt.Sprintf("codes=%d", n), func(b *testing.B) {
			c := smallCatalogue(b, func(l *Layer) {
				for i := range n {
					sys := []string{testATC, testSNOMED, testICD, "urn:hospital"}[i%4]
					l.CodeSets[i%2].Codes = append(l.CodeSets[i%2].Codes, Code{System: sys, Code: fmt.Sprintf("Z%06d", i)})
					if i%4 == 0 {
						l.CodeSets[2].Branches = append(l.CodeSets[2].Branches, Code{System: testATC, Code: fmt.Sprintf("Y%06d", i)})
					}
				}
			})
			concepts := []Concept{
				{Text: "Tamsulosin 400 micrograms capsules", Codes: []Code{{testATC, "G04CA02", ""}, {testSNOMED, "372509001", ""}}},
				{Text: "Amlodipine 5 mg tablets, one a day", Codes: []Code{{testATC, "C08CA01", ""}}},
				{Codes: []Code{{testICD, "H21.541", "Posterior synechiae"}}},
				{Text: "tamsulosn 0,4 mg"},
			}
			b.ReportAllocs()
			for b.Loop() {
				for i := range concepts {
					c.index.findOut(&concepts[i])
				}
			}
		})
	}
}

// What is remembered of a concept is what would be found out anew, however many concepts come between.
func TestMeaningIsRemembered(t *testing.T) {
	c := smallCatalogue(t)
	concept := func(i int) Concept {
		name := []string{"tamsulosin", "pilocarpine eye drops", "miotic", "phaco", "none", "amlodipine", "was on tamsulosn"}[i%7]
		return Concept{Text: fmt.Sprint(name, " ", i/14), Codes: []Code{{[]string{testATC, testSNOMED}[i%2], []string{"G04CA02", "1"}[i%2], name}}}
	}
	for range 2 {
		for i := range 3 * len(c.index.memo.slots) {
			k := concept(i)
			want := *c.index.findOut(&k)
			require.Equal(t, want, *c.index.meaningOf(&k))
			require.Equal(t, want, *c.index.meaningOf(&k), "the second time")
		}
	}
	name := concept(0)
	first := c.index.meaningOf(&name)
	require.Same(t, first, c.index.meaningOf(&name))
	require.NotSame(t, unsafe.StringData(name.Text), unsafe.StringData(first.of.Text), "the page it was read from is not kept")
	other := concept(0)
	other.Codes[0].System = "urn:else"
	require.NotEqual(t, first.known, c.index.meaningOf(&other).known, "the system belongs to the concept")
	letter := Concept{Text: strings.Repeat("tamsulosin ", 100)}
	require.NotSame(t, c.index.meaningOf(&letter), c.index.meaningOf(&letter), "a letter is not remembered")
}
