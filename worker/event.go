package worker

import (
	"bytes"
	"errors"
	"strings"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/hl7v2"
)

// nudge is what an event is worth: whose record to look at. Nothing else in it is believed.
type nudge struct {
	// patients are references, Patient/id.
	patients []string
	// appointment is a reference, Appointment/id, or "".
	appointment string
	// eye is the side the event names, only to guess which ids to read ahead.
	eye rules.Eye
	// bookingIDs and patientIDs are values of identifiers that an HL7 v2 message names: who that is, the record knows.
	bookingIDs, patientIDs []string
	// message is the HL7 v2 message itself, where it is about a booking: what it says counts where the record knows no such booking.
	message *hl7v2.Message
	// sweep reports an event that says that something changed and not what.
	sweep bool
}

// decodeEvent recognises a payload by its content: an Appointment, a Reference, a subscription notification, a FHIR message,
// an HL7 v2 message, or a CloudEvent around one of these. What asks for nothing (a heartbeat) gives no nudge. Anything else is permanently
// unreadable.
func decodeEvent(data []byte, o fhirmap.Options) ([]nudge, error) { return decodeBody(data, o, false) }

// decodeBody is decodeEvent, or that for what a CloudEvent holds: no other one.
func decodeBody(data []byte, o fhirmap.Options, unpacked bool) ([]nudge, error) {
	data = bytes.TrimSpace(data)
	if bytes.HasPrefix(data, []byte("MSH")) {
		return decodeHL7v2(data)
	}
	t, err := fhirmap.Scan(data)
	if err != nil {
		return nil, permanent(ReasonUnreadable, "not JSON")
	}
	defer t.Free()
	if unpacked || t.Member("specversion") == "" {
		return decodePayload(t, data, o)
	}
	e, err := fhirmap.DecodeCloudEvent(data)
	if err != nil {
		return nil, permanent(ReasonUnreadable, "not a readable CloudEvent")
	}
	return decodeBody(e.Data, o, true)
}

func decodeHL7v2(data []byte) ([]nudge, error) {
	e, err := hl7v2.Decode(data)
	var fault *hl7v2.Fault
	if errors.As(err, &fault) && (fault.Code == hl7v2.CodeUnsupportedType || fault.Code == hl7v2.CodeUnsupportedEvent) {
		return nil, permanent(ReasonUnsupported, "an HL7 v2 message of a kind that is not handled")
	}
	if err != nil {
		return nil, permanent(ReasonUnreadable, err.Error())
	}
	if len(e.Bookings)+len(e.Patients) == 0 {
		return nil, nil // a slot blocked, say
	}
	return []nudge{{bookingIDs: e.Bookings, patientIDs: e.Patients, message: e.Message}}, nil
}

func decodePayload(t fhirmap.Text, data []byte, o fhirmap.Options) ([]nudge, error) {
	resourceType, id, _ := t.Identity()
	reference := t.Member("reference")
	switch {
	case t.Ambiguous():
		return nil, permanent(ReasonUnreadable, "a name given twice")
	case resourceType == "Bundle":
		return decodeBundle(data, o)
	case resourceType == "Appointment":
		a, err := t.Appointment(o)
		if err != nil {
			// A status of the scheduler's own, say, or a name of somebody in another encoding. Which booking it is about is all that
			// matters: the record is read.
			if ref := "Appointment/" + id; fhirmap.ValidReference(ref, "Appointment") {
				return []nudge{{appointment: ref}}, nil
			}
			return nil, permanent(ReasonUnreadable, "not a readable Appointment")
		}
		n := nudge{patients: a.Patients, eye: a.Eye}
		if a.ID != "" {
			n.appointment = "Appointment/" + a.ID
		}
		if n.appointment == "" && len(n.patients) == 0 {
			return nil, permanent(ReasonUnreadable, "an Appointment without id and without patient")
		}
		return []nudge{n}, nil
	case resourceType == "" && fhirmap.ValidReference(reference, "Appointment"):
		return []nudge{{appointment: reference}}, nil
	case resourceType == "" && fhirmap.ValidReference(reference, "Patient"):
		return []nudge{{patients: []string{reference}}}, nil
	case resourceType != "":
		return nil, permanent(ReasonUnsupported, "a resource type that is no booking")
	default:
		return nil, permanent(ReasonUnreadable, "neither an Appointment nor a reference to one")
	}
}

// decodeBundle reads a subscription notification or a FHIR message.
func decodeBundle(data []byte, o fhirmap.Options) ([]nudge, error) {
	n, err := fhirmap.DecodeNotification(data, o)
	if err == nil {
		if n.Type != fhirmap.EventNotification && n.Type != fhirmap.QueryEvent {
			return nil, nil // a sign of life
		}
		if len(n.Events) == 0 {
			return []nudge{{sweep: true}}, nil // a payload left empty on purpose
		}
		var out []nudge
		for _, e := range n.Events {
			out = append(out, about(append([]fhirmap.Pointer{e.Focus}, e.Additional...), o)...)
		}
		return out, nil
	}
	if !errors.Is(err, fhirmap.ErrNotNotification) {
		return nil, permanent(ReasonUnreadable, "not a readable notification")
	}
	m, err := fhirmap.DecodeMessage(data, o)
	switch {
	case err == nil:
		return about(append(m.Focus, m.Additional...), o), nil
	case errors.Is(err, fhirmap.ErrNotMessage):
		return nil, permanent(ReasonUnsupported, "a Bundle that is neither a notification nor a message")
	default:
		return nil, permanent(ReasonUnreadable, "not a readable message")
	}
}

// about are the nudges of one event by what it points to. Where nothing leads to a booking or a patient of this server, the
// sweep has to find out what changed.
func about(pointers []fhirmap.Pointer, o fhirmap.Options) (out []nudge) {
	for _, p := range pointers {
		switch ref := p.Local(o.Bases); {
		case fhirmap.ValidReference(ref, "Appointment"):
			out = append(out, nudge{appointment: ref})
		case fhirmap.ValidReference(ref, "Patient"):
			out = append(out, nudge{patients: []string{ref}})
		}
	}
	if len(out) == 0 {
		return []nudge{{sweep: true}}
	}
	return out
}

// id is the part of a reference after the slash.
func id(reference string) string {
	return reference[strings.LastIndexByte(reference, '/')+1:]
}
