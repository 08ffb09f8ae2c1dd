package demo

import (
	"os"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
)

// expectation is what a surgeon expects of one booking; clinic/expected.yaml says what each key means.
type expectation struct {
	Booking  string         `yaml:"booking"`
	Patient  string         `yaml:"patient"`
	Listed   string         `yaml:"listed"`
	Eye      rules.Eye      `yaml:"eye"`
	Outcome  rules.Outcome  `yaml:"outcome"`
	Complete bool           `yaml:"complete"`
	Flags    []expectedFlag `yaml:"flags"`
	Notes    []expectedFlag `yaml:"notes"`
	Beside   []string       `yaml:"beside"`
	Gaps     []struct {
		Kind  rules.GapKind `yaml:"kind"`
		Names string        `yaml:"names"`
	} `yaml:"gaps"`
	NoGaps  []rules.GapKind `yaml:"no_gaps"`
	Prepare []string        `yaml:"prepare"`
	Why     string          `yaml:"why"`
}

type expectedFlag struct {
	Hazard  rules.Hazard `yaml:"hazard"`
	Level   rules.Level  `yaml:"level"`
	Eye     rules.Eye    `yaml:"eye"`
	Records []string     `yaml:"records"`
}

func expected(t *testing.T) []expectation {
	t.Helper()
	text, err := os.ReadFile("clinic/expected.yaml")
	require.NoError(t, err)
	var all []expectation
	require.NoError(t, yaml.UnmarshalWithOptions(text, &all, yaml.Strict()))
	return all
}

// The expectation speaks of every booking of the clinic and of nothing else, and does not contradict itself.
func TestExpectationFitsClinic(t *testing.T) {
	clinic := monday(t)
	bookings := map[string]bool{}
	known := map[string]bool{}
	for _, r := range clinic.Resources {
		reference := referenceOf(t, r)
		known[reference] = true
		if kind, id := split(reference); kind == "Appointment" {
			bookings[id] = true
		}
	}
	gapKinds := []rules.GapKind{
		rules.GapNoMedications, rules.GapAskMedication, rules.GapEntryDropped, rules.GapEyeUnknown, rules.GapEyeCheck,
		rules.GapPupilNotMeasured, rules.GapPupilUnusable,
	}
	actions := []string{
		"confirm-eye", "confirm-medication-history", "measure-dilated-pupil", "prepare-intracameral-agent",
		"prepare-pupil-expansion", "surgeon-review",
	}
	for _, e := range expected(t) {
		t.Run(e.Booking, func(t *testing.T) {
			require.True(t, bookings[e.Booking], "no such booking, or named twice")
			delete(bookings, e.Booking)
			require.True(t, known["Patient/"+e.Patient])
			require.NotEmpty(t, e.Why)
			require.Contains(t, []string{"ahead", "cancelled", "no"}, e.Listed)
			switch {
			case e.Listed != "ahead":
				require.Empty(t, e.Outcome)
				require.Empty(t, e.Flags)
			case len(e.Flags) > 0:
				require.Equal(t, rules.Flagged, e.Outcome)
			default:
				require.Equal(t, rules.NoneFound, e.Outcome)
			}
			for _, f := range e.Flags {
				require.Contains(t, rules.Hazards, f.Hazard)
				require.GreaterOrEqual(t, f.Level, rules.Moderate)
				require.Contains(t, []rules.Eye{rules.RightEye, rules.LeftEye}, f.Eye)
				require.True(t, e.Eye.MayBe(f.Eye))
				require.NotEmpty(t, f.Records)
				for _, r := range f.Records {
					require.True(t, known[r], r)
				}
			}
			for _, n := range e.Notes {
				require.Equal(t, rules.Low, n.Level)
				for _, r := range n.Records {
					require.True(t, known[r], r)
				}
			}
			for _, r := range e.Beside {
				require.True(t, known[r], r)
			}
			for _, g := range e.Gaps {
				require.Contains(t, gapKinds, g.Kind)
			}
			require.Subset(t, gapKinds, e.NoGaps)
			require.Subset(t, actions, e.Prepare)
			require.NotNil(t, e.Prepare, "say [] where nothing is to be done")
		})
	}
	require.Empty(t, bookings, "bookings nobody expects anything of")
}
