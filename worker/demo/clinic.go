// Package demo holds an invented clinic on which everybody can try the worker without a patient.
//
// The path of the data: clinic/*.json, one file per invented patient, is read by NewClinic, which puts real dates in
// (dates.go) and marks every resource as invented; the demo run loads the resources into a FHIR server and publishes the
// events. A new patient is a new file. What a surgeon expects of each stands in clinic/expected.yaml, written from the
// clinical evidence and not from what the rules answer.
package demo

import (
	"embed"
	"fmt"
	"io/fs"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

//go:embed clinic/*.json
var clinicFiles embed.FS

// invented marks every resource of the demo. No person of that name is meant, and no code of a test patient is used,
// because the worker treats test patients differently.
const invented = `{"meta":{"tag":[{"system":"https://example.org/demo","code":"invented","display":"Demo data, invented"}]},`

// Clinic is the invented clinic on a certain day.
type Clinic struct {
	// Resources are FHIR R4 resources with ids, each after those it refers to, but for the links of merged patients.
	Resources [][]byte
	// Events announce the bookings, in the order in which the demo publishes them: some late, some twice, some never.
	Events []Event
	// Damaged names, as Type/id, the resources that are not valid FHIR, on purpose.
	Damaged []string
}

// Event is one message to the stream.
type Event struct {
	Subject string
	Payload []byte
	MsgID   string // for the header Nats-Msg-Id
	Note    string // what happened, for a reader of the demo
}

// patientFile is what one file of clinic holds.
type patientFile struct {
	Story   string           `json:"story"`   // what this patient is for, in a sentence or two
	Record  []jsontext.Value `json:"record"`  // resources, with dates as dates.go reads them
	Damaged []jsontext.Value `json:"damaged"` // resources that are not valid FHIR, on purpose
	Events  []struct {
		Note    string         `json:"note"`
		Subject string         `json:"subject"`
		MsgID   string         `json:"msgId"`
		Payload jsontext.Value `json:"payload"`
	} `json:"events"`
}

// NewClinic is the clinic as it stands at now: operations are booked on the nine working days after it, in clinic hours of
// zone. The error names the file that cannot be read.
func NewClinic(now time.Time, zone *time.Location) (Clinic, error) {
	return readClinic(clinicFiles, now.In(zone))
}

func readClinic(files fs.FS, now time.Time) (Clinic, error) {
	names, err := fs.Glob(files, "clinic/*.json")
	if err != nil {
		return Clinic{}, fmt.Errorf("read clinic: %w", err)
	}
	var c Clinic
	for _, name := range names {
		text, err := fs.ReadFile(files, name)
		if err != nil {
			return Clinic{}, fmt.Errorf("read clinic: %w", err)
		}
		if err := c.add(text, now); err != nil {
			return Clinic{}, fmt.Errorf("%s: %w", name, err)
		}
	}
	return c, nil
}

// add puts what one file holds into the clinic.
func (c *Clinic) add(text []byte, now time.Time) error {
	text, err := dated(text, now)
	if err != nil {
		return err
	}
	var file patientFile
	if err := json.Unmarshal(text, &file, json.RejectUnknownMembers(true)); err != nil {
		return fmt.Errorf("read patient: %w", err)
	}
	for i, raw := range append(file.Record, file.Damaged...) {
		resource, reference, err := mark(raw)
		if err != nil {
			return fmt.Errorf("resource %d: %w", i+1, err)
		}
		c.Resources = append(c.Resources, resource)
		if i >= len(file.Record) {
			c.Damaged = append(c.Damaged, reference)
		}
	}
	for i, e := range file.Events {
		payload, err := payloadOf(e.Payload)
		if err != nil {
			return fmt.Errorf("event %d: %w", i+1, err)
		}
		c.Events = append(c.Events, Event{Subject: e.Subject, Payload: payload, MsgID: e.MsgID, Note: e.Note})
	}
	return nil
}

// header is what every resource begins with.
type header struct {
	Type string         `json:"resourceType"`
	ID   string         `json:"id"`
	Meta jsontext.Value `json:"meta"`
}

// payloadOf is the payload of an event without white space: a resource is marked as invented, a reference has no place for
// the mark.
func payloadOf(raw jsontext.Value) ([]byte, error) {
	var h header
	if err := json.Unmarshal(raw, &h); err != nil {
		return nil, fmt.Errorf("read payload: %w", err)
	}
	if h.Type != "" {
		resource, _, err := mark(raw)
		return resource, err
	}
	if err := raw.Compact(); err != nil {
		return nil, fmt.Errorf("read payload: %w", err)
	}
	return raw, nil
}

// mark writes raw without white space and with the mark of invented data, and tells its reference.
func mark(raw jsontext.Value) (resource []byte, reference string, err error) {
	var h header
	switch err := json.Unmarshal(raw, &h); {
	case err != nil:
		return nil, "", fmt.Errorf("read resource: %w", err)
	case h.Type == "" || h.ID == "":
		return nil, "", fmt.Errorf("resource without type or id")
	case h.Meta != nil:
		return nil, "", fmt.Errorf("resource with a meta of its own, which the mark of invented data would replace")
	}
	if err := raw.Compact(); err != nil {
		return nil, "", fmt.Errorf("read resource: %w", err)
	}
	return append([]byte(invented), raw[1:]...), h.Type + "/" + h.ID, nil
}
