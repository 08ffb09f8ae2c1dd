package fhirmap

import (
	"time"

	"pupilrisk/rules"
)

type procedureJSON struct {
	Meta              metaJSON        `json:"meta"`
	Contained         contained       `json:"contained"`
	Extension         []siteExtension `json:"extension"`
	Status            string          `json:"status"`
	Code              rules.Concept   `json:"code"`
	Subject           referenceJSON   `json:"subject"`
	PerformedDateTime string          `json:"performedDateTime"`
	PerformedPeriod   periodJSON      `json:"performedPeriod"`
	PerformedString   string          `json:"performedString"`
	BodySite          []bodySiteJSON  `json:"bodySite"`
	ReasonCode        []rules.Concept `json:"reasonCode"`
	Outcome           rules.Concept   `json:"outcome"`
	Complication      []rules.Concept `json:"complication"`
	ComplicationRef   []referenceJSON `json:"complicationDetail"`
	Note              []noteJSON      `json:"note"`
	UsedCode          []rules.Concept `json:"usedCode"`
	UsedReference     []referenceJSON `json:"usedReference"`
	FocalDevice       []struct {
		Manipulated referenceJSON `json:"manipulated"`
	} `json:"focalDevice"`
}

func (r *Record) procedure(x resource) error {
	p := &r.now.procedure
	*p = procedureJSON{}
	if err := r.decode(x.value, p); err != nil {
		return err
	}
	if err := r.own(p.Subject); err != nil {
		return err
	}
	verdict, ok := statuses["Procedure"][p.Status]
	if !ok {
		return dropCode
	}
	start, end, err := span(r.o.Zone, p.PerformedPeriod)
	if err != nil {
		return dropDate
	}
	if !start.Known() {
		if start, err = dates(r.o.Zone, p.PerformedDateTime); err != nil {
			return dropDate
		}
	}
	e := rules.Entry{
		Reference: x.reference, Kind: rules.Procedure, Concepts: r.concepts(p.Code), Standing: verdict.standing, Ended: verdict.ended,
		Status: p.Status, Start: start, End: end, Restricted: p.Meta.restricted(),
		Note: notes(r.o.Limits.Text, append(noteTexts(nil, p.Note), p.PerformedString)...),
	}
	var about [8]rules.Concept
	e.Qualifiers = r.reader.concepts.keep(appendSites(appendConcepts(appendConcepts(about[:0], p.ReasonCode...), p.Outcome), p.BodySite...))
	whole := pending{typ: "Procedure", contained: p.Contained}
	whole.sites(p.BodySite, p.Code, p.Extension)
	whole.entry = e
	r.entries = append(r.entries, whole)

	// What was used and what went wrong are statements of their own: a ring in the first eye, a floppy iris met there.
	part := func(kind rules.Kind, name string, c []rules.Concept, device string) {
		x := whole
		x.entry = e
		x.entry.Kind, x.entry.Part, x.entry.Concepts = kind, name, c
		x.entry.Qualifiers = append(x.entry.Qualifiers[:len(x.entry.Qualifiers):len(x.entry.Qualifiers)], e.Concepts...)
		x.entry.Ended = e.Ended && kind == rules.Device // that the operation is over does not end what went wrong in it
		x.device = device
		r.entries = append(r.entries, x)
	}
	for _, c := range concepts(p.UsedCode...) {
		part(rules.Device, "usedCode", []rules.Concept{c}, "")
	}
	for _, u := range p.UsedReference {
		local := r.reference(u.Reference)
		if ValidReference(local, "Medication") || ValidReference(local, "Substance") {
			u.Reference = "" // what was given during an operation is no device; a name is still looked at
		}
		if c := displayConcept(u); c != nil || u.Reference != "" {
			part(rules.Device, "usedReference", c, u.Reference)
		}
	}
	for _, d := range p.FocalDevice {
		part(rules.Device, "focalDevice", displayConcept(d.Manipulated), d.Manipulated.Reference)
	}
	for _, c := range concepts(p.Complication...) {
		part(rules.Condition, "complication", []rules.Concept{c}, "")
	}
	for _, ref := range p.ComplicationRef {
		if c := displayConcept(ref); c != nil { // without a name it is a Condition, which is read for itself
			part(rules.Condition, "complicationDetail", c, "")
		}
	}
	return nil
}

func displayConcept(ref referenceJSON) []rules.Concept {
	if c, ok := ref.named(); ok {
		return []rules.Concept{c}
	}
	return nil
}

// LensCandidate is a procedure or request that may be a lens operation, for records without appointments.
type LensCandidate struct {
	Reference   string
	Concepts    []rules.Concept
	Start       time.Time // zero if not known to the day
	Eye         rules.Eye
	EyeConflict bool
	Service     string
}

// dayOf is the beginning of a date that is known to the day; zero if only the month or the year is.
func dayOf(d rules.Date) time.Time {
	if len(d.Text) < len(time.DateOnly) {
		return time.Time{}
	}
	return d.From
}

// LensCandidates are the procedures done or in preparation and the service requests standing, for assessing a record without appointments.
func (r *Record) LensCandidates() []LensCandidate {
	var out []LensCandidate
	for i := range r.entries {
		e, ok := r.finish(&r.entries[i])
		planned := e.Standing == rules.Asks && e.Status == "preparation"
		if !ok || e.Kind != rules.Procedure || e.Part != "" || e.Standing != rules.Counts && !planned {
			continue
		}
		out = append(out, LensCandidate{Reference: e.Reference, Concepts: e.Concepts, Start: dayOf(e.Start), Eye: e.Eye, EyeConflict: e.EyeConflict, Service: displayName(e)})
	}
	for i := range r.requests {
		q := &r.requests[i]
		if q.DoNotPerform || q.Status != "active" && q.Status != "draft" && q.Status != "on-hold" && q.Status != "" {
			continue
		}
		s := r.requestSide(q)
		eye, conflict := s.eye()
		c := LensCandidate{Reference: q.ref, Concepts: concepts(append([]rules.Concept{q.Code}, q.OrderDetail...)...), Eye: eye, EyeConflict: conflict}
		if d, err := dates(r.o.Zone, q.OccurrenceDateTime, q.OccurrencePeriod.Start); err == nil {
			c.Start = dayOf(d)
		}
		if len(c.Concepts) > 0 {
			c.Service = c.Concepts[0].Text
		}
		out = append(out, c)
	}
	return out
}
