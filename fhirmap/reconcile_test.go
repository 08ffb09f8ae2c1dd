package fhirmap

import (
	"bytes"
	"encoding/json"
	"maps"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
)

// shelf is a record system reduced to what the reconciler sees: resources by reference, each with a version.
type shelf struct {
	t       shelfT
	w       Writer
	held    map[string][]byte
	version map[string]int
	deleted map[string]bool
	at      time.Time
}

// shelfT is a test or a rapid check.
type shelfT interface {
	require.TestingT
	Helper()
}

func newShelf(t shelfT) *shelf {
	cat := &rules.Catalogue{Version: "test", Wording: rules.Wording{
		Levels:  map[string]string{"high": "EXPECT", "moderate": "HAVE READY", "low": "NOTE"},
		Hazards: map[string]string{"floppy-iris": "floppy iris", "small-pupil": "small pupil"},
		Eyes:    map[string]string{"right": "RIGHT eye", "left": "LEFT eye", "both": "BOTH eyes", "unknown": "EYE NOT STATED"},
	}}
	return &shelf{
		t: t, w: Writer{Names: Names{Canonical: DefaultCanonical}, Catalogue: cat, Device: "Device/d", MinLevel: rules.Moderate},
		held: map[string][]byte{}, version: map[string]int{}, deleted: map[string]bool{},
		at: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC),
	}
}

var (
	ringRule   = &rules.PreparationRule{Code: "prepare-pupil-expansion", Name: "Pupil expansion ready", Who: "theatre nurse"}
	askingRule = &rules.PreparationRule{Code: "confirm-medication-history", Name: "Ask for drugs", Who: "pre-assessment nurse"}
)

// operationOn is a booking of patient p.
func operationOn(key string, eye rules.Eye) rules.Operation {
	return rules.Operation{Appointment: "Appointment/" + key, Key: key, Start: time.Date(2026, 3, 9, 9, 0, 0, 0, time.UTC), Eye: eye, Service: "Cataract surgery"}
}

// tamsulosin is an assessment that finds it in the given record.
func tamsulosin(op rules.Operation, record string) rules.Assessment {
	return found(op, rules.Evidence{Reference: record, Code: "tamsulosin"})
}

func found(op rules.Operation, evidence ...rules.Evidence) rules.Assessment {
	a := rules.Assessment{Patient: "Patient/p", Operation: op, Outcome: rules.Flagged, Complete: true}
	for _, e := range evidence {
		factor, _, _ := strings.Cut(e.Code, ":")
		a.Findings = append(a.Findings, rules.Finding{Hazard: rules.FloppyIris, Level: rules.High, Eye: rules.BothEyes, Factor: factor, Evidence: []rules.Evidence{e}, Reason: factor + ", current"})
	}
	a.Preparations = []rules.Preparation{{
		Code: ringRule.Code, Text: "Have hooks and a ring in the room", Due: op.Start.Add(-24 * time.Hour), Rule: ringRule, Evidence: []string{"tamsulosin"},
	}}
	return a
}

func (s *shelf) situation(bookings []Booking, assessments ...rules.Assessment) Situation {
	sit := Situation{
		Patient: "Patient/p", Bookings: bookings, BookingsWhole: true, Assessments: assessments, ClientIDs: true,
		Direct: map[string]int{}, At: s.at,
	}
	for _, ref := range slices.Sorted(maps.Keys(s.held)) {
		raw := s.held[ref]
		x, ours, err := ParseStanding(s.w.Names, raw)
		require.NoError(s.t, err)
		if ours {
			sit.Direct[ref] = 200
			sit.Standing = append(sit.Standing, x)
		}
	}
	return sit
}

// settle reconciles, reading by id what is asked for, and puts the writes on the shelf.
func (s *shelf) settle(sit Situation) Plan {
	s.t.Helper()
	plan, err := s.w.Reconcile(sit)
	require.NoError(s.t, err)
	for len(plan.Unread) > 0 {
		for _, ref := range plan.Unread {
			sit.Direct[ref] = 404
			if s.deleted[ref] {
				sit.Direct[ref] = 410
			}
		}
		plan, err = s.w.Reconcile(sit)
		require.NoError(s.t, err)
	}
	for _, w := range plan.Writes {
		ref := w.Type + "/" + w.ID
		require.Equal(s.t, w.Change == Create, s.held[ref] == nil, "%s %s", w.Change, ref)
		if w.Change != Create {
			require.Equal(s.t, strconv.Itoa(s.version[ref]), w.Version, "written on the version that was read")
		}
		s.put(ref, w.Body)
	}
	return plan
}

