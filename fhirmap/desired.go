package fhirmap

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"pupilrisk/rules"
)

// desiredFlag is what should stand about one hazard of one eye.
type desiredFlag struct {
	base     string // key without n
	hazard   rules.Hazard
	eye      rules.Eye
	level    rules.Level
	text     string
	evidence []rules.Evidence
}

// desiredTask is one action that should stand for one operation.
type desiredTask struct {
	base        string
	operation   rules.Operation
	preparation rules.Preparation
	hazards     []desiredFlag // what it prepares for, strongest first
}

// desiredFlags derives the Flags of a patient from the assessments of the operations ahead: for each eye that an operation
// may touch, each hazard that a finding of that eye raises to min.
func desiredFlags(c *rules.Catalogue, patientID string, ahead []rules.Assessment, min rules.Level) []desiredFlag {
	var out []desiredFlag
	for _, hazard := range rules.Hazards {
		for _, eye := range []rules.Eye{rules.RightEye, rules.LeftEye} {
			if f, ok := desireFlag(c, patientID, ahead, min, hazard, eye); ok {
				out = append(out, f)
			}
		}
	}
	return out
}

func desireFlag(c *rules.Catalogue, patientID string, ahead []rules.Assessment, min rules.Level, hazard rules.Hazard, eye rules.Eye) (desiredFlag, bool) {
	f := desiredFlag{base: FlagKey(patientID, hazard, eye), hazard: hazard, eye: eye}
	var reasons []string
	for _, a := range ahead {
		if !a.Operation.Eye.MayBe(eye) {
			continue
		}
		for _, x := range a.Findings {
			if x.Hazard != hazard || !x.Eye.MayBe(eye) || x.Level < min {
				continue
			}
			reason := x.Nameable()
			switch {
			case slices.Contains(reasons, reason):
			case x.Level > f.level:
				reasons = append([]string{reason}, reasons...)
			default:
				reasons = append(reasons, reason)
			}
			f.level = max(f.level, x.Level)
			for _, e := range x.Evidence {
				if !slices.Contains(f.evidence, e) {
					f.evidence = append(f.evidence, e)
				}
			}
		}
	}
	if len(reasons) == 0 {
		return f, false
	}
	slices.SortFunc(f.evidence, func(x, y rules.Evidence) int {
		return cmp.Or(strings.Compare(x.Code, y.Code), strings.Compare(x.Reference, y.Reference))
	})
	f.text = c.Line(hazard, f.level, eye, reasons[0], len(reasons)-1)
	return f, true
}

// FlagLine is the one line of a Flag, where no record system holds the Flag itself.
type FlagLine struct {
	Hazard   rules.Hazard
	Eye      rules.Eye
	Level    rules.Level
	Text     string
	Evidence []rules.Evidence
}

// FlagLines are the lines of the Flags that one assessment would make.
func FlagLines(c *rules.Catalogue, a rules.Assessment, min rules.Level) []FlagLine {
	var out []FlagLine
	for _, f := range desiredFlags(c, "", []rules.Assessment{a}, min) {
		out = append(out, FlagLine{Hazard: f.hazard, Eye: f.eye, Level: f.level, Text: f.text, Evidence: f.evidence})
	}
	return out
}

// desiredTasks derives the Tasks of one operation.
func desiredTasks(patientID string, a rules.Assessment, flags []desiredFlag) []desiredTask {
	var mine []desiredFlag
	for _, f := range flags {
		if a.Operation.Eye.MayBe(f.eye) {
			mine = append(mine, f)
		}
	}
	slices.SortStableFunc(mine, func(x, y desiredFlag) int { return cmp.Compare(y.level, x.level) })
	var out []desiredTask
	for _, p := range a.Preparations {
		out = append(out, desiredTask{
			base:      TaskKey(a.Operation.Key, patientID, a.Operation.Eye, p.Code),
			operation: a.Operation, preparation: p, hazards: mine,
		})
	}
	return out
}

// codes are the evidence codes of a flag, each once.
func (f desiredFlag) codes() []string {
	var out []string
	for _, e := range f.evidence {
		out = append(out, e.Identity())
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// details are the references of the evidence that may be named.
func (f desiredFlag) details() []string {
	var out []string
	for _, e := range f.evidence {
		if !e.Restricted && e.Reference != "" {
			out = append(out, e.Reference)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// stamp is an instant as we write it.
func stamp(t time.Time) string { return t.UTC().Truncate(time.Second).Format(time.RFC3339) }
