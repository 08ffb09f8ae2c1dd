package fhirmap

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
)

// Tests of what is written, one for each sentence that no test of a decision holds already.

// Key of a Flag: patient, hazard, eye, n; of a Task: operation, patient, eye, preparation, n; the id is the UUIDv5 of the canonical
// base and the key.
func TestKeysAndIDsFollowFromWhatTheyAreAbout(t *testing.T) {
	s := newShelf(t)
	op := operationOn("booking-no-7", rules.RightEye)
	op.Appointment = "Appointment/a"
	plan := s.settle(s.situation([]Booking{{Operation: op, Ahead: true}}, tamsulosin(op, "MedicationStatement/1")))
	for i, key := range []string{"p.floppy-iris.right.1", "booking-no-7.p.right.prepare-pupil-expansion.1"} {
		w := plan.Writes[i]
		system := "https://pupilrisk.example/fhir/identifier/" + strings.ToLower(w.Type)
		require.Equal(t, key, w.Key)
		require.Equal(t, uuid.NewSHA1(uuid.NameSpaceURL, []byte("https://pupilrisk.example/fhir/"+key)).String(), w.ID)
		require.Contains(t, string(w.Body), `"id":"`+w.ID+`"`)
		require.Contains(t, string(w.Body), `"identifier":[{"system":"`+system+`","value":"`+key+`"}]`)
	}
}

// withoutHash leaves out the one member of a resource that a person cannot read.
func withoutHash(body []byte) string {
	return regexp.MustCompile(`"[0-9a-f]{32}"`).ReplaceAllString(string(body), `"HASH"`)
}

func TestFlagHasTheElementsOfTheContract(t *testing.T) {
	s := newShelf(t)
	s.start()
	flag := s.one("Flag")
	require.JSONEq(t, `{"resourceType":"Flag","id":"`+strings.TrimPrefix(flag, "Flag/")+`","meta":{"versionId":"1"},
		"identifier":[{"system":"https://pupilrisk.example/fhir/identifier/flag","value":"p.floppy-iris.right.1"}],
		"status":"active",
		"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/flag-category","code":"clinical","display":"Clinical"}]}],
		"code":{"coding":[{"system":"https://pupilrisk.example/fhir/CodeSystem/hazard","code":"floppy-iris","display":"floppy iris"}],
			"text":"EXPECT floppy iris, RIGHT eye: tamsulosin, current"},
		"subject":{"reference":"Patient/p"},"period":{"start":"2026-03-02T08:00:00Z"},"author":{"reference":"Device/d"},
		"extension":[
			{"url":"http://hl7.org/fhir/StructureDefinition/flag-priority","valueCodeableConcept":{"coding":[
				{"system":"http://hl7.org/fhir/flag-priority-code","code":"PH","display":"High priority"}]}},
			{"url":"http://hl7.org/fhir/StructureDefinition/flag-detail","valueReference":{"reference":"MedicationStatement/1"}},
			{"url":"https://pupilrisk.example/fhir/StructureDefinition/written","extension":[{"url":"hash","valueString":"HASH"},
				{"url":"catalogue","valueString":"test"},{"url":"at","valueInstant":"2026-03-02T08:00:00Z"},{"url":"evidence","valueString":"tamsulosin"}]}]}`,
		withoutHash(s.held[flag]))
}

func TestTaskHasTheElementsOfTheContract(t *testing.T) {
	for name, tt := range map[string]struct{ intent, wanted, appointment, focus string }{
		"of an appointment":                     {"", "proposal", "Appointment/a", `{"reference":"Appointment/a"}`},
		"of a booking that is no resource here": {"order", "order", "", `{"type":"Appointment","identifier":{"value":"a"},"display":"Booking that the scheduling system knows by this identifier"}`},
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelf(t)
			s.w.Intent = tt.intent
			op := operationOn("a", rules.RightEye)
			op.Appointment = tt.appointment
			s.settle(s.situation([]Booking{{Operation: op, Ahead: true}}, tamsulosin(op, "MedicationStatement/1")))
			task := s.one("Task")
			require.JSONEq(t, `{"resourceType":"Task","id":"`+strings.TrimPrefix(task, "Task/")+`","meta":{"versionId":"1"},
				"identifier":[{"system":"https://pupilrisk.example/fhir/identifier/task","value":"a.p.right.prepare-pupil-expansion.1"}],
				"status":"requested","intent":"`+tt.wanted+`",
				"code":{"coding":[{"system":"https://pupilrisk.example/fhir/CodeSystem/preparation","code":"prepare-pupil-expansion","display":"Pupil expansion ready"}],
					"text":"Pupil expansion ready"},
				"description":"Have hooks and a ring in the room","performerType":[{"text":"theatre nurse"}],"for":{"reference":"Patient/p"},
				"focus":`+tt.focus+`,"reasonReference":{"reference":"`+s.one("Flag")+`"},
				"restriction":{"period":{"end":"2026-03-08T09:00:00Z"}},"requester":{"reference":"Device/d"},
				"authoredOn":"2026-03-02T08:00:00Z","lastModified":"2026-03-02T08:00:00Z",
				"extension":[{"url":"https://pupilrisk.example/fhir/StructureDefinition/written","extension":[{"url":"hash","valueString":"HASH"},
					{"url":"catalogue","valueString":"test"},{"url":"at","valueInstant":"2026-03-02T08:00:00Z"},{"url":"evidence","valueString":"tamsulosin"}]}]}`,
				withoutHash(s.held[task]))
		})
	}
}

