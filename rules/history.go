package rules

import "time"

// Kind says what sort of record an Entry comes from.
type Kind string

// The kinds of record that count as history.
const (
	Medication  Kind = "medication"
	Procedure   Kind = "procedure"
	Condition   Kind = "condition"
	Observation Kind = "observation"
	Intolerance Kind = "intolerance" // an allergy or intolerance: it proves exposure, and asks when
	Device      Kind = "device"
)

// Standing says whether an entry counts as having happened.
type Standing uint8

const (
	// Counts is the standing of what happened: taken, done, found, whether or not it has ended since.
	Counts Standing = iota
	// Asks is the standing of a record that says it did not happen, or not yet (not-taken, cancelled, draft, declined,
	// entered in error): no evidence, but a reason to ask, with the name of the drug or finding.
	Asks
	// Void is the standing of what was found not to be so (a refuted diagnosis): neither evidence nor a question.
	Void
)

// Code is one coding of a concept, as the record has it. System is the canonical URI of the code system.
type Code struct {
	System, Code, Display string
}

// Concept is a thing named by codes, by text, or both.
type Concept struct {
	Codes []Code
	Text  string
}

// Date is a moment of the precision the record gives, held as the half-open interval [From, To) that it can mean. The zero
// value is a date the record does not give.
type Date struct {
	From, To time.Time
	// Text is the date as a person reads it: 2014, 2014-03 or 2014-03-05.
	Text string
}

// Known reports whether the record gives the date.
func (d Date) Known() bool { return !d.From.IsZero() }

// knownText is the date as a person reads it; "" if the record does not give it.
func (d Date) knownText() string {
	if !d.Known() {
		return ""
	}
	return d.Text
}

// Amount is a measured number with its unit as the record has them (UCUM code where coded, else the printed unit).
type Amount struct {
	Value float64
	Unit  string
	// Comparator is "", "<", "<=", ">=" or ">": the value is then a bound and not the measurement itself.
	Comparator string
}

// Entry is one thing of the patient's history.
type Entry struct {
	// Reference names the record it comes from, as Type/id. Part, if set, names the component inside it.
	Reference, Part string
	Kind            Kind
	// Concepts are the names of the one thing meant: the drug and its ingredients, or the procedure, or the finding.
	// The first is what the record calls it.
	Concepts []Concept
	// Qualifiers are concepts about it that are not its name: route, dose form, method, body site, the value of a coded
	// observation, the name of the panel a component belongs to.
	Qualifiers []Concept
	// Note is free text about it: dosage text, reason, comment. Never shown as it stands.
	Note     string
	Standing Standing
	// Status is the record's own status word (not-taken, stopped, refuted …), "" where it gives none.
	Status string
	// Ended reports that it is over: stopped, completed, abated, resolved. It still counts.
	Ended bool
	// Start and End bound when it happened. End is known only when it is over.
	Start, End Date
	// Given reports a single administration of a drug: proof that it was taken then, and not that it was taken regularly.
	Given bool
	// Recorded is when it was written down or asserted.
	Recorded Date
	// Eye is the side the record gives; EyeConflict reports that it gives two that contradict each other (Eye is then
	// EyeUnknown).
	Eye         Eye
	EyeConflict bool
	// Amount is the value of an observation.
	Amount *Amount
	// Restricted reports a security label (restricted or very restricted): the flag must not name this entry.
	Restricted bool
}

// ReadState says how far one type of record was read.
type ReadState string

const (
	ReadWhole      ReadState = "whole"       // to its last page
	ReadCut        ReadState = "cut-short"   // some pages read, the rest lost
	ReadRefused    ReadState = "refused"     // the server would not give it (401, 403, 4xx)
	ReadNotOffered ReadState = "not-offered" // the server does not hold this type: a gap of the site, not of the patient
)

// Read says how far one type of record was read, and what was dropped on the way.
type Read struct {
	Type  string // the name of the type as the record system has it, such as MedicationStatement
	State ReadState
	// Required reports that no assessment is complete without it.
	Required bool
	// Entries counts what was read and kept.
	Entries int
}

// DropReason says why one entry could not be read. A closed list: it is a metric label.
type DropReason string

const (
	DropJSON    DropReason = "json"    // not decodable: wrong type, duplicate name, bad text encoding, too deep
	DropCode    DropReason = "code"    // a required code that the standard does not have
	DropDate    DropReason = "date"    // a date that is none
	DropType    DropReason = "type"    // not a resource, or of a type nobody asked for
	DropPatient DropReason = "patient" // belongs to somebody else, or names nobody
	DropMissing DropReason = "missing" // a referenced record (a Medication, say) could not be read
)

// DropReasons lists every DropReason.
var DropReasons = []DropReason{DropJSON, DropCode, DropDate, DropType, DropPatient, DropMissing}

// Dropped is one entry that was left out because it could not be read.
type Dropped struct {
	Type   string
	Reason DropReason
	// Name is what the entry speaks of, as far as it could be told: the drug, the finding. "" if nothing could.
	Name string
}

// History is what the record holds about one patient, and what of it could not be read.
type History struct {
	Patient string // Patient/id
	Entries []Entry
	Reads   []Read
	Dropped []Dropped
	// NoMedication reports that the record says, in so many words, that the patient takes nothing. An empty list does not.
	NoMedication bool
}

// Operation is one booked operation.
type Operation struct {
	// Appointment is the reference of the booking, Appointment/id; "" where there is none.
	Appointment string
	// Key is the booking's business identifier, or its id: what keeps naming the operation when it is moved.
	Key   string
	Start time.Time // zero: no date yet
	Eye   Eye
	// EyeConflict reports that the booking names two sides that contradict each other.
	EyeConflict bool
	// Service is what is booked, as a person reads it; Concepts are everything the booking says about it.
	Service  string
	Concepts []Concept
}
