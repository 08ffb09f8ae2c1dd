package rules_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
)

var cat = func() *rules.Catalogue {
	c, err := fhirmap.LoadCatalogue(catalogue.FS)
	if err != nil {
		panic(err)
	}
	return c
}()

var (
	now   = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC) // a Monday
	start = time.Date(2026, 3, 16, 9, 0, 0, 0, time.UTC)
)

func day(s string) rules.Date {
	d, err := fhirmap.ParseDate(s, time.UTC)
	if err != nil {
		panic(err)
	}
	return d
}

func entry(kind rules.Kind, text string, change ...func(*rules.Entry)) rules.Entry {
	e := rules.Entry{Reference: string(kind) + "/" + strings.ReplaceAll(text, " ", "-"), Kind: kind, Concepts: []rules.Concept{{Text: text}}, Start: day("2020-05-06")}
	for _, c := range change {
		c(&e)
	}
	return e
}

func on(eye rules.Eye) func(*rules.Entry) { return func(e *rules.Entry) { e.Eye = eye } }
func at(s string) func(*rules.Entry)      { return func(e *rules.Entry) { e.Start = day(s) } }
func undated(e *rules.Entry)              { e.Start = rules.Date{} }
func over(e *rules.Entry)                 { e.Ended = true }
func asks(e *rules.Entry)                 { e.Standing, e.Status = rules.Asks, "not-taken" }

// pupil is a measured pupil; dilated with a named mydriatic unless changed.
func pupil(mm float64, eye rules.Eye, date string, change ...func(*rules.Entry)) rules.Entry {
	e := entry(rules.Observation, "Pupil diameter", on(eye), at(date))
	e.Reference = fmt.Sprintf("observation/pupil-%g-%s-%s", mm, eye, date)
	e.Amount = &rules.Amount{Value: mm, Unit: "mm"}
	e.Qualifiers = []rules.Concept{{Text: "after dilation with tropicamide"}}
	for _, c := range change {
		c(&e)
	}
	return e
}

func chamber(mm float64, eye rules.Eye) rules.Entry {
	e := entry(rules.Observation, "Anterior chamber depth", on(eye), at("2026-02-01"))
	e.Amount = &rules.Amount{Value: mm, Unit: "mm"}
	return e
}

func operation(eye rules.Eye) rules.Operation {
	return rules.Operation{Appointment: "Appointment/a", Key: "a", Start: start, Eye: eye, Service: "Cataract surgery"}
}

func history(entries ...rules.Entry) rules.History {
	h := rules.History{Patient: "Patient/p", Entries: entries}
	for _, t := range []string{"Condition", "Procedure", "MedicationRequest", "MedicationStatement", "Observation"} {
		h.Reads = append(h.Reads, rules.Read{Type: t, State: rules.ReadWhole})
	}
	return h
}

func assess(eye rules.Eye, entries ...rules.Entry) rules.Assessment {
	return rules.Assess(cat, operation(eye), history(entries...), now, rules.Settings{})
}

// findings says what was found: "hazard level eye" each.
func findings(a rules.Assessment) []string {
	var out []string
	for _, f := range a.Findings {
		out = append(out, fmt.Sprintf("%s %s %s", f.Hazard, f.Level, f.Eye))
	}
	return out
}

func gapKinds(a rules.Assessment) (out []rules.GapKind) {
	for _, g := range a.Gaps {
		out = append(out, g.Kind)
	}
	return out
}

