package catalogue_test

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
)

// The layers that may catch a fault of the catalogue, in the order in which they are asked. The first three are what
// "catalogue check" runs; the last is the table of this file.
const (
	byLoad  = "load"  // one file by itself cannot be read
	byCheck = "check" // the parts do not make a sound whole
	byCases = "cases" // a worked case that stands in the catalogue comes out otherwise
	byTable = "table" // the catalogue contradicts what the evidence and the code list say
)

// edit is one slip of the hand: old becomes slip, once, in the part of the file that begins with part ("" for the file); an old of
// whole is the part itself.
type edit struct{ file, part, old, slip string }

// fault is one slip, or one that took two edits, and who must catch it. What load, check and cases say has to name a file and a
// line, and holds reason; so does what the table says.
type fault struct {
	name   string
	edits  []edit
	layer  string
	reason string
}

const whole = "(whole)"

const (
	alphaBlockers  = "factors/alpha-1-antagonists.yaml"
	antipsychotics = "factors/antipsychotics.yaml"
	measurements   = "factors/measurements.yaml"
	recordedBefore = "factors/recorded-before.yaml"
	eyeDisease     = "factors/eye-disease.yaml"
	eyeOperations  = "factors/eye-operations.yaml"
	contextOnly    = "factors/context.yaml"
)

