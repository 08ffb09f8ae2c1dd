package fhirmap

import (
	"slices"
	"strings"
	"time"

	"pupilrisk/rules"
)

// Appointment is a booking, with all that tells whether it is a lens operation and of which eye.
type Appointment struct {
	ID, Version string
	Status      string
	Start, End  time.Time
	Patients    []string // Patient/id
	// BusinessID is the value of the identifier whose system the site names, Identifiers are the values of all.
	BusinessID  string
	Identifiers []string
	// Concepts are everything that says what is booked.
	Concepts    []rules.Concept
	Eye         rules.Eye
	EyeConflict bool
	// Service is what is booked, as a person reads it.
	Service string
}

type appointmentJSON struct {
	ResourceType    string           `json:"resourceType"`
	ID              string           `json:"id"`
	Meta            metaJSON         `json:"meta"`
	Contained       contained        `json:"contained"`
	Identifier      []identifierJSON `json:"identifier"`
	Status          string           `json:"status"`
	ServiceCategory []rules.Concept  `json:"serviceCategory"`
	ServiceType     []rules.Concept  `json:"serviceType"`
	Specialty       []rules.Concept  `json:"specialty"`
	AppointmentType rules.Concept    `json:"appointmentType"`
	ReasonCode      []rules.Concept  `json:"reasonCode"`
	ReasonReference []referenceJSON  `json:"reasonReference"`
	Description     string           `json:"description"`
	Comment         string           `json:"comment"`
	Start           string           `json:"start"`
	End             string           `json:"end"`
	BasedOn         []referenceJSON  `json:"basedOn"`
	Participant     []struct {
		Actor  referenceJSON `json:"actor"`
		Status string        `json:"status"`
	} `json:"participant"`

	start, end time.Time
}

type serviceRequestJSON struct {
	Contained          contained       `json:"contained"`
	Extension          []siteExtension `json:"extension"`
	Status             string          `json:"status"`
	DoNotPerform       bool            `json:"doNotPerform"`
	Code               rules.Concept   `json:"code"`
	OrderDetail        []rules.Concept `json:"orderDetail"`
	Subject            referenceJSON   `json:"subject"`
	OccurrenceDateTime string          `json:"occurrenceDateTime"`
	OccurrencePeriod   periodJSON      `json:"occurrencePeriod"`
	BodySite           []bodySiteJSON  `json:"bodySite"`
	ReasonCode         []rules.Concept `json:"reasonCode"`
	ReasonReference    []referenceJSON `json:"reasonReference"`
	Note               []noteJSON      `json:"note"`

	ref string
}

func (r *Record) decodeAppointment(v value) (appointmentJSON, error) {
	var a appointmentJSON
	if err := r.decode(v, &a); err != nil {
		return a, err
	}
	if a.ResourceType != "Appointment" || a.ID != "" && !validID(a.ID) {
		return a, dropError{rules.DropType}
	}
	if !slices.Contains(appointmentStatuses, a.Status) {
		return a, dropCode
	}
	start, err := dates(r.o.Zone, a.Start)
	if err != nil {
		return a, dropDate
	}
	end, err := dates(r.o.Zone, a.End)
	if err != nil {
		return a, dropDate
	}
	a.start, a.end = start.From, end.From
	return a, nil
}

// appointment keeps a booking of this patient. One of another patient is no fault: it is the same booking, given away.
func (r *Record) appointment(x resource) error {
	a, err := r.decodeAppointment(x.value)
	if err != nil {
		return err
	}
	a.ID = x.ID
	r.bookings = append(r.bookings, a)
	return r.keepRaw(x)
}

func (r *Record) serviceRequest(x resource) error {
	var q serviceRequestJSON
	if err := r.decode(x.value, &q); err != nil {
		return err
	}
	if err := r.own(q.Subject); err != nil {
		return err
	}
	q.ref = x.reference
	r.requests = append(r.requests, q)
	return r.hold(x)
}

func (r *Record) requestSide(q *serviceRequestJSON) side {
	p := pending{contained: q.Contained}
	p.sites(q.BodySite, q.Code, q.Extension)
	for _, d := range q.OrderDetail {
		p.side.concept(d, siteText)
	}
	for _, ref := range p.structures {
		if raw, ok := r.lookup(&p, ref); ok {
			p.side.structure(raw)
		}
	}
	for _, n := range q.Note {
		p.side.written.add(eyeInText(n.Text, proseText))
	}
	return p.side
}

// Appointments are the bookings read, with what they are based on.
func (r *Record) Appointments() []Appointment {
	out := make([]Appointment, 0, len(r.bookings))
	for i := range r.bookings {
		out = append(out, r.booking(&r.bookings[i]))
	}
	slices.SortStableFunc(out, func(x, y Appointment) int {
		if c := x.Start.Compare(y.Start); c != 0 {
			return c
		}
		return strings.Compare(x.ID, y.ID)
	})
	return out
}