// The levels to start from, as issue text and evidence page give them; RIGHT eye booked.
func TestLevels(t *testing.T) {
	m, p, c, d := rules.Medication, rules.Procedure, rules.Condition, rules.Device
	for name, x := range map[string]struct {
		entries []rules.Entry
		want    []string
	}{
		"nothing":                        {nil, nil},
		"tamsulosin":                     {[]rules.Entry{entry(m, "Tamsulosin 400 microgram")}, []string{"floppy-iris high both"}},
		"tamsulosin stopped":             {[]rules.Entry{entry(m, "tamsulosin", over)}, []string{"floppy-iris high both"}},
		"silodosin":                      {[]rules.Entry{entry(m, "silodosin")}, []string{"floppy-iris high both"}},
		"doxazosin":                      {[]rules.Entry{entry(m, "doxazosin 4 mg")}, []string{"floppy-iris moderate both"}},
		"finasteride":                    {[]rules.Entry{entry(m, "finasteride")}, []string{"floppy-iris low both"}},
		"carvedilol is context":          {[]rules.Entry{entry(m, "carvedilol")}, nil},
		"pilocarpine drops":              {[]rules.Entry{entry(m, "pilocarpine 2% eye drops", on(rules.RightEye))}, []string{"small-pupil moderate right"}},
		"pilocarpine tablets":            {[]rules.Entry{entry(m, "pilocarpine 5 mg oral tablet")}, nil},
		"trabeculectomy":                 {[]rules.Entry{entry(p, "Trabeculectomy", on(rules.RightEye))}, []string{"small-pupil moderate right"}},
		"trabeculectomy, other eye":      {[]rules.Entry{entry(p, "Trabeculectomy", on(rules.LeftEye))}, nil},
		"trabeculectomy, side unknown":   {[]rules.Entry{entry(p, "Trabeculectomy")}, []string{"small-pupil moderate unknown"}},
		"drainage tube":                  {[]rules.Entry{entry(d, "Glaucoma drainage device", on(rules.RightEye))}, []string{"small-pupil moderate right"}},
		"pseudoexfoliation":              {[]rules.Entry{entry(c, "Pseudoexfoliation", on(rules.RightEye))}, []string{"small-pupil moderate right"}},
		"pseudoexfoliation of the other": {[]rules.Entry{entry(c, "Pseudoexfoliation", on(rules.LeftEye))}, []string{"small-pupil low right"}},
		"posterior synechiae":            {[]rules.Entry{entry(c, "Posterior synechiae", on(rules.RightEye))}, []string{"small-pupil high right"}},
		"floppy iris in the first eye":   {[]rules.Entry{entry(c, "Intraoperative floppy iris syndrome", on(rules.LeftEye))}, []string{"floppy-iris high right"}},
		"ring used in the first eye":     {[]rules.Entry{entry(d, "pupil expansion ring used", on(rules.LeftEye))}, []string{"small-pupil high right"}},
		"shallow chamber":                {[]rules.Entry{chamber(2.2, rules.RightEye)}, []string{"small-pupil low right"}},
		"two hazards, strongest first": {
			[]rules.Entry{entry(c, "Pseudoexfoliation", on(rules.RightEye)), entry(m, "tamsulosin")},
			[]string{"floppy-iris high both", "small-pupil moderate right"},
		},
		"raised by a small pupil":       {[]rules.Entry{entry(c, "Pseudoexfoliation", on(rules.RightEye)), pupil(6.2, rules.RightEye, "2026-02-01")}, []string{"small-pupil high right", "small-pupil low right"}},
		"not raised by the other eye's": {[]rules.Entry{entry(c, "Pseudoexfoliation", on(rules.RightEye)), pupil(6.2, rules.LeftEye, "2026-02-01")}, []string{"small-pupil moderate right"}},
		"raised by the chamber":         {[]rules.Entry{entry(c, "Pseudoexfoliation", on(rules.RightEye)), chamber(2.0, rules.RightEye)}, []string{"small-pupil high right", "small-pupil low right"}},
	} {
		t.Run(name, func(t *testing.T) { require.Equal(t, x.want, findings(assess(rules.RightEye, x.entries...))) })
	}
}

// The bands of a measured dilated pupil (evidence page, section 2.5 and 8; the clinic approves them).
func TestPupilBands(t *testing.T) {
	for mm, want := range map[float64]string{3: "high", 5.0: "high", 5.01: "moderate", 6.0: "moderate", 6.01: "", 7.0: "", 7.01: "", 8: ""} {
		a := assess(rules.RightEye, pupil(mm, rules.RightEye, "2026-02-01"))
		if want == "" {
			require.Empty(t, a.Findings, "%g mm alone", mm)
			continue
		}
		require.Equal(t, []string{"small-pupil " + want + " right"}, findings(a), "%g mm", mm)
	}
	beside := assess(rules.RightEye, pupil(6.5, rules.RightEye, "2026-02-01"), entry(rules.Medication, "tamsulosin"))
	require.Equal(t, []string{"floppy-iris high both", "small-pupil low right"}, findings(beside), "over 6.0 mm only beside another factor")
}

func TestPupilThatCannotBeUsed(t *testing.T) {
	for name, e := range map[string]rules.Entry{
		"not known to be dilated": pupil(4, rules.RightEye, "2026-02-01", func(e *rules.Entry) { e.Qualifiers = nil }),
		"undilated":               pupil(4, rules.RightEye, "2026-02-01", func(e *rules.Entry) { e.Qualifiers = []rules.Concept{{Text: "undilated"}} }),
		"no unit":                 pupil(4, rules.RightEye, "2026-02-01", func(e *rules.Entry) { e.Amount.Unit = "" }),
		"another unit":            pupil(4, rules.RightEye, "2026-02-01", func(e *rules.Entry) { e.Amount.Unit = "dpt" }),
		"too small":               pupil(0.4, rules.RightEye, "2026-02-01"),
		"too large":               pupil(40, rules.RightEye, "2026-02-01"),
		"a lower bound":           pupil(4, rules.RightEye, "2026-02-01", func(e *rules.Entry) { e.Amount.Comparator = ">" }),
	} {
		a := assess(rules.RightEye, e)
		require.Empty(t, a.Findings, name)
		require.Contains(t, gapKinds(a), rules.GapPupilUnusable, name)
		require.Contains(t, gapKinds(a), rules.GapPupilNotMeasured, name)
	}
	cm := pupil(0.4, rules.RightEye, "2026-02-01", func(e *rules.Entry) { e.Amount.Unit = "cm" })
	require.Equal(t, []string{"small-pupil high right"}, findings(assess(rules.RightEye, cm)), "0.4 cm is 4 mm")
}

