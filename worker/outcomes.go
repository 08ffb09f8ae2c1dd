package worker

import (
	"slices"
	"sync"
	"time"

	"pupilrisk/rules"
)

// outcomes holds the last result of every operation ahead that this process has assessed. It feeds gauges only: whoever
// holds the sweep has seen every operation in the horizon.
type outcomes struct {
	mu  sync.Mutex
	all map[outcomeKey]outcome
}

type outcomeKey struct{ patient, operation string }

type outcome struct {
	start    time.Time
	result   rules.Outcome
	complete bool
	content  string
}

func newOutcomes() *outcomes { return &outcomes{all: map[outcomeKey]outcome{}} }

// put keeps a result and reports whether it differs from the last one.
func (o *outcomes) put(a rules.Assessment) (changed bool) {
	content := string(a.Outcome)
	for _, f := range a.Findings {
		content += "\n" + f.Text
	}
	for _, g := range a.Gaps {
		content += "\n" + g.Text
	}
	k := outcomeKey{a.Patient, a.Operation.Key}
	o.mu.Lock()
	defer o.mu.Unlock()
	old, ok := o.all[k]
	o.all[k] = outcome{start: a.Operation.Start, result: a.Outcome, complete: a.Complete, content: content}
	return !ok || old.content != content || !old.start.Equal(a.Operation.Start)
}

// fail keeps that an operation of a patient could not be assessed at all; what was known of it stays known.
func (o *outcomes) fail(patient, operation string, start time.Time) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.all[outcomeKey{patient, operation}] = outcome{start: start, result: rules.NotAssessed}
}

// forget drops what was kept of one operation under one patient.
func (o *outcomes) forget(patient, operation string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	delete(o.all, outcomeKey{patient, operation})
}

// retain forgets what was kept of a patient, under any id of the chain, beside the given results.
func (o *outcomes) retain(chain []string, patient string, results []rules.Assessment) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for k := range o.all {
		if !slices.Contains(chain, k.patient) {
			continue
		}
		if k.patient != patient || !slices.ContainsFunc(results, func(a rules.Assessment) bool { return a.Operation.Key == k.operation }) {
			delete(o.all, k)
		}
	}
}

// counts says how many operations ahead are not assessed or incomplete within a time, and when the first of those not
// assessed starts. Operations long over are forgotten.
func (o *outcomes) counts(at time.Time, within time.Duration) (notAssessed, incomplete int, next time.Time) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for k, x := range o.all {
		if !x.start.IsZero() && at.After(x.start.Add(overAfter)) {
			delete(o.all, k)
			continue
		}
		if !x.start.IsZero() && x.start.After(at.Add(within)) {
			continue
		}
		if !x.complete {
			incomplete++
		}
		if x.result == rules.NotAssessed {
			notAssessed++
			if !x.start.IsZero() && (next.IsZero() || x.start.Before(next)) {
				next = x.start
			}
		}
	}
	return notAssessed, incomplete, next
}
