package worker

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
	"pupilrisk/worker/peertest"
)

const oracleFolder = "../testdata/interop/cql-oracle"

// oracleFactors maps the factors of the second reading to ours, and the least level at which ours say the same: a factor
// that the record names for one eye only puts the other eye at a lower one.
var oracleFactors = map[string]struct {
	ours  []string
	least rules.Level
	most  rules.Level
	// wider reports that ours counts near misses too: any angle closure, not only what is called acute.
	wider bool
}{
	"tamsulosin":                {ours: []string{"tamsulosin"}},
	"silodosin":                 {ours: []string{"silodosin"}},
	"alpha1-other":              {ours: []string{"alfuzosin", "terazosin", "doxazosin", "prazosin"}},
	"five-alpha-reductase":      {ours: []string{"five-alpha-reductase-inhibitor"}},
	"antipsychotic-named":       {ours: []string{"risperidone", "paliperidone", "quetiapine", "chlorpromazine"}},
	"miotic-drops":              {ours: []string{"chronic-miotic-drops"}},
	"pseudoexfoliation":         {ours: []string{"pseudoexfoliation"}, least: rules.Moderate},
	"uveitis":                   {ours: []string{"uveitis", "anterior-uveitis"}},
	"posterior-synechiae":       {ours: []string{"posterior-synechiae"}},
	"filtering-surgery":         {ours: []string{"filtering-surgery", "drainage-device"}},
	"vitrectomy":                {ours: []string{"vitrectomy"}},
	"ifis-recorded":             {ours: []string{"floppy-iris-recorded"}},
	"iridotomy":                 {ours: []string{"iridotomy"}},
	"rubeosis":                  {ours: []string{"rubeosis"}},
	"acute-angle-closure":       {ours: []string{"angle-closure"}, wider: true},
	"dilated-pupil-5-or-less":   {ours: []string{"dilated-pupil"}, least: rules.High},
	"dilated-pupil-over-5-to-6": {ours: []string{"dilated-pupil"}, least: rules.Moderate, most: rules.Moderate},
}

// readApart are codes that the two readings are known to read apart, each with the reason for ours.
var readApart = map[string]string{
	"G04CB": "the class without the drug, as for S01EB",
	"S01EB": "the class of the miotic drops without the drug: the catalogue counts classes, the second reading only substances",
	"H40.4": "glaucoma after inflammation of the eye: there was inflammation; the second reading wants it by its own code",
}

type oracleCode struct {
	System string `json:"system"`
	Code   string `json:"code"`
	Side   string `json:"side"`
}

// patientMaker invents patients from the oracle's code lists and near misses: statuses, dates, sides and sizes at random.
type patientMaker struct {
	*rand.Rand
	codes, misses map[string][]oracleCode
	factors       []string
}

func newPatientMaker(t testing.TB) patientMaker {
	m := patientMaker{Rand: rand.New(rand.NewPCG(20261125, 1))}
	for name, into := range map[string]*map[string][]oracleCode{"codes.json": &m.codes, "near-misses.json": &m.misses} {
		raw, err := os.ReadFile(filepath.Join(oracleFolder, name))
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(raw, into))
		for factor, list := range *into {
			(*into)[factor] = slices.DeleteFunc(list, func(c oracleCode) bool { return readApart[c.Code] != "" })
		}
	}
	m.factors = slices.Sorted(maps.Keys(m.codes))
	return m
}

func pick[T any](m patientMaker, of ...T) T { return of[m.IntN(len(of))] }

var oracleDrugs = []string{"tamsulosin", "silodosin", "alpha1-other", "five-alpha-reductase", "antipsychotic-named", "pilocarpine-drops", "other-miotic-drops"}

// date is one before the time of the assessment, of any precision, one after the operation, or none.
func (m patientMaker) date(name string) string {
	d := pick(m, "2009", "2014-03", "2026-10-02", "2021-05-06T10:00:00Z", "2019-12-31", "2027-02-03", "2028", "")
	if d == "" {
		return ""
	}
	return fmt.Sprintf(`,%q:%q`, name, d)
}

func concept(c oracleCode) string {
	return fmt.Sprintf(`{"coding":[{"system":%q,"code":%q}]}`, c.System, c.Code)
}