// What a second measurement says about the first.
func TestPupilMeasuredAgain(t *testing.T) {
	noDrug := func(e *rules.Entry) { e.Qualifiers = []rules.Concept{{Text: "dilated"}} }
	for name, x := range map[string]struct {
		entries []rules.Entry
		want    []string
	}{
		"a newer large one does not erase 5.0 or less": {[]rules.Entry{pupil(4.5, rules.RightEye, "2024-01-01"), pupil(7.5, rules.RightEye, "2026-02-01", noDrug)}, []string{"small-pupil high right"}},
		"unless the mydriatic is recorded":             {[]rules.Entry{pupil(4.5, rules.RightEye, "2024-01-01"), pupil(7.5, rules.RightEye, "2026-02-01")}, nil},
		"an older large one erases nothing":            {[]rules.Entry{pupil(7.5, rules.RightEye, "2024-01-01"), pupil(4.5, rules.RightEye, "2026-02-01")}, []string{"small-pupil high right"}},
		"a newer one replaces a moderate one":          {[]rules.Entry{pupil(5.5, rules.RightEye, "2024-01-01"), pupil(7.5, rules.RightEye, "2026-02-01", noDrug)}, nil},
		"an undated small one stands":                  {[]rules.Entry{pupil(5.5, rules.RightEye, "2024-01-01", undated), pupil(7.5, rules.RightEye, "2026-02-01")}, []string{"small-pupil moderate right"}},
	} {
		t.Run(name, func(t *testing.T) { require.Equal(t, x.want, findings(assess(rules.RightEye, x.entries...))) })
	}
	old := assess(rules.RightEye, pupil(4.5, rules.RightEye, "2024-01-01"))
	require.Contains(t, old.Findings[0].Text, "4.5 mm on 2024-01-01, measure again")
	require.Contains(t, gapKinds(old), rules.GapPupilNotMeasured, "an old one reassures nobody")
	require.NotContains(t, gapKinds(assess(rules.RightEye, pupil(7.5, rules.RightEye, "2026-02-01"))), rules.GapPupilNotMeasured)
}

func TestWhatAsksAndDoesNotCount(t *testing.T) {
	notTaken := assess(rules.RightEye, entry(rules.Medication, "tamsulosin", asks))
	require.Empty(t, notTaken.Findings)
	require.Contains(t, fmt.Sprint(notTaken.Gaps), `tamsulosin: recorded as "not taken"`)
	allergy := assess(rules.RightEye, entry(rules.Intolerance, "tamsulosin"))
	require.Empty(t, allergy.Findings)
	require.Contains(t, fmt.Sprint(allergy.Gaps), "tamsulosin: intolerance recorded 2020-05-06, so it was taken")
	void := assess(rules.RightEye, entry(rules.Condition, "Posterior synechiae", func(e *rules.Entry) { e.Standing = rules.Void }))
	require.Empty(t, void.Findings)
	require.NotContains(t, gapKinds(void), rules.GapAskFinding)
}

// A reason to ask for an alpha-blocker, in either sex; silent where one stands.
func TestQuestions(t *testing.T) {
	prostate := entry(rules.Condition, "Benign prostatic hyperplasia")
	require.Contains(t, fmt.Sprint(assess(rules.RightEye, prostate).Gaps), "ask whether one was EVER taken")
	require.NotContains(t, fmt.Sprint(assess(rules.RightEye, prostate, entry(rules.Medication, "doxazosin")).Gaps), "EVER taken")
	require.Contains(t, fmt.Sprint(assess(rules.RightEye, entry(rules.Condition, "ureteric stone")).Gaps), "EVER taken")

	coded := func(kind rules.Kind, system, code string) rules.Entry {
		return entry(kind, "", func(e *rules.Entry) {
			e.Concepts = []rules.Concept{{Codes: []rules.Code{{System: system, Code: code}}}}
		})
	}
	all := assess(rules.RightEye, coded(rules.Condition, "http://hl7.org/fhir/sid/icd-10-cm", "N40.1"), coded(rules.Medication, "http://www.whocc.no/atc", "G04BD08"),
		entry(rules.Condition, "ureteric stone"), entry(rules.Condition, "nocturia"))
	require.Contains(t, all.Gaps, rules.Gap{
		Kind: rules.GapAskMedication,
		Text: "bladder antimuscarinic, nocturia, prostate disease and 1 more on record but no alpha-blocker: ask whether one was EVER taken (prostate, bladder, kidney stone)",
	}, "one question, its reasons in words also where the record has only codes")
	require.NotContains(t, gapKinds(all), rules.GapUnknownDrug, "a drug that is a reason to ask is known")
}

