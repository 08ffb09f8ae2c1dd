package fhirmap

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
)

const (
	right   = rules.RightEye
	left    = rules.LeftEye
	both    = rules.BothEyes
	unknown = rules.EyeUnknown
)

// So is it for every LOINC and SNOMED CT row whose description names a side; those whose display names none stay unknown.
func TestSideOutOfFindingAndOperationCodes(t *testing.T) {
	file, err := os.Open(filepath.Join(filepath.Dir(sharedData(t)), "clinical", "codes.csv"))
	require.NoError(t, err)
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	seen := map[rules.Eye]int{}
	for _, row := range rows[1:] {
		if row[1] == "" || row[0] != sct && row[0] != loinc || strings.Contains(row[2], "ventric") {
			continue
		}
		var s side
		s.coding(rules.Code{System: row[0], Code: row[1]})
		got, conflict := s.eye()
		require.False(t, conflict)
		display, want := strings.ToLower(row[2]), unknown
		switch {
		case strings.Contains(display, "bilateral"), strings.Contains(display, "both eyes"), strings.Contains(display, "right and left"):
			want = both
		case strings.Contains(display, "right"):
			want = right
		case strings.Contains(display, "left"):
			want = left
		}
		seen[want]++
		require.Equal(t, want, got, "%s %s", row[1], display)
	}
	for _, e := range []rules.Eye{right, left, both, unknown} {
		require.NotZero(t, seen[e], e.String())
	}
}

// The side is read out of the code alone as the code system's own description says it: every ICD-10-CM and ICD-10-PCS row of
// the project's code material (CMS order file of January 2021) whose description names a side.
func TestSideOutOfTheCodeAlone(t *testing.T) {
	file, err := os.Open(filepath.Join(filepath.Dir(sharedData(t)), "clinical", "codes.csv"))
	require.NoError(t, err)
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	seen := map[rules.Eye]int{}
	for _, row := range rows[1:] {
		system, code, display := row[0], row[1], strings.ToLower(row[2])
		if system != icd10cm && system != icd10pcs {
			continue
		}
		want, says := rules.EyeUnknown, true
		switch {
		case strings.Contains(display, "unspecified eye"), strings.Contains(display, "unspecified side"):
		case strings.Contains(display, "bilateral"):
			want = both
		case strings.Contains(display, "right"):
			want = right
		case strings.Contains(display, "left"):
			want = left
		default:
			says = false
		}
		var s side
		s.coding(rules.Code{System: system, Code: code})
		got, conflict := s.eye()
		require.False(t, conflict)
		if says {
			seen[want]++
			require.Equal(t, want, got, "%s %s", code, display)
		} else {
			require.Equal(t, unknown, got, "%s %s names no side", code, display)
		}
	}
	for _, e := range []rules.Eye{right, left, both, unknown} {
		require.NotZero(t, seen[e], e.String())
	}
}

func TestSideInText(t *testing.T) {
	for text, want := range map[string]rules.Eye{
		// the words of six languages
		"right eye": right, "Left Eye": left, "both eyes": both, "bilateral": both, "eyes, both": both,
		"rechtes Auge": right, "linkes Auge": left, "beide Augen": both, "Auge links": left,
		"oeil droit": right, "œil gauche": left, "les deux yeux": unknown, "yeux, bilatéral": both,
		"ojo derecho": right, "ojo izquierdo": left, "occhio destro": right, "occhio sinistro": left,
		"olho direito": right, "olho esquerdo": left, "rechter oog": unknown, "oog rechts": right,
		// capitals
		"Phaco OD": right, "OS": left, "IOL OU": both, "Phaco R/E": right, "L/E cataract": left, "od": unknown, "os": unknown,
		"Cataract surgery, right eye": right, "Surgery of cataract of left eye (procedure)": left,
		"right and left eye": both, "right eye and left eye": both, "right & left eyes": both, "OD + OS": both,
		// beside a thing that only an eye has
		"Trabeculectomy, left": left, "Right pupil Diameter": right, "Pupil shape of Right pupil": right, "Phaco left": left,
		// not a side of an eye
		"": unknown, "left a message": unknown, "right away": unknown, "take 1 OD": right,
		"history of left hip replacement": unknown, "he was right": unknown, "all rights reserved": unknown,
		"leftover lens matter": unknown, "upright": unknown,
		// two sides that contradict each other: the conflict is the caller's to see
		"right eye, left eye": contradiction, "right eye done 2024 and now left eye": contradiction,
	} {
		require.Equal(t, want, eyeInText(text, nameText), text)
	}
	// A sentence names an eye only beside the word for it.
	for text, want := range map[string]rules.Eye{
		"left a message, eye drops explained": unknown, "atropine 1% OD": unknown, "operate the left eye first": left, "prefers the right": unknown,
	} {
		require.Equal(t, want, eyeInText(text, proseText), text)
	}
	// Where the text is a body site, or a booking of an eye operation, a bare word is an eye.
	for text, want := range map[string]rules.Eye{
		"right": right, "left": left, "Left upper": left, "RE": right, "LE": left, "R": unknown, "links": left, "both": both,
	} {
		require.Equal(t, want, eyeInText(text, siteText), text)
	}
}

