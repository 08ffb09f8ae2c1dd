package fhirmap

import (
	"strconv"
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/rules"
)

type observationJSON struct {
	ID                string           `json:"id"`
	Meta              metaJSON         `json:"meta"`
	Contained         []jsontext.Value `json:"contained"`
	Extension         []siteExtension  `json:"extension"`
	Status            string           `json:"status"`
	Code              conceptJSON      `json:"code"`
	Subject           referenceJSON    `json:"subject"`
	EffectiveDateTime string           `json:"effectiveDateTime"`
	EffectivePeriod   periodJSON       `json:"effectivePeriod"`
	EffectiveInstant  string           `json:"effectiveInstant"`
	Issued            string           `json:"issued"`
	valueJSON
	BodySite  bodySiteJSON    `json:"bodySite"`
	Method    conceptJSON     `json:"method"`
	Note      []noteJSON      `json:"note"`
	Component []componentJSON `json:"component"`
}

type valueJSON struct {
	ValueQuantity *quantityJSON `json:"valueQuantity"`
	ValueConcept  conceptJSON   `json:"valueCodeableConcept"`
	ValueString   string        `json:"valueString"`
}

type componentJSON struct {
	Code conceptJSON `json:"code"`
	valueJSON
}

func (r *Record) observation(raw jsontext.Value) error {
	var o observationJSON
	if err := r.decodeStrict(raw, &o); err != nil {
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
	p := pending{typ: "Observation", contained: containedOf(o.Contained)}
	p.sites([]bodySiteJSON{o.BodySite}, o.Code, o.Extension)
	p.entry = rules.Entry{
		Reference: "Observation/" + o.ID, Kind: rules.Observation, Concepts: concepts(o.Code), Standing: verdict.standing, Status: o.Status,
		Start: start, End: end, Recorded: issued, Restricted: o.Meta.restricted(), Note: notes(r.o.Limits.Text, noteTexts(o.Note)...),
	}
	p.entry.Qualifiers = append(siteConcepts([]bodySiteJSON{o.BodySite}), concepts(o.Method)...)
	panel := p
	p.value(o.valueJSON, r.o.Limits.Text)
	r.entries = append(r.entries, p)
	for i, c := range o.Component {
		x := panel
		x.entry.Part = "component " + strconv.Itoa(i+1)
		x.entry.Concepts = concepts(c.Code)
		x.entry.Qualifiers = append(panel.entry.Qualifiers[:len(panel.entry.Qualifiers):len(panel.entry.Qualifiers)], panel.entry.Concepts...)
		x.side.concept(c.Code, nameText)
		x.value(c.valueJSON, r.o.Limits.Text)
		r.entries = append(r.entries, x)
	}
	return nil
}

// value puts a measured value into an entry: an amount, or what is said in words.
func (p *pending) value(v valueJSON, limit int) {
	e := &p.entry
	if q := v.ValueQuantity; q != nil && q.Value != nil {
		unit := q.Unit
		if q.Code != "" && (q.System == "http://unitsofmeasure.org" || unit == "") {
			unit = q.Code
		}
		e.Amount = &rules.Amount{Value: *q.Value, Unit: unit, Comparator: q.Comparator}
	}
	if !v.ValueConcept.empty() {
		e.Qualifiers = append(e.Qualifiers[:len(e.Qualifiers):len(e.Qualifiers)], v.ValueConcept.concept())
		p.side.concept(v.ValueConcept, nameText)
	}
	if v.ValueString != "" {
		e.Note = notes(limit, e.Note, v.ValueString)
		if e.Amount == nil {
			e.Amount = amountInText(v.ValueString)
		}
	}
}

// amountInText reads a text that is nothing but a number and a unit, such as 4.5 mm or 4,5 mm.
func amountInText(s string) *rules.Amount {
	s = strings.TrimSpace(s)
	i := 0
	for i < len(s) && (s[i] >= '0' && s[i] <= '9' || s[i] == '.' || s[i] == ',') {
		i++
	}
	v, err := strconv.ParseFloat(strings.Replace(s[:i], ",", ".", 1), 64)
	unit := strings.TrimSpace(s[i:])
	if err != nil || unit == "" || len(strings.Fields(unit)) > 1 || len(unit) > 12 {
		return nil
	}
	return &rules.Amount{Value: v, Unit: unit}
}