// booking is an Appointment as the worker sees it. What names it is remembered longer than the page that it stands in, and copied.
func (r *Record) booking(a *appointmentJSON) Appointment {
	out := Appointment{ID: strings.Clone(a.ID), Version: strings.Clone(a.Meta.VersionID), Status: a.Status, Start: a.start, End: a.end}
	for _, p := range a.Participant {
		ref := r.reference(p.Actor.Reference)
		if ValidReference(ref, "Patient") && !slices.Contains(out.Patients, ref) {
			out.Patients = append(out.Patients, strings.Clone(ref))
		}
	}
	for _, id := range a.Identifier {
		value := strings.Clone(id.Value)
		if value != "" {
			out.Identifiers = append(out.Identifiers, value)
		}
		if value != "" && id.System == r.o.BusinessIdentifierSystem && id.System != "" {
			out.BusinessID = value
		}
	}
	// What is to be done says the side. Why it is done may say it where that does not, or contradict it.
	var s, why side
	reasons := a.ReasonReference
	for _, c := range a.ServiceType {
		s.concept(c, siteText)
	}
	for _, c := range a.ReasonCode {
		why.concept(c, nameText)
	}
	out.Concepts = concepts(slices.Concat(a.ServiceType, a.ReasonCode, []rules.Concept{a.AppointmentType}, a.ServiceCategory, a.Specialty)...)
	for _, text := range []string{a.Description, a.Comment} {
		if text != "" {
			out.Concepts = append(out.Concepts, rules.Concept{Text: notes(r.o.Limits.Text, text)})
		}
	}
	s.written.add(eyeInText(a.Description, siteText))
	s.written.add(eyeInText(a.Comment, proseText))
	p := pending{contained: a.Contained}
	for _, ref := range a.BasedOn {
		if c, ok := ref.named(); ok {
			out.Concepts = append(out.Concepts, c)
			s.written.add(eyeInText(c.Text, siteText))
		}
		raw, ok := r.lookup(&p, ref.Reference)
		var q serviceRequestJSON
		if !ok || r.decodeStrict(raw, &q) != nil {
			continue
		}
		out.Concepts = append(out.Concepts, concepts(slices.Concat([]rules.Concept{q.Code}, q.OrderDetail, q.ReasonCode)...)...)
		s.merge(r.requestSide(&q))
		for _, c := range q.ReasonCode {
			why.concept(c, nameText)
		}
		reasons = append(reasons[:len(reasons):len(reasons)], q.ReasonReference...)
	}
	for _, ref := range reasons {
		if c, ok := ref.named(); ok {
			out.Concepts = append(out.Concepts, c)
			why.written.add(eyeInText(c.Text, nameText))
		}
		if e, ok := r.kept(ref); ok {
			out.Concepts = append(out.Concepts, e.entry.Concepts...)
			why.merge(r.sideOf(e))
		}
	}
	out.Eye, out.EyeConflict = bookedEye(s, why)
	out.Service = service(out.Concepts)
	return out
}

// bookedEye is the eye of a booking, by what is to be done and why. A disease of both eyes is no contradiction to an
// operation of one.
func bookedEye(what, why side) (e rules.Eye, conflict bool) {
	e, conflict = what.eye()
	reason, doubt := why.eye()
	switch {
	case conflict:
		return rules.EyeUnknown, true
	case e == rules.EyeUnknown:
		return reason, doubt
	case e != rules.BothEyes && reason == e.Fellow():
		return rules.EyeUnknown, true
	}
	return e, false
}

// kept finds the entry that a reference names, if it stands.
func (r *Record) kept(ref referenceJSON) (*pending, bool) {
	local := r.reference(ref.Reference)
	for i := range r.entries {
		if p := &r.entries[i]; local != "" && p.entry.Reference == local && p.entry.Part == "" {
			return p, p.entry.Standing == rules.Counts
		}
	}
	return nil, false
}

// merge adds what another statement says.
func (s *side) merge(o side) {
	for _, pair := range []struct{ to, from *sides }{{&s.coded, &o.coded}, {&s.written, &o.written}} {
		pair.to.right = pair.to.right || pair.from.right
		pair.to.left = pair.to.left || pair.from.left
		pair.to.both = pair.to.both || pair.from.both
	}
}

// service is what is booked, as a person reads it: the first text or display.
func service(all []rules.Concept) string {
	for _, c := range all {
		if c.Text != "" {
			return clipText(c.Text)
		}
		for _, k := range c.Codes {
			if k.Display != "" {
				return clipText(k.Display)
			}
		}
	}
	return ""
}

// DecodeAppointment reads one Appointment, as an event or a server gives it.
func DecodeAppointment(body []byte, o Options) (out Appointment, err error) {
	err = ReadText(body, func(t Text) (err error) {
		out, err = t.Appointment(o)
		return err
	})
	return out, err
}

// Appointment is DecodeAppointment for a text that was gone over already.
func (t Text) Appointment(o Options) (Appointment, error) {
	r := NewRecord("", o)
	defer r.Close()
	a, err := r.decodeAppointment(t.read())
	if err != nil {
		return Appointment{}, err
	}
	return r.booking(&a), nil
}

// Appointments reads a page of bookings of many patients. Those that cannot be read, or that the server says it left out,
// are in dropped.
func Appointments(page Text, o Options) (out []Appointment, info BundleInfo, dropped []rules.Dropped, err error) {
	r := NewRecord("", o)
	defer r.Close()
	info, err = page.WalkBundle(o.Limits, func(e BundleEntry) error {
		switch h := e.head(); {
		case e.Resource == nil:
		case h.ResourceType == "Appointment" || h.ResourceType == "":
			r.take("Appointment", e.SearchMode, resource{headJSON: h, raw: e.Resource, value: e.resource})
		case h.ResourceType == "OperationOutcome" && incomplete(e.Resource):
			r.drop("Appointment", rules.DropMissing, "") // the server says that it left bookings out
		}
		return nil
	})
	return r.Appointments(), info, r.dropped, err
}