func (s *shelf) put(ref string, body []byte) {
	s.version[ref]++
	o, err := parseObject(body)
	require.NoError(s.t, err)
	o.set("meta", []byte(`{"versionId":"`+strconv.Itoa(s.version[ref])+`"}`))
	s.held[ref] = o.bytes()
}

// edit is a person's change.
func (s *shelf) edit(ref string, change func(map[string]any)) {
	var m map[string]any
	require.NoError(s.t, json.Unmarshal(s.held[ref], &m))
	change(m)
	raw, err := json.Marshal(m)
	require.NoError(s.t, err)
	s.put(ref, raw)
}

func (s *shelf) one(typ string) string {
	s.t.Helper()
	var refs []string
	for ref := range s.held {
		if strings.HasPrefix(ref, typ+"/") {
			refs = append(refs, ref)
		}
	}
	require.Len(s.t, refs, 1)
	return refs[0]
}

func (s *shelf) field(ref, name string) any {
	var m map[string]any
	require.NoError(s.t, json.Unmarshal(s.held[ref], &m))
	return m[name]
}

// start puts a Flag and a Task for tamsulosin on the shelf.
func (s *shelf) start() (op rules.Operation, bookings []Booking, flag, task string) {
	op = operationOn("a", rules.RightEye)
	bookings = []Booking{{Operation: op, Ahead: true}}
	s.settle(s.situation(bookings, tamsulosin(op, "MedicationStatement/1")))
	return op, bookings, s.one("Flag"), s.one("Task")
}

func TestCreatesOnlyAfterReadingTheID(t *testing.T) {
	s := newShelf(t)
	op := operationOn("a", rules.RightEye)
	plan, err := s.w.Reconcile(s.situation([]Booking{{Operation: op, Ahead: true}}, tamsulosin(op, "MedicationStatement/1")))
	require.NoError(t, err)
	require.Empty(t, plan.Writes)
	require.Len(t, plan.Unread, 2)
	plan = s.settle(s.situation([]Booking{{Operation: op, Ahead: true}}, tamsulosin(op, "MedicationStatement/1")))
	require.Len(t, plan.Writes, 2)
	require.Equal(t, "active", s.field(s.one("Flag"), "status"))
	require.Equal(t, "requested", s.field(s.one("Task"), "status"))
}

func TestNothingToChangeIsNoWrite(t *testing.T) {
	s := newShelf(t)
	op, bookings, _, _ := s.start()
	s.at = s.at.Add(time.Hour)
	require.Empty(t, s.settle(s.situation(bookings, tamsulosin(op, "MedicationStatement/1"))).Writes)
}

func TestServerNormalisingFormIsNoPersonsChange(t *testing.T) {
	s := newShelf(t)
	_, _, flag, task := s.start()
	s.edit(flag, func(m map[string]any) {
		m["period"] = map[string]any{"start": "2026-03-02T09:00:00+01:00"}
		m["subject"] = map[string]any{"reference": "https://server.example/fhir/Patient/p", "display": "somebody"}
	})
	for _, ref := range []string{flag, task} {
		x, ours, err := ParseStanding(s.w.Names, s.held[ref])
		require.NoError(t, err)
		require.True(t, ours)
		require.False(t, x.Touched, ref)
	}
}

func TestFlagClosedByPersonStaysClosed(t *testing.T) {
	for _, status := range []string{"inactive", "entered-in-error"} {
		t.Run(status, func(t *testing.T) {
			s := newShelf(t)
			op, bookings, flag, _ := s.start()
			s.edit(flag, func(m map[string]any) { m["status"] = status })
			// Next month's repeat prescription is another resource with the same evidence.
			plan := s.settle(s.situation(bookings, tamsulosin(op, "MedicationRequest/77")))
			require.Empty(t, plan.Writes)
			require.Equal(t, []Closed{{Hazard: rules.FloppyIris, Eye: rules.RightEye, Flag: flag}}, plan.Closed)
			require.Equal(t, status, s.field(flag, "status"))
		})
	}
}