var faults = []fault{
	// what a file may not say
	{"an unknown key", []edit{{alphaBlockers, "- factor: tamsulosin\n", "  grade: A\n", "  grade: A\n  severity: high\n"}}, byLoad, `unknown field "severity"`},
	{"a level that is none", []edit{{alphaBlockers, "- factor: tamsulosin\n", "level: high", "level: severe"}}, byLoad, "level is not low, moderate or high"},
	{"a comma lost in JSON", []edit{{"codes/miosis.json", "", `"id": "miosis",`, `"id": "miosis"`}}, byLoad, "not JSON"},
	{"a code set is emptied of its ATC codes", []edit{{"codes/silodosin.json", "", `{"code": "G04CA04", "display": "silodosin"}`, ""}}, byLoad, "compose takes the whole of http://www.whocc.no/atc"},

	// what does not make a whole
	{"a code set that is not there", []edit{{alphaBlockers, "- factor: silodosin\n", "codes: [silodosin]", "codes: [silodosine]"}}, byCheck, `no code set "silodosine"`},
	{"the grade is missing", []edit{{alphaBlockers, "- factor: tamsulosin\n", "  grade: A\n", ""}}, byCheck, `evidence grade "" is not`},
	{"the only source is removed", []edit{{"factors/prostate-drugs.yaml", "- factor: saw-palmetto\n", "  sources:\n    - {text: \"Yeu E, Grostern R. 2007, single report\", checked: from memory}\n", ""}}, byCheck, "no source"},
	{"a source that nobody says how it was checked", []edit{{alphaBlockers, "- factor: silodosin\n", ", checked: page}", "}"}}, byCheck, `checked "" is not`},
	{"a threshold of 5.0 mm written 50", []edit{{measurements, "- factor: dilated-pupil\n", "up_to: 5.0", "up_to: 50"}}, byCheck, "bands overlap or do not rise"},
	{"bands that overlap", []edit{{measurements, "- factor: dilated-pupil\n", "up_to: 6.0", "up_to: 4.5"}}, byCheck, "bands overlap or do not rise"},
	{"no words for a level", []edit{{"wording.yaml", "levels:\n", "  high: EXPECT\n", ""}}, byCheck, "no wording for high"},
	{"a SNOMED CT code with a wrong digit", []edit{{"codes/tamsulosin.json", "", `"372509005"`, `"372509001"`}}, byCheck, "check digit"},
	{"an ICD-10 code with a letter for a digit", []edit{{"codes/ifis-history.json", "", `"H21.81"`, `"H2l.81"`}}, byCheck, `"H2l.81" does not look like a code of ICD-10-CM`},
	{"nobody does the task", []edit{{"preparations.yaml", "- code: prepare-pupil-expansion\n", "  who: theatre nurse\n", ""}}, byCheck, "who does it"},
	{"a preparation that nothing calls for", []edit{{"preparations.yaml", "- code: surgeon-review\n", "  hazards: [floppy-iris, small-pupil]\n", ""}}, byCheck, "nothing calls for preparation surgeon-review"},
	{"a caution that nothing calls for", []edit{{"cautions.yaml", "- caution: protect-the-bleb\n", "  factors: [filtering-surgery, drainage-device]\n", ""}}, byCheck, "nothing calls for caution protect-the-bleb"},
	{"a task 70 days before", []edit{{"preparations.yaml", "- code: measure-dilated-pupil\n", "days: 7", "days: 70"}}, byCheck, "70 days before the operation is not from 0 to 31"},
	{"a preparation with the code of another", []edit{{"preparations.yaml", "- code: prepare-pupil-expansion\n", "- code: prepare-pupil-expansion\n", "- code: surgeon-review\n"}}, byCheck, `"surgeon-review" stands twice`},
	{"a brand of one letter", []edit{{alphaBlockers, "- factor: tamsulosin\n", "name: omnic", "name: o"}}, byCheck, `"o" is so short`},
	{"persistence is switched off", []edit{{alphaBlockers, "- factor: tamsulosin\n", "persists: true", "persists: false"}}, byCheck, "persists_why"},
	{"oral pilocarpine in the code set of the drops", []edit{{"codes/pilocarpine.json", "", `{"code": "8328"`, `{"code": "1000913", "display": "pilocarpine hydrochloride 5 MG Oral Tablet"}, {"code": "8328"`}}, byCheck, `"1000913" stands in code set pilocarpine-oral too`},
	{"the sentence that a flag must carry is removed", []edit{{"wording.yaml", "cautions:\n", "  do-not-stop: No drug is to be stopped or changed for this; that is for its prescriber.\n", ""}}, byCheck, "do-not-stop"},
	{"a code of a system that is none", []edit{{"codes/ifis-history.json", "", "sid/icd-10-cm", "sid/icd10-cm"}}, byCheck, `is "http://hl7.org/fhir/sid/icd-10-cm" meant?`},

	// what worked cases tell
	{"a drug's level is lowered", []edit{{alphaBlockers, "- factor: tamsulosin\n", "level: high", "level: low"}}, byCases, "gives floppy-iris low both, expected floppy-iris high both"},
	{"an ATC code with a wrong digit", []edit{{"codes/silodosin.json", "", `{"code": "G04CA04", "display": "silodosin"}`, `{"code": "G04CA44", "display": "silodosin"}`}}, byCases, `"ATC|G04CA04": found false, expected true`},
	{"a code moves to the set of another factor", []edit{{"codes/tamsulosin.json", "", "{\"code\": \"77492\", \"display\": \"tamsulosin\"},\n", ""}, {"codes/alfuzosin.json", "", `{"code": "17300"`, `{"code": "77492", "display": "tamsulosin"}, {"code": "17300"`}}, byCases, `"RxNorm|77492": found false, expected true`},
	{"an ICD-10 code with two digits turned", []edit{{"codes/ifis-history.json", "", `"H21.81"`, `"H21.18"`}}, byCases, `"ICD-10-CM|H21.81": found false, expected true`},
	{"a brand given to another drug", []edit{{alphaBlockers, "- factor: doxazosin\n", "          - {name: cardura, country: \"US, GB\"}\n", ""}, {alphaBlockers, "- factor: tamsulosin\n", "          - {name: omnic", "          - {name: cardura, country: GB}\n          - {name: omnic"}}, byCases, `"Cardura XL": found true, expected false`},
	{"a threshold of 5.0 mm becomes 4.0", []edit{{measurements, "- factor: dilated-pupil\n", "up_to: 5.0", "up_to: 4.0"}}, byCases, "gives small-pupil moderate left, expected small-pupil high left"},
	{"a band is lost", []edit{{measurements, "- factor: dilated-pupil\n", "      - {id: pupil-6, up_to: 6.0, level: moderate}\n", ""}}, byCases, "gives nothing, expected small-pupil moderate left"},
	{"a drug that counts for one eye only", []edit{{alphaBlockers, "- factor: tamsulosin\n", "eyes: both", "eyes: recorded"}}, byCases, "gives floppy-iris high left, expected floppy-iris high both"},
	{"an operation on one eye that counts for both", []edit{{eyeOperations, "- factor: filtering-surgery\n", "eyes: recorded", "eyes: both"}}, byCases, "gives small-pupil moderate both, expected small-pupil moderate right"},
	{"a floppy iris called a small pupil", []edit{{alphaBlockers, "- factor: tamsulosin\n", "hazard: floppy-iris", "hazard: small-pupil"}}, byCases, "gives small-pupil high both, expected floppy-iris high both"},
	{"a floppy iris in one eye says nothing of the other", []edit{{recordedBefore, "- factor: floppy-iris-recorded\n", "  fellow: high\n", ""}}, byCases, "gives floppy-iris high left, expected floppy-iris high right and floppy-iris high left"},
	{"oral pilocarpine is a miotic drop", []edit{{"factors/miotic-drops.yaml", "", "[oral-route, pilocarpine-oral, ", "[oral-route, "}, {"reading.yaml", "", "  - {codes: pilocarpine-oral, why: \"the tablet for a dry mouth is no eye drop\"}\n", ""}, {"codes/pilocarpine.json", "", `{"code": "8328"`, `{"code": "1000913", "display": "pilocarpine hydrochloride 5 MG Oral Tablet"}, {"code": "8328"`}}, byCases, `"pilocarpine 5 mg": found as chronic-miotic-drops, expected for no factor`},
	{"lithium is an antipsychotic", []edit{{antipsychotics, "- factor: other-antipsychotic\n", "premedication, lithium]", "premedication]"}, {"codes/antipsychotic-class.json", "", `"N05AN"`, `"N05AX99"`}, {"reading.yaml", "", "  - {codes: lithium, why: \"stands in the ATC class of the antipsychotics and is none\"}\n", ""}}, byCases, `"ATC|N05AN01": found true, expected false`},
	{"acetylcholine given in theatre is a miotic taken for long", []edit{{"codes/miotic-class.json", "", `"S01EB09"`, `"S01EB90"`}, {"reading.yaml", "", "  - {codes: acetylcholine-intraocular, why: \"given inside the eye in theatre; no chronic exposure\"}\n", ""}}, byCases, `"acetylcholine": found true, expected false`},
	{"a single dose counts as treatment", []edit{{antipsychotics, "- factor: quetiapine\n", "      unless: [single dose, once only, stat dose, premedication]\n", ""}}, byCases, `"quetiapine 50 mg single dose": found true, expected false`},
	{"a text that is found in most drugs", []edit{{alphaBlockers, "- factor: tamsulosin\n", "[tamsulosin, ", "[tamsulosin, hydrochloride, "}}, byCases, `"Metformin hydrochloride 500 mg tablets": found as tamsulosin, expected for no factor`},
	{"a text that is found in another substance", []edit{{alphaBlockers, "- factor: other-alpha-1-antagonist\n", "[alpha blocker, ", "[alpha, alpha blocker, "}}, byCases, `"Alpha lipoic acid": found true, expected false`},
	{"an after-cataract procedure among the lens operations", []edit{{"codes/cataract-surgery.json", "", `{"code": "C71.1"`, `{"code": "C73.3", "display": "Capsulotomy of posterior lens capsule"}, {"code": "C71.1"`}, {"codes/lens-other.json", "", `"code": "C73.3"`, `"code": "C73.7"`}}, byCases, `"OPCS-4|C73.3": found true, expected false`},
	{"prostate disease is no longer a reason to ask", []edit{{"questions.yaml", "", "kinds: [condition]\n      codes: [bph]\n", "kinds: [procedure]\n      codes: [bph]\n"}}, byCases, `question ever-an-alpha-blocker, case 1: "Benign prostatic hyperplasia": found false, expected true`},
	{"a caution looks for another drug", []edit{{"cautions.yaml", "- caution: suxamethonium\n", "codes: [echothiophate]\n      words: [echothiophate, ecothiopate]", "codes: [demecarium]\n      words: [demecarium]"}}, byCases, `caution suxamethonium, case 1: "Echothiophate eye drops": found false, expected true`},
	{"a common disease becomes a finding", []edit{{contextOnly, "- factor: hypertension\n", "  context_only: true\n", "  level: low\n"}}, byCases, "gives floppy-iris low"},

	// what is for a person to decide, and is held to the evidence here
	{"an alpha-blocker on record no longer answers the question", []edit{{"questions.yaml", "", "[tamsulosin, silodosin, alfuzosin, terazosin, doxazosin, prazosin, other", "[silodosin, alfuzosin, terazosin, doxazosin, prazosin, other"}}, byTable, "asks for an alpha-blocker beside tamsulosin"},
	{"a limit with its digits turned", []edit{{eyeDisease, "- factor: pseudoexfoliation\n", "below: 6.3", "below: 3.6"}}, byTable, "2.4 zonular complications with a pupil under 6.30 mm"},
	{"an action only for the highest level", []edit{{"preparations.yaml", "- code: prepare-pupil-expansion\n", "min_level: moderate", "min_level: high"}}, byTable, "prepare-pupil-expansion is not asked for"},
	{"an action for one hazard only", []edit{{"preparations.yaml", "- code: surgeon-review\n", "hazards: [floppy-iris, small-pupil]", "hazards: [floppy-iris]"}}, byTable, "surgeon-review is not asked for"},
	{"a preparation is removed", []edit{{"preparations.yaml", "- code: prepare-pupil-expansion\n", whole, ""}}, byTable, "prepare-pupil-expansion is not asked for"},
	{"a caution is removed", []edit{{"cautions.yaml", "- caution: check-phenylephrine\n", whole, ""}}, byTable, `does not speak of "phenylephrine"`},
	{"a text tells somebody to stop a drug", []edit{{"preparations.yaml", "- code: confirm-medication-history\n", "stopped counts.", "stopped counts. Stop tamsulosin two weeks before."}}, byTable, "tells somebody to stop"},
	{"a text suggests atropine", []edit{{"preparations.yaml", "- code: measure-dilated-pupil\n", "Write down size", "Give atropine the day before. Write down size"}}, byTable, "suggests atropine"},
	{"one source of many is removed", []edit{{alphaBlockers, "- factor: tamsulosin\n", "    - {text: \"RANZCO, Choosing Wisely Australia, reviewed 2022\", checked: page}\n", ""}}, byTable, "RANZCO"},
	{"an action for a finding only, not for a gap", []edit{{"preparations.yaml", "- code: confirm-medication-history\n", "gaps: [drug-list-empty, ", "gaps: ["}}, byTable, "confirm-medication-history"},
	{"an action a day late", []edit{{"preparations.yaml", "- code: measure-dilated-pupil\n", "days: 7", "days: 1"}}, byTable, "measure-dilated-pupil is due on 2026-03-15, expected 2026-03-09"},
}

