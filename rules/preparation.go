package rules

import (
	"slices"
	"strings"
	"time"
)

// dueHour is the hour of the day, in the clinic's zone, by which an action of that day is due. Common practice, no source.
const dueHour = 16

// preparations lists what is to be done for the operation, in the catalogue's order.
func (a *assessor) preparations(out Assessment) []Preparation {
	var list []Preparation
	for _, rule := range a.cat.Preparations {
		reasons, codes := rule.calledFor(out)
		if len(reasons) == 0 {
			continue
		}
		due, clamped := a.due(rule)
		text := rule.Text
		if more := a.advice(rule, out); more != "" {
			text = more + " " + text // what is particular to this eye comes first
		}
		text = strings.ReplaceAll(text, "{reason}", strings.Join(reasons, "; "))
		text = strings.ReplaceAll(text, "{eye}", a.cat.Wording.Eyes[a.op.Eye.String()])
		list = append(list, Preparation{Code: rule.Code, Text: text, Due: due, AtOnce: clamped, FromGap: len(rule.Gaps) > 0, Evidence: codes, Rule: &rule})
	}
	return list
}

// calledFor says what calls for the action: the reasons for the text, and the evidence codes (or gap kinds) behind them.
func (p *PreparationRule) calledFor(out Assessment) (reasons, codes []string) {
	open := len(p.OnlyWithGaps) == 0 || slices.ContainsFunc(out.Gaps, func(g Gap) bool { return slices.Contains(p.OnlyWithGaps, g.Kind) })
	for _, f := range out.Findings {
		if !open || !slices.Contains(p.Hazards, f.Hazard) || f.Level < p.MinLevel {
			continue
		}
		if reason := f.Nameable(); !slices.Contains(reasons, reason) {
			reasons = append(reasons, reason)
		}
		for _, e := range f.Evidence {
			codes = append(codes, e.Identity())
		}
	}
	for _, g := range out.Gaps {
		if slices.Contains(p.Gaps, g.Kind) {
			reasons = append(reasons, g.Text)
			codes = append(codes, "gap:"+string(g.Kind))
		}
	}
	slices.Sort(codes)
	return reasons, slices.Compact(codes)
}

// advice is what the catalogue adds to an action for this eye: by its findings, its measured pupil and chamber, and by what
// single records ask to be careful with.
func (a *assessor) advice(rule PreparationRule, out Assessment) string {
	stands := func(ids []string) bool {
		return slices.ContainsFunc(out.Findings, func(f Finding) bool { return slices.Contains(ids, f.Factor) })
	}
	var said []string
	for _, x := range rule.Advice {
		pupil, chamber := a.smallest("dilated-pupil"), a.smallest("shallow-chamber")
		switch {
		case len(x.Factors) > 0 && !stands(x.Factors),
			x.PupilUpTo != nil && (pupil == 0 || pupil > *x.PupilUpTo),
			x.PupilAbove != nil && (pupil == 0 || pupil <= *x.PupilAbove),
			x.ChamberBelow != nil && (chamber == 0 || chamber >= *x.ChamberBelow),
			x.ChamberFrom != nil && chamber != 0 && chamber < *x.ChamberFrom:
			continue
		}
		said = append(said, x.Text)
	}
	for _, c := range a.cat.Cautions {
		if slices.Contains(c.Preparations, rule.Code) && (a.cautions[c.ID] || len(c.Factors) > 0 && stands(c.Factors)) {
			said = append(said, c.Text)
		}
	}
	return strings.Join(slices.Compact(said), " ")
}

// Particular is what stands in text, an action's words for one operation, before the words that every operation has: what is
// particular to this eye. It is empty where there is nothing, or where text is not of this rule's wording.
func (p *PreparationRule) Particular(text string) string {
	common, _, _ := strings.Cut(p.Text, "{")
	advice, _, found := strings.Cut(text, common)
	if !found || common == "" {
		return ""
	}
	return strings.TrimSpace(advice)
}

// smallest is the smallest standing measurement of a factor in the eye to be operated on, in mm; 0 if there is none.
func (a *assessor) smallest(factor string) float64 {
	f := a.cat.factor(factor)
	if f == nil {
		return 0
	}
	least := 0.
	for _, eye := range a.op.Eye.Sides() {
		if all := standingSizes(a.sizes[f][eye]); len(all) > 0 && (least == 0 || all[0].mm < least) {
			least = all[0].mm
		}
	}
	return least
}

// due is when the action is to be done: the rule's days before the operation, but never in the past (then at once, which
// clamped reports) and never after the start. Without a start there is no due date.
func (a *assessor) due(rule PreparationRule) (due time.Time, clamped bool) {
	start := a.op.Start
	if start.IsZero() {
		return time.Time{}, false
	}
	now := a.at.In(a.set.Zone).Truncate(time.Minute)
	local := start.In(a.set.Zone)
	due = now
	if rule.Days > 0 {
		day := local
		for n := rule.Days; n > 0; n-- {
			day = day.AddDate(0, 0, -1)
			for rule.Working && (day.Weekday() == time.Saturday || day.Weekday() == time.Sunday) {
				day = day.AddDate(0, 0, -1)
			}
		}
		due = time.Date(day.Year(), day.Month(), day.Day(), dueHour, 0, 0, 0, a.set.Zone)
	}
	if !due.After(now) {
		due, clamped = now, true
	}
	if due.After(local) {
		due = local
	}
	return due, clamped
}
