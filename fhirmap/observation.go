package fhirmap

import (
	"slices"
	"strconv"
	"strings"

	"pupilrisk/rules"
)

type observationJSON struct {
	Meta              metaJSON        `json:"meta"`
	Contained         contained       `json:"contained"`
	Extension         []siteExtension `json:"extension"`
	Status            string          `json:"status"`
	Code              rules.Concept   `json:"code"`
	Subject           referenceJSON   `json:"subject"`
	EffectiveDateTime string          `json:"effectiveDateTime"`
	EffectivePeriod   periodJSON      `json:"effectivePeriod"`
	EffectiveInstant  string          `json:"effectiveInstant"`
	Issued            string          `json:"issued"`
	valueJSON
	BodySite  bodySiteJSON    `json:"bodySite"`
	Method    rules.Concept   `json:"method"`
	Note      []noteJSON      `json:"note"`
	Component []componentJSON `json:"component"`
}

type valueJSON struct {
	ValueQuantity *quantityJSON  `json:"valueQuantity"`
	ValueInteger  *float64       `json:"valueInteger"`
	ValueBoolean  *bool          `json:"valueBoolean"`
	ValueConcept  rules.Concept  `json:"valueCodeableConcept"`
	ValueString   string         `json:"valueString"`
	AbsentReason  *rules.Concept `json:"dataAbsentReason"`
}

type componentJSON struct {
	Code rules.Concept `json:"code"`
	valueJSON
}

func (r *Record) observation(x resource) error {
	o := &r.now.observation
	*o = observationJSON{}
	if err := r.decode(x.value, o); err != nil {
		return err
	}
	if err := r.own(o.Subject); err != nil {
		return err
	}
	verdict, ok := statuses["Observation"][o.Status]
	if !ok {
		return dropCode
	}
	start, end, err := span(r.o.Zone, o.EffectivePeriod)
	if err != nil {
		return dropDate
	}
	if !start.Known() {
		if start, err = dates(r.o.Zone, o.EffectiveDateTime, o.EffectiveInstant); err != nil {
			return dropDate
		}
	}
	issued, err := dates(r.o.Zone, o.Issued)
	if err != nil {
		return dropDate
	}
	p := pending{typ: "Observation", contained: o.Contained}
	p.sites([]bodySiteJSON{o.BodySite}, o.Code, o.Extension)
	p.entry = rules.Entry{
		Reference: x.reference, Kind: rules.Observation, Concepts: r.concepts(o.Code), Standing: verdict.standing, Status: o.Status,
		Start: start, End: end, Recorded: issued, Restricted: o.Meta.restricted(), Note: notes(r.o.Limits.Text, noteTexts(nil, o.Note)...),
	}
	p.entry.Qualifiers = r.concepts(o.BodySite.concept, o.Method)
	panel := p
	p.value(o.valueJSON, r.o.Limits.Text)
	r.entries = append(r.entries, p)
	for i, c := range o.Component {
		x := panel
		x.entry.Part = "component " + strconv.Itoa(i+1)
		x.entry.Concepts = r.concepts(c.Code)
		x.entry.Qualifiers = append(panel.entry.Qualifiers[:len(panel.entry.Qualifiers):len(panel.entry.Qualifiers)], panel.entry.Concepts...)
		x.side.concept(c.Code, nameText)
		x.value(c.valueJSON, r.o.Limits.Text)
		r.entries = append(r.entries, x)
	}
	return nil
}

// value puts what was observed into an entry: an amount, or what is said in words. An observation that says why it has no
// value was not made: it is no evidence, but a reason to ask.
func (p *pending) value(v valueJSON, limit int) {
	e := &p.entry
	e.Qualifiers = slices.Clip(e.Qualifiers)
	said := len(e.Qualifiers)
	if q := v.ValueQuantity; q != nil && q.Value != nil {
		unit := q.Unit
		if q.Code != "" && (q.System == "http://unitsofmeasure.org" || unit == "") {
			unit = q.Code
		}
		e.Amount = &rules.Amount{Value: *q.Value, Unit: unit, Comparator: q.Comparator}
	}
	if v.ValueInteger != nil {
		e.Amount = &rules.Amount{Value: *v.ValueInteger}
	}
	if v.ValueBoolean != nil {
		e.Qualifiers = append(e.Qualifiers, rules.Concept{Text: strconv.FormatBool(*v.ValueBoolean)})
	}
	if !empty(v.ValueConcept) {
		e.Qualifiers = append(e.Qualifiers, v.ValueConcept)
		p.side.concept(v.ValueConcept, nameText)
	}
	if amount := amountInText(v.ValueString); amount != nil && e.Amount == nil {
		e.Amount = amount
	} else if v.ValueString != "" {
		e.Qualifiers = append(e.Qualifiers, rules.Concept{Text: notes(limit, v.ValueString)})
	}
	if v.AbsentReason != nil && e.Amount == nil && len(e.Qualifiers) == said && e.Standing == rules.Counts {
		e.Standing, e.Status = rules.Asks, "without a value"
	}
}

// amountInText reads a text that is nothing but a number and a unit, such as 4.5 mm or 4,5 mm.
func amountInText(s string) *rules.Amount {
	s = strings.TrimSpace(s)
	i := 0
	for i < len(s) && (s[i] >= '0' && s[i] <= '9' || s[i] == '.' || s[i] == ',') {
		i++
	}
	if i == 0 {
		return nil
	}
	v, err := strconv.ParseFloat(strings.Replace(s[:i], ",", ".", 1), 64)
	unit := strings.TrimSpace(s[i:])
	if err != nil || unit == "" || len(strings.Fields(unit)) > 1 || len(unit) > 12 {
		return nil
	}
	return &rules.Amount{Value: v, Unit: unit}
}