// A drug that is to be started before the operation is no exposure yet, and nobody must miss it; one that is only intended is not
// called current.
func TestPlannedDrug(t *testing.T) {
	planned := func(days int, recorded rules.Date) rules.Assessment {
		return assess(rules.RightEye, entry(rules.Medication, "tamsulosin", func(e *rules.Entry) {
			e.Start, e.Recorded = day(operation(rules.RightEye).Start.AddDate(0, 0, days).Format(time.DateOnly)), recorded
		}))
	}
	asked := planned(-1, rules.Date{})
	require.Empty(t, asked.Findings)
	require.Contains(t, fmt.Sprint(asked.Gaps), ", before the operation; tell surgeon and prescriber now")
	require.NotContains(t, fmt.Sprint(planned(1, rules.Date{}).Gaps), "planned", "after the operation")
	require.Contains(t, planned(-1, day("2026-03-01")).Findings[0].Text, "tamsulosin, planned from 2026-03-")
	require.Empty(t, planned(-1, day("2026-03-03")).Findings, "not known yet")
	intended := assess(rules.RightEye, entry(rules.Medication, "tamsulosin", func(e *rules.Entry) { e.Status = "intended" }))
	require.Contains(t, intended.Findings[0].Text, "tamsulosin, planned")
}

func TestEyeGaps(t *testing.T) {
	require.Contains(t, gapKinds(assess(rules.EyeUnknown)), rules.GapEyeUnknown)
	op := operation(rules.EyeUnknown)
	op.EyeConflict = true
	require.Contains(t, gapKinds(rules.Assess(cat, op, history(), now, rules.Settings{})), rules.GapEyeCheck)
	done := entry(rules.Procedure, "Phacoemulsification with lens implant", on(rules.RightEye))
	require.Contains(t, gapKinds(assess(rules.RightEye, done)), rules.GapEyeCheck, "the booked eye has been operated on")
	require.NotContains(t, gapKinds(assess(rules.LeftEye, done)), rules.GapEyeCheck)
	two := entry(rules.Condition, "Posterior synechiae", func(e *rules.Entry) { e.EyeConflict = true })
	a := assess(rules.RightEye, two)
	require.Equal(t, []string{"small-pupil high unknown"}, findings(a), "a contradiction counts for both")
	require.Contains(t, gapKinds(a), rules.GapEyeCheck)
}

func TestCompleteAndOutcome(t *testing.T) {
	read := func(states map[string]rules.ReadState, entries ...rules.Entry) rules.Assessment {
		h := history(entries...)
		for i := range h.Reads {
			if s, ok := states[h.Reads[i].Type]; ok {
				h.Reads[i].State = s
			}
		}
		return rules.Assess(cat, operation(rules.RightEye), h, now, rules.Settings{})
	}
	aspirin := entry(rules.Medication, "aspirin")
	for name, x := range map[string]struct {
		a        rules.Assessment
		outcome  rules.Outcome
		complete bool
	}{
		"all read":                       {read(nil, aspirin), rules.NoneFound, true},
		"empty drug list":                {read(nil), rules.NoneFound, false},
		"one drug type refused":          {read(map[string]rules.ReadState{"MedicationRequest": rules.ReadRefused}, aspirin), rules.NoneFound, false},
		"both drug types refused":        {read(map[string]rules.ReadState{"MedicationRequest": rules.ReadRefused, "MedicationStatement": rules.ReadRefused}), rules.NotAssessed, false},
		"procedures cut short":           {read(map[string]rules.ReadState{"Procedure": rules.ReadCut}, aspirin), rules.NotAssessed, false},
		"procedures cut short, flagged":  {read(map[string]rules.ReadState{"Procedure": rules.ReadCut}, entry(rules.Medication, "tamsulosin")), rules.Flagged, false},
		"procedures not offered":         {read(map[string]rules.ReadState{"Procedure": rules.ReadNotOffered}, aspirin), rules.NoneFound, false},
		"observations not offered":       {read(map[string]rules.ReadState{"Observation": rules.ReadNotOffered}, aspirin), rules.NoneFound, true},
		"low finding":                    {read(nil, aspirin, entry(rules.Medication, "finasteride")), rules.NoneFound, true},
		"a drug that nobody can read":    {read(nil, entry(rules.Medication, "")), rules.NoneFound, true},
		"nothing but what could not be ": {rules.Assess(cat, operation(rules.RightEye), rules.History{Patient: "Patient/p"}, now, rules.Settings{}), rules.NotAssessed, false},
	} {
		require.Equal(t, x.outcome, x.a.Outcome, name)
		require.Equal(t, x.complete, x.a.Complete, name)
		if x.outcome == rules.NotAssessed {
			require.Contains(t, gapKinds(x.a), rules.GapRecordUnread, name)
			require.Equal(t, "assess-by-hand", x.a.Preparations[len(x.a.Preparations)-1].Code, name)
		}
	}
	h := history(aspirin)
	h.Dropped = []rules.Dropped{{Type: "Procedure", Reason: rules.DropDate, Name: "trabeculectomy"}}
	a := rules.Assess(cat, operation(rules.RightEye), h, now, rules.Settings{})
	require.False(t, a.Complete)
	require.Contains(t, fmt.Sprint(a.Gaps), "trabeculectomy (operation or procedure)")
	h = history()
	h.NoMedication = true
	require.True(t, rules.Assess(cat, operation(rules.RightEye), h, now, rules.Settings{}).Complete, "recorded as empty")
}

