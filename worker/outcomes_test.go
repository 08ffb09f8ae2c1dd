package worker

import (
	"slices"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
	"pupilrisk/worker/fhirstore"
)

// What people do with the Tasks of operations ahead is counted once, however many passes see it, and no longer than the operation.
func TestAnswersToTasksAreCounted(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	w := c.worker()
	counted := func() (rejected, completed, applicable, other float64) {
		for range 2 {
			require.NoError(t, w.Sweep(t.Context()))
		}
		w.gauges()
		return testutil.ToFloat64(w.metrics.answers.WithLabelValues("prepare-pupil-expansion", "rejected")),
			testutil.ToFloat64(w.metrics.answers.WithLabelValues("surgeon-review", "completed")),
			testutil.ToFloat64(w.metrics.rejections.WithLabelValues("not-applicable")),
			testutil.ToFloat64(w.metrics.rejections.WithLabelValues("other"))
	}
	answer := func(preparation, status string, reason map[string]any) {
		for ref, raw := range c.written() {
			if s := standingOf(t, raw); s.Type == "Task" && s.Preparation == preparation {
				require.NoError(t, c.store.Edit(ref, func(m map[string]any) { m["status"], m["statusReason"] = status, reason }))
			}
		}
	}
	coded := func(system, code string) map[string]any {
		return map[string]any{"text": "their words", "coding": []any{map[string]any{"system": system, "code": code}}}
	}
	rejected, completed, applicable, other := counted()
	require.Equal(t, []float64{0, 0, 0, 0}, []float64{rejected, completed, applicable, other}, "what waits is no answer")

	answer("prepare-pupil-expansion", "rejected", coded("https://pupilrisk.example/fhir/CodeSystem/answer", "not-applicable"))
	answer("surgeon-review", "completed", nil)
	answer("prepare-intracameral-agent", "rejected", coded("https://theirs.example", "not-applicable"))
	rejected, completed, applicable, other = counted()
	require.Equal(t, []float64{1, 1, 1, 1}, []float64{rejected, completed, applicable, other})

	c.put(booking("bob", "a1", "cancelled", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	rejected, completed, applicable, other = counted()
	require.Equal(t, []float64{0, 0, 0, 0}, []float64{rejected, completed, applicable, other})
}

// What is kept of a patient follows each pass over the patient; operations of others are forgotten once they are over, not at every event.
func TestOutcomesAreForgotten(t *testing.T) {
	day := time.Date(2026, 3, 9, 9, 0, 0, 0, time.UTC)
	assessment := func(patient, operation string, start time.Time) rules.Assessment {
		return rules.Assessment{Patient: patient, Operation: rules.Operation{Key: operation, Start: start}, Outcome: rules.NoneFound}
	}
	o := newOutcomes()
	first, second := assessment("Patient/a", "1", day), assessment("Patient/a", "2", day.AddDate(0, 1, 0))
	for _, a := range []rules.Assessment{first, second, assessment("Patient/old", "1", day), assessment("Patient/b", "1", day)} {
		require.True(t, o.put(a, nil))
		require.False(t, o.put(a, nil))
	}
	kept := func() (out []string) {
		for p, operations := range o.of {
			for k := range operations {
				out = append(out, p+" "+k)
			}
		}
		slices.Sort(out)
		return out
	}
	o.retain([]string{"Patient/a"}, "Patient/a", []rules.Assessment{first, second}, day)
	require.Equal(t, []string{"Patient/a 1", "Patient/a 2", "Patient/b 1", "Patient/old 1"}, kept())
	o.retain([]string{"Patient/old", "Patient/a"}, "Patient/a", []rules.Assessment{second}, day)
	require.Equal(t, []string{"Patient/a 2", "Patient/b 1"}, kept(), "what became another's, and what is ahead no more")
	o.retain([]string{"Patient/a"}, "Patient/a", []rules.Assessment{second}, day.Add(overAfter+time.Minute))
	require.Equal(t, []string{"Patient/a 2"}, kept(), "what is over")
}
