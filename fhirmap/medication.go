package fhirmap

import (
	"slices"
	"strings"

	"pupilrisk/rules"
)

// medicationJSON is the part of the four medication types that we read. They share their names for the same things, and
// where one lacks an element it stays empty.
type medicationJSON struct {
	Meta         metaJSON        `json:"meta"`
	Contained    contained       `json:"contained"`
	Status       string          `json:"status"`
	Intent       string          `json:"intent"`
	DoNotPerform bool            `json:"doNotPerform"`
	ReportedBool bool            `json:"reportedBoolean"`
	ReportedBy   *referenceJSON  `json:"reportedReference"`
	Concept      rules.Concept   `json:"medicationCodeableConcept"`
	Reference    referenceJSON   `json:"medicationReference"`
	Subject      referenceJSON   `json:"subject"`
	ReasonCode   []rules.Concept `json:"reasonCode"`
	Note         []noteJSON      `json:"note"`

	EffectiveDateTime string       `json:"effectiveDateTime"`
	EffectivePeriod   periodJSON   `json:"effectivePeriod"`
	DateAsserted      string       `json:"dateAsserted"`
	AuthoredOn        string       `json:"authoredOn"`
	WhenPrepared      string       `json:"whenPrepared"`
	WhenHandedOver    string       `json:"whenHandedOver"`
	Dosage            dosages      `json:"dosage"`
	DosageInstruction []dosageJSON `json:"dosageInstruction"`
	DispenseRequest   struct {
		ValidityPeriod periodJSON `json:"validityPeriod"`
	} `json:"dispenseRequest"`
}

type dosageJSON struct {
	Text                  string          `json:"text"`
	PatientInstruction    string          `json:"patientInstruction"`
	AdditionalInstruction []rules.Concept `json:"additionalInstruction"`
	Site                  rules.Concept   `json:"site"`
	Route                 rules.Concept   `json:"route"`
	Method                rules.Concept   `json:"method"`
}

// dosages is one dosage (MedicationAdministration) or a list of them (MedicationStatement).
type dosages []dosageJSON

func (r *Record) medication(x resource) error {
	m := &r.now.medication
	*m = medicationJSON{}
	if err := r.decode(x.value, m); err != nil {
		return err
	}
	if err := r.own(m.Subject); err != nil {
		return err
	}
	verdict, ok := statuses[x.ResourceType][m.Status]
	if !ok {
		return dropCode
	}
	e := rules.Entry{
		Reference: x.reference, Kind: rules.Medication, Standing: verdict.standing, Ended: verdict.ended, Status: m.Status,
		Restricted: m.Meta.restricted(), Given: x.ResourceType == "MedicationAdministration",
	}
	if x.ResourceType == "MedicationRequest" {
		wish, ok := intents[m.Intent]
		if !ok {
			return dropCode
		}
		switch {
		case m.DoNotPerform:
			e.Standing, e.Status = rules.Asks, "not to be given"
		case wish && !m.ReportedBool && m.ReportedBy == nil && e.Standing == rules.Counts:
			e.Standing, e.Status = rules.Asks, m.Intent
		}
	}
	if err := r.medicationDates(&e, m); err != nil {
		return err
	}
	name, _ := m.Reference.named()
	e.Concepts = r.concepts(name, m.Concept)
	p := pending{typ: x.ResourceType, contained: m.Contained}
	if m.Reference.Reference != "" {
		p.drugs = append(p.drugs, m.Reference.Reference)
	} else if m.Reference.Identifier != nil {
		e.Concepts = append(e.Concepts, rules.Concept{Codes: []rules.Code{{System: m.Reference.Identifier.System, Code: m.Reference.Identifier.Value}}})
	}
	var space [8]string
	texts := space[:0]
	var about [8]rules.Concept
	qualifiers := about[:0]
	for _, list := range [][]dosageJSON{m.Dosage, m.DosageInstruction} {
		for i := range list {
			d := &list[i]
			texts = append(texts, d.Text, d.PatientInstruction)
			qualifiers = appendConcepts(appendConcepts(qualifiers, d.AdditionalInstruction...), d.Route, d.Method, d.Site)
			p.side.concept(d.Site, siteText)
		}
	}
	e.Qualifiers = r.reader.concepts.keep(appendConcepts(qualifiers, m.ReasonCode...))
	e.Note = notes(r.o.Limits.Text, noteTexts(texts, m.Note)...)
	if e.Standing == rules.Counts && saysNoDrugs(e.Concepts) {
		r.noDrugs = true
		return nil
	}
	p.entry = e
	r.entries = append(r.entries, p)
	return nil
}