func TestNewEvidenceAfterClosureMakesANewFlagThatPointsToTheOld(t *testing.T) {
	s := newShelf(t)
	op, bookings, flag, _ := s.start()
	s.edit(flag, func(m map[string]any) { m["status"] = "inactive" })
	plan := s.settle(s.situation(bookings, found(op,
		rules.Evidence{Reference: "MedicationStatement/1", Code: "tamsulosin"}, rules.Evidence{Reference: "Procedure/9", Code: "floppy-iris-recorded"})))
	var flags []Write
	for _, w := range plan.Writes {
		if w.Type == "Flag" {
			flags = append(flags, w)
		}
	}
	require.Len(t, flags, 1)
	require.Equal(t, Create, flags[0].Change)
	require.Equal(t, "p.floppy-iris.right.2", flags[0].Key)
	require.Equal(t, flag, flags[0].Replaces)
	require.Equal(t, "inactive", s.field(flag, "status"))
}

// What was new when a person's closure was passed over is taken back: the closure holds again, whatever becomes of the booking.
func TestClosureHoldsAgainWhenTheNewEvidenceIsGone(t *testing.T) {
	s := newShelf(t)
	op, bookings, flag, _ := s.start()
	s.edit(flag, func(m map[string]any) { m["status"] = "inactive" })
	s.settle(s.situation(bookings, found(op,
		rules.Evidence{Reference: "MedicationStatement/1", Code: "tamsulosin"}, rules.Evidence{Reference: "Procedure/9", Code: "floppy-iris-recorded"})))
	second := "Flag/" + s.w.Names.ID("p.floppy-iris.right.2")
	require.Equal(t, "active", s.field(second, "status"))

	s.settle(s.situation(bookings, tamsulosin(op, "MedicationStatement/1")))
	require.Equal(t, "active", s.field(second, "status"), "not found is no proof")
	taken := func(sit Situation) Situation {
		sit.Gone = func(ref string) bool { return ref == "Procedure/9" }
		return sit
	}
	plan := s.settle(taken(s.situation(bookings, tamsulosin(op, "MedicationStatement/1"))))
	require.Equal(t, "inactive", s.field(second, "status"))
	require.Equal(t, []Closed{{Hazard: rules.FloppyIris, Eye: rules.RightEye, Flag: second}}, plan.Closed)
	require.Empty(t, s.settle(taken(s.situation(bookings, tamsulosin(op, "MedicationStatement/1")))).Writes, "and is not brought back")
	s.settle(s.situation(bookings, found(op,
		rules.Evidence{Reference: "MedicationStatement/1", Code: "tamsulosin"}, rules.Evidence{Reference: "Procedure/10", Code: "floppy-iris-recorded"})))
	require.Equal(t, "active", s.field(second, "status"), "but for what the person has not seen")
}

func TestFlagDeletedByPersonCountsAsClosed(t *testing.T) {
	s := newShelf(t)
	op, bookings, flag, _ := s.start()
	delete(s.held, flag)
	s.deleted[flag] = true
	plan := s.settle(s.situation(bookings, tamsulosin(op, "MedicationStatement/1")))
	require.Empty(t, plan.Writes)
	require.Len(t, plan.Closed, 1)
}

func TestFlagRewordedByPersonIsLeft(t *testing.T) {
	s := newShelf(t)
	op, bookings, flag, _ := s.start()
	s.edit(flag, func(m map[string]any) { m["code"].(map[string]any)["text"] = "mild, seen by me" })
	before := s.held[flag]
	s.settle(s.situation(bookings, found(op, rules.Evidence{Reference: "Procedure/9", Code: "other"})))
	require.Equal(t, string(before), string(s.held[flag]))
}

