package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Settings are what a site decides about every assessment.
type Settings struct {
	// MinLevel is the least level at which a finding makes the outcome flagged; NoLevel means Moderate.
	MinLevel Level
	// Zone is the clinic's time zone; nil means UTC.
	Zone *time.Location
	// Required lists the types of record without which no assessment is complete; of each group one is enough.
	Required [][]string
	// PupilMaxAge is the age beyond which a dilated pupil is to be measured again; 0 means 180 days.
	PupilMaxAge time.Duration
}

// DefaultRequired is what no assessment is complete without, unless a site says otherwise.
var DefaultRequired = [][]string{{"Condition"}, {"Procedure"}, {"MedicationRequest", "MedicationStatement"}}

func (s Settings) withDefaults() Settings {
	if s.MinLevel == NoLevel {
		s.MinLevel = Moderate
	}
	if s.Zone == nil {
		s.Zone = time.UTC
	}
	if s.Required == nil {
		s.Required = DefaultRequired
	}
	if s.PupilMaxAge == 0 {
		s.PupilMaxAge = 180 * 24 * time.Hour
	}
	return s
}

// Assess works out what op has to be prepared for, from what h holds and as far as it was read, at the time at. What the
// record dates after the operation, or wrote down after at, does not count. It never fails: what is not known is a gap.
func Assess(c *Catalogue, op Operation, h History, at time.Time, s Settings) Assessment {
	a := assessor{cat: c, op: op, h: h, at: at, set: s.withDefaults(), sides: map[Eye]map[*Factor]*side{RightEye: {}, LeftEye: {}}}
	a.timely()
	a.read()
	a.plan()
	a.measure()
	a.raise()
	findings, context := a.findings()
	a.questions(findings)
	out := Assessment{
		Patient: h.Patient, Operation: op, Findings: findings, Context: context,
		Catalogue: c.Version, Complete: a.complete(),
	}
	a.readGaps()
	a.eyeGaps()
	out.Gaps = a.sortedGaps()
	out.Outcome = a.outcome(findings)
	if out.Outcome == NotAssessed {
		out.Gaps = append(out.Gaps, c.gap(GapRecordUnread, ""))
	}
	out.Preparations = a.preparations(out)
	return out
}

// side is what stands about one factor for one eye.
type side struct {
	level    Level
	evidence []Evidence
	reason   string // of the best evidence, for the line
	rank     int    // of that reason; higher is better
	// fellow reports that the other eye carries the record and this eye only the risk.
	fellow bool
	// unsided reports that no evidence names a side although the factor is one-sided.
	unsided bool
	beside  bool // counts only beside another factor
	// current reports that something it rests on is not over.
	current bool
	// regular reports a record of a drug that is no single administration; given are the days of those that are.
	regular bool
	given   []string
}

// size is one usable measurement of one eye.
type size struct {
	mm        float64
	band      *Band
	entry     *Entry
	unsided   bool
	mydriatic bool
}

type assessor struct {
	cat   *Catalogue
	op    Operation
	h     History
	at    time.Time
	set   Settings
	sides map[Eye]map[*Factor]*side
	// sizes holds the measurements by factor and eye.
	sizes    map[*Factor]map[Eye][]size
	gaps     []Gap
	standing map[string]bool // ids of factors with evidence, of any eye
	asks     []ask
	cautions map[string]bool // ids of cautions that some record calls for
	upsets   []upset         // what may have made a pupil smaller
	nameless []string        // drugs that nobody can read
	named    []string        // drugs recorded by name only
}

// upset is an operation, a disease or a drop after which an earlier large pupil reassures nobody.
type upset struct {
	eye  Eye
	when Date
}

type ask struct {
	question *Question
	name     string
}

// timely makes the end of a drug what it is at the time of the assessment: over if it lies in the past, whatever the status
// word says; not yet an end if it lies in the future.
func (a *assessor) timely() {
	a.h.Entries = slices.Clone(a.h.Entries)
	for i := range a.h.Entries {
		e := &a.h.Entries[i]
		if e.Kind != Medication || !e.End.Known() {
			continue
		}
		if e.End.From.Before(a.at) {
			e.Ended = true
		} else {
			e.End = Date{}
		}
	}
}