// What came after the operation never counts; what was written down after the time of the assessment neither.
func TestTime(t *testing.T) {
	trab := func(change ...func(*rules.Entry)) rules.Entry {
		return entry(rules.Procedure, "Trabeculectomy", change...)
	}
	require.NotEmpty(t, assess(rules.RightEye, trab(at("2026-02-15"))).Findings)
	require.Empty(t, assess(rules.RightEye, trab(at("2026-03-15"))).Findings, "later than the time of the assessment: nobody knew")
	require.Empty(t, assess(rules.RightEye, trab(at("2026-03-17"))).Findings)
	require.NotEmpty(t, assess(rules.RightEye, trab(at("2026"))).Findings, "a year that may lie before it")
	require.NotEmpty(t, assess(rules.RightEye, trab(undated)).Findings)
	later := trab(func(e *rules.Entry) { e.Recorded = day("2026-03-10") })
	require.Empty(t, assess(rules.RightEye, later).Findings, "written down after the assessment")

	ended := entry(rules.Medication, "tamsulosin", func(e *rules.Entry) { e.End = day("2014") })
	require.Contains(t, assess(rules.RightEye, ended).Findings[0].Text, "tamsulosin, stopped 2014 (still counts)", "a period that is over")
	goesOn := entry(rules.Medication, "tamsulosin", func(e *rules.Entry) { e.End = day("2027") })
	require.Contains(t, assess(rules.RightEye, goesOn).Findings[0].Text, "tamsulosin, current")
}

func TestRestrictedEvidenceIsMarked(t *testing.T) {
	a := assess(rules.RightEye, entry(rules.Medication, "quetiapine", func(e *rules.Entry) { e.Restricted = true }))
	require.True(t, a.Findings[0].Evidence[0].Restricted)
	require.NotEmpty(t, a.Preparations)
	for _, p := range a.Preparations {
		require.NotContains(t, p.Text+strings.Join(p.Evidence, " "), "quetiapine")
	}
	asked := assess(rules.RightEye, entry(rules.Medication, "tamsulosin", asks, func(e *rules.Entry) { e.Restricted = true }))
	require.NotContains(t, fmt.Sprint(asked.Gaps), "tamsulosin")
	require.Contains(t, fmt.Sprint(asked.Gaps), "a restricted record")
}

func due(a rules.Assessment) map[string]string {
	out := map[string]string{}
	for _, p := range a.Preparations {
		out[p.Code] = p.Due.Format("Mon 2006-01-02 15:04")
	}
	return out
}

func TestDueDates(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	at := func(start, now string) map[string]string {
		op := operation(rules.RightEye)
		var err error
		op.Start, err = time.ParseInLocation("2006-01-02 15:04", start, berlin)
		require.NoError(t, err)
		n, err := time.ParseInLocation("2006-01-02 15:04", now, berlin)
		require.NoError(t, err)
		return due(rules.Assess(cat, op, history(entry(rules.Medication, "tamsulosin")), n, rules.Settings{Zone: berlin}))
	}
	monday := at("2026-03-16 09:00", "2026-03-02 08:00")
	require.Equal(t, "Fri 2026-03-13 16:00", monday["prepare-pupil-expansion"], "the working day before a Monday")
	require.Equal(t, "Wed 2026-03-11 16:00", monday["prepare-intracameral-agent"], "three working days")
	require.Equal(t, "Mon 2026-03-09 16:00", monday["measure-dilated-pupil"], "seven days")
	require.Equal(t, "Mon 2026-03-16 07:30", at("2026-03-16 09:00", "2026-03-16 07:30")["prepare-pupil-expansion"], "inside the window: now")
	require.Equal(t, "Mon 2026-03-16 09:00", at("2026-03-16 09:00", "2026-03-16 10:00")["prepare-pupil-expansion"], "never after the start")
	require.Equal(t, "Fri 2026-03-27 16:00", at("2026-03-30 00:00", "2026-03-02 08:00")["prepare-pupil-expansion"], "midnight, after the clocks went forward")
	op := operation(rules.RightEye)
	op.Start = time.Date(2026, 12, 28, 9, 0, 0, 0, berlin) // a Monday
	for free, want := range map[string]string{"12-25": "Thu 2026-12-24 16:00", "2026-12-25": "Thu 2026-12-24 16:00", "2025-12-25": "Fri 2026-12-25 16:00", "": "Fri 2026-12-25 16:00"} {
		a := rules.Assess(cat, op, history(entry(rules.Medication, "tamsulosin")), now, rules.Settings{Zone: berlin, Holidays: []string{free}})
		require.Equal(t, want, due(a)["prepare-pupil-expansion"], free)
	}
	op.Start = time.Time{}
	a := rules.Assess(cat, op, history(entry(rules.Medication, "tamsulosin")), now, rules.Settings{})
	require.True(t, a.Preparations[0].Due.IsZero(), "no date yet")
}

