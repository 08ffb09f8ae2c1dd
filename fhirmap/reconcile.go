package fhirmap

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"pupilrisk/rules"
)

// Change says what a write does. A closed list: it is a metric label.
type Change string

const (
	Create Change = "create"
	Update Change = "update"
	End    Change = "end" // a Flag made inactive, a Task cancelled
)

// Changes lists every Change.
var Changes = []Change{Create, Update, End}

// Write is one resource to be written.
type Write struct {
	Type    string // Flag or Task
	ID, Key string
	Change  Change
	// Version is what must still stand for an update; "" for a creation.
	Version string
	Body    []byte
	// Details are the records it rests on, for the Provenance; Replaces is the resource it follows.
	Details  []string
	Replaces string
	// Withdrawal reports an End that no booking explains which was read: the evidence is gone, or the operation is. Many of them
	// at once are a fault of the record system.
	Withdrawal bool
}

// OnlyIfNone reports that nothing may stand at the id yet: another worker may have created it since it was read, and a person may have
// answered already. A server that does not know the condition (RFC 9110, section 13.1.2) passes it over.
func (x Write) OnlyIfNone() bool { return x.Change == Create && x.Type != "Provenance" }

// Closed is a hazard that a person closed and that the record still speaks of: shown, and left closed.
type Closed struct {
	Hazard rules.Hazard
	Eye    rules.Eye
	Flag   string
}

// Plan is the smallest set of writes that makes what stands what should stand.
type Plan struct {
	Writes []Write
	Closed []Closed
	// Unread are references (Flag/id, Task/id) that must be read by id before this plan may be carried out: something is to
	// be created there, and a search that does not show it is no proof that nothing stands there. Read them, put the result
	// into Situation.Direct and Situation.Standing, and reconcile again.
	Unread []string
}

// Booking is one appointment of the patient as far as the reconciler needs it.
type Booking struct {
	Operation rules.Operation
	// Ahead reports that a lens operation is still to come.
	Ahead bool
	// Ended is the reason why it is not ahead.
	Ended Ended
}

// Situation is everything a decision rests on.
type Situation struct {
	Patient string // Patient/id: the survivor, after a merge
	// Assessments of the operations ahead.
	Assessments []rules.Assessment
	// Bookings are all appointments read, ahead or not; BookingsWhole reports that none was missed.
	Bookings      []Booking
	BookingsWhole bool
	Standing      []Standing
	// Direct holds the status of direct reads by reference: 404 nothing was ever there, 410 a person deleted it.
	Direct map[string]int
	// ClientIDs reports that the server lets us choose ids (update as create). Without it nothing is read by id.
	ClientIDs bool
	// Labels are the labels R and V of a record; nil for none.
	Labels func(reference string) []string
	// Gone reports whether a record was read and found not to stand (refuted, not taken, entered in error, deleted).
	Gone func(reference string) bool
	At   time.Time
}

// Reconcile decides what to write. People win: what a person changed, closed or answered stays as it is. Nothing is
// withdrawn because it was not found: only on proof.
func (w Writer) Reconcile(s Situation) (Plan, error) {
	r := reconciler{w: w, s: s, patientID: strings.TrimPrefix(s.Patient, "Patient/"), byBase: map[string][]Standing{}}
	for _, x := range s.Standing {
		r.byBase[x.Type+" "+x.Base] = append(r.byBase[x.Type+" "+x.Base], x)
	}
	for k, all := range r.byBase {
		kept, err := r.single(all)
		if err != nil {
			return Plan{}, err
		}
		r.byBase[k] = kept
	}
	flags := desiredFlags(w.Catalogue, r.patientID, s.Assessments, max(w.MinLevel, rules.Low))
	for _, f := range flags {
		if err := r.flag(f); err != nil {
			return Plan{}, err
		}
	}
	for _, a := range s.Assessments {
		for _, t := range desiredTasks(r.patientID, a, flags) {
			if err := r.task(t); err != nil {
				return Plan{}, err
			}
		}
	}
	if err := r.endRest(); err != nil {
		return Plan{}, err
	}
	slices.Sort(r.plan.Unread)
	r.plan.Unread = slices.Compact(r.plan.Unread)
	return r.plan, nil
}

