package fhirmap

import (
	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/rules"
)

// The extensions by which R4 says more about a site than a code (hl7.org/fhir/R4/extension-bodysite.html and
// extension-procedure-targetbodystructure.html; the laterality extension is of FHIR 5, used across versions).
const (
	extBodySite        = "http://hl7.org/fhir/StructureDefinition/bodySite"
	extTargetStructure = "http://hl7.org/fhir/StructureDefinition/procedure-targetBodyStructure"
	extLaterality      = "http://hl7.org/fhir/StructureDefinition/observation-structureLaterality"
)

type siteExtension struct {
	URL       string        `json:"url"`
	Reference referenceJSON `json:"valueReference"`
	Concept   rules.Concept `json:"valueCodeableConcept"`
}

// bodySiteJSON is a body site, which the eye-care guide fills with nothing but an extension.
type bodySiteJSON struct {
	concept   rules.Concept
	Extension []siteExtension `json:"extension"`
}

// structure reads the side out of a BodyStructure: its location and its qualifiers.
func (s *side) structure(raw jsontext.Value) {
	var b struct {
		Location          rules.Concept   `json:"location"`
		LocationQualifier []rules.Concept `json:"locationQualifier"`
		Description       string          `json:"description"`
	}
	if !fillStrictly(raw, &b) {
		return
	}
	s.concept(b.Location, siteText)
	for _, q := range b.LocationQualifier {
		s.concept(q, siteText)
	}
	s.written.add(eyeInText(b.Description, siteText))
}

// sites reads the side out of body sites, extensions and the code itself, in this order of rank: what is coded anywhere
// comes before what is written.
func (p *pending) sites(sites []bodySiteJSON, code rules.Concept, ext []siteExtension) {
	for _, b := range sites {
		p.side.concept(b.concept, siteText)
		p.extensions(b.Extension)
	}
	p.extensions(ext)
	p.side.concept(code, nameText)
}

func (p *pending) extensions(all []siteExtension) {
	for _, x := range all {
		switch x.URL {
		case extBodySite, extTargetStructure:
			if x.Reference.Reference != "" {
				p.structures = append(p.structures, x.Reference.Reference)
			}
			p.side.written.add(eyeInText(x.Reference.Display, siteText))
		case extLaterality:
			p.side.concept(x.Concept, siteText)
		}
	}
}

func appendSites(out []rules.Concept, sites ...bodySiteJSON) []rules.Concept {
	for _, b := range sites {
		out = appendConcepts(out, b.concept)
	}
	return out
}