func TestTaskThatAPersonAnsweredOrHoldsIsLeft(t *testing.T) {
	for _, status := range []string{"received", "accepted", "in-progress", "on-hold", "completed", "rejected", "failed", "cancelled", "entered-in-error"} {
		t.Run(status, func(t *testing.T) {
			s := newShelf(t)
			op, bookings, _, task := s.start()
			s.edit(task, func(m map[string]any) { m["status"] = status })
			before := s.held[task]
			s.settle(s.situation(bookings, tamsulosin(op, "MedicationStatement/2")))
			require.Equal(t, string(before), string(s.held[task]))
			s.one("Task")
		})
	}
}

func TestAnsweredTaskAnswersEvenNewEvidence(t *testing.T) {
	for _, status := range []string{"completed", "rejected", "failed"} {
		s := newShelf(t)
		op, bookings, _, task := s.start()
		s.edit(task, func(m map[string]any) { m["status"] = status })
		a := tamsulosin(op, "MedicationStatement/1")
		a.Preparations[0].Evidence = []string{"tamsulosin", "other"}
		s.settle(s.situation(bookings, a))
		s.one("Task")
	}
}

func TestElementsWeDoNotOwnSurviveEveryWriteByteForByte(t *testing.T) {
	s := newShelf(t)
	op, bookings, flag, task := s.start()
	foreign := map[string]string{
		"note":  `[{"text":"Patient  called <back> \u00e9"}]`,
		"owner": `{"reference":"Practitioner/9","display":"Sister W"}`,
		"meta":  `{"versionId":"1","security":[{"system":"x","code":"R"}],"tag":[{"code":"theirs"}]}`,
	}
	for _, ref := range []string{flag, task} {
		o, err := parseObject(s.held[ref])
		require.NoError(t, err)
		for name, raw := range foreign {
			if name == "meta" || strings.HasPrefix(ref, "Task/") {
				o.set(name, []byte(raw))
			}
		}
		o.set("_unknown", []byte(`{"a":1.50}`))
		o.set("extension", joinArray(append(parseArray(o.get("extension")), []byte(`{"url":"https://theirs.example/x","valueDecimal":1.10}`))))
		s.held[ref] = o.bytes()
	}
	// The operation moves by a day and a second finding comes: both are written.
	op.Start = op.Start.Add(24 * time.Hour)
	a := found(op, rules.Evidence{Reference: "MedicationStatement/1", Code: "tamsulosin"}, rules.Evidence{Reference: "Condition/3", Code: "other"})
	plan, err := s.w.Reconcile(s.situation([]Booking{{Operation: op, Ahead: true}}, a))
	require.NoError(t, err)
	require.Len(t, plan.Writes, 2)
	for _, w := range plan.Writes {
		require.Equal(t, Update, w.Change)
		require.Contains(t, string(w.Body), `"_unknown":{"a":1.50}`)
		require.Contains(t, string(w.Body), `{"url":"https://theirs.example/x","valueDecimal":1.10}`)
		require.Contains(t, string(w.Body), foreign["meta"])
		if w.Type == "Task" {
			require.Contains(t, string(w.Body), foreign["note"])
			require.Contains(t, string(w.Body), foreign["owner"])
		}
		require.Equal(t, 1, bytes.Count(w.Body, []byte("/StructureDefinition/written")))
	}
	_ = bookings
}

func TestCancelledBookingEndsAndRebookingBringsBack(t *testing.T) {
	s := newShelf(t)
	op, bookings, flag, task := s.start()
	gone := []Booking{{Operation: op, Ended: EndedCancelled}}
	s.settle(s.situation(gone))
	require.Equal(t, "inactive", s.field(flag, "status"))
	require.NotEmpty(t, s.field(flag, "period").(map[string]any)["end"])
	require.Equal(t, "cancelled", s.field(task, "status"))
	require.Empty(t, s.settle(s.situation(gone)).Writes)

	s.settle(s.situation(bookings, tamsulosin(op, "MedicationStatement/1")))
	require.Equal(t, "active", s.field(flag, "status"), "a Flag that we ended is made active again")
	require.Nil(t, s.field(flag, "period").(map[string]any)["end"])
	require.Equal(t, "cancelled", s.field(task, "status"), "a terminal Task is never left")
	second := "Task/" + s.w.Names.ID(TaskKey("a", "p", rules.RightEye, ringRule.Code)+".2")
	require.Equal(t, "requested", s.field(second, "status"))
	require.Contains(t, string(s.held[second]), task)
}