// Every seeded fault is caught, and by the layer that is named for it; without it no layer says anything.
func TestSeededFaultsAreCaught(t *testing.T) {
	sound := builtInFiles(t)
	layer, said := caughtBy(sound)
	require.Empty(t, said, "the built-in catalogue is refused by %s", layer)
	require.GreaterOrEqual(t, len(faults), 24)
	names := map[string]bool{}
	for _, k := range faults {
		require.False(t, names[k.name], "%s stands twice", k.name)
		names[k.name] = true
		t.Run(k.name, func(t *testing.T) {
			files := maps.Clone(sound)
			for _, e := range k.edits {
				e.apply(t, files)
			}
			layer, said := caughtBy(files, k.edits...)
			require.Equal(t, k.layer, layer, "%q", said)
			i := slices.IndexFunc(said, func(s string) bool { return strings.Contains(s, k.reason) })
			require.GreaterOrEqual(t, i, 0, "%q does not say %q", said, k.reason)
			if layer != byTable {
				requirePlace(t, said[i], k.edits, files)
			}
		})
	}
}

// requirePlace: what is said names an edited part, or, if a case elsewhere says it, the line of a case.
func requirePlace(t *testing.T, said string, edits []edit, files fstest.MapFS) {
	t.Helper()
	m := regexp.MustCompile(`^([a-zA-Z0-9./-]+):(\d+): ([a-z ]*)`).FindStringSubmatch(said)
	require.NotNil(t, m, said)
	require.Contains(t, files, m[1])
	n, err := strconv.Atoi(m[2])
	require.NoError(t, err)
	lines := strings.Split(string(files[m[1]].Data), "\n")
	require.LessOrEqual(t, n, len(lines), said)
	if strings.Contains(said, " case ") {
		require.Regexp(t, `^ +- \{(kind|text|code): `, lines[n-1], said)
		return
	}
	i := slices.IndexFunc(edits, func(e edit) bool { return e.file == m[1] })
	require.GreaterOrEqual(t, i, 0, "%s names a file that was not edited", said)
	text := string(files[m[1]].Data)
	from, to := bounds(text, edits[i].part)
	require.GreaterOrEqual(t, n, 1+strings.Count(text[:from], "\n"), said)
	require.LessOrEqual(t, n, 1+strings.Count(text[:to], "\n"), said)
}

