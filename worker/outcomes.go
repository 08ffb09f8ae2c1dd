package worker

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
)

// outcomes holds the last result of every operation ahead that this process has assessed, to tell what has changed.
type outcomes struct {
	mu      sync.Mutex
	of      map[string]map[string]outcome // by patient, by operation
	cleared time.Time                     // when those of operations long over were last forgotten
}

type outcome struct {
	start   time.Time
	content string
	answers []answer
}

// answer is what a person did with one of our Tasks.
type answer struct{ preparation, status, reason string }

// answerStatuses are the states of a Task that only a person gives it. A closed list: it is a metric label.
var answerStatuses = []string{
	"received", "accepted", "ready", "in-progress", "on-hold", "completed", "rejected", "failed", "cancelled", "entered-in-error",
}

// answersTo are the answers to our Tasks about one operation.
func answersTo(op rules.Operation, standing []fhirmap.Standing) (out []answer) {
	for _, s := range standing {
		about := s.Focus != "" && s.Focus == op.Appointment || strings.HasPrefix(s.Base, op.Key+".")
		if s.Type == "Task" && s.Touched && about && slices.Contains(answerStatuses, s.Status) {
			out = append(out, answer{s.Preparation, s.Status, cmp.Or(s.Reason, "other")})
		}
	}
	return out
}

func newOutcomes() *outcomes { return &outcomes{of: map[string]map[string]outcome{}} }

// put keeps a result, and what people answered to the Tasks about it, and reports whether the result differs from the last one.
func (o *outcomes) put(a rules.Assessment, answers []answer) (changed bool) {
	content := string(a.Outcome)
	for _, f := range a.Findings {
		content += "\n" + f.Text
	}
	for _, g := range a.Gaps {
		content += "\n" + g.Text
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.of[a.Patient] == nil {
		o.of[a.Patient] = map[string]outcome{}
	}
	old, ok := o.of[a.Patient][a.Operation.Key]
	o.of[a.Patient][a.Operation.Key] = outcome{start: a.Operation.Start, content: content, answers: answers}
	return !ok || old.content != content || !old.start.Equal(a.Operation.Start)
}

// retain forgets what was kept of a patient, under any id of the chain, beside the given results; and, once an hour, operations long over.
func (o *outcomes) retain(chain []string, patient string, results []rules.Assessment, at time.Time) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, p := range chain {
		o.forget(p, func(operation string, _ outcome) bool {
			return p != patient || !slices.ContainsFunc(results, func(a rules.Assessment) bool { return a.Operation.Key == operation })
		})
	}
	if at.Before(o.cleared.Add(time.Hour)) {
		return // not at every event: they are those of all patients
	}
	o.cleared = at
	for p := range o.of {
		o.forget(p, func(_ string, x outcome) bool { return at.After(x.start.Add(overAfter)) && !slices.Contains(chain, p) })
	}
}

func (o *outcomes) forget(patient string, which func(operation string, x outcome) bool) {
	maps.DeleteFunc(o.of[patient], which)
	if len(o.of[patient]) == 0 {
		delete(o.of, patient)
	}
}

// answers counts what people did with the Tasks of the operations ahead.
func (o *outcomes) answers() map[answer]int {
	o.mu.Lock()
	defer o.mu.Unlock()
	out := map[answer]int{}
	for _, operations := range o.of {
		for _, x := range operations {
			for _, a := range x.answers {
				out[a]++
			}
		}
	}
	return out
}
