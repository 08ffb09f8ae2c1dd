package fhirstore

import (
	"maps"
	"slices"
)

// capabilityStatement is the part of a CapabilityStatement that the server fills.
type capabilityStatement struct {
	ResourceType   string           `json:"resourceType"`
	Status         string           `json:"status"`
	Date           string           `json:"date"`
	Kind           string           `json:"kind"`
	Software       namedThing       `json:"software"`
	Implementation implementation   `json:"implementation"`
	FHIRVersion    string           `json:"fhirVersion"`
	Format         []string         `json:"format"`
	Rest           []capabilityRest `json:"rest"`
}

type namedThing struct {
	Name string `json:"name"`
}

type implementation struct {
	Description string `json:"description"`
	URL         string `json:"url"`
}

type capabilityRest struct {
	Mode        string               `json:"mode"`
	Resource    []capabilityResource `json:"resource"`
	Interaction []coding             `json:"interaction,omitempty"`
}

type coding struct {
	Code string `json:"code"`
}

type capabilityResource struct {
	Type              string             `json:"type"`
	Interaction       []coding           `json:"interaction"`
	Versioning        string             `json:"versioning"`
	ReadHistory       bool               `json:"readHistory"`
	UpdateCreate      bool               `json:"updateCreate"`
	ConditionalCreate bool               `json:"conditionalCreate"`
	ConditionalUpdate bool               `json:"conditionalUpdate"`
	ConditionalDelete string             `json:"conditionalDelete"`
	SearchInclude     []string           `json:"searchInclude,omitempty"`
	SearchParam       []capabilitySearch `json:"searchParam"`
}

type capabilitySearch struct {
	Name string `json:"name"`
	Type string `json:"type"`
}

// capability says what the server offers, by Options.
func (s *Store) capability(base string) []byte {
	rest := capabilityRest{Mode: "server"}
	for _, typ := range slices.Sorted(maps.Keys(s.offered)) {
		rest.Resource = append(rest.Resource, s.capabilityOf(typ))
	}
	if s.options.Batch {
		rest.Interaction = append(rest.Interaction, coding{"batch"})
	}
	if s.options.Transaction {
		rest.Interaction = append(rest.Interaction, coding{"transaction"})
	}
	return mustJSON(capabilityStatement{
		ResourceType: "CapabilityStatement", Status: "active", Date: s.started.UTC().Format(instantLayout), Kind: "instance",
		Software:       namedThing{"in-memory FHIR store"},
		Implementation: implementation{"Store for demonstrations and tests, keeps nothing", base},
		FHIRVersion:    "4.0.1", Format: []string{fhirJSON}, Rest: []capabilityRest{rest},
	})
}

func (s *Store) capabilityOf(typ string) capabilityResource {
	r := capabilityResource{
		Type: typ, Versioning: "versioned-update", ReadHistory: true, UpdateCreate: s.options.UpdateCreate,
		ConditionalCreate: s.options.ConditionalCreate, ConditionalDelete: "not-supported",
		SearchParam: []capabilitySearch{{"_id", "token"}, {"_lastUpdated", "date"}, {tagParameter, "token"}},
	}
	for _, i := range []string{"read", "vread", "update", "patch", "delete", "history-instance", "create", "search-type"} {
		r.Interaction = append(r.Interaction, coding{i})
	}
	for _, p := range parameters[typ] {
		r.SearchParam = append(r.SearchParam, capabilitySearch{p.name, string(p.kind)})
		if p.kind == referenceKind && !s.options.IgnoreIncludes {
			r.SearchInclude = append(r.SearchInclude, typ+":"+p.name)
		}
	}
	slices.Sort(r.SearchInclude)
	return r
}