// What is laid out follows from the eye (rules of the trade: common practice, no source).
func TestAdvice(t *testing.T) {
	text := func(code string, entries ...rules.Entry) string {
		for _, p := range assess(rules.RightEye, entries...).Preparations {
			if p.Code == code {
				return p.Text
			}
		}
		return ""
	}
	pxf := entry(rules.Condition, "Pseudoexfoliation", on(rules.RightEye))
	require.Contains(t, text("prepare-pupil-expansion", pxf, pupil(4.5, rules.RightEye, "2026-02-01")), "Expect to use a device")
	require.NotContains(t, text("prepare-pupil-expansion", pxf, pupil(5.5, rules.RightEye, "2026-02-01")), "Expect to use a device")
	require.Contains(t, text("prepare-pupil-expansion", pupil(2.5, rules.RightEye, "2026-02-01")), "Pinpoint pupil: hooks")
	require.NotContains(t, text("prepare-pupil-expansion", pupil(2.5, rules.RightEye, "2026-02-01")), "Ring or hooks")
	require.Contains(t, text("prepare-pupil-expansion", pxf, chamber(2.2, rules.RightEye)), "hooks rather than a ring")
	require.Contains(t, text("surgeon-review", entry(rules.Medication, "tamsulosin")), "Do not stretch the pupil by hand")
	require.Contains(t, text("surgeon-review", entry(rules.Procedure, "Trabeculectomy", on(rules.RightEye))), "Filtering bleb or tube: protect it")
	require.Contains(t, text("prepare-intracameral-agent", entry(rules.Medication, "tamsulosin"), entry(rules.Intolerance, "ibuprofen")), "no NSAID drops")
	for _, p := range assess(rules.RightEye, entry(rules.Medication, "tamsulosin"), pxf).Preparations {
		require.NotContains(t, strings.ToLower(p.Text), "atropine")
		require.NotContains(t, strings.ToLower(p.Text), "stop the")
	}
}

func TestPlannedLaserCountsForTheBookedEyeOnly(t *testing.T) {
	op := operation(rules.RightEye)
	op.Concepts = []rules.Concept{{Text: "Femtosecond laser assisted cataract surgery, right eye"}}
	require.Equal(t, []string{"small-pupil low right"}, findings(rules.Assess(cat, op, history(), now, rules.Settings{})))
	require.Empty(t, assess(rules.RightEye, entry(rules.Procedure, "Femtosecond laser assisted cataract surgery", on(rules.LeftEye))).Findings)
}

// Every line is under 140 characters and says level, hazard and eye first.
func TestLines(t *testing.T) {
	for _, h := range rules.Hazards {
		for _, l := range []rules.Level{rules.NoLevel, rules.Low, rules.Moderate, rules.High} {
			for _, e := range []rules.Eye{rules.RightEye, rules.LeftEye, rules.BothEyes, rules.EyeUnknown} {
				for _, reason := range []string{"x", strings.Repeat("very long reason ", 20), strings.Repeat("ä", 300), "line\nbreak \x1b[31m"} {
					line := cat.Line(h, l, e, reason, 12)
					require.LessOrEqual(t, len([]rune(line)), rules.LineMax, line)
					require.NotContains(t, line, "\n")
					require.NotContains(t, line, "\x1b")
					require.True(t, strings.HasSuffix(line, "(+12 more)"), line)
				}
			}
		}
	}
}

// pool is what the property tests draw from: exposures, operations and diseases of every strength and side.
func pool() []rules.Entry {
	var out []rules.Entry
	for _, text := range []string{"tamsulosin", "doxazosin", "finasteride", "quetiapine", "carvedilol", "aspirin", "pilocarpine eye drops"} {
		out = append(out, entry(rules.Medication, text), entry(rules.Medication, text, over, at("2011")))
	}
	for _, eye := range []rules.Eye{rules.RightEye, rules.LeftEye, rules.BothEyes, rules.EyeUnknown} {
		for _, text := range []string{"Pseudoexfoliation", "Posterior synechiae", "Uveitis", "Intraoperative floppy iris syndrome"} {
			e := entry(rules.Condition, text, on(eye))
			e.Reference += "-" + eye.String()
			out = append(out, e)
		}
		for _, text := range []string{"Trabeculectomy", "Vitrectomy", "Laser iridotomy"} {
			e := entry(rules.Procedure, text, on(eye))
			e.Reference += "-" + eye.String()
			out = append(out, e)
		}
		out = append(out, pupil(4.2, eye, "2026-02-01"), pupil(5.8, eye, "2025-12-01"), pupil(7.5, eye, "2025-11-01"))
	}
	return out
}