func TestUnreadBookingsEndNothing(t *testing.T) {
	s := newShelf(t)
	s.start()
	sit := s.situation(nil)
	sit.BookingsWhole = false
	require.Empty(t, s.settle(sit).Writes)
}

func TestEvidenceNotFoundIsNoProof(t *testing.T) {
	s := newShelf(t)
	op, bookings, flag, _ := s.start()
	none := rules.Assessment{Patient: "Patient/p", Operation: op, Outcome: rules.NoneFound}
	require.Empty(t, s.settle(s.situation(bookings, none)).Writes)

	sit := s.situation(bookings, none)
	sit.Gone = func(ref string) bool { return ref == "MedicationStatement/1" }
	plan := s.settle(sit)
	require.Len(t, plan.Writes, 2, "read and found not to stand: Flag and Task end")
	require.Equal(t, "inactive", s.field(flag, "status"))
}

func TestPartOfTheEvidenceNotFoundLowersNothing(t *testing.T) {
	s := newShelf(t)
	op := operationOn("a", rules.RightEye)
	bookings := []Booking{{Operation: op, Ahead: true}}
	both := found(op, rules.Evidence{Reference: "MedicationStatement/1", Code: "tamsulosin"}, rules.Evidence{Reference: "Procedure/9", Code: "other"})
	s.settle(s.situation(bookings, both))
	flag := s.one("Flag")
	weak := found(op, rules.Evidence{Reference: "Procedure/9", Code: "other"})
	weak.Findings[0].Level = rules.Moderate
	s.settle(s.situation(bookings, weak))
	x, _, err := ParseStanding(s.w.Names, s.held[flag])
	require.NoError(t, err)
	require.Equal(t, rules.High, x.Level)
	require.ElementsMatch(t, []string{"MedicationStatement/1", "Procedure/9"}, x.Details)
	require.ElementsMatch(t, []string{"tamsulosin", "other"}, x.Evidence)
}

func TestTaskMovesWithTheOperationAndKeepsItsDueWhenItWasAtOnce(t *testing.T) {
	s := newShelf(t)
	op, _, _, task := s.start()
	moved := op
	moved.Start = op.Start.Add(48 * time.Hour)
	s.settle(s.situation([]Booking{{Operation: moved, Ahead: true}}, tamsulosin(moved, "MedicationStatement/1")))
	x, _, _ := ParseStanding(s.w.Names, s.held[task])
	require.Equal(t, "2026-03-10T09:00:00Z", x.Due)

	late := tamsulosin(moved, "MedicationStatement/1")
	late.Preparations[0].AtOnce, late.Preparations[0].Due = true, s.at.Add(time.Minute)
	require.Empty(t, s.settle(s.situation([]Booking{{Operation: moved, Ahead: true}}, late)).Writes)
}

func TestAnsweredQuestionEndsItsTaskWhenTheRecordIsWhole(t *testing.T) {
	s := newShelf(t)
	op := operationOn("a", rules.LeftEye)
	bookings := []Booking{{Operation: op, Ahead: true}}
	asking := rules.Assessment{Patient: "Patient/p", Operation: op, Preparations: []rules.Preparation{{
		Code: askingRule.Code, Text: "ask", Rule: askingRule, FromGap: true, Evidence: []string{"gap:drug-list-empty"},
	}}}
	s.settle(s.situation(bookings, asking))
	task := s.one("Task")
	answered := rules.Assessment{Patient: "Patient/p", Operation: op}
	require.Empty(t, s.settle(s.situation(bookings, answered)).Writes, "an incomplete record answers nothing")
	answered.Complete = true
	s.settle(s.situation(bookings, answered))
	require.Equal(t, "cancelled", s.field(task, "status"))
}