// single sorts the resources of one key by their count, and leaves one for each count. Of two with the same identifier, which
// two workers may have made where the server chooses the ids, one that a person closed decides for all, else one that a person
// touched stays, else the oldest; the others are ended.
func (r *reconciler) single(all []Standing) ([]Standing, error) {
	slices.SortFunc(all, func(x, y Standing) int {
		return cmp.Or(x.N-y.N, cmp.Compare(y.personal(), x.personal()), cmp.Compare(x.Start, y.Start), cmp.Compare(x.ID, y.ID))
	})
	var kept []Standing
	for _, s := range all {
		if len(kept) == 0 || kept[len(kept)-1].N != s.N {
			kept = append(kept, s)
			continue
		}
		r.twins = append(r.twins, s.Type+"/"+s.ID)
		closed := kept[len(kept)-1].personal() == closedByPerson
		if s.Open() && (closed || !s.Touched) {
			if err := r.end(s, EndedDuplicate); err != nil {
				return nil, err
			}
		}
	}
	return kept, nil
}

// How much of a person's will stands in a resource.
const (
	untouched = iota
	touchedByPerson
	closedByPerson
)

func (s Standing) personal() int {
	switch {
	case !s.Touched:
		return untouched
	case s.Open():
		return touchedByPerson
	default:
		return closedByPerson
	}
}

type reconciler struct {
	w         Writer
	s         Situation
	patientID string
	byBase    map[string][]Standing
	plan      Plan
	// twins are resources that stand twice and are not the one that counts.
	twins []string
	// wanted holds the bases that should stand.
	wanted []string
	// flagRefs maps a flag's base to the reference under which it stands or will stand.
	flagRefs map[string]string
}

// last is the standing resource of a key with the greatest count.
func (r *reconciler) last(typ, base string) (Standing, bool) {
	all := r.byBase[typ+" "+base]
	if len(all) == 0 {
		return Standing{}, false
	}
	return all[len(all)-1], true
}

// free says whether a key may be created at n: ok only when its id was read directly and nothing is there.
func (r *reconciler) free(typ, base string, n int) (id string, ok, deleted bool) {
	id = r.w.Names.ID(numbered(base, n))
	if !r.s.ClientIDs {
		return id, true, false
	}
	status, read := r.s.Direct[typ+"/"+id]
	switch {
	case !read:
		r.plan.Unread = append(r.plan.Unread, typ+"/"+id)
		return id, false, false
	case status == 410:
		return id, false, true
	default:
		return id, status == 404, false
	}
}

func (r *reconciler) flag(f desiredFlag) error {
	r.wanted = append(r.wanted, "Flag "+f.base)
	if r.flagRefs == nil {
		r.flagRefs = map[string]string{}
	}
	standing, ok := r.last("Flag", f.base)
	state := flagState{
		patient: r.s.Patient, hazard: f.hazard, level: f.level, text: f.text, details: f.details(), evidence: f.codes(),
		start: stamp(r.s.At), modified: stamp(r.s.At), labels: r.labels(f, nil),
	}
	n, replaces := 1, ""
	if ok {
		r.flagRefs[f.base] = "Flag/" + standing.ID
		switch {
		case standing.Open() && standing.Touched:
			return nil // a person's wording or level stands
		case standing.Ours() && r.closedFor(f, standing):
			r.plan.Closed = append(r.plan.Closed, Closed{Hazard: f.hazard, Eye: f.eye, Flag: "Flag/" + standing.ID})
			if standing.Open() {
				return r.end(standing, EndedEvidence)
			}
			return nil
		case standing.Ours():
			return r.updateFlag(f, standing, state)
		case !r.hasNews(f.codes(), standing.Evidence):
			r.plan.Closed = append(r.plan.Closed, Closed{Hazard: f.hazard, Eye: f.eye, Flag: "Flag/" + standing.ID})
			return nil
		}
		n, replaces = standing.N+1, "Flag/"+standing.ID
	} else if old, ok := r.predecessor(f); ok {
		if !old.Open() && old.Touched && !r.hasNews(f.codes(), old.Evidence) {
			r.plan.Closed = append(r.plan.Closed, Closed{Hazard: f.hazard, Eye: f.eye, Flag: "Flag/" + old.ID})
			return nil // closed by a person under the record that was merged into this one
		}
		replaces = "Flag/" + old.ID
	}
	id, free, deleted := r.free("Flag", f.base, n)
	if deleted {
		// A person deleted it, and what it rested on is gone with it: nothing proves the evidence to be new.
		r.plan.Closed = append(r.plan.Closed, Closed{Hazard: f.hazard, Eye: f.eye, Flag: "Flag/" + id})
		return nil
	}
	r.flagRefs[f.base] = "Flag/" + id
	if !free {
		return nil
	}
	state.id, state.key = id, numbered(f.base, n)
	body, err := r.w.flag(state)
	if err != nil {
		return err
	}
	r.plan.Writes = append(r.plan.Writes, Write{Type: "Flag", ID: id, Key: state.key, Change: Create, Body: body, Details: state.details, Replaces: replaces})
	return nil
}