func draw(t *rapid.T, name string) []rules.Entry {
	return rapid.SliceOfN(rapid.SampledFrom(pool()), 0, 8).Draw(t, name)
}

func drawEye(t *rapid.T) rules.Eye {
	return rapid.SampledFrom([]rules.Eye{rules.RightEye, rules.LeftEye, rules.BothEyes, rules.EyeUnknown}).Draw(t, "eye")
}

// strongest is the strongest level of each hazard.
func strongest(a rules.Assessment) map[rules.Hazard]rules.Level {
	out := map[rules.Hazard]rules.Level{}
	for _, f := range a.Findings {
		out[f.Hazard] = max(out[f.Hazard], f.Level)
	}
	return out
}

func TestAddingEvidenceNeverLowersALevel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		eye, before := drawEye(t), draw(t, "before")
		more := rapid.SampledFrom(pool()).Filter(func(e rules.Entry) bool { return e.Kind != rules.Observation }).Draw(t, "more")
		was, is := strongest(assess(eye, before...)), strongest(assess(eye, append(append([]rules.Entry{}, before...), more)...))
		for h, l := range was {
			require.GreaterOrEqual(t, is[h], l, string(h))
		}
	})
}

func TestOrderAndRepetitionDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		eye, entries := drawEye(t), draw(t, "entries")
		want, err := json.Marshal(assess(eye, entries...))
		require.NoError(t, err)
		again := append(append([]rules.Entry{}, entries...), entries...)
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		random.Shuffle(len(again), func(i, j int) { again[i], again[j] = again[j], again[i] })
		got, err := json.Marshal(assess(eye, again...))
		require.NoError(t, err)
		require.Equal(t, string(want), string(got))
	})
}

func TestMirroringTheSidesMirrorsTheResult(t *testing.T) {
	mirror := func(e rules.Eye) rules.Eye { return e.Fellow() }
	rapid.Check(t, func(t *rapid.T) {
		eye, entries := drawEye(t), draw(t, "entries")
		mirrored := make([]rules.Entry, len(entries))
		for i, e := range entries {
			e.Eye = mirror(e.Eye)
			mirrored[i] = e
		}
		var want []string
		for _, f := range assess(eye, entries...).Findings {
			want = append(want, fmt.Sprintf("%s %s %s %s", f.Hazard, f.Level, mirror(f.Eye), f.Factor))
		}
		var got []string
		for _, f := range assess(mirror(eye), mirrored...).Findings {
			got = append(got, fmt.Sprintf("%s %s %s %s", f.Hazard, f.Level, f.Eye, f.Factor))
		}
		require.ElementsMatch(t, want, got)
	})
}

func TestRemovingEverythingIsNoClearance(t *testing.T) {
	a := assess(rules.RightEye)
	require.Equal(t, rules.NoneFound, a.Outcome)
	require.False(t, a.Complete)
	require.Contains(t, gapKinds(a), rules.GapNoMedications)
	require.Contains(t, cat.Wording.Outcomes["none-found"], "not a clearance")
	var codes []string
	for _, p := range a.Preparations {
		codes = append(codes, p.Code)
	}
	require.Contains(t, codes, "confirm-medication-history", "asked even without a finding")
}

// A large pupil reassures nobody when an operation, a disease or a drop that may have made it smaller came later; one that
// came before the measurement changes nothing.
func TestLargePupilThatNoLongerHolds(t *testing.T) {
	large := pupil(7.5, rules.RightEye, "2026-02-01")
	unmeasured := func(more ...rules.Entry) bool {
		a := assess(rules.RightEye, append([]rules.Entry{large}, more...)...)
		return slices.ContainsFunc(a.Gaps, func(g rules.Gap) bool { return g.Kind == rules.GapPupilNotMeasured })
	}
	require.False(t, unmeasured())
	right := func(e *rules.Entry) { e.Eye = rules.RightEye }
	left := func(e *rules.Entry) { e.Eye = rules.LeftEye }
	require.True(t, unmeasured(entry(rules.Procedure, "Trabeculectomy", at("2026-02-10"), right)))
	require.True(t, unmeasured(entry(rules.Procedure, "Vitrectomy", at("2026-02-10"))), "side not recorded")
	require.True(t, unmeasured(entry(rules.Condition, "Uveitis", at("2026-02-10"), right)))
	require.True(t, unmeasured(entry(rules.Medication, "Pilocarpine 2 % eye drops", at("2026-02-10"))))
	require.True(t, unmeasured(entry(rules.Condition, "Uveitis", at("2026"), right)), "may be later")
	require.False(t, unmeasured(entry(rules.Procedure, "Trabeculectomy", at("2026-02-10"), left)))
	require.False(t, unmeasured(entry(rules.Procedure, "Trabeculectomy", at("2020-02-10"), right)))
	require.False(t, unmeasured(entry(rules.Medication, "Tamsulosin", at("2026-02-10"))))
}