// plan looks for what the booking itself says: a planned laser, a planned lens.
func (a *assessor) plan() {
	for _, hit := range a.cat.Planned(a.op.Concepts) {
		ev := Evidence{Reference: a.op.Appointment, Matched: clip(hit.Matched, 80), How: hit.How, Code: hit.Code}
		for _, eye := range a.op.Eye.Sides() {
			a.put(eye, hit.Factor, hit.Factor.Level, ev, hit.Factor.Name, 0, false, false)
		}
	}
}

// before reports whether an entry counts by its date: not dated after the operation, nor written down after the time of
// the assessment. A partial date that may lie before it does count.
func (a *assessor) before(e *Entry) bool {
	cut := a.op.Start
	if cut.IsZero() {
		cut = a.at
	}
	if e.Start.Known() && !e.Start.From.Before(cut) {
		return false
	}
	if !e.Start.Known() && e.End.Known() && !e.End.From.Before(cut) && e.Kind != Medication {
		return false
	}
	if e.Recorded.Known() {
		return !e.Recorded.From.After(a.at)
	}
	// Nobody said when it was written down: what happened later was not known yet. A drug that is only intended was.
	return !e.Start.Known() || !e.Start.From.After(a.at) || e.Status == "intended"
}

// read sorts the entries: evidence to its eyes, measurements aside, questions to the gaps.
func (a *assessor) read() {
	a.sizes = map[*Factor]map[Eye][]size{}
	a.standing, a.cautions = map[string]bool{}, map[string]bool{}
	for i := range a.h.Entries {
		e := &a.h.Entries[i]
		if e.Standing == Void || !a.before(e) {
			continue
		}
		hits := a.cat.Match(e)
		if e.Standing == Asks {
			a.askFor(e, hits)
			continue
		}
		for _, q := range a.cat.Asks(e) {
			a.asks = append(a.asks, ask{q, nameable(e, entryName(e))})
		}
		for _, c := range a.cat.Cautioned(e) {
			a.cautions[c.ID] = true
		}
		if _, yes := a.cat.Unrecognised(e); yes {
			if name, readable := drugName(e); readable {
				a.named = append(a.named, nameable(e, name))
			} else {
				a.nameless = append(a.nameless, name)
			}
		}
		if when := entryDate(e); when.Known() && a.cat.changesPupil(e, hits) {
			a.upsets = append(a.upsets, upset{e.Eye, when})
		}
		for _, hit := range hits {
			if e.Kind == Intolerance {
				a.gap(GapAskMedication, fmt.Sprintf("%s: intolerance recorded%s, so it was taken; ask when and for how long", nameable(e, hit.Factor.Name), dateSuffix(e)))
				a.standing[hit.Factor.ID] = true
				continue
			}
			if hit.Factor.Measure != nil {
				a.addSize(hit.Factor, e)
				continue
			}
			a.addEvidence(hit, e)
		}
	}
}

// changesPupil reports that a pupil measured before e may be smaller since: an operation on the lens or for another cause of
// a small pupil, or a disease or drop that makes one.
func (c *Catalogue) changesPupil(e *Entry, hits []Hit) bool {
	if e.Kind == Procedure && c.LensDone(e) {
		return true
	}
	return slices.ContainsFunc(hits, func(h Hit) bool {
		f := h.Factor
		return f.Hazard == SmallPupil && f.Measure == nil && !f.ContextOnly && e.Kind != Intolerance && (e.Kind == Procedure || f.Level >= Moderate)
	})
}

// upsetSince reports that something which may have made the pupil of eye smaller is, or may be, later than d.
func (a *assessor) upsetSince(eye Eye, d Date) bool {
	return slices.ContainsFunc(a.upsets, func(u upset) bool { return u.eye.MayBe(eye) && u.when.To.After(d.To) })
}

