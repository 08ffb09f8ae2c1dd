package rules

import (
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestWords(t *testing.T) {
	for text, want := range map[string]string{
		"Tamsulosin 0.4mg":             "tamsulosin 0 4 mg",
		"TAMSULOSINE LP 0,4 mg":        "tamsulosine lp 0 4 mg",
		"synéchies postérieures":       "synechies posterieures",
		"synechies poste\u0301rieures": "synechies posterieures",
		"Straße, Øre, œil, Łódź":       "strasse ore oeil lodz",
		"Horner's":                     "horner s",
		"pseudo-exfoliation":           "pseudo exfoliation",
		"Ｔａｍ":                          "tam",
		"tam\u00adsu\u200blosin":       "tamsulosin",
		"タムスロシン":                       "タ ム ス ロ シ ン",
		"ドキサ":                          "ト キ サ",
		"тамсулозин":                   "тамсулозин",
		" \t\n":                        "",
		"\xff\xfetamsulosin\xff":       "tamsulosin",
		"N40.1":                        "n 40 1",
	} {
		require.Equal(t, want, strings.Join(foldPhrase(text), " "), "%q", text)
	}
	ws := words("Ünlü tamsulosin!")
	require.Equal(t, "tamsulosin", "Ünlü tamsulosin!"[ws[1].start:ws[1].end])
	require.Len(t, words(strings.Repeat("a ", 2*maxText)), maxText/2)
}

// Only never, no, not on, denies, without and a family member in the same clause deny. Common practice, no source.
func TestDenied(t *testing.T) {
	for text, want := range map[string]bool{
		"X":                                false,
		"never X":                          true,
		"never took X":                     true,
		"never on Y or X":                  true,
		"no X":                             true,
		"no h/o X":                         true,
		"no history of previous use of X":  true,
		"no evidence of X":                 true,
		"not on X":                         true,
		"denies X":                         true,
		"denied taking X":                  true,
		"without X":                        true,
		"X: no":                            true,
		"X - never":                        true,
		"X never taken":                    true,
		"X none":                           true,
		"smoker: no X: no":                 true,
		"father X":                         true,
		"family history of X":              true,
		"family history: Y, X":             false, // the list may have ended; better asked once too often
		"X in mother":                      true,
		"stopped X":                        false,
		"ceased X":                         false,
		"previous X":                       false,
		"was on X":                         false,
		"not taking X":                     false,
		"not X":                            false,
		"no longer on X":                   false,
		"no more X":                        false,
		"no problems with X":               false,
		"never missed X":                   false,
		"never stopped X":                  false,
		"denies side effects of X":         false,
		"no allergies. X":                  false,
		"no allergies, X":                  false,
		"no Y; X":                          false,
		"no Y but X":                       false,
		"no Y and takes X":                 false,
		"No 30 X":                          false,
		"smoker: no X: yes":                false,
		"smoker - no X - yes":              false,
		"X: no change":                     false,
		"X no longer":                      false,
		"X (never)":                        false,
		"son says never; X":                false,
		"daughter reports X":               false,
		"according to wife on X":           false,
		"took his brother's X":             false,
		"father had Y, patient X":          false,
		"family doctor gave X":             false,
		"maternal grandmother had X":       true,
		"no X-ray, X":                      true, // the first X is denied, and it is the one looked at
		"no significant X":                 true,
		"no active X":                      false, // quiet now is not never
		"no known right or left X":         true,
		"nothing known of X":               false,
		"X 0,4 mg, no side effects":        false,
		"Never smoker\nX":                  false,
		"he denies pain; takes X at night": false,
		"without him knowing X":            false,
	} {
		ws := words(strings.ReplaceAll(text, "X", "tamsulosin"))
		i := 0
		for ws[i].text != "tamsulosin" {
			i++
		}
		require.Equal(t, want, denied(ws, i, i+1), text)
	}
}

// Two words are one edit apart as the textbook has it: Damerau's distance with adjacent transpositions, worked out in full.
func TestOneEditIsDamerau(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		letters := rapid.StringOfN(rapid.RuneFrom([]rune("abcé")), 0, 6, -1)
		a, b := letters.Draw(t, "a"), letters.Draw(t, "b")
		want := damerau([]rune(a), []rune(b)) <= 1
		require.Equal(t, want, oneEdit(a, b), "%q %q", a, b)
		if want {
			shared := false
			for x := range deletions(a) {
				for y := range deletions(b) {
					shared = shared || string(x) == string(y)
				}
			}
			require.True(t, shared, "%q and %q are found by no common deletion", a, b)
		}
	})
}

func damerau(a, b []rune) int {
	d := make([][]int, len(a)+1)
	for i := range d {
		d[i] = make([]int, len(b)+1)
		d[i][0] = i
		for j := range d[i] {
			if i == 0 {
				d[0][j] = j
				continue
			}
			if j == 0 {
				continue
			}
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			d[i][j] = min(d[i-1][j]+1, d[i][j-1]+1, d[i-1][j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d[i][j] = min(d[i][j], d[i-2][j-2]+1)
			}
		}
	}
	return d[len(a)][len(b)]
}

func TestExcerpt(t *testing.T) {
	long := strings.Repeat("word ", 40)
	for text, want := range map[string]string{
		"  Tamsulosin 0,4 mg ":               "Tamsulosin 0,4 mg",
		long + ". Takes tamsulosin. " + long: "Takes tamsulosin",
		long + "tamsulosin " + long:          "tamsulosin",
	} {
		ws := words(text)
		for i, w := range ws {
			if w.text == "tamsulosin" {
				require.Equal(t, want, excerpt(text, ws, i, i+1))
			}
		}
	}
}

// Whatever stands in a name field: words lie in order inside the text, and no text makes matching fail.
func FuzzWords(f *testing.F) {
	for _, s := range []string{"Tamsulosin 0,4 mg", "no X: yes - never, Ω", "タムスロシン", "\xff\u0301e\u00ad", "a.1,2 (b) - c: no d: yes", "ﬁne ß İ"} {
		f.Add(s)
	}
	c := smallCatalogue(f)
	f.Fuzz(func(t *testing.T, s string) {
		end, clause := 0, 0
		for i, w := range words(s) {
			if w.text == "" || w.start < end || w.end <= w.start || w.end > len(s) || w.clause < clause || !utf8.ValidString(w.text) {
				t.Fatalf("word %d of %q: %+v", i, s, w)
			}
			end, clause = w.end, w.clause
		}
		for _, h := range c.Match(&Entry{Kind: Medication, Concepts: []Concept{{Text: s}}, Note: s}) {
			if h.Matched == "" || !utf8.ValidString(h.Matched) || h.Code == "" {
				t.Fatalf("%q: %+v", s, h)
			}
		}
		c.Service([]Concept{{Text: s}})
	})
}
