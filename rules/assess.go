package rules

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"sync"
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
	// Holidays are days on which nobody prepares anything, besides Saturday and Sunday: 2026-12-25, or 12-25 for every year.
	Holidays []string
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
	a := assessors.Get().(*assessor)
	defer assessors.Put(a)
	defer a.forget()
	a.cat, a.op, a.h, a.at, a.set = c, op, h, at, s.withDefaults()
	a.read()
	a.plan()
	a.measure()
	a.raise()
	out := Assessment{Patient: h.Patient, Operation: op, Catalogue: c.Version}
	out.Findings, out.Context = a.findings()
	a.questions()
	out.Complete = a.complete()
	a.readGaps()
	a.eyeGaps()
	out.Outcome = a.outcome(out.Findings)
	out.Gaps = a.sortedGaps()
	if out.Outcome == NotAssessed {
		out.Gaps = append(out.Gaps, a.worded(GapRecordUnread, ""))
	}
	out.Preparations = a.preparations(&out)
	return out
}

// side is what stands about one factor for one eye.
type side struct {
	place    int // of the factor in Catalogue.Factors
	eye      Eye
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
	place     int // of the measuring factor in Catalogue.Factors
	eye       Eye
	mm        float64
	band      *Band
	entry     *Entry
	unsided   bool
	mydriatic bool
}

// assessor is one assessment at work. Its lists are used again by a later one, so nothing of them may stand in the answer.
type assessor struct {
	cat     *Catalogue
	op      Operation
	h       History
	at      time.Time
	set     Settings
	page    page
	reading reading
	booking Entry
	changed []Entry // copies of entries whose end is another one at the time of the assessment
	sides   []side
	// sizes holds every measurement, speaking those that still speak, by factor and eye, the smallest first.
	sizes, speaking []size
	gaps            []Gap
	standing        []string // ids of factors with evidence, of any eye
	asks            []ask
	cautions        []*Caution // those that some record calls for
	upsets          []upset    // what may have made a pupil smaller
	lenses          []*Entry   // records of an operation on the lens
	nameless        []string   // drugs that nobody can read
	named           []string   // drugs recorded by name only
	drugs           bool       // some drug is on record
	found           []Finding
	context         []Finding
	words           []string // of the text in the making
}

// upset is an operation, a disease or a drop after which an earlier large pupil reassures nobody.
type upset struct {
	eye  Eye
	when Date
}

// ask is a reason to ask, in the words of the record, or, where it has none, in the catalogue's.
type ask struct {
	question *Question
	reason   string
}

var assessors = sync.Pool{New: func() any { return new(assessor) }}

// forget makes the assessor ready for another patient: what it read is let go of, the memory of its lists is kept.
func (a *assessor) forget() {
	for i := range a.sides {
		a.sides[i] = side{evidence: emptied(a.sides[i].evidence)} // what was shown of it is a copy
	}
	*a = assessor{
		reading: reading{means: a.reading.means[:0], found: emptied(a.reading.found[:cap(a.reading.found)]), holds: a.reading.holds[:0]},
		changed: emptied(a.changed), sides: a.sides[:0], sizes: emptied(a.sizes), speaking: emptied(a.speaking), gaps: emptied(a.gaps),
		standing: a.standing[:0], asks: emptied(a.asks), cautions: a.cautions[:0], upsets: emptied(a.upsets), lenses: emptied(a.lenses),
		nameless: emptied(a.nameless), named: emptied(a.named), found: emptied(a.found), context: emptied(a.context),
		words: emptied(a.words[:cap(a.words)]),
	}
}

func emptied[T any](s []T) []T {
	clear(s)
	return s[:0]
}

// timely makes the end of a drug what it is at the time of the assessment: over if it lies in the past, whatever the status
// word says; not yet an end if it lies in the future.
func (a *assessor) timely(e *Entry) *Entry {
	if e.Kind != Medication || !e.End.Known() {
		return e
	}
	past := e.End.From.Before(a.at)
	if past && e.Ended {
		return e
	}
	a.changed = append(a.changed, *e)
	e = &a.changed[len(a.changed)-1]
	if past {
		e.Ended = true
	} else {
		e.End = Date{}
	}
	return e
}