// Once the record can be read nobody needs to assess by hand, even where something else is still missing.
func TestAssessByHandEndsWhenTheRecordIsRead(t *testing.T) {
	s := newShelf(t)
	op := operationOn("a", rules.LeftEye)
	bookings := []Booking{{Operation: op, Ahead: true}}
	byHand := &rules.PreparationRule{Code: "assess-by-hand", Name: "Assess by hand", Who: "nurse"}
	unread := rules.Assessment{Patient: "Patient/p", Operation: op, Outcome: rules.NotAssessed, Preparations: []rules.Preparation{{
		Code: byHand.Code, Text: "ask", Rule: byHand, FromGap: true, Evidence: []string{"gap:record-unread"},
	}}}
	s.settle(s.situation(bookings, unread))
	task := s.one("Task")
	unread.Preparations = nil
	require.Empty(t, s.settle(s.situation(bookings, unread)).Writes)
	s.settle(s.situation(bookings, rules.Assessment{Patient: "Patient/p", Operation: op, Outcome: rules.NoneFound}))
	require.Equal(t, "cancelled", s.field(task, "status"))
}

func TestMergedPatientsFlagsEndAndTheSurvivorsStand(t *testing.T) {
	s := newShelf(t)
	op, bookings, oldFlag, oldTask := s.start()
	a := tamsulosin(op, "MedicationStatement/1")
	a.Patient = "Patient/survivor"
	sit := s.situation(bookings, a)
	sit.Patient = "Patient/survivor"
	s.settle(sit)
	require.Equal(t, "inactive", s.field(oldFlag, "status"))
	require.Equal(t, "cancelled", s.field(oldTask, "status"))
	require.Equal(t, "Patient/p", s.field(oldFlag, "subject").(map[string]any)["reference"], "a subject is never changed")
	survivor := "Flag/" + s.w.Names.ID("survivor.floppy-iris.right.1")
	require.Equal(t, "active", s.field(survivor, "status"))
}

func TestRestrictedEvidenceIsNotNamed(t *testing.T) {
	s := newShelf(t)
	op := operationOn("a", rules.RightEye)
	a := found(op, rules.Evidence{Reference: "MedicationStatement/secret", Code: "tamsulosin", Restricted: true})
	plan := s.settle(s.situation([]Booking{{Operation: op, Ahead: true}}, a))
	flag := string(s.held[s.one("Flag")])
	require.Contains(t, flag, "reason restricted, ask")
	require.NotContains(t, flag, "tamsulosin", "not in our extension either")
	require.NotContains(t, flag, "secret")
	require.NotContains(t, flag, "tamsulosin, current")
	provenance, err := s.w.Provenance("Patient/p", plan.Writes, s.at)
	require.NoError(t, err)
	require.NotContains(t, string(provenance.Body), "secret")
}

func TestFlagsForEachEyeThatABookingMayTouch(t *testing.T) {
	for eye, want := range map[rules.Eye]int{rules.RightEye: 1, rules.LeftEye: 1, rules.BothEyes: 2, rules.EyeUnknown: 2} {
		s := newShelf(t)
		op := operationOn("a", eye)
		plan := s.settle(s.situation([]Booking{{Operation: op, Ahead: true}}, tamsulosin(op, "MedicationStatement/1")))
		flags := 0
		for _, w := range plan.Writes {
			if w.Type == "Flag" {
				flags++
			}
		}
		require.Equal(t, want, flags, eye.String())
	}
}

func TestTransactionWithoutClientIDsPointsByURN(t *testing.T) {
	s := newShelf(t)
	op := operationOn("a", rules.RightEye)
	sit := s.situation([]Booking{{Operation: op, Ahead: true}}, tamsulosin(op, "MedicationStatement/1"))
	sit.ClientIDs = false
	plan, err := s.w.Reconcile(sit)
	require.NoError(t, err)
	require.Empty(t, plan.Unread)
	require.Len(t, plan.Writes, 2)
	provenance, err := s.w.Provenance("Patient/p", plan.Writes, s.at)
	require.NoError(t, err)
	bundle, err := Transaction(s.w.Names, append(plan.Writes, provenance), false)
	require.NoError(t, err)
	text := string(bundle)
	flag := plan.Writes[0]
	require.NotContains(t, text, `"Flag/`+flag.ID+`"`)
	require.Contains(t, text, `"reference":"urn:uuid:`+flag.ID+`"`)
	require.Contains(t, text, `"ifNoneExist":"identifier=`+s.w.Names.FlagSystem()+`|p.floppy-iris.right.1"`)
}