func (m patientMaker) site(c oracleCode, many bool) string {
	if c.Side != "" {
		return "" // its own side: two that contradict each other are told apart in other tests
	}
	code := pick(m, "24028007", "7771000", "51440002", "")
	if code == "" {
		return ""
	}
	site := fmt.Sprintf(`{"coding":[{"system":"http://snomed.info/sct","code":%q}]}`, code)
	if many {
		site = "[" + site + "]"
	}
	return `,"bodySite":` + site
}

// regularDrugs count for us only when taken regularly, while the second reading takes one administration for enough: that they
// were given once is told apart in rules' own tests.
var regularDrugs = []string{"antipsychotic-named", "pilocarpine-drops", "other-miotic-drops"}

func (m patientMaker) drug(id, patient, factor string, c oracleCode) string {
	subject := fmt.Sprintf(`"id":%q,"subject":{"reference":"Patient/%s"},"medicationCodeableConcept":%s`, id, patient, concept(c))
	forms := 4
	if slices.Contains(regularDrugs, factor) {
		forms = 3
	}
	switch m.IntN(forms) {
	case 0:
		never := pick(m, "", "", "", `,"doNotPerform":true`)
		return fmt.Sprintf(`{"resourceType":"MedicationRequest","status":%q,"intent":%q,%s%s%s}`,
			pick(m, "active", "completed", "stopped", "on-hold", "unknown", "cancelled", "draft", "entered-in-error"),
			pick(m, "order", "order", "order", "plan", "proposal"), subject, never, m.date("authoredOn"))
	case 1:
		return fmt.Sprintf(`{"resourceType":"MedicationStatement","status":%q,%s%s}`,
			pick(m, "active", "completed", "stopped", "on-hold", "intended", "unknown", "not-taken", "entered-in-error"), subject, m.date("effectiveDateTime"))
	case 2:
		return fmt.Sprintf(`{"resourceType":"MedicationDispense","status":%q,%s%s}`,
			pick(m, "completed", "completed", "stopped", "cancelled", "declined", "preparation", "entered-in-error"), subject, m.date("whenHandedOver"))
	default:
		at := m.date("effectiveDateTime")
		if at == "" {
			at = `,"effectiveDateTime":"2020-01-02"` // 1..1
		}
		return fmt.Sprintf(`{"resourceType":"MedicationAdministration","status":%q,%s%s}`,
			pick(m, "completed", "in-progress", "stopped", "not-done", "entered-in-error"), subject, at)
	}
}

func (m patientMaker) record(id, patient string) string {
	factor := pick(m, m.factors...)
	list := m.codes[factor]
	if misses := m.misses[factor]; len(misses) > 0 && m.IntN(5) == 0 {
		list = misses
	}
	c := pick(m, list...)
	subject := fmt.Sprintf(`"id":%q,"subject":{"reference":"Patient/%s"}`, id, patient)
	switch {
	case slices.Contains(oracleDrugs, factor):
		return m.drug(id, patient, factor, c)
	case strings.HasPrefix(factor, "dilated-pupil"):
		value := pick(m, `"value":4.2,"unit":"mm","code":"mm"`, `"value":5.0,"unit":"mm","code":"mm"`, `"value":5.1,"unit":"mm","code":"mm"`,
			`"value":6.0,"unit":"mm","code":"mm"`, `"value":0.55,"unit":"cm","code":"cm"`, `"value":7.4,"unit":"mm","code":"mm"`, `"value":45,"unit":"mm","code":"mm"`)
		at := pick(m, "2026-10-02", "2026-09-02", "2024-02-03", "2027-02-03")
		return fmt.Sprintf(`{"resourceType":"Observation","status":%q,%s,"code":%s,"effectiveDateTime":%q,"valueQuantity":{%s,"system":"http://unitsofmeasure.org"}%s}`,
			pick(m, "final", "amended", "corrected", "entered-in-error"), subject, concept(c), at, value, m.site(c, false))
	case c.System == "http://www.cms.gov/Medicare/Coding/ICD10" || strings.Contains(c.System, "opcs") ||
		slices.Contains([]string{"filtering-surgery", "vitrectomy", "iridotomy"}, factor) && c.System == "http://snomed.info/sct":
		return fmt.Sprintf(`{"resourceType":"Procedure","status":%q,%s,"code":%s%s%s}`,
			pick(m, "completed", "completed", "in-progress", "not-done", "preparation", "entered-in-error"), subject, concept(c), m.date("performedDateTime"), m.site(c, true))
	default:
		return fmt.Sprintf(`{"resourceType":"Condition",%s,"code":%s%s%s,"clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":%q}]},`+
			`"verificationStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-ver-status","code":%q}]}}`,
			subject, concept(c), m.date("onsetDateTime"), m.site(c, true), pick(m, "active", "resolved", "inactive"),
			pick(m, "confirmed", "confirmed", "confirmed", "provisional", "refuted", "entered-in-error"))
	}
}