// plan looks for what the booking itself says: a planned laser, a planned lens.
func (a *assessor) plan() {
	a.booking = Entry{Kind: Procedure, Concepts: a.op.Concepts}
	a.reading.read(&a.cat.index, &a.booking, planned.alone())
	for _, hit := range a.reading.found {
		f := a.cat.Factors[hit.use.group]
		ev := Evidence{Reference: a.op.Appointment, Matched: clip(hit.matched, matchedMax), How: hit.how, Code: hit.use.code}
		for _, eye := range a.op.Eye.Sides() {
			a.put(hit.use.group, eye, f.Level, ev, f.Name, 0, false, false)
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
	r := &a.reading
	for i := range a.h.Entries {
		e := &a.h.Entries[i]
		a.drugs = a.drugs || e.Kind == Medication
		if e.Standing == Void {
			continue
		}
		if !a.before(e) {
			a.plannedFor(e)
			continue
		}
		e = a.timely(e)
		r.read(&a.cat.index, e, entryLists)
		hits := r.in(factors)
		if e.Standing == Asks {
			a.askFor(e, hits)
			continue
		}
		for _, q := range r.in(questions) {
			name, readable := r.name()
			if !readable {
				name = strings.ReplaceAll(q.use.match.Substance, "-", " ")
			}
			a.asks = append(a.asks, ask{&a.cat.Questions[q.use.group], nameable(e, name)})
		}
		for _, c := range r.in(cautions) {
			a.cautions = append(a.cautions, &a.cat.Cautions[c.use.group])
		}
		if _, yes := r.unrecognised(); yes {
			if name, readable := r.name(); readable {
				a.named = append(a.named, nameable(e, name))
			} else {
				a.nameless = append(a.nameless, name)
			}
		}
		lensDone := r.lensDone()
		if lensDone {
			a.lenses = append(a.lenses, e)
		}
		if when := entryDate(e); when.Known() && (lensDone && e.Kind == Procedure || a.upsetting(e, hits)) {
			a.upsets = append(a.upsets, upset{e.Eye, when})
		}
		for _, hit := range hits {
			f := a.cat.Factors[hit.use.group]
			switch {
			case e.Kind == Intolerance:
				a.gap(GapAskMedication, a.page.say(nameable(e, f.Name), ": intolerance recorded", dateSuffix(e), ", so it was taken; ask when and for how long"))
				a.stands(f)
			case f.Measure != nil:
				a.addSize(hit.use.group, e)
			default:
				a.addEvidence(hit, e)
			}
		}
	}
}

// plannedFor asks about a drug that is to be started between now and the operation, where nobody said when that was written down:
// it does not count, and must not be missed.
func (a *assessor) plannedFor(e *Entry) {
	if e.Kind != Medication || e.Standing != Counts || e.Recorded.Known() || !e.Start.Known() || a.op.Start.IsZero() || e.Start.From.After(a.op.Start) {
		return
	}
	a.reading.read(&a.cat.index, e, factors.alone())
	for _, hit := range a.reading.in(factors) {
		if f := a.cat.Factors[hit.use.group]; !f.ContextOnly {
			a.gap(GapAskMedication, a.page.say(nameable(e, f.Name), ": planned from ", e.Start.Text, ", before the operation; tell surgeon and prescriber now"))
		}
	}
}

// stands notes that there is evidence of a factor.
func (a *assessor) stands(f *Factor) {
	if !slices.Contains(a.standing, f.ID) {
		a.standing = append(a.standing, f.ID)
	}
}

// upsetting reports that e records an operation for another cause of a small pupil, or a disease or drop that makes one: a
// pupil measured before may be smaller since, as after an operation on the lens.
func (a *assessor) upsetting(e *Entry, hits []found) bool {
	return slices.ContainsFunc(hits, func(h found) bool {
		f := a.cat.Factors[h.use.group]
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

func (a *assessor) askFor(e *Entry, hits []found) {
	for _, hit := range hits {
		f := a.cat.Factors[hit.use.group]
		if f.ContextOnly {
			continue
		}
		kind := GapAskFinding
		if e.Kind == Medication {
			kind = GapAskMedication
		}
		a.gap(kind, a.page.say(nameable(e, f.Name), ": recorded as ", strconv.Quote(statusWord(e.Status)), dateSuffix(e), askWhether(e)))
	}
}

// askWhether is what to ask of something that is recorded as not so.
func askWhether(e *Entry) string {
	switch {
	case e.Kind != Medication:
		return "; ask whether it was ever so"
	case e.Status == "draft" || e.Status == "plan" || e.Status == "proposal" || e.Status == "preparation":
		return "; ask whether it has been started"
	default:
		return "; ask whether it was EVER taken"
	}
}

// matchedMax is the greatest length, in characters, of what evidence shows of a record.
const matchedMax = 80

func (a *assessor) addEvidence(hit found, e *Entry) {
	f := a.cat.Factors[hit.use.group]
	ev := Evidence{
		Reference: e.Reference, Matched: clip(hit.matched, matchedMax), Date: entryDate(e).Text, How: hit.how, Code: hit.use.code, Restricted: e.Restricted,
	}
	if !f.ContextOnly {
		a.stands(f)
		if hit.how == BySpelling && !e.Restricted {
			a.gap(GapConfirmSpelling, a.page.say(strconv.Quote(clip(hit.matched, nameMax)), " read as ", f.Name, " by its spelling or brand; confirm the drug"))
		}
		if e.EyeConflict && f.Eyes != "both" {
			a.gap(GapEyeCheck, a.page.say(nameable(e, f.Name), dateSuffix(e), ": the record names both sides in contradiction; counted for both eyes"))
		}
	}
	level := f.Level
	if f.ContextOnly || (e.Ended && !f.Persists) {
		level = NoLevel
	}
	reason, rank := a.reason(f, e)
	if hit.how == BySpelling {
		reason = a.page.say(reason, ", matched by spelling, confirm")
	}
	at := e.Eye
	if f.Eyes == "both" {
		at = BothEyes
	}
	for _, eye := range at.Sides() {
		s := a.put(hit.use.group, eye, level, ev, reason, rank, false, at == EyeUnknown)
		s.current = s.current || !e.Ended
		if day := entryDate(e).Text; !e.Given {
			s.regular = true
		} else if !slices.Contains(s.given, day) {
			s.given = append(s.given, day)
		}
	}
	if f.Fellow != NoLevel && (at == RightEye || at == LeftEye) {
		a.put(hit.use.group, at.Fellow(), f.Fellow, ev, reason, rank, true, false)
	}
}

func (a *assessor) put(place int, eye Eye, level Level, ev Evidence, reason string, rank int, fellow, unsided bool) *side {
	i := 0
	for i < len(a.sides) && (a.sides[i].place != place || a.sides[i].eye != eye) {
		i++
	}
	if i == len(a.sides) {
		a.sides = slices.Grow(a.sides, 1)[:i+1]
		s := &a.sides[i]
		*s = side{
			place: place, eye: eye, level: level, evidence: append(s.evidence[:0], ev), reason: reason, rank: rank, fellow: fellow, unsided: unsided,
		}
		return s
	}
	s := &a.sides[i]
	// The record of the eye itself says more than the other eye's; the higher level stands either way.
	if level > s.level || (level == s.level && (rank > s.rank || (rank == s.rank && reason > s.reason))) {
		s.reason, s.rank = reason, rank
	}
	s.level = max(s.level, level)
	s.fellow = s.fellow && fellow
	s.unsided = s.unsided && unsided
	if !slices.Contains(s.evidence, ev) {
		s.evidence = append(s.evidence, ev)
	}
	return s
}

// addSize keeps a measurement that can be used, and asks about one that cannot.
func (a *assessor) addSize(place int, e *Entry) {
	f := a.cat.Factors[place]
	m := f.Measure
	if e.Amount == nil {
		return // a measurement without a number says nothing, and pupil-not-measured will say that
	}
	refuse := func(why ...string) {
		// Whether it was dilated is the very question: it is called a pupil.
		a.gap(GapPupilUnusable, a.page.say(strings.TrimPrefix(m.Name, "dilated "), " ", amountText(*e.Amount), dateSuffix(e), ": ", a.page.say(why...)))
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
		refuse("outside ", num(m.Min), " to ", num(m.Max), " mm, not used")
		return
	case m.Dilated && !a.cat.Dilated(f, e):
		refuse("not known to be dilated, not used; measure after dilation")
		return
	}
	for _, eye := range e.Eye.Sides() {
		a.sizes = append(a.sizes, size{
			place: place, eye: eye, mm: mm, band: m.band(mm), entry: e, unsided: e.Eye == EyeUnknown, mydriatic: m.Dilated && a.cat.Mydriatic(e),
		})
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

// stillSpeaking appends to out the measurements of one factor and eye that still speak: those of the newest day, every undated one,
// and every one of the highest band that no newer and larger one taken with a named mydriatic has replaced.
func stillSpeaking(out, all []size) []size {
	var newest time.Time
	for i := range all {
		if d := entryDate(all[i].entry); d.From.After(newest) {
			newest = d.From
		}
	}
	for i := range all {
		s := &all[i]
		d := entryDate(s.entry)
		keep := !d.Known() || d.From.Equal(newest)
		if !keep && s.band != nil && s.band.Level == High {
			keep = !slices.ContainsFunc(all, func(o size) bool {
				return o.mydriatic && o.mm > s.mm && entryDate(o.entry).From.After(d.From)
			})
		}
		if keep {
			out = append(out, *s)
		}
	}
	return out
}

// of is the part of a sorted list of measurements that is of one factor and eye.
func of(list []size, place int, eye Eye) []size {
	is := func(s size) bool { return s.place == place && s.eye == eye }
	i := slices.IndexFunc(list, is)
	if i < 0 {
		return nil
	}
	j := i + 1
	for j < len(list) && is(list[j]) {
		j++
	}
	return list[i:j]
}

// measure turns the measurements that still speak into evidence.
func (a *assessor) measure() {
	slices.SortStableFunc(a.sizes, func(x, y size) int {
		return cmp.Or(
			cmp.Compare(x.place, y.place), cmp.Compare(x.eye, y.eye),
			cmp.Compare(x.mm, y.mm), cmp.Compare(x.entry.Reference, y.entry.Reference), cmp.Compare(x.entry.Part, y.entry.Part),
		)
	})
	for rest := a.sizes; len(rest) > 0; {
		all := of(rest, rest[0].place, rest[0].eye)
		a.speaking = stillSpeaking(a.speaking, all)
		rest = rest[len(all):]
	}
	for i := range a.speaking {
		s := &a.speaking[i]
		if s.band == nil {
			continue
		}
		f := a.cat.Factors[s.place]
		a.stands(f)
		d := entryDate(s.entry)
		matched := a.page.say(f.Measure.Name, " ", num(s.mm), " mm")
		ev := Evidence{
			Reference: s.entry.Reference, Matched: matched, Date: d.Text, How: ByCode,
			Code: a.page.say(f.ID, ":", s.band.ID), Restricted: s.entry.Restricted,
		}
		when, again := ", date unknown", ""
		if d.Known() {
			when = " on "
		}
		if f.Measure.Dilated && (!d.Known() || a.at.Sub(d.To) > a.set.PupilMaxAge || s.unsided) {
			again = ", measure again"
		}
		// A smaller value has the better rank, so that the line names it.
		stood := a.put(s.place, s.eye, s.band.Level, ev, a.page.say(matched, when, d.knownText(), again), int(1000-s.mm*10), false, s.unsided)
		stood.beside = s.band.Beside && stood.level <= s.band.Level
	}
}

// raise lifts factors that a measurement of the same eye makes worse.
func (a *assessor) raise() {
	for i := range a.sides {
		s := &a.sides[i]
		for _, r := range a.cat.Factors[s.place].Raise {
			if s.level == NoLevel || s.fellow || r.To <= s.level {
				continue
			}
			by, ok := a.cat.index.factors[r.Factor]
			if !ok {
				continue // switched off
			}
			if smallest := of(a.speaking, by, s.eye); len(smallest) > 0 && smallest[0].mm < r.Below {
				s.level = r.To
				s.reason = a.page.say(s.reason, ", with ", a.cat.Factors[by].Measure.Name, " ", num(smallest[0].mm), " mm")
			}
		}
	}
}

// findings sorts what stands into findings of the operated eye and context.
func (a *assessor) findings() (findings, context []Finding) {
	slices.SortFunc(a.sides, func(x, y side) int { return cmp.Or(cmp.Compare(x.place, y.place), cmp.Compare(x.eye, y.eye)) })
	evidence := 0
	for i := range a.sides {
		s := &a.sides[i]
		evidence += len(s.evidence)
		f := a.cat.Factors[s.place]
		if f.Regular && !s.regular && len(s.given) < 2 && s.level > NoLevel {
			s.level = NoLevel
			a.gap(GapAskMedication, a.page.say(s.name(f), ": on record as given once", dated(s.given), "; ask whether it was ever taken regularly"))
		}
		if f.Settled != NoLevel && s.level == f.Level && !s.current && len(s.evidence) == 1 {
			s.level = f.Settled
		}
	}
	for i := range a.sides {
		if s := &a.sides[i]; s.beside && !a.besideAnother(s) {
			s.level = NoLevel
		}
	}
	shown := make([]Evidence, 0, evidence)
	for i := 0; i < len(a.sides); i++ {
		s := &a.sides[i]
		eye := s.eye
		if i+1 < len(a.sides) && s.same(&a.sides[i+1]) {
			i++
			eye = BothEyes
			if s.unsided {
				eye = EyeUnknown
			}
		}
		from := len(shown)
		shown = append(shown, s.evidence...)
		x := a.finding(s, eye, slices.Clip(shown[from:]))
		if x.Level > NoLevel && x.Eye.MayBe(a.op.Eye) {
			a.found = append(a.found, x)
		} else {
			a.context = append(a.context, x)
		}
	}
	slices.SortStableFunc(a.found, func(x, y Finding) int { return cmp.Compare(y.Level, x.Level) })
	return copied(a.found), copied(a.context)
}

// copied is a copy of a list that is as long as it must be; nil for an empty one.
func copied[T any](s []T) []T { return append([]T(nil), s...) }

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

// same reports that of one factor the same stands for the other eye.
func (s *side) same(o *side) bool {
	return s.place == o.place && s.level == o.level && s.fellow == o.fellow && s.reason == o.reason && sameEvidence(s.evidence, o.evidence)
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

func (a *assessor) besideAnother(self *side) bool {
	for i := range a.sides {
		s := &a.sides[i]
		if s.eye == self.eye && s.place != self.place && !a.cat.Factors[s.place].ContextOnly && s.level > NoLevel && !s.beside {
			return true
		}
	}
	return false
}

func (a *assessor) finding(s *side, eye Eye, evidence []Evidence) Finding {
	f := a.cat.Factors[s.place]
	slices.SortFunc(evidence, compareEvidence)
	reason := s.reason
	switch {
	case s.fellow:
		reason = a.page.say(reason, ", in the other eye")
	case s.unsided && f.Eyes != "both":
		reason = a.page.say(reason, ", side not recorded")
	}
	x := Finding{
		Hazard: f.Hazard, Level: s.level, Eye: eye, Factor: f.ID, Evidence: evidence, Sources: a.cat.index.sources[s.place], Reason: reason,
	}
	if f.ContextOnly {
		x.Text = clip(reason, LineMax) // no hazard and no eye: it is none
	} else {
		x.Text = a.page.line(&a.cat.Wording, f.Hazard, s.level, eye, reason, 0)
	}
	return x
}

// compareEvidence puts the newest first, so that a reader sees the last known date.
func compareEvidence(x, y Evidence) int {
	return cmp.Or(cmp.Compare(y.Date, x.Date), cmp.Compare(x.Reference, y.Reference), cmp.Compare(x.Code, y.Code), cmp.Compare(x.Matched, y.Matched))
}

// reasonsMax is how many reasons to ask are named.
const reasonsMax = 3

func enumerate(names []string) string {
	if len(names) > reasonsMax {
		return strings.Join(names[:reasonsMax], ", ") + " and " + strconv.Itoa(len(names)-reasonsMax) + " more"
	}
	return strings.Join(names, ", ")
}

// questions asks for a drug that nobody recorded where another record is a reason to.
func (a *assessor) questions() {
	for i := range a.cat.Questions {
		q := &a.cat.Questions[i]
		var reasons []string
		for _, k := range a.asks {
			if k.question == q && !slices.Contains(reasons, k.reason) {
				reasons = append(reasons, k.reason)
			}
		}
		if len(reasons) > 0 && !slices.ContainsFunc(q.Unless, func(id string) bool { return slices.Contains(a.standing, id) }) {
			slices.Sort(reasons)
			a.gap(GapAskMedication, a.page.fill(q.Text, "{reason}", enumerate(reasons)))
		}
	}
	pupil := slices.IndexFunc(a.cat.Factors, func(f *Factor) bool { return f.Measure != nil && f.Measure.Dilated })
	if pupil < 0 {
		return
	}
	missing, outdated := EyeUnknown, false // missing: the eyes without
	for _, one := range a.op.Eye.Sides() {
		recent, holds := false, false
		for i := range a.sizes {
			s := &a.sizes[i]
			if d := entryDate(s.entry); s.place == pupil && s.eye == one && !s.unsided && d.Known() && a.at.Sub(d.To) <= a.set.PupilMaxAge {
				recent = true
				holds = holds || !a.upsetSince(one, d)
			}
		}
		if !holds {
			missing |= one
			outdated = outdated || recent
		}
	}
	if missing == EyeUnknown {
		return
	}
	name := a.cat.Wording.Eyes[missing.String()]
	if outdated {
		name = a.page.say(name, " (last one before a later operation, disease or drop of the eye)")
	}
	a.wordedGap(GapPupilNotMeasured, name)
}

// readGaps says what was not read.
func (a *assessor) readGaps() {
	for _, r := range a.h.Reads {
		switch r.State {
		case ReadRefused:
			a.wordedGap(GapTypeRefused, typeWords(r.Type))
		case ReadCut:
			a.wordedGap(GapTypeCut, typeWords(r.Type))
		case ReadNotOffered:
			a.wordedGap(GapTypeNotOffered, typeWords(r.Type))
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
		a.wordedGap(GapEntryDropped, a.page.say(clip(name, nameMax), " (", typeWord(d.Type), ")"))
	}
	if a.drugListEmpty() {
		a.wordedGap(GapNoMedications, "")
	}
	if names := a.listed(a.nameless); names != "" {
		a.wordedGap(GapUnknownDrug, names)
	}
	if names := a.listed(a.named); names != "" {
		a.wordedGap(GapDrugByName, names)
	}
}

// namesShown is how many names a line lists.
const namesShown = 5

// listed is a line of names, each once; it sorts them.
func (a *assessor) listed(names []string) string {
	slices.Sort(names)
	shown, more := a.words[:0], 0
	for i, name := range names {
		switch {
		case i > 0 && name == names[i-1]:
		case len(shown) == 2*namesShown:
			more++
		default:
			shown = append(shown, ", ", name)
		}
	}
	a.words = shown
	if more > 0 {
		shown = append(shown, " and ", strconv.Itoa(more), " more")
	}
	return a.page.say(shown[min(1, len(shown)):]...)
}

// drugListEmpty reports that drug records were read and none was there, which is not the same as no drug taken.
func (a *assessor) drugListEmpty() bool { return !a.h.NoMedication && !a.drugs }

func (a *assessor) eyeGaps() {
	switch {
	case a.op.EyeConflict:
		a.wordedGap(GapEyeCheck, "the booking names two sides")
	case a.op.Eye == BothEyes:
		a.wordedGap(GapEyeCheck, "the booking names both eyes")
	case a.op.Eye == EyeUnknown:
		a.wordedGap(GapEyeUnknown, "")
	}
	if a.op.Eye != RightEye && a.op.Eye != LeftEye {
		return
	}
	var unsided *Entry
	fellowDone := false
	for _, e := range a.lenses {
		switch {
		case e.Eye == EyeUnknown:
			unsided = e
		case e.Eye&a.op.Eye != 0:
			a.wordedGap(GapEyeCheck, a.page.say("a lens operation of this eye is on record", dateSuffix(e)))
		default:
			fellowDone = true
		}
	}
	// One whose side nobody wrote down is the other eye's where the other eye is known to be done.
	if unsided != nil && !fellowDone {
		a.wordedGap(GapEyeCheck, a.page.say("a lens operation is on record", dateSuffix(unsided), ", side not recorded"))
	}
}

func (a *assessor) gap(kind GapKind, text string) {
	a.gaps = append(a.gaps, Gap{Kind: kind, Text: text})
}

// worded is a gap worded by the catalogue, with name filled in.
func (a *assessor) worded(kind GapKind, name string) Gap {
	return Gap{Kind: kind, Text: a.page.fill(a.cat.Wording.Gaps[string(kind)], "{name}", name)}
}

func (a *assessor) wordedGap(kind GapKind, name string) {
	a.gaps = append(a.gaps, a.worded(kind, name))
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
	a.gaps = slices.Compact(a.gaps)
	return copied(a.gaps)
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
	return !a.drugListEmpty() && !slices.ContainsFunc(a.set.Required, a.unread)
}

// unread reports a required group of which no type was read to its end.
func (a *assessor) unread(group []string) bool {
	return !slices.ContainsFunc(group, func(t string) bool { s, ok := a.state(t); return ok && s == ReadWhole })
}

// outcome is flagged where a finding reaches the level; else not assessed where a required type was lost or refused.
func (a *assessor) outcome(findings []Finding) Outcome {
	for i := range findings {
		if findings[i].Level >= a.set.MinLevel {
			return Flagged
		}
	}
	for _, group := range a.set.Required {
		for _, t := range group {
			if s, ok := a.state(t); (!ok || s != ReadNotOffered) && a.unread(group) {
				return NotAssessed
			}
		}
	}
	return NoneFound
}
