package fhirmap

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/rules"
)

// Ended is our coded reason for ending a Flag or cancelling a Task. A closed list.
type Ended string

// The reasons for which we end what we wrote.
const (
	EndedNoOperation  Ended = "no-operation-ahead"   // no operation on that eye is booked any more
	EndedCancelled    Ended = "operation-cancelled"  // the booking was cancelled, or the patient did not come
	EndedOver         Ended = "operation-over"       // the operation is done, or its time has passed
	EndedMoved        Ended = "operation-changed"    // the booking now names another eye, or is no lens operation
	EndedOtherPatient Ended = "operation-of-another" // the booking now names another patient
	EndedEvidence     Ended = "evidence-withdrawn"   // the evidence was read and found not to stand
	EndedAnswered     Ended = "question-answered"    // the record now answers what the Task asked
	EndedMerged       Ended = "patient-merged"       // the patient's record was merged into another
	EndedDuplicate    Ended = "duplicate"            // the same thing stands twice
	EndedTakenBack    Ended = "taken-back"           // an operator withdrew it: a wrong catalogue, or the way back from live
)

// EndedReasons lists every Ended with the words a person reads in the Task.
var EndedReasons = map[Ended]string{
	EndedNoOperation: "No operation on this eye is booked any more", EndedCancelled: "The operation was cancelled",
	EndedOver: "The operation is over", EndedMoved: "The booking was changed", EndedOtherPatient: "The booking now names another patient",
	EndedEvidence: "The evidence was withdrawn from the record", EndedAnswered: "The record now answers the question",
	EndedMerged: "The record was merged into another", EndedDuplicate: "The same task stands twice",
	EndedTakenBack: "Taken back by the operator of the worker",
}

// AnswerReasons are the codes, of {canonical}/CodeSystem/answer, with which a person may say in Task.statusReason why they
// rejected one of our Tasks. A closed list: it is a metric label.
var AnswerReasons = []string{"already-known", "already-done", "not-applicable", "evidence-wrong"}

// Standing is one Flag or Task of ours as it stands in the record system.
type Standing struct {
	Type, ID, Version string
	// Base is the key without its count N.
	Base string
	N    int
	// Status is the resource's own status.
	Status string
	// Touched reports that a person changed what we wrote: an owned element no longer has the value we gave it.
	Touched bool
	// Ended is our reason where we ended it ourselves.
	Ended Ended
	// Written is when we last wrote it, as we wrote it; "" for a version of the worker that did not say.
	Written string
	// Catalogue is the version of the catalogue that it was last written with.
	Catalogue string
	// Evidence holds the evidence codes it rests on, Details the records named, Level its priority.
	Evidence, Details []string
	Level             rules.Level
	Text              string
	Subject, Focus    string
	// FocusID is the business identifier of a Task's booking where it points to no Appointment.
	FocusID string
	// Start is the period's start of a Flag or the authoring time of a Task, Due a Task's date, as written.
	Start, End, Due string
	LastUpdated     time.Time
	Preparation     string
	Hazard          rules.Hazard
	Eye             rules.Eye
	// Reason is the one of AnswerReasons that a Task's statusReason names, or "".
	Reason string
	// Title and Who are a Task's own words.
	Title, Who string
	Raw        jsontext.Value
}

// Open reports that a Flag is displayed, or that a Task waits for somebody.
func (s Standing) Open() bool {
	if s.Type == "Flag" {
		return s.Status == "active"
	}
	return !slices.Contains(terminalTask, s.Status)
}

// Ours reports that nobody but us has changed it: it is as we wrote it, or as we ended it.
func (s Standing) Ours() bool { return !s.Touched }

var terminalTask = []string{"rejected", "cancelled", "failed", "completed", "entered-in-error"}

type standingJSON struct {
	ResourceType string `json:"resourceType"`
	ID           string `json:"id"`
	Meta         struct {
		VersionID   string `json:"versionId"`
		LastUpdated string `json:"lastUpdated"`
	} `json:"meta"`
	Extension  []extensionStub `json:"extension"`
	Identifier []struct {
		System string `json:"system"`
		Value  string `json:"value"`
	} `json:"identifier"`
	Status string `json:"status"`
	Code   struct {
		Text   string `json:"text"`
		Coding []struct {
			System string `json:"system"`
			Code   string `json:"code"`
		} `json:"coding"`
	} `json:"code"`
	StatusReason struct {
		Coding []struct {
			System string `json:"system"`
			Code   string `json:"code"`
		} `json:"coding"`
	} `json:"statusReason"`
	Subject     referenceJSON `json:"subject"`
	For         referenceJSON `json:"for"`
	Focus       referenceJSON `json:"focus"`
	Period      periodJSON    `json:"period"`
	Restriction struct {
		Period struct {
			End string `json:"end"`
		} `json:"period"`
	} `json:"restriction"`
	Description   string `json:"description"`
	AuthoredOn    string `json:"authoredOn"`
	PerformerType []struct {
		Text string `json:"text"`
	} `json:"performerType"`
}