// nearMiss reports that a near miss of a factor stands in a Bundle.
func (m patientMaker) nearMiss(factor string, bundle []byte) bool {
	return slices.ContainsFunc(m.misses[factor], func(c oracleCode) bool { return bytes.Contains(bundle, fmt.Appendf(nil, `"code":%q`, c.Code)) })
}

func (m patientMaker) bundle(n int) []byte {
	patient := fmt.Sprintf("invented-%d", n)
	parts := []string{
		fmt.Sprintf(`{"resourceType":"Patient","id":%q}`, patient),
		fmt.Sprintf(`{"resourceType":"Appointment","id":"op-%d","status":"booked","start":"2026-12-01T09:00:00Z","serviceType":[{"text":"Cataract surgery"}],`+
			`"participant":[{"actor":{"reference":"Patient/%s"},"status":"accepted"}]}`, n, patient),
	}
	for i := range 1 + m.IntN(6) {
		parts = append(parts, m.record(fmt.Sprintf("r%d-%d", n, i), patient))
	}
	return []byte(`{"resourceType":"Bundle","type":"collection","entry":[{"resource":` + strings.Join(parts, `},{"resource":`) + `}]}`)
}

// Every factor of the second reading (CQL, run by engines of others, written from the evidence and the code list by somebody
// who had not seen our rules) is told alike by our rules, eye by eye, for each of several hundred invented patients.
func TestSecondReadingAgrees(t *testing.T) {
	m := newPatientMaker(t)
	bundles := make([][]byte, 900)
	for i := range bundles {
		bundles[i] = m.bundle(i)
	}
	theirs := peertest.Oracle(t, bundles...)
	require.Len(t, theirs, len(bundles))
	hits, misses := map[string]int{}, map[string]int{}
	differ := 0
	for i, b := range bundles {
		id := fmt.Sprintf("invented-%d", i)
		got := results(t, string(b))
		require.Len(t, got, 1)
		require.Len(t, got[0].Assessments, 1, id)
		a := got[0].Assessments[0]
		oracle := theirs[id]
		drops, other := oracle["pilocarpine-drops"], oracle["other-miotic-drops"]
		oracle["miotic-drops"] = peertest.Sides{Right: drops.Right || other.Right, Left: drops.Left || other.Left}
		for name, f := range oracleFactors {
			want, ok := oracle[name]
			require.True(t, ok, name)
			var have peertest.Sides
			for _, x := range slices.Concat(a.Findings, a.Context) {
				if x.Level == rules.NoLevel || x.Level < f.least || f.most != rules.NoLevel && x.Level > f.most || !slices.Contains(f.ours, x.Factor) {
					continue
				}
				have.Right = have.Right || x.Eye.MayBe(rules.RightEye)
				have.Left = have.Left || x.Eye.MayBe(rules.LeftEye)
			}
			if want.Right || want.Left {
				hits[name]++
			} else {
				misses[name]++
			}
			if f.wider && m.nearMiss(name, b) {
				have.Right, have.Left = have.Right && want.Right, have.Left && want.Left
			}
			if want != have {
				differ++
				t.Errorf("%s: %s is %+v by the second reading and %+v by ours\n%s", id, name, want, have, bytes.TrimSpace(b))
			}
			if differ > 20 {
				t.FailNow()
			}
		}
	}
	for name := range oracleFactors {
		require.GreaterOrEqual(t, hits[name], 20, name)
		require.GreaterOrEqual(t, misses[name], 20, name)
	}
}
