package worker

import (
	"bytes"
	"strings"

	"github.com/go-json-experiment/json"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
)

// nudge is what an event is worth: whose record to look at. Nothing else in it is believed.
type nudge struct {
	// patients are references, Patient/id.
	patients []string
	// appointment is a reference, Appointment/id, or "".
	appointment string
	// eye is the side the event names, only to guess which ids to read ahead.
	eye rules.Eye
}

// decodeEvent recognises a payload by its content: an Appointment or a Reference. Anything else is permanently unreadable.
func decodeEvent(data []byte, o fhirmap.Options) (nudge, error) {
	data = bytes.TrimSpace(data)
	if bytes.HasPrefix(data, []byte("MSH")) {
		return nudge{}, permanent(ReasonUnsupported, "HL7 v2 messages are not handled yet")
	}
	var head struct {
		ResourceType string `json:"resourceType"`
		ID           string `json:"id"`
		Reference    string `json:"reference"`
	}
	if err := json.Unmarshal(data, &head); err != nil {
		return nudge{}, permanent(ReasonUnreadable, "not JSON")
	}
	switch {
	case head.ResourceType == "Appointment":
		a, err := fhirmap.DecodeAppointment(data, o)
		if err != nil {
			// A status of the scheduler's own, say. Which booking it is about is all that matters: the record is read.
			if ref := "Appointment/" + head.ID; fhirmap.ValidReference(ref, "Appointment") {
				return nudge{appointment: ref}, nil
			}
			return nudge{}, permanent(ReasonUnreadable, "not a readable Appointment")
		}
		n := nudge{patients: a.Patients, eye: a.Eye}
		if a.ID != "" {
			n.appointment = "Appointment/" + a.ID
		}
		if n.appointment == "" && len(n.patients) == 0 {
			return nudge{}, permanent(ReasonUnreadable, "an Appointment without id and without patient")
		}
		return n, nil
	case head.ResourceType == "" && fhirmap.ValidReference(head.Reference, "Appointment"):
		return nudge{appointment: head.Reference}, nil
	case head.ResourceType == "" && fhirmap.ValidReference(head.Reference, "Patient"):
		return nudge{patients: []string{head.Reference}}, nil
	case head.ResourceType != "":
		return nudge{}, permanent(ReasonUnsupported, "a resource type that is no booking")
	default:
		return nudge{}, permanent(ReasonUnreadable, "neither an Appointment nor a reference to one")
	}
}

// id is the part of a reference after the slash.
func id(reference string) string {
	return reference[strings.LastIndexByte(reference, '/')+1:]
}