// bounds is where the part of a text that begins with part lies: up to the next line that is indented no deeper.
func bounds(text, part string) (from, to int) {
	from = strings.Index(text, part)
	if part == "" || from < 0 {
		return 0, len(text)
	}
	if end := regexp.MustCompile(`\n[^\s#]`).FindStringIndex(text[from+len(part):]); end != nil {
		return from, from + len(part) + end[0]
	}
	return from, len(text)
}

func (e edit) apply(t *testing.T, files fstest.MapFS) {
	t.Helper()
	require.Contains(t, files, e.file)
	text := string(files[e.file].Data)
	from, to := bounds(text, e.part)
	require.Contains(t, text[from:to], e.part, "%s has no part %q", e.file, e.part)
	if e.old == whole {
		e.old = text[from:to]
	}
	require.Contains(t, text[from:to], e.old, "%s: nothing to edit", e.file)
	edited := text[:from] + strings.Replace(text[from:to], e.old, e.slip, 1) + text[to:]
	require.NotEqual(t, text, edited, "the edit changes nothing")
	files[e.file] = &fstest.MapFile{Data: []byte(edited)}
}

// caughtBy is the first layer that finds fault with an edited catalogue, and what it says, a line each; nothing if none does.
func caughtBy(files fstest.MapFS, edits ...edit) (layer string, said []string) {
	var errs []error
	for _, e := range edits {
		var err error
		if path.Dir(e.file) == "codes" {
			_, err = fhirmap.ParseValueSet(e.file, files[e.file].Data)
		} else {
			err = new(rules.Layer).AddYAML(e.file, files[e.file].Data)
		}
		errs = append(errs, err)
	}
	if err := errors.Join(errs...); err != nil {
		return byLoad, strings.Split(err.Error(), "\n")
	}
	c, err := fhirmap.LoadCatalogue(files)
	if err != nil {
		return byCheck, strings.Split(err.Error(), "\n")
	}
	if err := c.CheckCases(); err != nil {
		return byCases, strings.Split(err.Error(), "\n")
	}
	if said := contradictions(c); len(said) > 0 {
		return byTable, said
	}
	return "", nil
}

// builtInFiles are the files of the built-in catalogue, to be edited.
func builtInFiles(t *testing.T) fstest.MapFS {
	t.Helper()
	out := fstest.MapFS{}
	require.NoError(t, fs.WalkDir(catalogue.FS, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := fs.ReadFile(catalogue.FS, name)
		out[name] = &fstest.MapFile{Data: data}
		return err
	}))
	return out
}

// The rest of the file says, without a look at the catalogue, what must come out. Section numbers are those of the project's
// page of evidence, "list" is its list of codes with where each was seen; levels are those proposed for the clinic to approve.

// expectation is one record of a patient whose RIGHT eye is to be operated on, and the findings for that eye.
type expectation struct {
	source string
	record rules.Entry
	want   string // "hazard level eye" each, strongest first, joined by "; "
}

const (
	atc, rx    = "http://www.whocc.no/atc", "http://www.nlm.nih.gov/research/umls/rxnorm"
	cm, who10  = "http://hl7.org/fhir/sid/icd-10-cm", "http://hl7.org/fhir/sid/icd-10"
	sct, opcs  = "http://snomed.info/sct", "https://fhir.hl7.org.uk/Id/opcs-4"
	pcs, loinc = "http://www.cms.gov/Medicare/Coding/ICD10", "http://loinc.org"
	right      = rules.RightEye
	left       = rules.LeftEye
	unsaid     = rules.EyeUnknown
)

func coded(kind rules.Kind, eye rules.Eye, system, code string) rules.Entry {
	return rules.Entry{Kind: kind, Eye: eye, Concepts: []rules.Concept{{Codes: []rules.Code{{System: system, Code: code}}}}}
}

func named(kind rules.Kind, eye rules.Eye, text string) rules.Entry {
	return rules.Entry{Kind: kind, Eye: eye, Concepts: []rules.Concept{{Text: text}}}
}

func ended(e rules.Entry) rules.Entry {
	e.Ended = true
	return e
}

func sized(mm float64, eye rules.Eye, text string) rules.Entry {
	e := named(rules.Observation, eye, text)
	e.Amount = &rules.Amount{Value: mm, Unit: "mm"}
	return e
}