// restrictedName stands for what a security label forbids to name.
const restrictedName = "a restricted record"

// nameable is the name of what an entry speaks of, unless its security label forbids to name it in the schedule.
func nameable(e *Entry, name string) string {
	if e.Restricted {
		return restrictedName
	}
	return name
}

func (a *assessor) askFor(e *Entry, hits []Hit) {
	for _, hit := range hits {
		if hit.Factor.ContextOnly {
			continue
		}
		kind := GapAskFinding
		if e.Kind == Medication {
			kind = GapAskMedication
		}
		a.gap(kind, fmt.Sprintf("%s: recorded as %q%s; ask whether it was ever so", nameable(e, hit.Factor.Name), statusWord(e.Status), dateSuffix(e)))
	}
}

func (a *assessor) addEvidence(hit Hit, e *Entry) {
	f := hit.Factor
	ev := Evidence{Reference: e.Reference, Matched: clip(hit.Matched, 80), Date: entryDate(e).Text, How: hit.How, Code: hit.Code, Restricted: e.Restricted}
	if !f.ContextOnly {
		a.standing[f.ID] = true
		if hit.How == BySpelling && !e.Restricted {
			a.gap(GapConfirmSpelling, fmt.Sprintf("%q read as %s by its spelling or brand; confirm the drug", clip(hit.Matched, 60), f.Name))
		}
		if e.EyeConflict && f.Eyes != "both" {
			a.gap(GapEyeCheck, fmt.Sprintf("%s%s: the record names both sides in contradiction; counted for both eyes", nameable(e, f.Name), dateSuffix(e)))
		}
	}
	level := f.Level
	if f.ContextOnly || (e.Ended && !f.Persists) {
		level = NoLevel
	}
	reason, rank := a.reason(f, e)
	if hit.How == BySpelling {
		reason += ", matched by spelling, confirm"
	}
	at := e.Eye
	if f.Eyes == "both" {
		at = BothEyes
	}
	for _, eye := range at.Sides() {
		s := a.put(eye, f, level, ev, reason, rank, false, at == EyeUnknown)
		s.current = s.current || !e.Ended
		if day := entryDate(e).Text; !e.Given {
			s.regular = true
		} else if !slices.Contains(s.given, day) {
			s.given = append(s.given, day)
		}
	}
	if f.Fellow != NoLevel && (at == RightEye || at == LeftEye) {
		a.put(at.Fellow(), f, f.Fellow, ev, reason, rank, true, false)
	}
}

func (a *assessor) put(eye Eye, f *Factor, level Level, ev Evidence, reason string, rank int, fellow, unsided bool) *side {
	s := a.sides[eye][f]
	if s == nil {
		s = &side{level: level, reason: reason, rank: rank, fellow: fellow, unsided: unsided}
		a.sides[eye][f] = s
	} else {
		// The record of the eye itself says more than the other eye's; the higher level stands either way.
		if level > s.level || (level == s.level && (rank > s.rank || (rank == s.rank && reason > s.reason))) {
			s.reason, s.rank = reason, rank
		}
		s.level = max(s.level, level)
		s.fellow = s.fellow && fellow
		s.unsided = s.unsided && unsided
	}
	if !slices.Contains(s.evidence, ev) {
		s.evidence = append(s.evidence, ev)
	}
	return s
}

