// Package rules works out, from a patient's history, the floppy-iris and small-pupil risk of each eye that is booked for
// a lens operation.
//
// It is a pure core: plain values in, plain values out, the time passed in. It knows no FHIR, no network and no clock, so
// that a clinician can review it without them.
//
// The path of the data:
//
//	History (history.go)      what the record holds: entries with their concepts, date, side and standing, and what was not read
//	Catalogue (catalogue.go)  the clinical content: factors, code sets, wording, preparations; data files in rules/catalogue
//	Catalogue.Match           which factors an entry is evidence for, by code, class, text or spelling (match.go, text.go)
//	Assess (assess.go)        findings, context, gaps and preparations of one operation
//	Assessment                the answer (assessment.go); wording.go writes the lines a surgeon reads
//
// Unknown is a value here: a side that is not recorded counts for both eyes, a date that is not recorded still counts, and
// whatever could not be read is a gap in the answer. Nothing is ever cleared.
package rules