// ParseStanding decodes one Flag or Task; ok is false where it is none of ours.
func ParseStanding(n Names, raw []byte) (s Standing, ok bool, err error) {
	raw = slices.Clone(raw) // a part of a page, which is not to be kept as long
	var r standingJSON
	hash := "" // none of what is broken in itself
	err = scanned(raw, func(v value) error {
		if !fill(v, &r) {
			return errPage
		}
		if v.node().marks&faulty == 0 {
			hash = ownedHash(r.ResourceType, v)
		}
		return nil
	})
	if err != nil {
		return s, false, fmt.Errorf("own resource: %w", errJSON(err))
	}
	system := n.FlagSystem()
	if r.ResourceType == "Task" {
		system = n.TaskSystem()
	} else if r.ResourceType != "Flag" {
		return s, false, nil
	}
	for _, id := range r.Identifier {
		if id.System != system {
			continue
		}
		if s.Base, s.N, ok = splitNumbered(id.Value); ok {
			break
		}
	}
	if !ok {
		return s, false, nil
	}
	s.Type, s.ID, s.Version, s.Status = r.ResourceType, r.ID, r.Meta.VersionID, r.Status
	s.LastUpdated, _ = time.Parse(time.RFC3339Nano, r.Meta.LastUpdated)
	s.Raw = raw
	var w written
	for _, x := range r.Extension {
		switch x.URL {
		case n.writtenExtension():
			w = decodeWritten(x)
		case extFlagDetail:
			s.Details = append(s.Details, bareReference(x.ValueReference.Reference))
		case extFlagPriority:
			for _, c := range x.ValueCodeableConcept.Coding {
				s.Level = max(s.Level, priorityLevel(c.Code))
			}
		}
	}
	if hash == "" {
		return s, false, errors.New("own resource: a name given twice, or no UTF-8")
	}
	s.Touched = w.hash != hash
	s.Ended, s.Evidence, s.Catalogue, s.Written = w.ended, w.evidence, w.catalogue, w.at
	s.Focus = bareReference(r.Focus.Reference)
	if s.Focus == "" && r.Focus.Identifier != nil {
		s.FocusID = r.Focus.Identifier.Value
	}
	eyeToken := ""
	if s.Type == "Flag" {
		s.Text, s.Subject, s.Start, s.End = r.Code.Text, bareReference(r.Subject.Reference), r.Period.Start, r.Period.End
		if rest, eye, ok := cutLast(s.Base); ok {
			eyeToken = eye
			_, h, _ := cutLast(rest)
			s.Hazard = rules.Hazard(h)
		}
	} else {
		s.Title = r.Code.Text
		s.Text, s.Subject, s.Start, s.Due = r.Description, bareReference(r.For.Reference), r.AuthoredOn, r.Restriction.Period.End
		if rest, prep, ok := cutLast(s.Base); ok {
			s.Preparation = prep
			_, eyeToken, _ = cutLast(rest)
		}
		for _, c := range r.StatusReason.Coding {
			if c.System == n.answerCodes() && slices.Contains(AnswerReasons, c.Code) {
				s.Reason = c.Code
			}
		}
		for _, p := range r.PerformerType {
			s.Who = p.Text
		}
	}
	_ = s.Eye.UnmarshalText([]byte(eyeToken)) // a key of another make: the eye stays unknown
	return s, true, nil
}

func cutLast(s string) (before, after string, ok bool) {
	i := strings.LastIndexByte(s, '.')
	if i < 0 {
		return "", s, false
	}
	return s[:i], s[i+1:], true
}

// priorityLevel reads the standard's flag priority codes (hl7.org/fhir/R4/extension-flag-priority.html).
func priorityLevel(code string) rules.Level {
	switch code {
	case "PH":
		return rules.High
	case "PM":
		return rules.Moderate
	case "PL":
		return rules.Low
	default:
		return rules.NoLevel
	}
}

// member is a member of a raw object, or nothing.
func member(raw []byte, name string) jsontext.Value {
	o, err := parseObject(raw)
	if err != nil {
		return nil
	}
	return o.get(name)
}

func replacesReference(raw jsontext.Value) string {
	var x extensionStub
	if !fillStrictly(raw, &x) || x.URL != extTaskReplaces {
		return ""
	}
	return bareReference(x.ValueReference.Reference)
}

// OpenStanding lists our active Flags and open Tasks in a page of a search, and where the next page is.
func OpenStanding(n Names, page []byte) (open []Standing, next string, err error) {
	info, err := WalkBundle(page, Limits{}, func(e BundleEntry) error {
		s, ours, err := ParseStanding(n, e.Resource)
		if err == nil && ours && s.Open() && ValidReference(s.Subject, "Patient") {
			open = append(open, s)
		}
		return nil // somebody else's, whatever it holds
	})
	return open, info.Next, err
}

// TaskPatients lists the patients of our Tasks in a page of a search, Patient/id.
func TaskPatients(n Names, page []byte) ([]string, error) {
	var out []string
	_, err := WalkBundle(page, Limits{}, func(e BundleEntry) error {
		s, ours, err := ParseStanding(n, e.Resource)
		if err != nil || !ours || s.Type != "Task" || s.Subject == "" {
			return nil // somebody else's Task, whatever it holds
		}
		if !slices.Contains(out, s.Subject) {
			out = append(out, s.Subject)
		}
		return nil
	})
	return out, err
}