// Two sides in one booking, and a lens operation on record whose side nobody wrote down, ask to check the eye.
func TestCheckTheEye(t *testing.T) {
	asks := func(eye rules.Eye, entries ...rules.Entry) bool {
		return slices.ContainsFunc(assess(eye, entries...).Gaps, func(g rules.Gap) bool { return g.Kind == rules.GapEyeCheck })
	}
	implant := func(eye rules.Eye) rules.Entry {
		return entry(rules.Condition, "Pseudophakia", at("2020"), func(e *rules.Entry) { e.Eye = eye })
	}
	require.True(t, asks(rules.BothEyes))
	require.False(t, asks(rules.RightEye))
	require.True(t, asks(rules.RightEye, implant(rules.RightEye)))
	require.True(t, asks(rules.RightEye, implant(rules.EyeUnknown)))
	require.False(t, asks(rules.RightEye, implant(rules.LeftEye)))
	require.False(t, asks(rules.RightEye, implant(rules.EyeUnknown), implant(rules.LeftEye)), "the other eye explains it")
}

// evidence.md section 8: chronic miotics and regular antipsychotics count, one dose does not; it asks.
func TestGivenOnceIsNotTakenRegularly(t *testing.T) {
	given := func(day string) rules.Entry {
		return entry(rules.Medication, "pilocarpine 2% eye drops", at(day), over, func(e *rules.Entry) { e.Given, e.Reference = true, "medication/given-"+day })
	}
	once := assess(rules.RightEye, given("2024-02-03"))
	require.Empty(t, findings(once))
	require.Contains(t, once.Gaps, rules.Gap{Kind: rules.GapAskMedication, Text: "miotic drops: on record as given once 2024-02-03; ask whether it was ever taken regularly"})
	require.NotEmpty(t, findings(assess(rules.RightEye, given("2024-02-03"), given("2024-02-04"))), "on two days")
	require.NotEmpty(t, findings(assess(rules.RightEye, given("2024-02-03"), entry(rules.Medication, "pilocarpine 2% eye drops"))), "and prescribed")
	require.NotEmpty(t, findings(assess(rules.RightEye, entry(rules.Medication, "tamsulosin", func(e *rules.Entry) { e.Given = true }))), "one tablet of tamsulosin counts")
}

func TestLineSaysWhatTheTextSays(t *testing.T) {
	for text, want := range map[string]string{
		"tamsulosin 0.4 mg":          "tamsulosin, current",
		"tamsulosin (stopped by GP)": "tamsulosin, past use by its text, recorded 2020-05-06 (still counts)",
		"was on tamsulosin":          "tamsulosin, past use by its text, recorded 2020-05-06 (still counts)",
		"tamsulosine previously":     "tamsulosin, past use by its text, recorded 2020-05-06 (still counts)",
		"tamsulosn":                  "tamsulosin, current, matched by spelling, confirm",
	} {
		f := assess(rules.RightEye, entry(rules.Medication, text)).Findings
		require.Len(t, f, 1, text)
		require.Equal(t, rules.High, f[0].Level, text)
		require.Equal(t, want, f[0].Reason, text)
	}
}

// Assessments of one catalogue at the same time do not see each other, and nothing of a later one stands in an earlier one.
func TestAssessTogether(t *testing.T) {
	entries := pool()
	one := func(i int) rules.Assessment {
		r := rand.New(rand.NewPCG(1, uint64(i)))
		var own []rules.Entry
		for range r.IntN(40) {
			e := entries[r.IntN(len(entries))]
			e.Restricted = r.IntN(5) == 0
			own = append(own, e)
		}
		op := operation(rules.Eye(r.IntN(4)))
		op.Concepts = []rules.Concept{{Text: "femtosecond laser assisted cataract surgery"}}
		return rules.Assess(cat, op, history(own...), now, rules.Settings{})
	}
	const many = 200
	var want [many]string
	text := func(a rules.Assessment) string {
		out := fmt.Sprintf("%+v", a.Findings) + fmt.Sprintf("%+v", a.Context) + fmt.Sprintf("%+v", a.Gaps)
		for _, p := range a.Preparations {
			out += fmt.Sprintf("%s %s %v %q", p.Code, p.Text, p.Due, p.Evidence)
		}
		return out
	}
	for i := range want {
		want[i] = text(one(i))
	}
	var group sync.WaitGroup
	for worker := range 4 {
		group.Go(func() {
			var got [many]rules.Assessment
			for i := range got {
				got[(i+worker*many/4)%many] = one((i + worker*many/4) % many)
			}
			for i := range got {
				if text(got[i]) != want[i] {
					t.Errorf("assessment %d differs", i)
				}
			}
		})
	}
	group.Wait()
}
