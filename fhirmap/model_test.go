package fhirmap

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pupilrisk/rules"
)

// model is a clinic of one patient: what the record says, what people did, and the shelf that workers write to.
type model struct {
	*shelf
	ids      bool // the server lets us choose ids
	evidence []modelEvidence
	bookings map[string]*Booking
	asking   bool // the drug list is empty
	// people holds what a person changed in an owned element, or deleted.
	people map[string]bool
	chosen int // ids the server has given
}

type modelEvidence struct {
	rules.Evidence
	hazard rules.Hazard
	level  rules.Level
	state  string // counts, hidden: no search finds it, gone: read by id and found not to stand
}

var modelCodes = map[string]rules.Hazard{"tamsulosin": rules.FloppyIris, "silodosin": rules.FloppyIris, "pupil:small": rules.SmallPupil, "pupil:tiny": rules.SmallPupil}

// Whatever people, schedulers, records and workers do in whatever order: never two active Flags of one hazard and eye, nothing
// that a person changed is written, no terminal Task is left, what is not ours survives byte for byte, the same evidence never
// brings back what a person closed, and a second pass writes nothing.
func TestReconcilerModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := &model{shelf: newShelf(t), ids: rapid.Bool().Draw(t, "ids of ours"), bookings: map[string]*Booking{}, people: map[string]bool{}}
		t.Repeat(map[string]func(*rapid.T){
			"":                                  func(t *rapid.T) { m.t = t; m.atMostOneActive() },
			"evidence comes":                    m.evidenceComes,
			"evidence is found, hidden or void": m.evidenceChanges,
			"drug list":                         func(*rapid.T) { m.asking = !m.asking },
			"booking":                           m.booking,
			"a person closes a Flag": m.person("Flag", func(t *rapid.T, r map[string]any) {
				r["status"] = rapid.SampledFrom([]string{"inactive", "entered-in-error"}).Draw(t, "status")
			}),
			"a person rewords a Flag": m.person("Flag", func(_ *rapid.T, r map[string]any) { r["code"] = map[string]any{"text": "seen by me"} }),
			"a person answers a Task": m.person("Task", func(t *rapid.T, r map[string]any) {
				r["status"] = rapid.SampledFrom([]string{"accepted", "in-progress", "completed", "rejected", "failed", "cancelled"}).Draw(t, "status")
			}),
			"a person re-dates a Task": m.person("Task", func(_ *rapid.T, r map[string]any) {
				r["restriction"] = map[string]any{"period": map[string]any{"end": "2026-03-03T08:00:00Z"}}
			}),
			"a person deletes":             m.deletes,
			"somebody adds what is theirs": m.adds,
			"a pass":                       func(t *rapid.T) { m.t = t; m.pass() },
			"a pass cut off":               m.cutOff,
			"two workers at once":          m.together,
		})
	})
}

func (m *model) evidenceComes(t *rapid.T) {
	code := rapid.SampledFrom(slices.Sorted(maps.Keys(modelCodes))).Draw(t, "code")
	m.evidence = append(m.evidence, modelEvidence{
		Evidence: rules.Evidence{Reference: fmt.Sprintf("Condition/%d", len(m.evidence)), Code: code, Restricted: rapid.Bool().Draw(t, "restricted")},
		hazard:   modelCodes[code], level: rapid.SampledFrom([]rules.Level{rules.Low, rules.Moderate, rules.High}).Draw(t, "level"), state: "counts",
	})
}

func (m *model) evidenceChanges(t *rapid.T) {
	if len(m.evidence) == 0 {
		t.Skip()
	}
	i := rapid.IntRange(0, len(m.evidence)-1).Draw(t, "which")
	m.evidence[i].state = rapid.SampledFrom([]string{"counts", "hidden", "gone"}).Draw(t, "state")
	m.maybePass(t)
}

func (m *model) booking(t *rapid.T) {
	key := rapid.SampledFrom([]string{"a", "b"}).Draw(t, "booking")
	b := &Booking{Operation: operationOn(key, rapid.SampledFrom([]rules.Eye{rules.RightEye, rules.LeftEye, rules.BothEyes, rules.EyeUnknown}).Draw(t, "eye")), Ahead: true}
	b.Operation.Start = b.Operation.Start.AddDate(0, 0, rapid.IntRange(0, 3).Draw(t, "days later"))
	if end := rapid.SampledFrom([]Ended{"", "", EndedCancelled, EndedOver, EndedMoved, EndedOtherPatient}).Draw(t, "ended"); end != "" {
		b.Ahead, b.Ended = false, end
	}
	m.bookings[key] = b
	m.maybePass(t)
}

// maybePass lets a worker see half of the changes before the next one comes.
func (m *model) maybePass(t *rapid.T) {
	if m.t = t; rapid.Bool().Draw(t, "then a pass") {
		m.pass()
	}
}

// pick draws a resource that stands.
func (m *model) pick(t *rapid.T, typ string) string {
	refs := slices.DeleteFunc(slices.Sorted(maps.Keys(m.held)), func(ref string) bool { return !strings.HasPrefix(ref, typ) })
	if len(refs) == 0 {
		t.Skip()
	}
	return rapid.SampledFrom(refs).Draw(t, "resource")
}