// closedFor reports that a person closed an earlier Flag of the same key for all that is still found: what was new in the standing one
// is proven gone.
func (r *reconciler) closedFor(f desiredFlag, standing Standing) bool {
	details := f.details()
	if standing.Open() && slices.ContainsFunc(standing.Details, func(d string) bool { return !slices.Contains(details, d) && !r.gone(d) }) {
		return false
	}
	return slices.ContainsFunc(r.byBase["Flag "+f.base], func(x Standing) bool {
		return x.N < standing.N && x.personal() == closedByPerson && !hasNew(f.codes(), x.Evidence)
	})
}

// predecessor is the Flag about the same hazard of the same eye under a record that was merged into this one: one that a person
// closed before one that nobody did.
func (r *reconciler) predecessor(f desiredFlag) (old Standing, ok bool) {
	for _, s := range r.s.Standing {
		if s.Type != "Flag" || s.Subject == r.s.Patient || s.Hazard != f.hazard || s.Eye != f.eye || slices.Contains(r.twins, "Flag/"+s.ID) {
			continue
		}
		if !ok || cmp.Or(cmp.Compare(s.personal(), old.personal()), s.N-old.N, cmp.Compare(s.ID, old.ID)) > 0 {
			old, ok = s, true
		}
	}
	return old, ok
}

// updateFlag brings a Flag that is as we left it up to date. Evidence that it names and that was neither found now nor
// proven gone stays in it, with its level: not found is no proof.
func (r *reconciler) updateFlag(f desiredFlag, standing Standing, state flagState) error {
	state.id, state.key = standing.ID, numbered(standing.Base, standing.N)
	if standing.Start != "" {
		state.start = standing.Start
	}
	if standing.Open() {
		unproven := false
		for _, d := range standing.Details {
			if !slices.Contains(state.details, d) && !r.gone(d) {
				state.details = append(state.details, d)
				unproven = true
			}
		}
		// What may not be named is in no detail, and nothing can prove it gone.
		unnamed := standing.Evidence
		if len(standing.Details) > 0 {
			unnamed = slices.DeleteFunc(slices.Clone(unnamed), func(code string) bool { return !rules.RestrictedIdentity(code) })
		}
		if unproven || hasNew(unnamed, state.evidence) {
			state.evidence = append(state.evidence, standing.Evidence...)
			if standing.Level > state.level {
				state.level, state.text = standing.Level, standing.Text
			}
		}
		slices.Sort(state.details)
		slices.Sort(state.evidence)
		state.details, state.evidence = slices.Compact(state.details), slices.Compact(state.evidence)
	}
	state.labels = r.labels(f, standing.Evidence) // what it knew of has its label, or a person took it off
	fresh, err := r.w.flag(state)
	if err != nil {
		return err
	}
	return r.update(standing, fresh, state.details)
}

// update writes a standing resource anew if an owned element would change.
func (r *reconciler) update(standing Standing, fresh []byte, details []string) error {
	body, err := mergeOwned(standing.Type, r.w.Names, standing.Raw, fresh)
	if err != nil {
		return err
	}
	same, err := sameOwned(standing.Type, standing.Raw, body)
	if err != nil || same {
		return err
	}
	r.plan.Writes = append(r.plan.Writes, Write{
		Type: standing.Type, ID: standing.ID, Key: numbered(standing.Base, standing.N), Change: Update,
		Version: standing.Version, Body: body, Details: details,
	})
	return nil
}