func TestSidesByRank(t *testing.T) {
	code := func(system, code string) rules.Concept {
		return rules.Concept{Codes: []rules.Code{{System: system, Code: code}}}
	}
	for name, c := range map[string]struct {
		concepts []rules.Concept
		want     rules.Eye
		conflict bool
	}{
		"nothing":                        {nil, unknown, false},
		"SNOMED right eye":               {[]rules.Concept{code(sct, "18944008")}, right, false},
		"eye-care guide qualifier":       {[]rules.Concept{code(sct, "7771000")}, left, false},
		"v2 table 0163":                  {[]rules.Concept{code("http://terminology.hl7.org/CodeSystem/v2-0163", "OU")}, both, false},
		"OPCS-4":                         {[]rules.Concept{code("https://fhir.hl7.org.uk/Id/opcs-4", "Z94.2")}, right, false},
		"post-coordinated":               {[]rules.Concept{code(sct, "71341001:272741003=7771000")}, left, false},
		"post-coordinated, with terms":   {[]rules.Concept{code(sct, "231744001 |X|:{363704007 |Site|=81745001,272741003 |Laterality| = 24028007 |Right|}")}, right, false},
		"OPCS-4 without its dot":         {[]rules.Concept{code("https://fhir.nhs.uk/Id/opcs-4", "Z943")}, left, false},
		"post-coordinated by its site":   {[]rules.Concept{code(sct, "13793006|Destructive procedure of left 24028007|:405813007|Site|=8966001|Left eye|")}, left, false},
		"post-coordinated, two groups":   {[]rules.Concept{code(sct, "1:{363704007=2,272741003=7771000},{363704007=2,272741003=24028007}")}, both, false},
		"ICD-10-CM":                      {[]rules.Concept{code(icd10cm, "H40.1421")}, left, false},
		"two codes that contradict":      {[]rules.Concept{code(sct, "18944008"), code(sct, "8966001")}, unknown, true},
		"both sides with one":            {[]rules.Concept{code(sct, "40638003"), code(sct, "8966001")}, both, false},
		"code beats silence of the text": {[]rules.Concept{code(sct, "18944008"), {Text: "iris"}}, right, false},
		"text contradicts the code":      {[]rules.Concept{code(sct, "18944008"), {Text: "left"}}, unknown, true},
		"text alone":                     {[]rules.Concept{{Text: "OS"}}, left, false},
		"texts that contradict":          {[]rules.Concept{{Text: "right eye, left eye"}}, unknown, true},
	} {
		t.Run(name, func(t *testing.T) {
			var s side
			for _, k := range c.concepts {
				s.concept(k, siteText)
			}
			got, conflict := s.eye()
			require.Equal(t, c.want, got)
			require.Equal(t, c.conflict, conflict)
		})
	}
}

func FuzzEyeInText(f *testing.F) {
	for _, s := range []string{"right eye", "OD/OS", "L/E", "right eye done, now left eye", "\xff\xfe OD"} {
		f.Add(s, uint8(1))
	}
	f.Fuzz(func(t *testing.T, s string, kind uint8) {
		require.Contains(t, []rules.Eye{unknown, right, left, both, contradiction}, eyeInText(s, textKind(kind%3)))
	})
}

// A display that repeats its own code is no second statement, and does not hide that the text names the other side.
func TestTextAgainstCodedSite(t *testing.T) {
	var s side
	s.concept(rules.Concept{Codes: []rules.Code{{System: "http://snomed.info/sct", Code: "18944008", Display: "Right eye structure"}}}, siteText)
	eye, conflict := s.eye()
	require.Equal(t, rules.RightEye, eye)
	require.False(t, conflict)
	s.concept(rules.Concept{Text: "Posterior synechiae left eye"}, nameText)
	eye, conflict = s.eye()
	require.Equal(t, rules.EyeUnknown, eye)
	require.True(t, conflict)
}

// FuzzAppendWords holds the splitting to that of the library, and what passes over words to the lists of words.
func FuzzAppendWords(f *testing.F) {
	for _, s := range []string{"Left eye, høger öga; 3/4 \xff OD", "OEIL GAUCHE, œil", "x", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		words := appendWords(nil, s)
		require.Equal(t, append([]string(nil), strings.FieldsFunc(s, func(r rune) bool { return !unicode.IsLetter(r) && r != '/' && !unicode.IsDigit(r) })...), words)
		for _, w := range words {
			low := strings.ToLower(w)
			_, capital := capitals[w]
			_, side := sideWords[low]
			require.False(t, (capital || side) && !sideLengths.may(w), w)
			require.False(t, (side || eyeWords[low] || eyeThings[low] || joiners[low]) && !besideLengths.may(w), w)
		}
	})
}

// No word of the lists is passed over, as it stands, in capitals or with one first.
func TestWordsAreNotPassedOver(t *testing.T) {
	forms := func(w string) []string { return []string{w, strings.ToUpper(w), strings.ToUpper(w[:1]) + w[1:]} }
	for w := range sideWords {
		for _, form := range forms(w) {
			require.True(t, sideLengths.may(form) && besideLengths.may(form), form)
		}
	}
	for w := range capitals {
		require.True(t, sideLengths.may(w), w)
	}
	for _, list := range []map[string]bool{eyeWords, eyeThings, joiners} {
		for w := range list {
			for _, form := range forms(w) {
				require.True(t, besideLengths.may(form), form)
			}
		}
	}
}
