package catalogue_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
)

// seenSince are codes that the code list lacks, or has from memory, and that have been looked up since, each with where.
var seenSince = map[rules.Code]string{
	{System: sct, Code: "372509005"}: "hl7ch/ch-term, ActivePharmaceuticalIngredient",        // tamsulosin
	{System: sct, Code: "372508002"}: "hl7ch/ch-term, ActivePharmaceuticalIngredient",        // doxazosin
	{System: sct, Code: "442042006"}: "hl7ch/ch-term, ActivePharmaceuticalIngredient",        // silodosin
	{System: sct, Code: "385572003"}: "hl7ch/ch-term, ActivePharmaceuticalIngredient",        // dutasteride
	{System: sct, Code: "395954002"}: "hl7ch/ch-term, CHAllergyIntoleranceReactionSubstance", // alfuzosin
}

// A code is marked "from memory" exactly where the code list has it from memory or not at all. Source: the column verified_in.
func TestCodesFromMemoryAreMarked(t *testing.T) {
	seen := map[rules.Code]bool{}
	for _, r := range codeRows(t) {
		if where := r["verified_in"]; r["code"] != "" && where != "" && where != "memory" && where != "NOT FOUND" {
			seen[rules.Code{System: r["system"], Code: r["code"]}] = true
		}
	}
	require.Greater(t, len(seen), 850)
	marked := 0
	for id, s := range builtIn(t).CodeSets {
		for _, c := range slices.Concat(s.Codes, s.Branches) {
			key := rules.Code{System: c.System, Code: c.Code}
			if seen[key] || seenSince[key] != "" {
				require.Empty(t, s.Checked[c], "%s: %v was seen", id, c)
				continue
			}
			require.Equal(t, "from memory", s.Checked[c], "%s: nobody has seen %v", id, c)
			marked++
		}
	}
	require.Greater(t, marked, 100)
}

// A brand is said to be from memory where the code list has it from memory or not at all.
func TestBrandsFromMemoryAreMarked(t *testing.T) {
	seen := map[string]bool{}
	for _, r := range codeRows(t) {
		if r["level"] == "brand" && r["verified_in"] != "memory" {
			seen[r["code"]] = true
		}
	}
	require.NotEmpty(t, seen)
	for _, f := range builtIn(t).Factors {
		for _, m := range f.Matches {
			for _, b := range m.Brands {
				require.Equal(t, !seen[b.Name], strings.Contains(b.Country, "from memory"), "%s (%s)", b.Name, b.Country)
			}
		}
	}
}