// labels are the labels of that evidence of a flag which is not known yet, each once, where they are to be copied.
func (r *reconciler) labels(f desiredFlag, known []string) (out []string) {
	if !r.w.CopyLabels || r.s.Labels == nil {
		return nil
	}
	for _, e := range f.evidence {
		if e.Restricted && !slices.Contains(known, e.Identity()) {
			out = append(out, r.s.Labels(e.Reference)...)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func (r *reconciler) gone(ref string) bool { return r.s.Gone != nil && r.s.Gone(ref) }

func (r *reconciler) task(t desiredTask) error {
	r.wanted = append(r.wanted, "Task "+t.base)
	standing, ok := r.last("Task", t.base)
	if !ok && r.answered(t) {
		return nil
	}
	state := taskState{
		patient: r.s.Patient, preparation: t.preparation.Code, text: t.preparation.Text,
		title: t.preparation.Rule.Name, who: t.preparation.Rule.Who, focus: t.operation.Appointment, operation: t.operation.Key,
		evidence: t.preparation.Evidence, authored: stamp(r.s.At), modified: stamp(r.s.At),
	}
	if !t.preparation.Due.IsZero() {
		state.due = stamp(t.preparation.Due)
	}
	if len(t.hazards) > 0 {
		state.flag = r.flagRefs[t.hazards[0].base]
	}
	n := 1
	if ok {
		switch {
		case standing.Open() && standing.Touched:
			return nil // a person has it
		case standing.Open():
			return r.updateTask(t, standing, state)
		case standing.Ended != "" && standing.Ours():
			// We cancelled it ourselves and it is needed again.
		case standing.Status == "completed" || standing.Status == "rejected" || standing.Status == "failed":
			return nil // answered for this operation and eye
		case !r.hasNews(state.evidence, standing.Evidence):
			return nil
		}
		n, state.replaces = standing.N+1, "Task/"+standing.ID
	}
	id, free, _ := r.free("Task", t.base, n)
	if !free {
		return nil
	}
	state.id, state.key = id, numbered(t.base, n)
	body, err := r.w.task(state)
	if err != nil {
		return err
	}
	r.plan.Writes = append(r.plan.Writes, Write{Type: "Task", ID: id, Key: state.key, Change: Create, Body: body, Replaces: state.replaces})
	return nil
}

// answered reports that a person answered, or holds, the same question of the same operation under another key: the booking said both, or
// nothing, and now says right; or the patient's record was merged into this one since.
func (r *reconciler) answered(t desiredTask) bool {
	for _, s := range r.s.Standing {
		if s.Type != "Task" || s.Preparation != t.preparation.Code || !s.Eye.MayBe(t.operation.Eye) || s.Ours() {
			continue
		}
		if s.Base == TaskKey(t.operation.Key, strings.TrimPrefix(s.Subject, "Patient/"), s.Eye, s.Preparation) {
			return true
		}
	}
	return false
}

func (r *reconciler) updateTask(t desiredTask, standing Standing, state taskState) error {
	state.id, state.key, state.authored = standing.ID, numbered(standing.Base, standing.N), standing.Start
	if t.preparation.AtOnce && standing.Due != "" {
		// Due at once means due when it was first asked for, unless the operation has moved before that.
		if due, err := time.Parse(time.RFC3339, standing.Due); err == nil && !due.After(t.operation.Start) {
			state.due = standing.Due
		}
	}
	// What a Task replaces never changes; keep it as it was written.
	for _, raw := range parseArray(member(standing.Raw, "extension")) {
		if ref := replacesReference(raw); ref != "" {
			state.replaces = ref
		}
	}
	fresh, err := r.w.task(state)
	if err != nil {
		return err
	}
	return r.update(standing, fresh, nil)
}

// endRest ends what stands, is ours, and should stand no longer.
func (r *reconciler) endRest() error {
	for _, s := range r.s.Standing {
		if slices.Contains(r.wanted, s.Type+" "+s.Base) || !s.Open() || s.Touched || slices.Contains(r.twins, s.Type+"/"+s.ID) {
			continue
		}
		if why := r.whyEnd(s); why != "" {
			if err := r.end(s, why); err != nil {
				return err
			}
		}
	}
	return nil
}

func (r *reconciler) end(s Standing, why Ended) error {
	x, err := r.w.End(s, why, r.s.At)
	if err != nil {
		return err
	}
	x.Withdrawal = r.withdrawal(s, why)
	r.plan.Writes = append(r.plan.Writes, x)
	return nil
}

// End is the write that makes a Flag inactive or cancels a Task, for the reason given.
func (w Writer) End(s Standing, why Ended, at time.Time) (Write, error) {
	end := w.endFlag
	if s.Type == "Task" {
		end = w.cancelTask
	}
	body, err := end(s, why, at)
	if err != nil {
		return Write{}, fmt.Errorf("end %s: %w", s.Type, err)
	}
	return Write{Type: s.Type, ID: s.ID, Key: numbered(s.Base, s.N), Change: End, Version: s.Version, Body: body, Details: s.Details}, nil
}

// withdrawal reports that no booking which was read explains the end of s.
func (r *reconciler) withdrawal(s Standing, why Ended) bool {
	switch why {
	case EndedEvidence:
		return true
	case EndedNoOperation:
		return !slices.ContainsFunc(r.s.Bookings, func(b Booking) bool { return b.Ended != "" && b.Operation.Eye.MayBe(s.Eye) })
	}
	return false
}

// whyEnd is the proven reason for ending s, or "" where there is none.
func (r *reconciler) whyEnd(s Standing) Ended {
	if s.Subject != r.s.Patient {
		return EndedMerged
	}
	if s.Type == "Flag" {
		if !r.operationAhead(s.Eye) {
			if r.s.BookingsWhole {
				return EndedNoOperation
			}
			return ""
		}
		if slices.ContainsFunc(s.Details, r.gone) && !slices.ContainsFunc(s.Details, func(d string) bool { return !r.gone(d) && !r.weighed(s, d) }) {
			return EndedEvidence
		}
		return ""
	}
	for _, b := range r.s.Bookings {
		if (s.Focus == "" || s.Focus != b.Operation.Appointment) && !strings.HasPrefix(s.Base, b.Operation.Key+"."+r.patientID+".") {
			continue
		}
		if !b.Ahead {
			return b.Ended
		}
		if s.Eye != b.Operation.Eye {
			return EndedMoved
		}
		return r.whyEndAhead(s, b)
	}
	return ""
}

// weighed reports that a record behind s stands, was read, and was found too weak for a Flag of this hazard and eye by itself.
func (r *reconciler) weighed(s Standing, ref string) bool {
	return slices.ContainsFunc(r.s.Assessments, func(a rules.Assessment) bool {
		return slices.ContainsFunc(slices.Concat(a.Findings, a.Context), func(f rules.Finding) bool {
			return f.Hazard == s.Hazard && f.Eye.MayBe(s.Eye) && f.Level < r.w.MinLevel &&
				slices.ContainsFunc(f.Evidence, func(e rules.Evidence) bool { return e.Reference == ref })
		})
	})
}

// whyEndAhead is the reason for ending a Task of an operation that is still to come: its question is answered by a record
// that was read as a whole, or what it prepared for has been withdrawn on proof.
func (r *reconciler) whyEndAhead(s Standing, b Booking) Ended {
	fromGap := slices.ContainsFunc(s.Evidence, func(code string) bool { return strings.HasPrefix(code, "gap:") })
	for _, a := range r.s.Assessments {
		if a.Operation.Key != b.Operation.Key {
			continue
		}
		unread := slices.Equal(s.Evidence, []string{"gap:" + string(rules.GapRecordUnread)})
		if fromGap && (a.Complete || unread && a.Outcome != rules.NotAssessed) {
			return EndedAnswered
		}
		if !fromGap && r.allFlagsWithdrawn(b.Operation.Eye) {
			return EndedEvidence
		}
	}
	return ""
}

// allFlagsWithdrawn reports that every Flag of ours on these eyes has been, or is now being, ended for withdrawn evidence.
func (r *reconciler) allFlagsWithdrawn(eye rules.Eye) bool {
	any := false
	for _, s := range r.s.Standing {
		if s.Type != "Flag" || !s.Eye.MayBe(eye) {
			continue
		}
		any = true
		if slices.Contains(r.wanted, "Flag "+s.Base) || (s.Open() && r.whyEnd(s) != EndedEvidence) {
			return false
		}
	}
	return any
}

func (r *reconciler) operationAhead(eye rules.Eye) bool {
	return slices.ContainsFunc(r.s.Bookings, func(b Booking) bool { return b.Ahead && b.Operation.Eye.MayBe(eye) })
}

// hasNews reports that codes holds one which, to who has seen known, is new: not known, and no measurement of a band that is milder
// than a known one.
func (r *reconciler) hasNews(codes, known []string) bool {
	return slices.ContainsFunc(codes, func(c string) bool {
		factor, band, _ := strings.Cut(c, ":")
		i := slices.IndexFunc(r.w.Catalogue.Factors, func(f *rules.Factor) bool { return f.ID == factor && f.Measure != nil })
		if i < 0 {
			return !slices.Contains(known, c)
		}
		for _, b := range r.w.Catalogue.Factors[i].Measure.Bands { // the worst one first
			if slices.Contains(known, factor+":"+b.ID) {
				return false
			}
			if b.ID == band {
				return true
			}
		}
		return true
	})
}

// hasNew reports that codes holds one that known does not.
func hasNew(codes, known []string) bool {
	return slices.ContainsFunc(codes, func(c string) bool { return !slices.Contains(known, c) })
}
