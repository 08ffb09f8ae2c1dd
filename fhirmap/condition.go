package fhirmap

import (
	"cmp"

	"pupilrisk/rules"
)

type conditionJSON struct {
	Meta               metaJSON        `json:"meta"`
	Contained          contained       `json:"contained"`
	Extension          []siteExtension `json:"extension"`
	ClinicalStatus     rules.Concept   `json:"clinicalStatus"`
	VerificationStatus rules.Concept   `json:"verificationStatus"`
	Code               rules.Concept   `json:"code"`
	BodySite           []bodySiteJSON  `json:"bodySite"`
	Subject            referenceJSON   `json:"subject"`
	OnsetDateTime      string          `json:"onsetDateTime"`
	OnsetPeriod        periodJSON      `json:"onsetPeriod"`
	AbatementDateTime  string          `json:"abatementDateTime"`
	AbatementPeriod    periodJSON      `json:"abatementPeriod"`
	AbatementString    string          `json:"abatementString"`
	AbatementAge       *quantityJSON   `json:"abatementAge"`
	RecordedDate       string          `json:"recordedDate"`
	Stage              []struct {
		Summary rules.Concept `json:"summary"`
	} `json:"stage"`
	Evidence []struct {
		Code []rules.Concept `json:"code"`
	} `json:"evidence"`
	Note []noteJSON `json:"note"`
}

// statusOf reads a status concept. A local code may stand beside the one of the standard; a text alone is no code, and then
// the status is as good as absent.
func statusOf(c rules.Concept, table map[string]verdict) (verdict, string, error) {
	word := ""
	for _, k := range c.Codes {
		if v, ok := table[k.Code]; ok && k.Code != "" {
			return v, k.Code, nil
		}
		word = cmp.Or(word, k.Code)
	}
	v, ok := table[word]
	if !ok {
		return v, "", dropCode
	}
	return v, word, nil
}

// problemStatus reads the two statuses that Condition and AllergyIntolerance share.
func problemStatus(clinical, verification rules.Concept) (verdict, string, error) {
	v, word, err := statusOf(verification, verifications)
	if err != nil {
		return v, "", err
	}
	c, course, err := statusOf(clinical, clinicalStatuses)
	if err != nil {
		return c, "", err
	}
	if word == "" || word == "confirmed" {
		word = course
	}
	return verdict{standing: v.standing, ended: c.ended}, word, nil
}

func (r *Record) condition(x resource) error {
	c := &r.now.condition
	*c = conditionJSON{}
	if err := r.decode(x.value, c); err != nil {
		return err
	}
	if err := r.own(c.Subject); err != nil {
		return err
	}
	verdict, word, err := problemStatus(c.ClinicalStatus, c.VerificationStatus)
	if err != nil {
		return err
	}
	onset, _, err := span(r.o.Zone, c.OnsetPeriod)
	if err != nil {
		return dropDate
	}
	if !onset.Known() {
		if onset, err = dates(r.o.Zone, c.OnsetDateTime); err != nil {
			return dropDate
		}
	}
	abated, err := dates(r.o.Zone, c.AbatementDateTime, c.AbatementPeriod.End, c.AbatementPeriod.Start)
	if err != nil {
		return dropDate
	}
	recorded, err := dates(r.o.Zone, c.RecordedDate)
	if err != nil {
		return dropDate
	}
	e := rules.Entry{
		Reference: x.reference, Kind: rules.Condition, Concepts: r.concepts(c.Code), Standing: verdict.standing, Status: word,
		Ended: verdict.ended || abated.Known() || c.AbatementString != "" || c.AbatementAge != nil,
		Start: onset, End: abated, Recorded: recorded, Restricted: c.Meta.restricted(), Note: notes(r.o.Limits.Text, noteTexts(nil, c.Note)...),
	}
	var about [8]rules.Concept
	qualifiers := about[:0]
	for _, s := range c.Stage {
		qualifiers = appendConcepts(qualifiers, s.Summary)
	}
	for _, v := range c.Evidence {
		qualifiers = appendConcepts(qualifiers, v.Code...)
	}
	e.Qualifiers = r.reader.concepts.keep(appendSites(qualifiers, c.BodySite...))
	p := pending{typ: "Condition", entry: e, contained: c.Contained}
	p.sites(c.BodySite, c.Code, c.Extension)
	r.entries = append(r.entries, p)
	return nil
}