func (m *model) person(typ string, change func(*rapid.T, map[string]any)) func(*rapid.T) {
	return func(t *rapid.T) {
		m.t = t
		ref := m.pick(t, typ)
		if s := m.standingOf(ref); !s.Open() {
			t.Skip() // people open nothing again here
		}
		m.edit(ref, func(r map[string]any) { change(t, r) })
		m.people[ref] = true
	}
}

func (m *model) deletes(t *rapid.T) {
	if !m.ids {
		t.Skip() // where the server chooses ids, nobody can tell what was deleted from what never was
	}
	ref := m.pick(t, "")
	delete(m.held, ref)
	m.deleted[ref], m.people[ref] = true, true
}

// adds changes what we do not own.
func (m *model) adds(t *rapid.T) {
	m.t = t
	ref := m.pick(t, "")
	o, err := parseObject(m.held[ref])
	require.NoError(t, err)
	o.set("_theirs", []byte(`{"a":  1.50}`))
	o.set("note", []byte(`[{"text":"Patient  called \u00e9"}]`))
	o.set("extension", joinArray(append(parseArray(o.get("extension")), []byte(`{"url":"https://theirs.example/x","valueDecimal":1.10}`))))
	m.put(ref, o.bytes())
}

// see is the situation that a worker reads now.
func (m *model) see() Situation {
	m.at = m.at.Add(time.Minute)
	var bookings []Booking
	var assessments []rules.Assessment
	for _, key := range slices.Sorted(maps.Keys(m.bookings)) {
		b := *m.bookings[key]
		bookings = append(bookings, b)
		if b.Ahead {
			assessments = append(assessments, m.assess(b.Operation))
		}
	}
	s := m.situation(bookings, assessments...)
	s.ClientIDs = m.ids
	s.Gone = func(ref string) bool {
		return slices.ContainsFunc(m.evidence, func(e modelEvidence) bool { return e.Reference == ref && e.state == "gone" })
	}
	return s
}

func (m *model) assess(op rules.Operation) rules.Assessment {
	a := rules.Assessment{Patient: "Patient/p", Operation: op, Complete: !m.asking}
	var codes []string
	for _, e := range m.evidence {
		if e.state == "counts" {
			a.Findings = append(a.Findings, rules.Finding{Hazard: e.hazard, Level: e.level, Eye: rules.BothEyes, Factor: e.Code, Evidence: []rules.Evidence{e.Evidence}, Reason: e.Code})
			codes = append(codes, e.Identity())
		}
	}
	if len(codes) > 0 {
		a.Preparations = append(a.Preparations, rules.Preparation{Code: ringRule.Code, Text: "ring", Due: op.Start.Add(-24 * time.Hour), Rule: ringRule, Evidence: codes})
	}
	if m.asking {
		a.Preparations = append(a.Preparations, rules.Preparation{Code: askingRule.Code, Text: "ask", Rule: askingRule, FromGap: true, Evidence: []string{"gap:drug-list-empty"}})
	}
	return a
}

// plan decides, with the direct reads that it asks for.
func (m *model) plan(s Situation) Plan {
	m.t.Helper()
	plan, err := m.w.Reconcile(s)
	require.NoError(m.t, err)
	for round := 0; len(plan.Unread) > 0; round++ {
		require.Less(m.t, round, 4)
		for _, ref := range plan.Unread {
			s.Direct[ref] = 404
			if m.deleted[ref] {
				s.Direct[ref] = 410
			}
			require.NotContains(m.t, m.held, ref, "the search shows all of ours")
		}
		plan, err = m.w.Reconcile(s)
		require.NoError(m.t, err)
	}
	return plan
}

// carry writes as the server takes it, one after the other, and reports a conflict.
func (m *model) carry(writes []Write) (conflict bool) {
	for _, x := range SafeOrder(writes) {
		ref := x.Type + "/" + x.ID
		before, stands := m.held[ref]
		switch {
		case x.Change != Create:
			if !stands || fmt.Sprint(m.version[ref]) != x.Version {
				return true
			}
			m.mayWrite(ref, x)
			m.othersSurvive(before, x)
		case m.ids:
			require.False(m.t, m.people[ref], "what a person changed or deleted is not created anew")
		case m.keyStands(x):
			continue // the condition of the creation
		default:
			m.chosen++
			ref = fmt.Sprintf("%s/srv%d", x.Type, m.chosen)
			o, err := parseObject(x.Body)
			require.NoError(m.t, err)
			o.set("id", fmt.Appendf(nil, `"srv%d"`, m.chosen))
			x.Body = o.bytes()
		}
		m.sameEvidenceStaysClosed(x)
		m.put(ref, x.Body)
	}
	return false
}

func (m *model) keyStands(x Write) bool {
	return slices.ContainsFunc(slices.Collect(maps.Keys(m.held)), func(ref string) bool {
		s := m.standingOf(ref)
		return s.Type == x.Type && numbered(s.Base, s.N) == x.Key
	})
}

