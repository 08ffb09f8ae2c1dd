package fhirmap

import (
	"fmt"
	"time"

	"github.com/go-json-experiment/json"
	fhir "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"pupilrisk/rules"
)

// Writer builds what we write.
type Writer struct {
	Names     Names
	Catalogue *rules.Catalogue
	// Device is the reference of the Device that is author of everything, Device/id.
	Device string
	// Intent of our Tasks; "" means proposal: a machine gives no authorisation.
	Intent string
	// MinLevel is the least level at which Flags are written.
	MinLevel rules.Level
	// CopyLabels puts the labels R and V of the evidence on the Flag.
	CopyLabels bool
	// SoftwareVersion stands in every Provenance.
	SoftwareVersion string
}

var priorityCodes = map[rules.Level][2]string{
	rules.High: {"PH", "High priority"}, rules.Moderate: {"PM", "Medium priority"}, rules.Low: {"PL", "Low priority"},
}

// confidentiality is the code system of the labels R (restricted) and V (very restricted), of HL7 v3.
const confidentiality = "http://terminology.hl7.org/CodeSystem/v3-Confidentiality"

// flagState is how one Flag should stand.
type flagState struct {
	id, key  string
	patient  string // Patient/id
	hazard   rules.Hazard
	level    rules.Level
	text     string
	details  []string
	evidence []string
	labels   []string // R, V
	start    string
	modified string
}

// flag builds a Flag with every owned element and our extension, its hash computed over what it holds.
func (w Writer) flag(s flagState) ([]byte, error) {
	f := fhir.Flag{
		Id:         &s.id,
		Identifier: []fhir.Identifier{{System: ptr(w.Names.FlagSystem()), Value: &s.key}},
		Status:     fhir.FlagStatusActive,
		Category: []fhir.CodeableConcept{{Coding: []fhir.Coding{{
			System: ptr("http://terminology.hl7.org/CodeSystem/flag-category"), Code: ptr("clinical"), Display: ptr("Clinical"),
		}}}},
		Code: fhir.CodeableConcept{
			Coding: []fhir.Coding{{System: ptr(w.Names.hazardCodes()), Code: ptr(string(s.hazard)), Display: ptr(w.Catalogue.Wording.Hazards[string(s.hazard)])}},
			Text:   &s.text,
		},
		Subject: fhir.Reference{Reference: &s.patient},
		Period:  &fhir.Period{Start: &s.start},
		Author:  &fhir.Reference{Reference: ptr(w.Device)},
	}
	if p, ok := priorityCodes[s.level]; ok {
		f.Extension = append(f.Extension, fhir.Extension{Url: extFlagPriority, ValueCodeableConcept: &fhir.CodeableConcept{
			Coding: []fhir.Coding{{System: ptr("http://hl7.org/fhir/flag-priority-code"), Code: &p[0], Display: &p[1]}},
		}})
	}
	for _, code := range s.labels {
		if f.Meta == nil {
			f.Meta = &fhir.Meta{}
		}
		f.Meta.Security = append(f.Meta.Security, fhir.Coding{System: ptr(confidentiality), Code: &code})
	}
	for _, d := range s.details {
		f.Extension = append(f.Extension, fhir.Extension{Url: extFlagDetail, ValueReference: &fhir.Reference{Reference: &d}})
	}
	raw, err := json.Marshal(struct {
		ResourceType string `json:"resourceType"`
		fhir.OtherFlag
	}{"Flag", fhir.OtherFlag(f)})
	if err != nil {
		return nil, fmt.Errorf("build Flag: %w", err)
	}
	return w.seal("Flag", raw, written{at: s.modified, evidence: s.evidence})
}

// endFlag is a standing Flag made inactive for our reason: only its status, period and our extension change.
func (w Writer) endFlag(s Standing, why Ended, at time.Time) ([]byte, error) {
	o, err := parseObject(s.Raw)
	if err != nil {
		return nil, err
	}
	end := stamp(at)
	period := fhir.Period{End: &end}
	if s.Start != "" {
		period.Start = &s.Start
	}
	raw, err := json.Marshal(period)
	if err != nil {
		return nil, err
	}
	o.set("status", []byte(`"inactive"`))
	o.set("period", raw)
	return w.seal("Flag", o.bytes(), written{at: end, evidence: s.Evidence, ended: why})
}

func ptr[T any](v T) *T { return &v }
