package worker

import (
	"slices"
	"sync"
	"time"

	"pupilrisk/rules"
)

// outcomes holds the last result of every operation ahead that this process has assessed, to tell what has changed.
type outcomes struct {
	mu  sync.Mutex
	all map[outcomeKey]outcome
}

type outcomeKey struct{ patient, operation string }

type outcome struct {
	start   time.Time
	content string
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
	o.all[k] = outcome{start: a.Operation.Start, content: content}
	return !ok || old.content != content || !old.start.Equal(a.Operation.Start)
}

// retain forgets what was kept of a patient, under any id of the chain, beside the given results, and operations long over.
func (o *outcomes) retain(chain []string, patient string, results []rules.Assessment, at time.Time) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for k, x := range o.all {
		if !slices.Contains(chain, k.patient) {
			if at.After(x.start.Add(overAfter)) {
				delete(o.all, k)
			}
			continue
		}
		if k.patient != patient || !slices.ContainsFunc(results, func(a rules.Assessment) bool { return a.Operation.Key == k.operation }) {
			delete(o.all, k)
		}
	}
}
