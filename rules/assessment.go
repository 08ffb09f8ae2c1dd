package rules

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"strings"
	"time"
)

// Hazard is what may surprise the surgeon. A closed list.
type Hazard string

const (
	FloppyIris Hazard = "floppy-iris"
	SmallPupil Hazard = "small-pupil"
)

// Hazards lists every Hazard, in the order in which they are printed.
var Hazards = []Hazard{FloppyIris, SmallPupil}

// Level orders findings: none, low, moderate, high.
type Level uint8

const (
	NoLevel Level = iota
	Low
	Moderate
	High
)

var levelNames = [...]string{"", "low", "moderate", "high"}

// String is low, moderate or high; "" for none.
func (l Level) String() string { return levelNames[l] }

// MarshalText writes l as String does.
func (l Level) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// UnmarshalText reads low, moderate or high and refuses all else.
func (l *Level) UnmarshalText(b []byte) error {
	for i, n := range levelNames {
		if i > 0 && n == string(b) {
			*l = Level(i)
			return nil
		}
	}
	return errLevel
}

// Outcome is the result of one assessment in a word.
type Outcome string

const (
	Flagged     Outcome = "flagged"      // a finding reaches the level at which flags are written
	NoneFound   Outcome = "none-found"   // nothing found in what was read; never a clearance
	NotAssessed Outcome = "not-assessed" // the record could not be read
)

// Outcomes lists every Outcome.
var Outcomes = []Outcome{Flagged, NoneFound, NotAssessed}

// How says by what an entry was recognised.
type How string

const (
	ByCode     How = "code"     // a code of the factor's code sets
	ByClass    How = "class"    // a code below a class or category of them
	ByText     How = "text"     // the name written out
	BySpelling How = "spelling" // a name one letter off, or a brand name only: to be confirmed
)

// Evidence is one record that a finding rests on.
type Evidence struct {
	Reference string `json:"reference"`
	Matched   string `json:"matched"` // what was recognised: the display or text of the record
	Date      string `json:"date"`    // of the precision the record gives; "" if it gives none
	How       How    `json:"how"`

	// Code identifies the evidence across repeats: the factor and the substance or finding, or the measurement's band;
	// never a resource id. The same prescription next month has the same code.
	Code string `json:"-"`
	// Restricted reports that the record carries a label which forbids naming it in a flag.
	Restricted bool `json:"-"`
}

// Identity is the evidence's Code, or, where the record must not be named, a text that tells it from others and names nothing.
func (e Evidence) Identity() string {
	if !e.Restricted {
		return e.Code
	}
	sum := sha256.Sum256([]byte(e.Code))
	return restrictedPrefix + hex.EncodeToString(sum[:6])
}

const restrictedPrefix = "restricted:"

// RestrictedIdentity reports an Identity of evidence that must not be named.
func RestrictedIdentity(identity string) bool { return strings.HasPrefix(identity, restrictedPrefix) }

// Nameable is the reason of a finding as it may stand in the schedule: not named where every record behind it is restricted.
func (f Finding) Nameable() string {
	for _, e := range f.Evidence {
		if !e.Restricted {
			return f.Reason
		}
	}
	return "reason restricted, ask"
}

// Finding is one factor that puts an eye at risk.
type Finding struct {
	Hazard   Hazard     `json:"hazard"`
	Level    Level      `json:"level"`
	Eye      Eye        `json:"eye"` // the eye at risk, not the eye the record speaks of
	Factor   string     `json:"factor"`
	Evidence []Evidence `json:"evidence"`
	Sources  []string   `json:"sources"`
	Text     string     `json:"text"` // one line, under 140 characters
	// Reason is the part of Text that says why.
	Reason string `json:"-"`
}

// GapKind says what sort of question is open. A closed list.
type GapKind string

