// Package operatinglist writes the operating list: who is operated on when, which eye, what to expect, why, what to
// prepare, and what nobody knows.
//
// The path of the data: the caller fills a List from assessments (demo) or from the Flags and Tasks that stand in the record
// (list); WriteText prints it for a person, WriteJSON for a program. The package reads nothing and knows no clock, so the
// same List always gives the same bytes.
//
// Names and record texts come from outside. They are printed without control characters, terminal escapes and marks that
// turn the direction of writing (clean.go).
package operatinglist

import (
	"slices"
	"strings"
	"time"

	"pupilrisk/rules"
)

// List is one operating list.
type List struct {
	From, To time.Time // the days looked at: From included, To not
	At       time.Time // when the record was read; zero = not printed
	Zone     *time.Location
	Mode     string // shadow or live; "" where it does not matter
	Rows     []Row
	// Warnings stand at the head: what may be missing from the list itself.
	Warnings []string
	// SiteGaps names what the record system never holds, for anybody.
	SiteGaps  []string
	Catalogue string // version
	// Footer holds the cautions at the foot; empty = Cautions. No list is printed without any.
	Footer []string
}

// Row is one booked operation, or one that does not go ahead.
type Row struct {
	Start       time.Time // zero: booked without a date
	Patient     string    // name, as the list shows it
	PatientID   string    // hospital number, or the reference of the record
	Born        string    // as the record gives it: 1948-03-02, 1948; "" if it does not
	Appointment string    // reference of the booking
	Eye         rules.Eye
	Service     string // what is booked, in the booking's own words
	State       string // the booking's status word: booked, pending, cancelled …
	// Outcome "" means that only the flags in the record are known, and not whether anybody assessed the operation.
	Outcome  rules.Outcome
	Complete bool
	Hazards  []Hazard
	Prepare  []Prepare
	Missing  []string
	Context  []string
}

// Hazard is one thing to expect of one eye.
type Hazard struct {
	Hazard rules.Hazard
	Level  rules.Level
	Eye    rules.Eye
	Text   string // the flag's one line
	Why    []Why
	// Closed says when and by whom the flag was closed ("closed 2026-11-20 by a person"); "" while it stands.
	Closed string
}

// Why is one record that a hazard rests on.
type Why struct {
	What   string // drug or finding
	Date   string // as precise as the record; "" if it gives none
	Record string // reference, Type/id
	How    rules.How
}

// Prepare is one action, in so few words that it can stand as a tick on a list (a PreparationRule's name, not its text).
type Prepare struct {
	Code string
	Text string
	Who  string
	Due  time.Time // zero: no date
	// Particular is what this eye asks for beyond what the action always is.
	Particular string
	// State is how it stands: "" or requested while open, else what became of it (done by …, rejected, cancelled).
	State string
	// Done reports that it is answered and needs nobody any more.
	Done bool
}

// Cautions are the four sentences that no list goes without. Sources: the first two sections of the evidence that the
// catalogue cites (a floppy iris occurs without any known drug; the benefit of stopping a drug is not established).
var Cautions = []string{
	"Decision support only.",
	"A flag is a prompt to prepare; no flag is no clearance.",
	"No drug is stopped or changed without its prescriber.",
	"The local protocol and the licensed practitioner decide.",
}

// goesAhead reports that the operation may still happen, going by the booking's status word.
func (r Row) goesAhead() bool {
	switch r.State {
	case "cancelled", "noshow", "entered-in-error", "fulfilled":
		return false
	}
	return true
}

// sorted is the rows in the order in which they are printed: by time, those without a date last, then by name. It keeps
// the caller's rows as they are.
func (l List) sorted() []Row {
	rows := slices.Clone(l.Rows)
	slices.SortStableFunc(rows, func(a, b Row) int {
		if a.Start.IsZero() != b.Start.IsZero() {
			if a.Start.IsZero() {
				return 1
			}
			return -1
		}
		if c := a.Start.Compare(b.Start); c != 0 {
			return c
		}
		if c := strings.Compare(a.Patient, b.Patient); c != 0 {
			return c
		}
		return strings.Compare(a.Appointment, b.Appointment)
	})
	return rows
}

// ordered is the hazards as they are printed: those that stand before closed ones, high before low, floppy iris before
// small pupil, right before left.
func (r Row) ordered() []Hazard {
	hazards := slices.Clone(r.Hazards)
	slices.SortStableFunc(hazards, func(a, b Hazard) int {
		if (a.Closed == "") != (b.Closed == "") {
			if a.Closed == "" {
				return -1
			}
			return 1
		}
		if a.Level != b.Level {
			return int(b.Level) - int(a.Level)
		}
		if c := slices.Index(rules.Hazards, a.Hazard) - slices.Index(rules.Hazards, b.Hazard); c != 0 {
			return c
		}
		return int(a.Eye) - int(b.Eye)
	})
	return hazards
}

// worst is the highest level of a hazard that stands.
func (r Row) worst() rules.Level {
	worst := rules.NoLevel
	for _, h := range r.Hazards {
		if h.Closed == "" {
			worst = max(worst, h.Level)
		}
	}
	return worst
}

func (l List) zone() *time.Location {
	if l.Zone == nil {
		return time.UTC
	}
	return l.Zone
}
