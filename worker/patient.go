package worker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"slices"
	"sync"
	"time"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/fhirhttp"
)

// maxDecisions bounds how often one pass decides again because somebody else wrote in between.
const maxDecisions = 4

// patientLocks keep two events of one patient from working at the same time in this process. Between processes the write
// rules (ids that follow from the key, If-Match) keep it right.
type patientLocks struct {
	mu    sync.Mutex
	locks map[string]*patientLock
}

type patientLock struct {
	sync.Mutex
	wanted int // who holds it or waits for it; forgotten at 0
}

// lock waits for the patient and returns what gives it back.
func (l *patientLocks) lock(patient string) (unlock func()) {
	l.mu.Lock()
	p := l.locks[patient]
	if p == nil {
		p = &patientLock{}
		l.locks[patient] = p
	}
	p.wanted++
	l.mu.Unlock()
	p.Lock()
	return func() {
		p.Unlock()
		l.mu.Lock()
		defer l.mu.Unlock()
		if p.wanted--; p.wanted == 0 {
			delete(l.locks, patient)
		}
	}
}

// pass brings one patient's Flags and Tasks to what the record says now: read, assess, compare, write. It may be run any
// number of times, in any order, by any number of workers at once, and ends in the same state.
//
// others are patients whom the nudge's booking concerns as well.
func (w *Worker) pass(ctx context.Context, patient string, n nudge, lastTry bool) (others []string, err error) {
	defer w.locks.lock(patient)()
	others, err = w.passWithin(ctx, patient, n, lastTry, lightRecord)
	if !errors.Is(err, errHeavy) {
		return others, err
	}
	select {
	case w.heavy <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-w.stopping:
		return nil, context.Canceled
	}
	defer func() { <-w.heavy }()
	return w.passWithin(ctx, patient, n, lastTry, heavyRecord)
}

// A record is read within a budget, so that as many records at once as there are lanes cost a bounded memory. The few that need
// more are begun anew, one at a time. What is beyond heavyRecord is a gap.
const lightRecord = 8 << 20

// heavyRecord is bounded by the memory that the process may take (GOMEMLIMIT): what was read, and what is made of it, live together.
var heavyRecord = min(512<<20, debug.SetMemoryLimit(-1)/3)

var errHeavy = errors.New("a large record: it is read when no other such is")

func (w *Worker) passWithin(ctx context.Context, patient string, n nudge, lastTry bool, bytes int64) (others []string, err error) {
	release, err := w.lease(ctx, patient)
	if err != nil {
		return nil, err
	}
	defer release()
	for range maxDecisions {
		others, err = w.decide(ctx, patient, n, lastTry, bytes)
		if fhirhttp.KindOf(err) != fhirhttp.Conflict && !errors.Is(err, errHeard) {
			return others, err
		}
		w.metrics.conflicts.Inc()
	}
	return others, errors.New("the record kept changing while it was decided on")
}

// decide is one turn of a pass.
func (w *Worker) decide(ctx context.Context, patient string, n nudge, lastTry bool, bytes int64) (others []string, err error) {
	begun := time.Now()
	reading, span := startSpan(ctx, spanRead)
	reading, budget := fhirhttp.WithBudget(reading, bytes)
	r, err := w.read(reading, patient, n, lastTry)
	endSpan(span, err)
	if budget.Exceeded() && bytes < heavyRecord {
		return nil, errHeavy
	}
	w.audit.read(ctx, patient, err)
	if err != nil {
		return nil, err
	}
	defer r.record.Close()
	w.metrics.eventSeconds.WithLabelValues("read").Observe(time.Since(begun).Seconds())
	return r.others, w.bring(ctx, r)
}

// bring compares what was read with what should stand, and writes the difference.
func (w *Worker) bring(ctx context.Context, r *reading) error {
	writer, situation, plan, err := w.compare(ctx, r)
	if err != nil {
		return err
	}
	w.brakeWithdrawals(ctx, &plan)
	var at placed
	if len(plan.Writes) > 0 {
		begun := time.Now()
		at, err = w.write(ctx, writer, r, situation, plan)
		if w.cfg.Mode == Live && !r.record.Patient().Test {
			w.audit.wrote(ctx, r.patient, plan.Writes, err)
		}
		if err != nil {
			return err
		}
		w.metrics.eventSeconds.WithLabelValues("write").Observe(time.Since(begun).Seconds())
		if err := w.heardMeanwhile(ctx, r); err != nil {
			return err
		}
	}
	if err := w.link(ctx, r, situation, plan, at); err != nil {
		return err
	}
	w.keep(ctx, r, situation, plan)
	return w.report(ctx, r, situation.Assessments)
}

