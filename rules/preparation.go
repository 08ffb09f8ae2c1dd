package rules

import (
	"slices"
	"strings"
	"time"
)

// dueHour is the hour of the day, in the clinic's zone, by which an action of that day is due. Common practice, no source.
const dueHour = 16

// preparations lists what is to be done for the operation, in the catalogue's order.
func (a *assessor) preparations(out *Assessment) (list []Preparation) {
	eye := a.cat.Wording.Eyes[a.op.Eye.String()]
	codes := make([]string, 0, 16)
	for i := range a.cat.Preparations {
		rule := &a.cat.Preparations[i]
		from := len(codes)
		codes = a.calledFor(rule, out, codes)
		if len(a.words) == 0 {
			continue
		}
		reason := a.page.say(a.words[1:]...)
		due, clamped := a.due(rule)
		if list == nil {
			list = make([]Preparation, 0, len(a.cat.Preparations))
		}
		list = append(list, Preparation{
			Code: rule.Code, Text: a.action(rule, out, "{reason}", reason, "{eye}", eye), Due: due, AtOnce: clamped, FromGap: len(rule.Gaps) > 0,
			Evidence: slices.Clip(codes[from:]), Rule: rule,
		})
	}
	return list
}

// calledFor says what calls for the action: it leaves the reasons for the text in a.words, each behind a semicolon, and appends
// the evidence codes (or gap kinds) behind them.
func (a *assessor) calledFor(p *PreparationRule, out *Assessment, codes []string) []string {
	from := len(codes)
	a.words = a.words[:0]
	open := len(p.OnlyWithGaps) == 0 || slices.ContainsFunc(out.Gaps, func(g Gap) bool { return slices.Contains(p.OnlyWithGaps, g.Kind) })
	for i := range out.Findings {
		f := &out.Findings[i]
		if !open || !slices.Contains(p.Hazards, f.Hazard) || f.Level < p.MinLevel {
			continue
		}
		if reason := f.Nameable(); !slices.Contains(a.words, reason) {
			a.words = append(a.words, "; ", reason)
		}
		for j := range f.Evidence {
			codes = append(codes, f.Evidence[j].Identity())
		}
	}
	for _, g := range out.Gaps {
		if slices.Contains(p.Gaps, g.Kind) {
			a.words = append(a.words, "; ", g.Text)
			codes = append(codes, a.page.say("gap:", string(g.Kind)))
		}
	}
	slices.Sort(codes[from:])
	return codes[:from+len(slices.Compact(codes[from:]))]
}

// action is the text of an action. What is particular to this eye comes first: what the catalogue adds by its findings, its
// measured pupil and chamber, and by what single records ask to be careful with.
func (a *assessor) action(rule *PreparationRule, out *Assessment, pairs ...string) string {
	stands := func(ids []string) bool {
		return slices.ContainsFunc(out.Findings, func(f Finding) bool { return slices.Contains(ids, f.Factor) })
	}
	from, said := a.page.begin(), ""
	say := func(text string) {
		if text != said { // by two ways
			a.page.put(text, pairs)
			a.page.WriteByte(' ')
		}
		said = text
	}
	pupil, chamber := a.smallest("dilated-pupil"), a.smallest("shallow-chamber")
	for i := range rule.Advice {
		x := &rule.Advice[i]
		switch {
		case len(x.Factors) > 0 && !stands(x.Factors),
			x.PupilUpTo != nil && (pupil == 0 || pupil > *x.PupilUpTo),
			x.PupilAbove != nil && (pupil == 0 || pupil <= *x.PupilAbove),
			x.ChamberBelow != nil && (chamber == 0 || chamber >= *x.ChamberBelow),
			x.ChamberFrom != nil && chamber != 0 && chamber < *x.ChamberFrom:
			continue
		}
		say(x.Text)
	}
	for i := range a.cat.Cautions {
		c := &a.cat.Cautions[i]
		if slices.Contains(c.Preparations, rule.Code) && (slices.Contains(a.cautions, c) || len(c.Factors) > 0 && stands(c.Factors)) {
			say(c.Text)
		}
	}
	a.page.put(rule.Text, pairs)
	return a.page.String()[from:]
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
	place, ok := a.cat.index.factors[factor]
	if !ok || len(a.speaking) == 0 {
		return 0
	}
	least := 0.
	for _, eye := range a.op.Eye.Sides() {
		if all := of(a.speaking, place, eye); len(all) > 0 && (least == 0 || all[0].mm < least) {
			least = all[0].mm
		}
	}
	return least
}

// freeMax is how many free days in a row are believed.
const freeMax = 30

// free reports a day on which nobody works.
func (s *Settings) free(day time.Time) bool {
	if w := day.Weekday(); w == time.Saturday || w == time.Sunday {
		return true
	}
	date := ""
	if len(s.Holidays) > 0 {
		date = day.Format(time.DateOnly)
	}
	return slices.ContainsFunc(s.Holidays, func(h string) bool { return len(h) >= len("12-25") && strings.HasSuffix(date, h) })
}

// due is when the action is to be done: the rule's days before the operation, but never in the past (then at once, which
// clamped reports) and never after the start. Without a start there is no due date.
func (a *assessor) due(rule *PreparationRule) (due time.Time, clamped bool) {
	start := a.op.Start
	if start.IsZero() {
		return time.Time{}, false
	}
	now := a.at.In(a.set.Zone).Truncate(time.Minute)
	local := start.In(a.set.Zone)
	due = now
	if rule.Days > 0 {
		year, month, day := local.Date()
		due = time.Date(year, month, day, dueHour, 0, 0, 0, a.set.Zone)
		for range rule.Days {
			due = due.AddDate(0, 0, -1)
			for i := 0; rule.Working && i < freeMax && a.set.free(due); i++ {
				due = due.AddDate(0, 0, -1)
			}
		}
	}
	if !due.After(now) {
		due, clamped = now, true
	}
	if due.After(local) {
		due = local
	}
	return due, clamped
}
