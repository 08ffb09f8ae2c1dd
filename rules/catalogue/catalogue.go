// Package catalogue holds the clinical content as data files: what puts an eye at risk, by what it is recognised, how it
// is worded, and what is to be prepared.
//
// fhirmap.LoadCatalogue reads the files, and a site's overlay of the same layout over them; rules.NewCatalogue checks
// them and makes the catalogue that rules.Assess works with.
//
//	VERSION            version of the content: year, month, number
//	factors/*.yaml     the factors, with level, grade, sources, figures, and worked cases
//	codes/*.json       code sets, as FHIR R4 ValueSets; each says where its codes were verified, and marks those that are from memory
//	preparations.yaml  the actions: what, who, when, and what calls for them
//	questions.yaml     reasons to ask for a drug that is not on record; as all that recognises, with worked cases
//	cautions.yaml      what a single record asks to be careful with
//	wording.yaml       the words a surgeon reads
//	services.yaml      what tells a lens operation from other bookings
//	systems.yaml       code systems and the spellings of their URIs
//	reading.yaml       what is known to be harmless, and which answers mean no
//
// The levels are a proposal, to be approved by the clinic that uses them.
package catalogue

import "embed"

// FS holds the built-in catalogue.
//
//go:embed VERSION *.yaml factors codes
var FS embed.FS
