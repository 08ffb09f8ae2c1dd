package rules

import (
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The codes are published ones. Source: SNOMED CT Release File Specifications, SCTID examples (from memory); LOINC 95315-8,
// 64742-0 and 8480-6, as their pages print them.
func TestCheckDigits(t *testing.T) {
	for code, right := range map[string]bool{
		"138875005": true, "372509005": true, "372508002": true, "111514006": true, "15639441000119104": false, "10178000": true,
		"372509001": false, "372508009": false, "138875006": false, "183875005": false, "38621000087109": true,
	} {
		require.Equal(t, right, verhoeff(code), code)
	}
	for code, right := range map[string]bool{"95315-8": true, "64742-0": true, "8480-6": true, "95315-7": false, "59315-8": false, "LA32-8": true} {
		require.Equal(t, right, luhn(code), code)
	}
}

// One wrong digit, and two neighbours that changed places, are always found.
func TestVerhoeffFindsSlips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		body := strconv.FormatUint(rapid.Uint64Range(100_000, 999_999_999_999_999).Draw(t, "body"), 10)
		code := ""
		for d := range 10 {
			if c := body + strconv.Itoa(d); verhoeff(c) {
				require.Empty(t, code, "two check digits")
				code = c
			}
		}
		require.NotEmpty(t, code)
		i := rapid.IntRange(0, len(code)-1).Draw(t, "place")
		other := byte('0' + (int(code[i]-'0')+rapid.IntRange(1, 9).Draw(t, "by"))%10)
		require.False(t, verhoeff(code[:i]+string(other)+code[i+1:]))
		if i > 0 && code[i] != code[i-1] {
			require.False(t, verhoeff(code[:i-1]+code[i:i+1]+code[i-1:i]+code[i+1:]))
		}
	})
}