// compare assesses what was read, and plans what must be written so that what stands is what should.
func (w *Worker) compare(ctx context.Context, r *reading) (writer fhirmap.Writer, situation fhirmap.Situation, plan fhirmap.Plan, err error) {
	begun := time.Now()
	ctx, span := startSpan(ctx, spanAssess)
	defer func() { endSpan(span, err) }()
	w.brake.see(r.patient, r.standing)
	if err := w.shadowStanding(ctx, r); err != nil {
		return writer, situation, plan, err
	}
	writer = w.writer
	if writer.Device, err = w.author(ctx); err != nil {
		return writer, situation, plan, err
	}
	if err := w.repairProvenance(ctx, writer, r); err != nil {
		return writer, situation, plan, err
	}
	situation = w.situation(r, w.now())
	plan, err = writer.Reconcile(situation)
	for round := 0; err == nil && len(plan.Unread) > 0; round++ {
		if round == maxRounds {
			return writer, situation, plan, errors.New("own ids stand where none should")
		}
		if err := w.readDirect(ctx, r, plan.Unread); err != nil {
			return writer, situation, plan, err
		}
		situation.Standing = r.standing
		plan, err = writer.Reconcile(situation)
	}
	if err != nil {
		return writer, situation, plan, fmt.Errorf("compare with what stands: %w", err)
	}
	w.metrics.eventSeconds.WithLabelValues("assess").Observe(time.Since(begun).Seconds())
	return writer, situation, plan, nil
}

// brakeWithdrawals takes out of a plan what would withdraw a Flag while too many are being withdrawn.
func (w *Worker) brakeWithdrawals(ctx context.Context, plan *fhirmap.Plan) {
	var withheld int
	plan.Writes, withheld = w.brake.allow(plan.Writes)
	if withheld == 0 {
		return
	}
	if w.brake.untold() {
		w.shareBrake(ctx) // at once: this process may be killed before the next look
	}
	w.metrics.withheld.Add(float64(withheld))
	w.metrics.withdrawalsStopped.Set(1)
	w.once.log(w.log, slog.LevelError, "too many flags would be withdrawn at once: all withdrawals are stopped until a whole sweep would withdraw few; see whether the record system still shows bookings and evidence")
}

// situation is everything the reconciler decides on.
func (w *Worker) situation(r *reading, at time.Time) fhirmap.Situation {
	history := r.history
	s := fhirmap.Situation{
		Patient: r.patient, Bookings: w.bookings(r, at), BookingsWhole: r.bookingsWhole, Standing: r.standing, Direct: r.direct,
		ClientIDs: w.clientIDs(), At: at, Gone: goneIn(history, r.gone), Labels: r.record.Labels,
	}
	for _, b := range s.Bookings {
		if b.Ahead {
			s.Assessments = append(s.Assessments, rules.Assess(w.catalogue, b.Operation, history, at, w.settings))
		}
	}
	slices.SortFunc(s.Assessments, func(x, y rules.Assessment) int {
		if c := x.Operation.Start.Compare(y.Operation.Start); c != 0 {
			return c
		}
		if x.Operation.Key < y.Operation.Key {
			return -1
		}
		return 1
	})
	return s
}

// goneIn tells which records were read and found not to stand, or read by id and found gone: that is proof, while not being
// found in a search is none.
func goneIn(h rules.History, byID map[string]bool) func(string) bool {
	state := sync.OnceValue(func() map[string]bool { // reference → some entry of it still counts
		counts := make(map[string]bool, len(h.Entries))
		for i := range h.Entries {
			e := &h.Entries[i]
			counts[e.Reference] = counts[e.Reference] || e.Standing == rules.Counts
		}
		return counts
	})
	return func(ref string) bool {
		counts, read := state()[ref]
		return read && !counts || byID[ref]
	}
}

// keep remembers what is not assessed, and counts what has changed.
func (w *Worker) keep(ctx context.Context, r *reading, s fhirmap.Situation, plan fhirmap.Plan) {
	for _, d := range r.history.Dropped {
		w.metrics.dropped.WithLabelValues(droppedType(d.Type), string(d.Reason)).Inc()
	}
	for i := range r.history.Entries {
		if e := &r.history.Entries[i]; e.Kind == rules.Medication {
			if system, yes := w.catalogue.Unrecognised(e); yes {
				w.metrics.unknownDrugs.WithLabelValues(system).Inc()
			}
		}
	}
	for _, a := range s.Assessments {
		if !w.outcomes.put(a, answersTo(a.Operation, r.standing)) {
			continue
		}
		w.metrics.assessments.WithLabelValues(string(a.Outcome)).Inc()
		for _, f := range a.Findings {
			w.metrics.findings.WithLabelValues(string(f.Hazard), f.Factor, f.Level.String()).Inc()
		}
		if w.OnAssessment != nil {
			w.OnAssessment(a)
		}
	}
	w.outcomes.retain(r.chain, r.patient, s.Assessments, s.At)
	w.keepUnfinished(ctx, r.chain, s.Assessments)
	for _, write := range plan.Writes {
		if write.Type == "Flag" && write.Change == fhirmap.Create {
			w.observeLead(s)
			break
		}
	}
}

// observeLead measures how long before the operation the first flag stands.
func (w *Worker) observeLead(s fhirmap.Situation) {
	for _, a := range s.Assessments {
		if lead := a.Operation.Start.Sub(s.At); lead > 0 {
			w.metrics.leadTime.Observe(lead.Seconds())
		}
	}
}

func droppedType(t string) string {
	if t == "Appointment" || slices.Contains(historyTypes, t) {
		return t
	}
	return "other"
}