const (
	GapTypeRefused      GapKind = "type-refused"       // the server would not give a type of record
	GapTypeCut          GapKind = "type-cut-short"     // pages of it were lost
	GapTypeNotOffered   GapKind = "type-not-offered"   // the site does not hold it
	GapEntryDropped     GapKind = "entry-unreadable"   // one entry could not be read
	GapNoMedications    GapKind = "drug-list-empty"    // no drug on record, which is not the same as no drug taken
	GapAskMedication    GapKind = "ask-medication"     // a drug recorded as not taken, cancelled …; or a reason to ask for an alpha-blocker
	GapUnknownDrug      GapKind = "drug-unrecognised"  // a drug without a code or name that anybody could read
	GapDrugByName       GapKind = "drug-by-name"       // drugs recorded by name only, none of them a name that warns
	GapConfirmSpelling  GapKind = "confirm-spelling"   // a drug recognised only by a near spelling or a brand name
	GapEyeUnknown       GapKind = "eye-not-stated"     // the booking does not say which eye
	GapEyeCheck         GapKind = "check-eye"          // the booking or the record contradicts itself about the eye
	GapPupilNotMeasured GapKind = "pupil-not-measured" // no dilated pupil of that eye on record
	GapPupilUnusable    GapKind = "pupil-unusable"     // a pupil size that cannot be used: not dilated, no unit, out of range
	GapAskFinding       GapKind = "ask-finding"        // a finding recorded in error, refuted in part, or of unknown standing
	GapRecordUnread     GapKind = "record-unread"      // the record could not be read at all
)

// Gap is one thing that is not known. Text is for the surgeon and names the drug, disease or measurement.
type Gap struct {
	Kind GapKind `json:"kind"`
	Text string  `json:"text"`
}

// Preparation is one checkable action. Due is never in the past nor after the start.
type Preparation struct {
	Code string    `json:"code"`
	Text string    `json:"text"`
	Due  time.Time `json:"due,omitzero"` // zero: the operation has no date yet

	// AtOnce reports that the rule's own date has passed, so that Due is the time of the assessment.
	AtOnce bool `json:"-"`
	// FromGap reports that an open question calls for it, not a finding.
	FromGap bool `json:"-"`
	// Evidence holds the evidence codes, or gap kinds, that call for it.
	Evidence []string `json:"-"`
	// Rule is the catalogue's rule behind it.
	Rule *PreparationRule `json:"-"`
}

// Assessment is the answer for one operation.
type Assessment struct {
	Patient      string
	Operation    Operation
	Outcome      Outcome
	Complete     bool
	Findings     []Finding // of the operated eye, strongest first
	Context      []Finding // weak factors and the other eye; Level may be none
	Gaps         []Gap
	Preparations []Preparation
	Catalogue    string // version
}

var errLevel = errors.New("level is not low, moderate or high")

// assessmentJSON is the outer shape of an Assessment, as the README documents it.
type assessmentJSON struct {
	Patient      string        `json:"patient"`
	Appointment  string        `json:"appointment"`
	Start        string        `json:"start"`
	Eye          Eye           `json:"eye"`
	Outcome      Outcome       `json:"outcome"`
	Complete     bool          `json:"complete"`
	Findings     []Finding     `json:"findings"`
	Context      []Finding     `json:"context"`
	Gaps         []Gap         `json:"gaps"`
	Preparations []Preparation `json:"preparations"`
	Catalogue    string        `json:"catalogue"`
}

// MarshalJSON writes the documented JSON of one assessment; lists are never null.
func (a Assessment) MarshalJSON() ([]byte, error) {
	start := ""
	if !a.Operation.Start.IsZero() {
		start = a.Operation.Start.Format(time.RFC3339)
	}
	return json.Marshal(assessmentJSON{
		Patient: a.Patient, Appointment: a.Operation.Appointment, Start: start, Eye: a.Operation.Eye,
		Outcome: a.Outcome, Complete: a.Complete,
		Findings: notNil(a.Findings), Context: notNil(a.Context), Gaps: notNil(a.Gaps),
		Preparations: notNil(a.Preparations), Catalogue: a.Catalogue,
	})
}

func notNil[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}