var expectations = []expectation{
	// 2.1: any alpha-1 antagonist ever taken, whatever side; tamsulosin highest, silodosin as high by class.
	{"2.1 tamsulosin", named(rules.Medication, unsaid, "tamsulosin 0.4 mg"), "floppy-iris high both"},
	{"2.1 persists: any lifetime history", ended(named(rules.Medication, unsaid, "tamsulosin 0.4 mg")), "floppy-iris high both"},
	{"2.1 systemic, whatever side a record names", named(rules.Medication, left, "tamsulosin 0.4 mg"), "floppy-iris high both"},
	{"list: RxNorm 77492 tamsulosin", coded(rules.Medication, unsaid, rx, "77492"), "floppy-iris high both"},
	{"hl7ch/ch-term, active ingredients: SNOMED CT 372509005 tamsulosin", coded(rules.Medication, unsaid, sct, "372509005"), "floppy-iris high both"},
	{"hl7ch/ch-term, active ingredients: SNOMED CT 372508002 doxazosin", coded(rules.Medication, unsaid, sct, "372508002"), "floppy-iris moderate both"},
	{"hl7ch/ch-term, active ingredients: SNOMED CT 442042006 silodosin", coded(rules.Medication, unsaid, sct, "442042006"), "floppy-iris high both"},
	{"list: ATC G04CA02 tamsulosin", coded(rules.Medication, unsaid, atc, "G04CA02"), "floppy-iris high both"},
	{"list: ATC G04CA53 tamsulosin and solifenacin", coded(rules.Medication, unsaid, atc, "G04CA53"), "floppy-iris high both"},
	{"list: brand omnic, tamsulosin", named(rules.Medication, unsaid, "Omnic 0.4"), "floppy-iris high both"},
	{"2.1 silodosin: treat as high", named(rules.Medication, unsaid, "silodosin 8 mg"), "floppy-iris high both"},
	{"2.1 silodosin, persists by class", ended(coded(rules.Medication, unsaid, atc, "G04CA04")), "floppy-iris high both"},
	{"list: RxNorm 720825 silodosin (memory)", coded(rules.Medication, unsaid, rx, "720825"), "floppy-iris high both"},
	{"2.1 alfuzosin", ended(named(rules.Medication, unsaid, "alfuzosin 10 mg")), "floppy-iris moderate both"},
	{"list: RxNorm 17300 alfuzosin (memory)", coded(rules.Medication, unsaid, rx, "17300"), "floppy-iris moderate both"},
	{"list: ATC G04CA01 alfuzosin", coded(rules.Medication, unsaid, atc, "G04CA01"), "floppy-iris moderate both"},
	{"list: brand xatral, alfuzosin", named(rules.Medication, unsaid, "Xatral XL"), "floppy-iris moderate both"},
	{"2.1 terazosin", ended(named(rules.Medication, unsaid, "terazosin 5 mg")), "floppy-iris moderate both"},
	{"list: ATC G04CA03 terazosin", coded(rules.Medication, unsaid, atc, "G04CA03"), "floppy-iris moderate both"},
	{"2.1 doxazosin", ended(named(rules.Medication, unsaid, "doxazosin 4 mg")), "floppy-iris moderate both"},
	{"list: RxNorm 49276 doxazosin", coded(rules.Medication, unsaid, rx, "49276"), "floppy-iris moderate both"},
	{"list: brand cardura, doxazosin", named(rules.Medication, unsaid, "Cardura XL"), "floppy-iris moderate both"},
	{"2.1 prazosin", ended(coded(rules.Medication, unsaid, rx, "8629")), "floppy-iris moderate both"},
	{"2.1 naftopidil has no ATC code: text", ended(named(rules.Medication, unsaid, "Naftopidil 75 mg")), "floppy-iris moderate both"},
	{"list: ATC C02CA06 urapidil", coded(rules.Medication, unsaid, atc, "C02CA06"), "floppy-iris moderate both"},
	{"2.1 carvedilol: low tier only, or alerts will be ignored", named(rules.Medication, unsaid, "carvedilol 6.25 mg"), ""},
	// 2.2
	{"2.2 risperidone, current or past use", ended(named(rules.Medication, unsaid, "risperidone 2 mg")), "floppy-iris moderate both"},
	{"list: ATC N05AX13 paliperidone", coded(rules.Medication, unsaid, atc, "N05AX13"), "floppy-iris moderate both"},
	{"2.2 quetiapine", coded(rules.Medication, unsaid, rx, "51272"), "floppy-iris moderate both"},
	{"2.2 antipsychotics as a class", coded(rules.Medication, unsaid, atc, "N05AH03"), "floppy-iris low both"},
	{"8 lithium stands in the class and is none", coded(rules.Medication, unsaid, atc, "N05AN01"), ""},
	{"2.2 finasteride, confounded", ended(coded(rules.Medication, unsaid, atc, "G04CB01")), "floppy-iris low both"},
	{"4.3 hypertension is never a flag", coded(rules.Condition, unsaid, cm, "I10"), ""},
	{"2.2 opioids: mechanism only; 8: common drugs must not flag alone", named(rules.Medication, unsaid, "oxycodone 10 mg"), ""},
	{"8 common drugs must not flag alone: benzodiazepines", coded(rules.Medication, unsaid, rx, "3322"), ""},
	// 2.3
	{"2.3 pilocarpine drops, structural", ended(coded(rules.Medication, right, atc, "S01EB01")), "small-pupil moderate right"},
	{"2.3 drops into the other eye", coded(rules.Medication, left, atc, "S01EB01"), ""},
	{"2.3 oral pilocarpine must not fire: RxNorm 1000913", coded(rules.Medication, unsaid, rx, "1000913"), ""},
	{"2.3 oral pilocarpine must not fire: ATC N07AX01", coded(rules.Medication, unsaid, atc, "N07AX01"), ""},
	{"8 acetylcholine is given inside the eye in theatre", coded(rules.Medication, right, atc, "S01EB09"), ""},
	// 2.4: of one eye
	{"2.4 pseudoexfoliation", named(rules.Condition, right, "Pseudoexfoliation syndrome"), "small-pupil moderate right"},
	{"8 abated is not refuted", ended(named(rules.Condition, right, "Pseudoexfoliation syndrome")), "small-pupil moderate right"},
	{"8 one eye = low for the other", named(rules.Condition, left, "Pseudoexfoliation syndrome"), "small-pupil low right"},
	{"list: SNOMED 111514006 pseudoexfoliation glaucoma", coded(rules.Condition, right, sct, "111514006"), "small-pupil moderate right"},
	{"2.4 prior trabeculectomy", coded(rules.Procedure, right, opcs, "C60.1"), "small-pupil moderate right"},
	{"2.4 prior trabeculectomy of the other eye", coded(rules.Procedure, left, opcs, "C60.1"), ""},
	{"4.8 Z98.83 has no laterality: eye not stated", coded(rules.Condition, unsaid, cm, "Z98.83"), "small-pupil moderate unknown"},
	{"4.9 a filtering operation inside a combined code", coded(rules.Procedure, right, sct, "446548003"), "small-pupil moderate right"},
	{"2.4 drainage device", coded(rules.Procedure, right, sct, "1388411008"), "small-pupil moderate right"},
	{"2.4 laser iridotomy", coded(rules.Procedure, right, opcs, "C62.3"), "small-pupil low right"},
	{"2.4 previous IFIS, same eye: treat as high", coded(rules.Condition, right, cm, "H21.81"), "floppy-iris high right"},
	{"2.4 previous IFIS, fellow eye: treat as high", ended(coded(rules.Condition, left, cm, "H21.81")), "floppy-iris high right"},
	{"list: never infer IFIS from WHO H21.8", coded(rules.Condition, right, who10, "H21.8"), ""},
	{"list: H57.03 miosis", coded(rules.Condition, right, cm, "H57.03"), "small-pupil high right"},
	{"2.4 posterior synechiae", coded(rules.Condition, right, cm, "H21.541"), "small-pupil high right"},
	{"2.4 uveitis; 8 healed uveitis leaves synechiae", ended(named(rules.Condition, right, "Panuveitis")), "small-pupil moderate right"},
	{"2.4 previous vitrectomy", coded(rules.Procedure, right, opcs, "C79.2"), "small-pupil moderate right"},
	{"2.4 diabetic retinopathy: small pupil, not IFIS", coded(rules.Condition, right, who10, "E11.3"), "small-pupil low right"},
	{"8 acute angle closure ever", ended(coded(rules.Condition, right, cm, "H40.211")), "small-pupil moderate right"},
	{"8 rubeosis", coded(rules.Condition, right, sct, "51995000"), "small-pupil moderate right"},
	// 2.5
	{"2.5 5.0 mm or less", sized(5, right, "Dilated pupil diameter"), "small-pupil high right"},
	{"2.5 above 5.0 mm", sized(5.1, right, "Dilated pupil diameter"), "small-pupil moderate right"},
	{"2.5 6.0 mm", sized(6, right, "Dilated pupil diameter"), "small-pupil moderate right"},
	{"8 above 6.0 mm is context", sized(6.1, right, "Dilated pupil diameter"), ""},
	{"2.5 reject what is not marked dilated", sized(4, right, "Pupil diameter"), ""},
	{"list: LOINC 95315-8 is undilated", coded(rules.Observation, right, loinc, "95315-8"), ""},
	{"8 a clinic starts at 2.5 mm of chamber", sized(2.4, right, "Anterior chamber depth"), "small-pupil low right"},
	{"8 a clinic starts at 2.5 mm of chamber", sized(2.5, right, "Anterior chamber depth"), ""},
	// 8: not pupil factors
	{"8 glaucoma drops", named(rules.Medication, right, "latanoprost eye drops"), ""},
	{"8 corneal graft", named(rules.Procedure, right, "Penetrating keratoplasty"), ""},
	{"8 intravitreal injection", named(rules.Procedure, right, "Intravitreal injection of aflibercept"), ""},
	{"common practice: nothing to do with the pupil", named(rules.Medication, unsaid, "Metformin hydrochloride 500 mg tablet"), ""},
	{"common practice: nothing to do with the pupil", named(rules.Medication, unsaid, "Alpha lipoic acid"), ""},
	{"common practice: nothing to do with the pupil", named(rules.Medication, unsaid, "Vitamin D + O mega 3 capsules"), ""},
	{"common practice: nothing to do with the pupil", named(rules.Condition, right, "Senile cataract"), ""},
}

