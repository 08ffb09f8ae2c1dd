package smart

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestMissingScopes(t *testing.T) {
	for _, c := range []struct{ needed, granted, missing string }{
		{"system/Patient.rs", "system/Patient.rs", ""},
		{"system/Patient.rs", "system/Patient.cruds", ""},
		{"system/Patient.rs", "system/*.rs", ""},
		{"system/Patient.rs", "system/*.read", ""},
		{"system/Patient.rs", "system/*.*", ""},
		{"system/Patient.rs", "system/Patient.r system/*.s", ""},
		{"system/Flag.crus", "system/Flag.read system/Flag.write", ""},
		{"system/Patient.read", "system/Patient.rs", ""},
		{"", "", ""},
		{"system/Flag.crus", "system/Flag.rs", "system/Flag.crus"},
		{"system/Flag.rs system/Task.rs system/Patient.r", "system/Flag.rs", "system/Task.rs system/Patient.r"},
		{"system/Patient.rs", "user/Patient.rs patient/*.rs", "system/Patient.rs"},
		{"system/Observation.rs", "system/Observation.rs?category=laboratory", "system/Observation.rs"},
		{"system/Observation.rs?category=laboratory", "system/Observation.rs?category=laboratory", ""},
		{"system/Observation.rs?category=laboratory", "system/Observation.rs", ""},
		{"system/Observation.rs?category=a", "system/Observation.rs?category=b", "system/Observation.rs?category=a"},
		{"system/Patient.rs", "system/Patient.sr", "system/Patient.rs"}, // no scope: rights in another order
		{"system/Patient.rs", "system/Patient.", "system/Patient.rs"},
		{"openid", "openid", ""},
		{"openid", "profile", "openid"},
	} {
		require.Equal(t, c.missing, strings.Join(Missing(c.needed, c.granted), " "), "%s of %s", c.needed, c.granted)
	}
}

// What was granted in full is never missing, more grants never make more missing, and one right less is always noticed.
func TestMissingScopesProperties(t *testing.T) {
	one := rapid.Custom(func(t *rapid.T) string {
		rights := ""
		for _, r := range "cruds" {
			if rapid.Bool().Draw(t, "right") {
				rights += string(r)
			}
		}
		if rights == "" {
			rights = "r"
		}
		return "system/" + rapid.SampledFrom([]string{"Flag", "Task", "Patient"}).Draw(t, "type") + "." + rights
	})
	many := rapid.SliceOfN(one, 0, 6)
	rapid.Check(t, func(t *rapid.T) {
		needed, granted := strings.Join(many.Draw(t, "needed"), " "), strings.Join(many.Draw(t, "granted"), " ")
		require.Empty(t, Missing(needed, needed))
		require.Subset(t, Missing(needed, ""), Missing(needed, granted))
		require.Empty(t, Missing(needed, granted+" "+strings.Join(Missing(needed, granted), " ")))
		scope := one.Draw(t, "scope")
		less := scope[:len(scope)-1]
		require.Equal(t, []string{scope}, Missing(scope, less))
	})
}