func TestProvenanceNamesTargetsAgentAndSources(t *testing.T) {
	s := newShelf(t)
	s.w.SoftwareVersion = "1.2.3"
	op := operationOn("a", rules.RightEye)
	plan := s.settle(s.situation([]Booking{{Operation: op, Ahead: true}}, tamsulosin(op, "MedicationStatement/1")))
	provenance, err := s.w.Provenance("Patient/p", plan.Writes, s.at)
	require.NoError(t, err)
	require.JSONEq(t, `{"resourceType":"Provenance","id":"`+provenance.ID+`","recorded":"2026-03-02T08:00:00Z",
		"target":[{"reference":"`+s.one("Flag")+`"},{"reference":"`+s.one("Task")+`"}],
		"activity":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v3-DataOperation","code":"CREATE"}]},
		"agent":[{"type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/provenance-participant-type","code":"assembler","display":"Assembler"}]},
			"who":{"reference":"Device/d","display":"pupilrisk 1.2.3, catalogue test"}}],
		"entity":[{"role":"source","what":{"reference":"MedicationStatement/1"}}]}`, string(provenance.Body))
}

// However many findings there are, an eye has one Flag for each hazard: two at most.
func TestAtMostTwoActiveFlagsPerEye(t *testing.T) {
	s := newShelf(t)
	op := operationOn("a", rules.BothEyes)
	var all []rules.Evidence
	for _, code := range []string{"tamsulosin", "silodosin", "alfuzosin", "doxazosin"} {
		all = append(all, rules.Evidence{Reference: "MedicationStatement/" + code, Code: code})
	}
	a := found(op, all...)
	a.Findings[1].Hazard, a.Findings[3].Hazard = rules.SmallPupil, rules.SmallPupil
	s.settle(s.situation([]Booking{{Operation: op, Ahead: true}}, a))
	flags := map[rules.Eye]int{}
	for ref := range s.held {
		if x := s.standingOf(ref); x.Type == "Flag" && x.Open() {
			flags[x.Eye]++
			require.Contains(t, x.Text, "(+1 more)")
			require.Len(t, x.Details, 2)
		}
	}
	require.Equal(t, map[rules.Eye]int{rules.RightEye: 2, rules.LeftEye: 2}, flags)
}

func TestTaskDeletedByPersonIsNotCreatedAnew(t *testing.T) {
	s := newShelf(t)
	op, bookings, _, task := s.start()
	delete(s.held, task)
	s.deleted[task] = true
	require.Empty(t, s.settle(s.situation(bookings, tamsulosin(op, "MedicationStatement/1"))).Writes)
}

// A creation, whose id was read before, holds where nothing stands (as far as the server heeds that); a change holds for the version that was read only.
func TestChangeIsAPutOnTheVersionRead(t *testing.T) {
	s := newShelf(t)
	op, _, flag, _ := s.start()
	s.edit(flag, func(m map[string]any) { m["note"] = "of others" })
	over := []Booking{{Operation: op, Ended: EndedOver}}
	plan, err := s.w.Reconcile(s.situation(over))
	require.NoError(t, err)
	bundle, err := Transaction(s.w.Names, plan.Writes, true)
	require.NoError(t, err)
	require.Contains(t, string(bundle), `"request":{"method":"PUT","url":"`+flag+`","ifMatch":"W/\"2\""}`)
	require.NotContains(t, string(bundle), `"method":"POST"`)

	s = newShelf(t)
	plan = s.settle(s.situation([]Booking{{Operation: op, Ahead: true}}, tamsulosin(op, "MedicationStatement/1")))
	bundle, err = Transaction(s.w.Names, plan.Writes, true)
	require.NoError(t, err)
	require.Contains(t, string(bundle), `"request":{"method":"PUT","url":"`+flag+`","ifNoneMatch":"*"}`)
	require.NotContains(t, string(bundle), "ifMatch")
}

// To who closed a Flag over a measurement, a smaller pupil is news, and a larger one or the same again is none.
func TestOnlyAWorseBandIsNewEvidence(t *testing.T) {
	pupil := &rules.Factor{ID: "pupil", Measure: &rules.Measure{Bands: []rules.Band{{ID: "tiny"}, {ID: "small"}, {ID: "middling"}}}}
	for band, news := range map[string]bool{"tiny": true, "small": false, "middling": false} {
		t.Run(band, func(t *testing.T) {
			s := newShelf(t)
			s.w.Catalogue.Factors = append(s.w.Catalogue.Factors, pupil)
			op := operationOn("a", rules.RightEye)
			bookings := []Booking{{Operation: op, Ahead: true}}
			s.settle(s.situation(bookings, found(op, rules.Evidence{Reference: "Observation/1", Code: "pupil:small"})))
			s.edit(s.one("Flag"), func(m map[string]any) { m["status"] = "inactive" })
			plan := s.settle(s.situation(bookings, found(op, rules.Evidence{Reference: "Observation/2", Code: "pupil:" + band})))
			created := slices.ContainsFunc(plan.Writes, func(w Write) bool { return w.Type == "Flag" && w.Change == Create })
			require.Equal(t, news, created)
			require.Equal(t, !news, len(plan.Closed) == 1)
		})
	}
}
