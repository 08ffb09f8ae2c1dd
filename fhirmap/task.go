package fhirmap

import (
	"fmt"
	"time"

	"github.com/go-json-experiment/json"
	fhir "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// taskState is how one Task should stand.
type taskState struct {
	id, key     string
	patient     string // Patient/id
	preparation string // code
	title       string
	text        string
	who         string
	focus       string // Appointment/id
	operation   string // business identifier, where there is no Appointment to point to
	flag        string // Flag/id, or ""
	due         string // or "" for an operation without a date
	evidence    []string
	replaces    string // Task/id that this one follows
	authored    string
	modified    string
}

// task builds a Task. Inputs are never used: the model library writes every value[x] of an input, which is not valid FHIR
// (its issue 19); what they would say stands in the description.
func (w Writer) task(s taskState) ([]byte, error) {
	intent := w.Intent
	if intent == "" {
		intent = "proposal"
	}
	t := fhir.Task{
		Id:           &s.id,
		Identifier:   []fhir.Identifier{{System: ptr(w.Names.TaskSystem()), Value: &s.key}},
		Status:       fhir.TaskStatusRequested,
		Intent:       intent,
		Code:         &fhir.CodeableConcept{Coding: []fhir.Coding{{System: ptr(w.Names.preparationCodes()), Code: &s.preparation, Display: &s.title}}, Text: &s.title},
		Description:  &s.text,
		For:          &fhir.Reference{Reference: &s.patient},
		AuthoredOn:   &s.authored,
		LastModified: &s.modified,
		Requester:    &fhir.Reference{Reference: ptr(w.Device)},
	}
	if s.focus != "" {
		t.Focus = &fhir.Reference{Reference: &s.focus}
	} else if s.operation != "" {
		t.Focus = &fhir.Reference{Type: ptr("Appointment"), Identifier: &fhir.Identifier{Value: &s.operation}, Display: ptr("Booking that the scheduling system knows by this identifier")}
	}
	if s.flag != "" {
		t.ReasonReference = &fhir.Reference{Reference: &s.flag}
	}
	if s.who != "" {
		t.PerformerType = []fhir.CodeableConcept{{Text: &s.who}}
	}
	if s.due != "" {
		t.Restriction = &fhir.TaskRestriction{Period: &fhir.Period{End: &s.due}}
	}
	if s.replaces != "" {
		t.Extension = append(t.Extension, fhir.Extension{Url: extTaskReplaces, ValueReference: &fhir.Reference{Reference: &s.replaces}})
	}
	raw, err := json.Marshal(struct {
		ResourceType string `json:"resourceType"`
		fhir.OtherTask
	}{"Task", fhir.OtherTask(t)})
	if err != nil {
		return nil, fmt.Errorf("build Task: %w", err)
	}
	return w.seal("Task", raw, written{at: s.modified, evidence: s.evidence})
}

func (w Writer) endedReason(why Ended) *fhir.CodeableConcept {
	text := EndedReasons[why]
	return &fhir.CodeableConcept{Coding: []fhir.Coding{{System: ptr(w.Names.endedCodes()), Code: ptr(string(why)), Display: &text}}, Text: &text}
}

// cancelTask is a standing Task cancelled for our reason: only its status, reason and dates change.
func (w Writer) cancelTask(s Standing, why Ended, at time.Time) ([]byte, error) {
	o, err := parseObject(s.Raw)
	if err != nil {
		return nil, err
	}
	reason, err := json.Marshal(w.endedReason(why))
	if err != nil {
		return nil, err
	}
	o.set("status", []byte(`"cancelled"`))
	o.set("statusReason", reason)
	o.set("lastModified", []byte(`"`+stamp(at)+`"`))
	return w.seal("Task", o.bytes(), written{at: stamp(at), evidence: s.Evidence, ended: why})
}