var (
	assessedAt = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC) // a Monday
	operatedAt = time.Date(2026, 3, 16, 9, 0, 0, 0, time.UTC)
)

func assessRight(c *rules.Catalogue, records ...rules.Entry) rules.Assessment {
	h := rules.History{Patient: "Patient/p"}
	for i, e := range records {
		e.Reference = fmt.Sprintf("Basic/%d", i)
		h.Entries = append(h.Entries, e)
	}
	for _, typ := range []string{"Condition", "Procedure", "MedicationRequest"} {
		h.Reads = append(h.Reads, rules.Read{Type: typ, State: rules.ReadWhole})
	}
	return rules.Assess(c, rules.Operation{Appointment: "Appointment/a", Start: operatedAt, Eye: right}, h, assessedAt, rules.Settings{})
}

func findings(a rules.Assessment) string {
	var out []string
	for _, f := range a.Findings {
		out = append(out, fmt.Sprintf("%s %s %s", f.Hazard, f.Level, f.Eye))
	}
	return strings.Join(out, "; ")
}

// texts is what somebody reads and acts on.
func texts(c *rules.Catalogue) (out []string) {
	for _, p := range c.Preparations {
		out = append(out, p.Text)
		for _, a := range p.Advice {
			out = append(out, a.Text)
		}
	}
	for _, x := range c.Cautions {
		out = append(out, x.Text)
	}
	for _, q := range c.Questions {
		out = append(out, q.Text)
	}
	return slices.AppendSeq(out, maps.Values(c.Wording.Cautions))
}