// addSize keeps a measurement that can be used, and asks about one that cannot.
func (a *assessor) addSize(f *Factor, e *Entry) {
	m := f.Measure
	if e.Amount == nil {
		return // a measurement without a number says nothing, and pupil-not-measured will say that
	}
	refuse := func(why string) {
		// Whether it was dilated is the very question: it is called a pupil.
		a.gap(GapPupilUnusable, fmt.Sprintf("%s %s%s: %s", strings.TrimPrefix(m.Name, "dilated "), amountText(*e.Amount), dateSuffix(e), why))
	}
	mm, ok := millimetres(*e.Amount)
	switch {
	case !ok:
		refuse("not a length in a known unit, not used")
		return
	case e.Amount.Comparator == ">" || e.Amount.Comparator == ">=":
		refuse("only a lower bound, not used")
		return
	case mm < m.Min || mm > m.Max:
		refuse(fmt.Sprintf("outside %s to %s mm, not used", num(m.Min), num(m.Max)))
		return
	case m.Dilated && !a.cat.Dilated(f, e):
		refuse("not known to be dilated, not used; measure after dilation")
		return
	}
	sz := size{mm: mm, band: m.band(mm), entry: e, unsided: e.Eye == EyeUnknown, mydriatic: m.Dilated && a.cat.Mydriatic(e)}
	if a.sizes[f] == nil {
		a.sizes[f] = map[Eye][]size{}
	}
	for _, eye := range e.Eye.Sides() {
		a.sizes[f][eye] = append(a.sizes[f][eye], sz)
	}
}

// band is the band that a value of mm belongs to; nil if it is above all of them.
func (m *Measure) band(mm float64) *Band {
	for i := range m.Bands {
		b := &m.Bands[i]
		if (b.UpTo != nil && mm <= *b.UpTo) || (b.Below != nil && mm < *b.Below) {
			return b
		}
	}
	return nil
}

// standingSizes are the measurements of one eye that still speak: those of the newest day, every undated one, and every one of the
// highest band that no newer and larger one taken with a named mydriatic has replaced. Sorted by size.
func standingSizes(all []size) []size {
	var newest *size
	for i := range all {
		s := &all[i]
		d := entryDate(s.entry)
		if d.Known() && (newest == nil || d.From.After(entryDate(newest.entry).From)) {
			newest = s
		}
	}
	var out []size
	for i := range all {
		s := &all[i]
		d := entryDate(s.entry)
		keep := !d.Known() || d.From.Equal(entryDate(newest.entry).From)
		if !keep && s.band != nil && s.band.Level == High {
			keep = !slices.ContainsFunc(all, func(o size) bool {
				od := entryDate(o.entry)
				return o.mydriatic && o.mm > s.mm && od.Known() && od.From.After(d.From)
			})
		}
		if keep {
			out = append(out, *s)
		}
	}
	slices.SortStableFunc(out, func(x, y size) int {
		return cmp.Or(cmp.Compare(x.mm, y.mm), cmp.Compare(x.entry.Reference, y.entry.Reference), cmp.Compare(x.entry.Part, y.entry.Part))
	})
	return out
}

// measure turns the measurements that stand into evidence.
func (a *assessor) measure() {
	for f, byEye := range a.sizes {
		for eye, all := range byEye {
			stand := standingSizes(all)
			for _, s := range stand {
				if s.band == nil {
					continue
				}
				a.standing[f.ID] = true
				d := entryDate(s.entry)
				ev := Evidence{
					Reference: s.entry.Reference, Matched: f.Measure.Name + " " + num(s.mm) + " mm", Date: d.Text, How: ByCode,
					Code: f.ID + ":" + s.band.ID, Restricted: s.entry.Restricted,
				}
				reason := f.Measure.Name + " " + num(s.mm) + " mm"
				if d.Known() {
					reason += " on " + d.Text
				} else {
					reason += ", date unknown"
				}
				if f.Measure.Dilated && (!d.Known() || a.at.Sub(d.To) > a.set.PupilMaxAge || s.unsided) {
					reason += ", measure again"
				}
				// A smaller value has the better rank, so that the line names it.
				a.put(eye, f, s.band.Level, ev, reason, int(1000-s.mm*10), false, s.unsided)
				a.sides[eye][f].beside = s.band.Beside && (a.sides[eye][f].level <= s.band.Level)
			}
		}
	}
}