func (m *model) mayWrite(ref string, x Write) {
	s := m.standingOf(ref)
	require.False(m.t, m.people[ref], "%s of what a person changed", x.Change)
	require.False(m.t, s.Type == "Task" && !s.Open(), "a terminal Task is left")
}

// othersSurvive holds that a write changes nothing that is not ours.
func (m *model) othersSurvive(before []byte, x Write) {
	theirs := func(raw []byte) map[string]string {
		o, err := parseObject(raw)
		require.NoError(m.t, err)
		out := map[string]string{}
		for i, name := range o.names {
			if !slices.Contains(append(slices.Clone(ownedElements[x.Type]), "extension", "lastModified"), name) {
				out[name] = string(o.values[i])
			}
		}
		ours := append(slices.Clone(ownedExtensions[x.Type]), m.w.Names.writtenExtension())
		out["extension"] = string(jsontext.Value(joinArray(withoutExtension(parseArray(o.get("extension")), ours...))))
		return out
	}
	require.Equal(m.t, theirs(before), theirs(x.Body))
}

// sameEvidenceStaysClosed holds that a Flag after one that a person closed rests on something new.
func (m *model) sameEvidenceStaysClosed(x Write) {
	if x.Type != "Flag" || x.Change != Create {
		return
	}
	fresh, _, err := ParseStanding(m.w.Names, x.Body)
	require.NoError(m.t, err)
	for ref := range m.held {
		if s := m.standingOf(ref); s.Type == "Flag" && s.Base == fresh.Base && s.N == fresh.N-1 {
			require.True(m.t, m.people[ref], "the count goes up only after a person ended the one before")
			require.True(m.t, hasNew(fresh.Evidence, s.Evidence))
		}
	}
}

func (m *model) pass() {
	m.t.Helper()
	require.False(m.t, m.carry(m.plan(m.see()).Writes), "nobody else wrote")
	require.Empty(m.t, m.plan(m.see()).Writes, "a second pass writes nothing")
	m.whatShouldStandStands()
}

// cutOff is a worker that dies between two single writes.
func (m *model) cutOff(t *rapid.T) {
	m.t = t
	writes := SafeOrder(m.plan(m.see()).Writes)
	m.carry(writes[:rapid.IntRange(0, len(writes)).Draw(t, "writes made")])
}

// together are two workers that have read the same before either writes; who meets a conflict decides again.
func (m *model) together(t *rapid.T) {
	m.t = t
	first, second := m.plan(m.see()), m.plan(m.see())
	require.False(t, m.carry(first.Writes))
	if m.carry(second.Writes) {
		m.pass()
	}
	m.pass()
}

func (m *model) atMostOneActive() {
	seen := map[string]bool{}
	for ref := range m.held {
		if s := m.standingOf(ref); s.Type == "Flag" && s.Open() {
			require.False(m.t, seen[s.Base], "two active Flags of one hazard and eye")
			seen[s.Base] = true
		}
	}
}

// whatShouldStandStands holds after a whole pass, so that doing nothing is no way to keep the rules.
func (m *model) whatShouldStandStands() {
	known := map[string]bool{} // bases that stand, or that a person ended
	for ref := range m.held {
		s := m.standingOf(ref)
		known[s.Base] = known[s.Base] || s.Open() || m.people[ref]
		if s.Type == "Flag" && s.Open() && !m.people[ref] {
			require.True(m.t, m.ahead(s.Eye), "an active Flag has an operation ahead")
		}
		if s.Type == "Task" && s.Open() && !m.people[ref] {
			b := m.bookings[strings.TrimPrefix(s.Focus, "Appointment/")]
			require.True(m.t, b.Ahead && b.Operation.Eye == s.Eye, "an open Task has its operation ahead")
		}
	}
	for _, e := range m.evidence {
		for _, eye := range []rules.Eye{rules.RightEye, rules.LeftEye} {
			base := FlagKey("p", e.hazard, eye)
			if e.state == "counts" && e.level >= rules.Moderate && m.ahead(eye) {
				require.True(m.t, known[base] || m.deletedOf("Flag", base), "a finding has its Flag")
			}
		}
	}
	for key, b := range m.bookings {
		if !b.Ahead || !slices.ContainsFunc(m.evidence, func(e modelEvidence) bool { return e.state == "counts" }) {
			continue
		}
		asked := slices.ContainsFunc(slices.Collect(maps.Keys(m.held)), func(ref string) bool {
			s := m.standingOf(ref)
			return s.Type == "Task" && s.Focus == "Appointment/"+key && s.Preparation == ringRule.Code && (s.Open() || m.people[ref])
		})
		require.True(m.t, asked || m.deletedOf("Task", TaskKey(key, "p", b.Operation.Eye, ringRule.Code)), "a finding has its Task")
	}
}

func (m *model) ahead(eye rules.Eye) bool {
	return slices.ContainsFunc(slices.Collect(maps.Values(m.bookings)), func(b *Booking) bool { return b.Ahead && b.Operation.Eye.MayBe(eye) })
}

func (m *model) deletedOf(typ, base string) bool {
	for n := range 40 {
		if m.deleted[typ+"/"+m.w.Names.ID(numbered(base, n))] {
			return true
		}
	}
	return false
}