// measured is what several records give together.
var measured = []struct {
	source  string
	records []rules.Entry
	want    string
}{
	{
		"2.4 zonular complications with a pupil under 6.30 mm",
		[]rules.Entry{named(rules.Condition, right, "Pseudoexfoliation"), sized(6.2, right, "Dilated pupil diameter")},
		"small-pupil high right; small-pupil low right",
	},
	{
		"2.4 pseudoexfoliation, pupil of 6.3 mm",
		[]rules.Entry{named(rules.Condition, right, "Pseudoexfoliation"), sized(6.3, right, "Dilated pupil diameter")},
		"small-pupil moderate right; small-pupil low right",
	},
	{
		"2.4 pseudoexfoliation in a chamber under 2.074 mm",
		[]rules.Entry{named(rules.Condition, right, "Pseudoexfoliation"), sized(2, right, "Anterior chamber depth")},
		"small-pupil high right; small-pupil low right",
	},
	{
		"2.5 above 6.0 to 7.0 mm is a note, beside a factor only",
		[]rules.Entry{named(rules.Medication, unsaid, "doxazosin"), sized(7, right, "Dilated pupil diameter")},
		"floppy-iris moderate both; small-pupil low right",
	},
	{
		"2.5 above 7.0 mm nothing",
		[]rules.Entry{named(rules.Medication, unsaid, "doxazosin"), sized(7.1, right, "Dilated pupil diameter")},
		"floppy-iris moderate both",
	},
}

// sourced names the sources that carry a factor's claims. Source: section 1, and the rows of section 2.
var sourced = map[string][]string{
	"tamsulosin":                     {"Chang DF, Campbell JR", "Chatziralli IP, Sergentanis TN", "Christou", "Wang", "Goyal", "Blouin", "Bell", "Kwak", "FDA", "BMJ 2010", "RANZCO"},
	"silodosin":                      {"Wang", "FDA"},
	"alfuzosin":                      {"Wang", "Goyal", "Chang"},
	"doxazosin":                      {"Wang", "Chatziralli IP, Sergentanis TN", "FDA"},
	"risperidone":                    {"MHRA"},
	"paliperidone":                   {"MHRA"},
	"five-alpha-reductase-inhibitor": {"Christou", "Chatziralli"},
	"pseudoexfoliation":              {"PMC5389488", "Halkiadakis", "UK national audit"},
	"vitrectomy":                     {"9642592", "17671937", "Ahfat", "AAO"},
	"dilated-pupil":                  {"Casuccio", "Terauchi", "Safir", "Halkiadakis"},
}

// prepared is what a moderate floppy iris or small pupil calls for, with who does it and when. Source: section 3; the days are
// common practice, no source.
var prepared = []struct {
	code, who string
	due       string
}{
	{"measure-dilated-pupil", "pre-assessment", "2026-03-09"},
	{"prepare-intracameral-agent", "pharmacy", "2026-03-11"}, // three working days
	{"prepare-pupil-expansion", "theatre nurse", "2026-03-13"},
	{"surgeon-review", "surgeon", "2026-03-13"},
}

// asked is what makes a question of a record that stands alone. Source: section 8, women take tamsulosin for stones and
// retention; section 4.5.
var asked = []struct {
	record rules.Entry
	asks   bool
}{
	{named(rules.Condition, unsaid, "Benign prostatic hyperplasia"), true},
	{coded(rules.Condition, unsaid, cm, "N40.1"), true},
	{named(rules.Procedure, unsaid, "TURP"), true},
	{named(rules.Condition, unsaid, "Ureteric stone"), true},
	{named(rules.Condition, unsaid, "Urinary retention"), true},
	{named(rules.Procedure, unsaid, "Urinary catheter"), true},
	{named(rules.Medication, unsaid, "finasteride 5 mg"), true},
	{named(rules.Medication, unsaid, "tadalafil 5 mg daily"), true},
	{named(rules.Medication, unsaid, "oxybutynin 5 mg"), true},
	{named(rules.Medication, unsaid, "tamsulosin 0.4 mg"), false},
	{named(rules.Medication, unsaid, "amlodipine 5 mg"), false},
}

// warned is what an action must say beside its own text. Source: section 3 (phenylephrine, NSAID, bleb), section 8 (antimuscarinics).
var warned = []struct {
	records       []rules.Entry
	action, words string
}{
	{[]rules.Entry{named(rules.Condition, unsaid, "Myocardial infarction"), named(rules.Medication, unsaid, "doxazosin")}, "prepare-intracameral-agent", "phenylephrine"},
	{[]rules.Entry{named(rules.Intolerance, unsaid, "Aspirin"), named(rules.Medication, unsaid, "doxazosin")}, "prepare-intracameral-agent", "NSAID"},
	{[]rules.Entry{named(rules.Procedure, right, "Trabeculectomy")}, "surgeon-review", "bleb"},
	{[]rules.Entry{named(rules.Medication, unsaid, "tamsulosin")}, "surgeon-review", "antimuscarinic"},
	{[]rules.Entry{named(rules.Medication, right, "Echothiophate eye drops")}, "surgeon-review", "suxamethonium"},
	{[]rules.Entry{named(rules.Medication, unsaid, "tamsulosin")}, "surgeon-review", "not stretch"},
	{[]rules.Entry{named(rules.Medication, unsaid, "tamsulosin")}, "prepare-intracameral-agent", "bisulfite-free"},
}