// raise lifts factors that a measurement of the same eye makes worse.
func (a *assessor) raise() {
	for eye, factors := range a.sides {
		for f, s := range factors {
			for _, r := range f.Raise {
				if s.level == NoLevel || s.fellow || r.To <= s.level {
					continue
				}
				by := a.cat.factor(r.Factor)
				for _, sz := range standingSizes(a.sizes[by][eye]) {
					if sz.mm < r.Below {
						s.level = r.To
						s.reason += fmt.Sprintf(", with %s %s mm", by.Measure.Name, num(sz.mm))
						break
					}
				}
			}
		}
	}
}

// findings sorts what stands into findings of the operated eye and context.
func (a *assessor) findings() (findings, context []Finding) {
	for eye, factors := range a.sides {
		for f, s := range factors {
			if s.beside && !a.besideAnother(eye, f) {
				s.level = NoLevel
			}
			if f.Regular && !s.regular && len(s.given) < 2 && s.level > NoLevel {
				s.level = NoLevel
				a.gap(GapAskMedication, fmt.Sprintf("%s: on record as given once%s; ask whether it was ever taken regularly", s.name(f), dated(s.given)))
			}
			if f.Settled != NoLevel && s.level == f.Level && !s.current && len(s.evidence) == 1 {
				s.level = f.Settled
			}
		}
	}
	for _, f := range a.cat.Factors {
		r, l := a.sides[RightEye][f], a.sides[LeftEye][f]
		var out []Finding
		if r != nil && l != nil && r.same(l) {
			eye := BothEyes
			if r.unsided {
				eye = EyeUnknown
			}
			out = append(out, a.finding(f, eye, r))
		} else {
			if r != nil {
				out = append(out, a.finding(f, RightEye, r))
			}
			if l != nil {
				out = append(out, a.finding(f, LeftEye, l))
			}
		}
		for _, x := range out {
			if x.Level > NoLevel && x.Eye.MayBe(a.op.Eye) {
				findings = append(findings, x)
			} else {
				context = append(context, x)
			}
		}
	}
	slices.SortStableFunc(findings, func(x, y Finding) int { return cmp.Compare(y.Level, x.Level) })
	return findings, context
}

// name is the factor's name, unless every record of it forbids to name it.
func (s *side) name(f *Factor) string {
	if slices.ContainsFunc(s.evidence, func(e Evidence) bool { return !e.Restricted }) {
		return f.Name
	}
	return restrictedName
}

// dated is the one day of a list, with a space before it; "" if it is not known.
func dated(days []string) string {
	if len(days) == 0 || days[0] == "" {
		return ""
	}
	return " " + days[0]
}

func (s *side) same(o *side) bool {
	return s.level == o.level && s.fellow == o.fellow && s.reason == o.reason && sameEvidence(s.evidence, o.evidence)
}

func sameEvidence(x, y []Evidence) bool {
	if len(x) != len(y) {
		return false
	}
	for _, e := range x {
		if !slices.Contains(y, e) {
			return false
		}
	}
	return true
}

func (a *assessor) besideAnother(eye Eye, self *Factor) bool {
	for f, s := range a.sides[eye] {
		if f != self && !f.ContextOnly && s.level > NoLevel && !s.beside {
			return true
		}
	}
	return false
}

func (a *assessor) finding(f *Factor, eye Eye, s *side) Finding {
	ev := slices.Clone(s.evidence)
	slices.SortFunc(ev, compareEvidence)
	reason := s.reason
	switch {
	case s.fellow:
		reason += ", in the other eye"
	case s.unsided && f.Eyes != "both":
		reason += ", side not recorded"
	}
	x := Finding{Hazard: f.Hazard, Level: s.level, Eye: eye, Factor: f.ID, Evidence: ev, Reason: reason}
	for _, src := range f.Sources {
		x.Sources = append(x.Sources, src.Text)
	}
	x.Text = a.cat.Line(f.Hazard, s.level, eye, reason, 0)
	if f.ContextOnly {
		x.Text = clip(reason, LineMax) // no hazard and no eye: it is none
	}
	return x
}