// Two of one identifier: what a person closed decides for all, else what a person touched stays, else the oldest.
func TestOfTwoWithOneIdentifierOneIsLeft(t *testing.T) {
	for name, c := range map[string]struct {
		change    func(map[string]any) // to the younger one
		old, twin string
		writes    int
	}{
		"nobody touched any":            {nil, "active", "inactive", 1},
		"a person reworded the younger": {func(m map[string]any) { m["code"].(map[string]any)["text"] = "seen by me" }, "inactive", "active", 1},
		"a person closed the younger":   {func(m map[string]any) { m["status"] = "inactive" }, "inactive", "inactive", 1},
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelf(t)
			op, bookings, flag, _ := s.start()
			s.put("Flag/twin", s.held[flag])
			s.edit("Flag/twin", func(m map[string]any) {
				m["id"] = "twin"
				if c.change != nil {
					c.change(m)
				}
			})
			plan := s.settle(s.situation(bookings, tamsulosin(op, "MedicationStatement/1")))
			require.Len(t, plan.Writes, c.writes)
			require.Equal(t, c.old, s.field(flag, "status"))
			require.Equal(t, c.twin, s.field("Flag/twin", "status"))
			require.Empty(t, s.settle(s.situation(bookings, tamsulosin(op, "MedicationStatement/1"))).Writes, "and then nothing is left to do")
		})
	}
}

// Closures and answers given under a record that was merged since hold for the survivor too.
func TestMergeCarriesClosuresAndAnswersOver(t *testing.T) {
	s := newShelf(t)
	op, bookings, oldFlag, oldTask := s.start()
	s.edit(oldFlag, func(m map[string]any) { m["status"] = "inactive" })
	s.edit(oldTask, func(m map[string]any) { m["status"] = "completed" })
	merged := func(evidence ...rules.Evidence) Situation {
		a := found(op, evidence...)
		a.Patient = "Patient/survivor"
		sit := s.situation(bookings, a)
		sit.Patient = "Patient/survivor"
		return sit
	}
	plan := s.settle(merged(rules.Evidence{Reference: "MedicationStatement/9", Code: "tamsulosin"}))
	require.Empty(t, plan.Writes)
	require.Equal(t, []Closed{{Hazard: rules.FloppyIris, Eye: rules.RightEye, Flag: oldFlag}}, plan.Closed)

	plan = s.settle(merged(rules.Evidence{Reference: "MedicationStatement/9", Code: "tamsulosin"}, rules.Evidence{Reference: "Procedure/9", Code: "floppy-iris-recorded"}))
	require.Len(t, plan.Writes, 1, "new evidence makes the survivor's own, and the answer stands")
	require.Equal(t, "survivor.floppy-iris.right.1", plan.Writes[0].Key)
	require.Equal(t, oldFlag, plan.Writes[0].Replaces)
	require.Equal(t, "inactive", s.field(oldFlag, "status"))
}

// A merge taken back: the first record's Flag, which we ended ourselves, is active again, and the survivor's goes.
func TestMergeTakenBack(t *testing.T) {
	s := newShelf(t)
	op, bookings, oldFlag, _ := s.start()
	a := tamsulosin(op, "MedicationStatement/1")
	a.Patient = "Patient/survivor"
	sit := s.situation(bookings, a)
	sit.Patient = "Patient/survivor"
	s.settle(sit)
	require.Equal(t, "inactive", s.field(oldFlag, "status"))
	apart := s.situation(bookings, tamsulosin(op, "MedicationStatement/1"))
	apart.Standing = slices.DeleteFunc(apart.Standing, func(x Standing) bool { return x.Subject != "Patient/p" })
	s.settle(apart)
	require.Equal(t, "active", s.field(oldFlag, "status"))
}

