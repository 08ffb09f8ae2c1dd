package demo

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
)

// run runs the whole demo at a fixed time and returns what it found.
func run(t *testing.T, now time.Time) *Run {
	t.Helper()
	cat, err := fhirmap.LoadCatalogue(catalogue.FS)
	require.NoError(t, err)
	r, err := Start(t.Context(), cat, "test", slog.New(slog.DiscardHandler), func() time.Time { return now })
	require.NoError(t, err)
	t.Cleanup(func() {
		closing, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		require.NoError(t, r.Close(closing))
	})
	waiting, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	require.NoError(t, r.Handled(waiting))
	return r
}

// What the worker finds is what a surgeon wrote down beforehand, from the evidence and not from the code.
func TestDemoFindsWhatASurgeonExpects(t *testing.T) {
	now := time.Date(2026, 11, 23, 7, 0, 0, 0, time.Local)
	r := run(t, now)
	got := r.Assessments()
	for _, e := range expected(t) {
		t.Run(e.Booking, func(t *testing.T) {
			a, ok := got["Appointment/"+e.Booking]
			if e.Listed != "ahead" {
				require.False(t, ok, "not an operation ahead")
				return
			}
			require.True(t, ok, "missed")
			require.Equal(t, e.Eye, a.Operation.Eye)
			require.Equal(t, e.Outcome, a.Outcome, "%+v", a.Findings)
			require.Equal(t, e.Complete, a.Complete, "%+v", a.Gaps)
			requireFlags(t, r, e, a)
			for _, n := range e.Notes {
				require.True(t, slices.ContainsFunc(slices.Concat(a.Findings, a.Context), func(f rules.Finding) bool {
					return f.Hazard == n.Hazard && f.Level == n.Level && f.Eye.MayBe(n.Eye)
				}), "note %+v in %+v", n, slices.Concat(a.Findings, a.Context))
			}
			for _, g := range e.Gaps {
				require.True(t, slices.ContainsFunc(a.Gaps, func(x rules.Gap) bool {
					return x.Kind == g.Kind && strings.Contains(strings.ToLower(x.Text), strings.ToLower(g.Names))
				}), "gap %s naming %q in %+v", g.Kind, g.Names, a.Gaps)
			}
			for _, kind := range e.NoGaps {
				require.False(t, slices.ContainsFunc(a.Gaps, func(x rules.Gap) bool { return x.Kind == kind }), "gap %s in %+v", kind, a.Gaps)
			}
			var codes []string
			for _, p := range a.Preparations {
				codes = append(codes, p.Code)
			}
			for _, p := range e.Prepare {
				require.Contains(t, codes, p)
			}
		})
	}
}

// requireFlags compares the Flags that stand in the FHIR server for the patient and eye with the expected ones.
func requireFlags(t *testing.T, r *Run, e expectation, a rules.Assessment) {
	t.Helper()
	var stand, want []string
	for _, raw := range r.Store.All("Flag") {
		s, ours, err := fhirmap.ParseStanding(fhirmap.Names{Canonical: fhirmap.DefaultCanonical}, raw)
		require.NoError(t, err)
		if ours && s.Open() && s.Subject == a.Patient && s.Eye.MayBe(a.Operation.Eye) {
			stand = append(stand, fmt.Sprintf("%s %s %s", s.Hazard, s.Level, s.Eye))
		}
	}
	for _, f := range e.Flags {
		for _, side := range f.Eye.Sides() {
			want = append(want, fmt.Sprintf("%s %s %s", f.Hazard, f.Level, side))
		}
	}
	require.ElementsMatch(t, want, stand)
	for _, f := range e.Flags {
		for _, ref := range f.Records {
			require.True(t, slices.ContainsFunc(a.Findings, func(x rules.Finding) bool {
				return x.Hazard == f.Hazard && slices.ContainsFunc(x.Evidence, func(v rules.Evidence) bool { return v.Reference == ref })
			}), "evidence %s", ref)
		}
	}
}