// compareEvidence puts the newest first, so that a reader sees the last known date.
func compareEvidence(x, y Evidence) int {
	return cmp.Or(cmp.Compare(y.Date, x.Date), cmp.Compare(x.Reference, y.Reference), cmp.Compare(x.Code, y.Code), cmp.Compare(x.Matched, y.Matched))
}

// questions asks for a drug that nobody recorded where another record is a reason to.
func (a *assessor) questions(findings []Finding) {
	for _, k := range a.asks {
		if slices.ContainsFunc(k.question.Unless, func(id string) bool { return a.standing[id] }) {
			continue
		}
		a.gap(GapAskMedication, strings.ReplaceAll(k.question.Text, "{reason}", k.name))
	}
	pupil := a.pupilFactor()
	if pupil == nil {
		return
	}
	var missing []Eye
	outdated := false
	for _, eye := range a.op.Eye.Sides() {
		recent, holds := false, false
		for _, s := range a.sizes[pupil][eye] {
			if d := entryDate(s.entry); !s.unsided && d.Known() && a.at.Sub(d.To) <= a.set.PupilMaxAge {
				recent = true
				holds = holds || !a.upsetSince(eye, d)
			}
		}
		if !holds {
			missing = append(missing, eye)
			outdated = outdated || recent
		}
	}
	if len(missing) == 0 {
		return
	}
	eye := missing[0]
	if len(missing) == 2 {
		eye = BothEyes
	}
	name := a.cat.Wording.Eyes[eye.String()]
	if outdated {
		name += " (last one before a later operation, disease or drop of the eye)"
	}
	a.gaps = append(a.gaps, a.cat.gap(GapPupilNotMeasured, name))
}

// pupilFactor is the factor that measures the dilated pupil, if the catalogue has one.
func (a *assessor) pupilFactor() *Factor {
	for _, f := range a.cat.Factors {
		if f.Measure != nil && f.Measure.Dilated {
			return f
		}
	}
	return nil
}

// readGaps says what was not read.
func (a *assessor) readGaps() {
	for _, r := range a.h.Reads {
		switch r.State {
		case ReadRefused:
			a.gaps = append(a.gaps, a.cat.gap(GapTypeRefused, typeWords(r.Type)))
		case ReadCut:
			a.gaps = append(a.gaps, a.cat.gap(GapTypeCut, typeWords(r.Type)))
		case ReadNotOffered:
			a.gaps = append(a.gaps, a.cat.gap(GapTypeNotOffered, typeWords(r.Type)))
		}
	}
	for _, d := range a.h.Dropped {
		if d.Reason == DropPatient {
			continue // somebody else's: nothing of this patient is missing
		}
		name := d.Name
		if name == "" {
			name = "no name readable"
		}
		a.gaps = append(a.gaps, a.cat.gap(GapEntryDropped, fmt.Sprintf("%s (%s)", clip(name, 60), typeWord(d.Type))))
	}
	if a.drugListEmpty() {
		a.gaps = append(a.gaps, a.cat.gap(GapNoMedications, ""))
	}
	if names := listed(a.nameless); names != "" {
		a.gaps = append(a.gaps, a.cat.gap(GapUnknownDrug, names))
	}
	if names := listed(a.named); names != "" {
		a.gaps = append(a.gaps, a.cat.gap(GapDrugByName, names))
	}
}

// namesShown is how many names a line lists.
const namesShown = 5

// listed is a line of names, each once.
func listed(names []string) string {
	names = slices.Clone(names)
	slices.Sort(names)
	names = slices.Compact(names)
	if len(names) > namesShown {
		return strings.Join(names[:namesShown], ", ") + fmt.Sprintf(" and %d more", len(names)-namesShown)
	}
	return strings.Join(names, ", ")
}

// drugListEmpty reports that drug records were read and none was there, which is not the same as no drug taken.
func (a *assessor) drugListEmpty() bool {
	if a.h.NoMedication {
		return false
	}
	for i := range a.h.Entries {
		if a.h.Entries[i].Kind == Medication {
			return false
		}
	}
	return true
}

