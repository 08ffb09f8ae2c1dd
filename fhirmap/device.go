package fhirmap

import (
	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/rules"
)

type deviceUseJSON struct {
	Meta           metaJSON        `json:"meta"`
	Contained      contained       `json:"contained"`
	Extension      []siteExtension `json:"extension"`
	Status         string          `json:"status"`
	Subject        referenceJSON   `json:"subject"`
	TimingPeriod   periodJSON      `json:"timingPeriod"`
	TimingDateTime string          `json:"timingDateTime"`
	RecordedOn     string          `json:"recordedOn"`
	Device         referenceJSON   `json:"device"`
	ReasonCode     []rules.Concept `json:"reasonCode"`
	BodySite       bodySiteJSON    `json:"bodySite"`
	Note           []noteJSON      `json:"note"`
}

func (r *Record) deviceUse(x resource) error {
	var d deviceUseJSON
	if err := r.decode(x.value, &d); err != nil {
		return err
	}
	if err := r.own(d.Subject); err != nil {
		return err
	}
	verdict, ok := statuses["DeviceUseStatement"][d.Status]
	if !ok {
		return dropCode
	}
	start, end, err := span(r.o.Zone, d.TimingPeriod)
	if err != nil {
		return dropDate
	}
	if !start.Known() {
		if start, err = dates(r.o.Zone, d.TimingDateTime); err != nil {
			return dropDate
		}
	}
	recorded, err := dates(r.o.Zone, d.RecordedOn)
	if err != nil {
		return dropDate
	}
	p := pending{typ: "DeviceUseStatement", contained: d.Contained, device: d.Device.Reference}
	p.sites([]bodySiteJSON{d.BodySite}, rules.Concept{}, d.Extension)
	p.entry = rules.Entry{
		Reference: x.reference, Kind: rules.Device, Concepts: displayConcept(d.Device), Standing: verdict.standing,
		Ended: verdict.ended, Status: d.Status, Start: start, End: end, Recorded: recorded, Restricted: d.Meta.restricted(),
		Qualifiers: appendConcepts(concepts(d.ReasonCode...), d.BodySite.concept),
		Note:       notes(r.o.Limits.Text, noteTexts(nil, d.Note)...),
	}
	r.entries = append(r.entries, p)
	return nil
}

// deviceConcepts are the names of a Device.
func deviceConcepts(raw jsontext.Value) []rules.Concept {
	var d struct {
		Type       rules.Concept `json:"type"`
		DeviceName []struct {
			Name string `json:"name"`
		} `json:"deviceName"`
	}
	if !fillStrictly(raw, &d) {
		return nil
	}
	out := concepts(d.Type)
	for _, n := range d.DeviceName {
		if n.Name != "" {
			out = append(out, rules.Concept{Text: n.Name})
		}
	}
	return out
}