// medicationDates reads when a drug was taken: since when, and until when where it has ended.
func (r *Record) medicationDates(e *rules.Entry, m *medicationJSON) error {
	zone := r.o.Zone
	start, end, err := span(zone, m.EffectivePeriod)
	if err != nil {
		return dropDate
	}
	if !start.Known() {
		if start, err = dates(zone, m.EffectiveDateTime, m.WhenHandedOver, m.WhenPrepared, m.DispenseRequest.ValidityPeriod.Start, m.AuthoredOn); err != nil {
			return dropDate
		}
	}
	recorded, err := dates(zone, m.DateAsserted, m.AuthoredOn)
	if err != nil {
		return dropDate
	}
	e.Start, e.Recorded = start, recorded
	e.End = end // whether it lies in the past is for rules, which knows the time
	return nil
}

// drugJSON is a Medication.
type drugJSON struct {
	Meta       metaJSON         `json:"meta"`
	Code       rules.Concept    `json:"code"`
	Form       rules.Concept    `json:"form"`
	Ingredient []ingredientJSON `json:"ingredient"`
}

type ingredientJSON struct {
	Concept   rules.Concept `json:"itemCodeableConcept"`
	Reference referenceJSON `json:"itemReference"`
}

// names are what the Medication itself calls the drug and its ingredients.
func (d *drugJSON) names() []rules.Concept {
	out := appendConcepts(nil, d.Code)
	for _, i := range d.Ingredient {
		out = appendConcepts(out, i.Concept)
		if name, has := i.Reference.named(); has {
			out = append(out, name)
		}
	}
	return out
}

// products visits the Medications that an entry refers to and those they are made of, each once; nil is one that is not
// there or cannot be read.
func (r *Record) products(p *pending, visit func(ref string, d *drugJSON)) {
	queue := slices.Clone(p.drugs)
	for i := 0; i < len(queue); i++ {
		raw, ok := r.lookup(p, queue[i])
		var d drugJSON
		if !ok || r.decodeStrict(raw, &d) != nil {
			visit(queue[i], nil)
			continue
		}
		visit(queue[i], &d)
		for _, in := range d.Ingredient {
			if ref := in.Reference.Reference; ref != "" && !slices.Contains(queue, ref) {
				queue = append(queue, ref)
			}
		}
	}
}

// noDrugCodes say that nothing is taken. From memory; only statements that leave no other reading.
var noDrugCodes = []rules.Code{
	{System: "http://snomed.info/sct", Code: "787481004"}, // No known medications
	{System: "http://hl7.org/fhir/uv/ips/CodeSystem/absent-unknown-uv-ips", Code: "no-known-medications"},
}

var noDrugTexts = []string{
	"no medication", "no medications", "no regular medication", "no regular medications", "no known medication", "no known medications",
	"no current medication", "no current medications", "nil regular medication", "nil regular medications", "takes no medication", "takes no medicines", "not on any medication",
}

// saysNoDrugs reports a record that says, in so many words, that the patient takes nothing.
func saysNoDrugs(all []rules.Concept) bool {
	for _, c := range all {
		for _, k := range c.Codes {
			if slices.Contains(noDrugCodes, rules.Code{System: k.System, Code: k.Code}) {
				return true
			}
		}
		if len(c.Text) == 0 || !strings.ContainsRune("nNtT .", rune(c.Text[0])) {
			continue // none of the texts begins like this
		}
		text := strings.Trim(strings.ToLower(strings.Join(strings.Fields(c.Text), " ")), " .")
		if slices.Contains(noDrugTexts, text) {
			return true
		}
	}
	return false
}