func (a *assessor) eyeGaps() {
	switch {
	case a.op.EyeConflict:
		a.gaps = append(a.gaps, a.cat.gap(GapEyeCheck, "the booking names two sides"))
	case a.op.Eye == BothEyes:
		a.gaps = append(a.gaps, a.cat.gap(GapEyeCheck, "the booking names both eyes"))
	case a.op.Eye == EyeUnknown:
		a.gaps = append(a.gaps, a.cat.gap(GapEyeUnknown, ""))
	}
	if a.op.Eye != RightEye && a.op.Eye != LeftEye {
		return
	}
	var unsided *Entry
	fellowDone := false
	for i := range a.h.Entries {
		e := &a.h.Entries[i]
		if e.Standing != Counts || !a.before(e) || !a.cat.LensDone(e) {
			continue
		}
		switch {
		case e.Eye == EyeUnknown:
			unsided = e
		case e.Eye&a.op.Eye != 0:
			a.gaps = append(a.gaps, a.cat.gap(GapEyeCheck, fmt.Sprintf("a lens operation of this eye is on record%s", dateSuffix(e))))
		default:
			fellowDone = true
		}
	}
	// One whose side nobody wrote down is the other eye's where the other eye is known to be done.
	if unsided != nil && !fellowDone {
		a.gaps = append(a.gaps, a.cat.gap(GapEyeCheck, fmt.Sprintf("a lens operation is on record%s, side not recorded", dateSuffix(unsided))))
	}
}

func (a *assessor) gap(kind GapKind, text string) {
	a.gaps = append(a.gaps, Gap{Kind: kind, Text: text})
}

// gapOrder is the order in which gaps are printed: what the surgeon can act on first.
var gapOrder = []GapKind{
	GapRecordUnread, GapEyeUnknown, GapEyeCheck, GapNoMedications, GapAskMedication, GapConfirmSpelling, GapUnknownDrug, GapAskFinding,
	GapPupilUnusable, GapPupilNotMeasured, GapEntryDropped, GapTypeRefused, GapTypeCut, GapTypeNotOffered, GapDrugByName,
}

func (a *assessor) sortedGaps() []Gap {
	slices.SortFunc(a.gaps, func(x, y Gap) int {
		return cmp.Or(cmp.Compare(slices.Index(gapOrder, x.Kind), slices.Index(gapOrder, y.Kind)), cmp.Compare(x.Text, y.Text))
	})
	return slices.Compact(a.gaps)
}

func (a *assessor) state(typ string) (ReadState, bool) {
	for _, r := range a.h.Reads {
		if r.Type == typ {
			return r.State, true
		}
	}
	return "", false
}

// complete reports that every offered type was read to its last page, each required group by at least one of its types,
// no entry of the patient was dropped, and the drug list is not empty or is recorded as empty.
func (a *assessor) complete() bool {
	for _, r := range a.h.Reads {
		if r.State == ReadCut || r.State == ReadRefused {
			return false
		}
	}
	for _, d := range a.h.Dropped {
		if d.Reason != DropPatient {
			return false
		}
	}
	return !a.drugListEmpty() && len(a.unreadGroups()) == 0
}

// unreadGroups are the required groups of which no type was read to its end.
func (a *assessor) unreadGroups() (out [][]string) {
	for _, group := range a.set.Required {
		if !slices.ContainsFunc(group, func(t string) bool { s, ok := a.state(t); return ok && s == ReadWhole }) {
			out = append(out, group)
		}
	}
	return out
}

// outcome is flagged where a finding reaches the level; else not assessed where a required type was lost or refused.
func (a *assessor) outcome(findings []Finding) Outcome {
	for _, f := range findings {
		if f.Level >= a.set.MinLevel {
			return Flagged
		}
	}
	for _, group := range a.unreadGroups() {
		for _, t := range group {
			if s, ok := a.state(t); !ok || s != ReadNotOffered {
				return NotAssessed
			}
		}
	}
	return NoneFound
}