// The same evidence after a closure raises no Flag, and the surgeon's action is still asked for, once for each operation.
func TestSameEvidenceAfterClosureAsksTheSurgeonOncePerOperation(t *testing.T) {
	s := newShelf(t)
	op, bookings, flag, task := s.start()
	s.edit(flag, func(m map[string]any) { m["status"] = "inactive" })
	s.edit(task, func(m map[string]any) { m["status"] = "completed" })
	require.Empty(t, s.settle(s.situation(bookings, tamsulosin(op, "MedicationRequest/next-month"))).Writes)

	next := operationOn("b", rules.RightEye)
	both := append(bookings, Booking{Operation: next, Ahead: true})
	plan := s.settle(s.situation(both, tamsulosin(op, "MedicationRequest/next-month"), tamsulosin(next, "MedicationRequest/next-month")))
	require.Len(t, plan.Writes, 1)
	require.Equal(t, "Task", plan.Writes[0].Type)
	require.Empty(t, s.settle(s.situation(both, tamsulosin(op, "MedicationRequest/3"), tamsulosin(next, "MedicationRequest/3"))).Writes)
}

// With the setting the Flag carries the labels R and V of its evidence; labels that others gave it stay, and one that a person
// took off stays off.
func TestSecurityLabelsAreCopiedOnlyWhereSet(t *testing.T) {
	label := func(code string) string {
		return `{"system":"http://terminology.hl7.org/CodeSystem/v3-Confidentiality","code":"` + code + `"}`
	}
	secret := rules.Evidence{Reference: "MedicationStatement/1", Code: "tamsulosin", Restricted: true}
	more := rules.Evidence{Reference: "Condition/2", Code: "other", Restricted: true}
	for _, copied := range []bool{false, true} {
		s := newShelf(t)
		s.w.CopyLabels = copied
		op := operationOn("a", rules.RightEye)
		situation := func(evidence ...rules.Evidence) Situation {
			sit := s.situation([]Booking{{Operation: op, Ahead: true}}, found(op, evidence...))
			sit.Labels = func(ref string) []string {
				return map[string][]string{"MedicationStatement/1": {"R"}, "Condition/2": {"V"}}[ref]
			}
			return sit
		}
		flags := s.settle(situation(secret)).Writes
		require.Equal(t, copied, strings.Contains(string(flags[0].Body), `"meta":{"security":[`+label("R")+`]}`), string(flags[0].Body))
		require.Contains(t, string(flags[0].Body), "reason restricted, ask")

		flag := s.one("Flag")
		o, err := parseObject(s.held[flag])
		require.NoError(t, err)
		o.set("meta", []byte(`{"versionId":"1","security":[{"code":"theirs"}],"tag":[{"code":"their  tag"}]}`)) // ours was taken off
		s.held[flag] = o.bytes()
		require.Empty(t, s.settle(situation(secret)).Writes)

		plan, err := s.w.Reconcile(situation(secret, more))
		require.NoError(t, err)
		if !copied {
			require.Empty(t, plan.Writes, "nothing that the Flag shows has changed")
			continue
		}
		require.Len(t, plan.Writes, 1)
		require.Contains(t, string(plan.Writes[0].Body), `"meta":{"versionId":"1","security":[{"code":"theirs"},`+label("V")+`],"tag":[{"code":"their  tag"}]}`)
	}
}

// Evidence that may not be named is in no detail: named evidence that comes beside it proves nothing about it.
func TestNamedEvidenceBesideARestrictedOneLowersNothing(t *testing.T) {
	s := newShelf(t)
	op := operationOn("a", rules.RightEye)
	bookings := []Booking{{Operation: op, Ahead: true}}
	s.settle(s.situation(bookings, found(op, rules.Evidence{Reference: "Condition/1", Code: "hidden", Restricted: true})))
	named := found(op, rules.Evidence{Reference: "Procedure/9", Code: "other"})
	named.Findings[0].Level = rules.Moderate
	for range 3 {
		s.settle(s.situation(bookings, named))
		x := s.standingOf(s.one("Flag"))
		require.Equal(t, rules.High, x.Level)
		require.Equal(t, []string{"Procedure/9"}, x.Details)
		require.Len(t, x.Evidence, 2)
	}
	require.Empty(t, s.settle(s.situation(bookings, named)).Writes)
}

func (s *shelf) standingOf(ref string) Standing {
	s.t.Helper()
	x, ours, err := ParseStanding(s.w.Names, s.held[ref])
	require.NoError(s.t, err)
	require.True(s.t, ours)
	return x
}