// booked says of bookings whether they are lens operations. Source: list, OPCS C71 to C75.1 and the SNOMED set of operations;
// its negative controls: after-cataract and other lens procedures (OPCS C73, C75.2 and up, C77).
var booked = []struct {
	booking rules.Concept
	want    rules.Recognition
}{
	{rules.Concept{Text: "Phacoemulsification of cataract with IOL"}, rules.IsOperation},
	{rules.Concept{Codes: []rules.Code{{System: opcs, Code: "C71.2"}}}, rules.IsOperation},
	{rules.Concept{Codes: []rules.Code{{System: opcs, Code: "C75.1"}}}, rules.IsOperation},
	{rules.Concept{Codes: []rules.Code{{System: sct, Code: "110473004"}}}, rules.IsOperation},
	{rules.Concept{Codes: []rules.Code{{System: pcs, Code: "08RJ3JZ"}}}, rules.IsOperation},
	{rules.Concept{Codes: []rules.Code{{System: opcs, Code: "C73.3"}}}, rules.IsNot},
	{rules.Concept{Codes: []rules.Code{{System: opcs, Code: "C77.1"}}}, rules.IsNot},
	{rules.Concept{Codes: []rules.Code{{System: sct, Code: "12163000"}}}, rules.IsNot}, // needling of secondary cataract
	{rules.Concept{Codes: []rules.Code{{System: sct, Code: "9137006"}}}, rules.IsNot},  // discission of secondary membranous cataract
	{rules.Concept{Text: "YAG laser capsulotomy"}, rules.IsNot},
	{rules.Concept{Text: "Intravitreal injection"}, rules.IsNot},
}

// contradictions is where a catalogue and the tables above differ, a line each.
func contradictions(c *rules.Catalogue) (said []string) {
	say := func(format string, args ...any) { said = append(said, fmt.Sprintf(format, args...)) }
	for _, k := range expectations {
		if got := findings(assessRight(c, k.record)); got != k.want {
			say("%s: found %q, expected %q", k.source, got, k.want)
		}
	}
	for _, drug := range []rules.Entry{named(rules.Medication, unsaid, "alfuzosin 10 mg"), named(rules.Condition, right, "Pseudoexfoliation")} {
		got := map[string]rules.Preparation{}
		for _, p := range assessRight(c, drug).Preparations {
			got[p.Code] = p
		}
		for _, k := range prepared {
			p, ok := got[k.code]
			switch {
			case !ok:
				say("%s is not asked for", k.code)
			case p.Rule.Who != k.who:
				say("%s is asked of %q, expected %q", k.code, p.Rule.Who, k.who)
			case p.Due.Format(time.DateOnly) != k.due:
				say("%s is due on %s, expected %s", k.code, p.Due.Format(time.DateOnly), k.due)
			}
		}
	}
	for _, k := range asked {
		gaps := assessRight(c, k.record).Gaps
		if got := slices.ContainsFunc(gaps, func(g rules.Gap) bool { return g.Kind == rules.GapAskMedication }); got != k.asks {
			say("%v: asks %v, expected %v", k.record.Concepts, got, k.asks)
		}
	}
	if a := assessRight(c, named(rules.Condition, unsaid, "Benign prostatic hyperplasia"), named(rules.Medication, unsaid, "tamsulosin")); slices.ContainsFunc(
		a.Gaps, func(g rules.Gap) bool { return g.Kind == rules.GapAskMedication },
	) {
		say("asks for an alpha-blocker beside tamsulosin")
	}
	if a := assessRight(c); !slices.ContainsFunc(a.Preparations, func(p rules.Preparation) bool { return p.Code == "confirm-medication-history" }) {
		say("an empty drug list does not call for confirm-medication-history")
	}
	for _, s := range texts(c) {
		low := strings.ToLower(s)
		if strings.Contains(low, "atropine") {
			say("suggests atropine: %s", s)
		}
		if strings.Contains(strings.ReplaceAll(low, "no drug is to be stopped", ""), "stop ") {
			say("tells somebody to stop a drug: %s", s)
		}
	}
	for factor, sources := range sourced {
		i := slices.IndexFunc(c.Factors, func(f *rules.Factor) bool { return f.ID == factor })
		for _, s := range sources {
			if i < 0 || !slices.ContainsFunc(c.Factors[i].Sources, func(x rules.Source) bool { return strings.Contains(x.Text, s) }) {
				say("%s does not name the source %s", factor, s)
			}
		}
	}
	for _, k := range measured {
		if got := findings(assessRight(c, k.records...)); got != k.want {
			say("%s: found %q, expected %q", k.source, got, k.want)
		}
	}
	for _, k := range warned {
		if !slices.ContainsFunc(assessRight(c, k.records...).Preparations, func(p rules.Preparation) bool {
			return p.Code == k.action && strings.Contains(p.Text, k.words)
		}) {
			say("%s does not speak of %q beside %v", k.action, k.words, k.records[0].Concepts)
		}
	}
	for _, k := range booked {
		if got := c.Service([]rules.Concept{k.booking}); got != k.want {
			say("booking %v is recognised as %d, expected %d", k.booking, got, k.want)
		}
	}
	return said
}
