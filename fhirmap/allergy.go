package fhirmap

import "pupilrisk/rules"

type allergyJSON struct {
	Meta               metaJSON      `json:"meta"`
	ClinicalStatus     rules.Concept `json:"clinicalStatus"`
	VerificationStatus rules.Concept `json:"verificationStatus"`
	Code               rules.Concept `json:"code"`
	Patient            referenceJSON `json:"patient"`
	OnsetDateTime      string        `json:"onsetDateTime"`
	OnsetPeriod        periodJSON    `json:"onsetPeriod"`
	RecordedDate       string        `json:"recordedDate"`
	LastOccurrence     string        `json:"lastOccurrence"`
	Note               []noteJSON    `json:"note"`
	Reaction           []struct {
		Substance     rules.Concept   `json:"substance"`
		Manifestation []rules.Concept `json:"manifestation"`
		Description   string          `json:"description"`
	} `json:"reaction"`
}

func (r *Record) allergy(x resource) error {
	var a allergyJSON
	if err := r.decode(x.value, &a); err != nil {
		return err
	}
	if err := r.own(a.Patient); err != nil {
		return err
	}
	verdict, word, err := problemStatus(a.ClinicalStatus, a.VerificationStatus)
	if err != nil {
		return err
	}
	onset, err := dates(r.o.Zone, a.OnsetDateTime, a.OnsetPeriod.Start, a.LastOccurrence)
	if err != nil {
		return dropDate
	}
	recorded, err := dates(r.o.Zone, a.RecordedDate)
	if err != nil {
		return dropDate
	}
	e := rules.Entry{
		Reference: x.reference, Kind: rules.Intolerance, Concepts: concepts(a.Code), Standing: verdict.standing,
		Ended: verdict.ended, Status: word, Start: onset, Recorded: recorded, Restricted: a.Meta.restricted(),
	}
	texts := noteTexts(nil, a.Note)
	for _, x := range a.Reaction {
		e.Concepts = appendConcepts(e.Concepts, x.Substance)
		e.Qualifiers = appendConcepts(e.Qualifiers, x.Manifestation...)
		texts = append(texts, x.Description)
	}
	e.Note = notes(r.o.Limits.Text, texts...)
	r.entries = append(r.entries, pending{typ: "AllergyIntolerance", entry: e})
	return nil
}
