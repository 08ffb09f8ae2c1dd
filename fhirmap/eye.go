package fhirmap

import (
	"strings"
	"unicode"

	"pupilrisk/rules"
)

// side gathers what a record says about the eye, by rank: what is coded, then what is written. Two sides of one rank that
// contradict each other, and a text that contradicts a code, are a conflict.
type side struct {
	coded, written sides
}

// sides are the single values seen.
type sides struct{ right, left, both bool }

func (s *sides) add(e rules.Eye) {
	switch e {
	case rules.RightEye:
		s.right = true
	case rules.LeftEye:
		s.left = true
	case rules.BothEyes:
		s.both = true
	case contradiction:
		s.right, s.left = true, true
	}
}

// eye is the side of one rank. Both with a side is both; right and left together is a conflict.
func (s sides) eye() (e rules.Eye, conflict bool) {
	switch {
	case s.both:
		return rules.BothEyes, false
	case s.right && s.left:
		return rules.EyeUnknown, true
	case s.right:
		return rules.RightEye, false
	case s.left:
		return rules.LeftEye, false
	default:
		return rules.EyeUnknown, false
	}
}

func (s side) eye() (e rules.Eye, conflict bool) {
	coded, c1 := s.coded.eye()
	written, c2 := s.written.eye()
	switch {
	case c1:
		return rules.EyeUnknown, true
	case coded == rules.EyeUnknown:
		return written, c2
	case (coded == rules.RightEye && written == rules.LeftEye) || (coded == rules.LeftEye && written == rules.RightEye):
		return rules.EyeUnknown, true
	default:
		return coded, false
	}
}

// sideCodes are codes that name a side. SNOMED CT: the eye-care guide of HL7 (bodySite extension), the R4 example value set
// bodysite-laterality, the CDA eye-care guide's target sites, an IHE value set; HL7 v2 tables 0163 and 0495; OPCS-4 Z94
// (from memory). VisionPrescription codes right and left are R4's own. LOINC and the two-sided SNOMED CT operations: those
// of the project's code material.
var sideCodes = map[string]rules.Eye{
	sct + "|7771000": rules.LeftEye, sct + "|24028007": rules.RightEye, sct + "|51440002": rules.BothEyes,
	sct + "|419161000": rules.LeftEye, sct + "|419465000": rules.RightEye,
	sct + "|362502000": rules.RightEye, sct + "|362503005": rules.LeftEye, sct + "|362508001": rules.BothEyes,
	sct + "|18944008": rules.RightEye, sct + "|8966001": rules.LeftEye, sct + "|40638003": rules.BothEyes,
	sct + "|28153001": rules.LeftEye, sct + "|1388411008": rules.LeftEye,
	sct + "|1344641008": rules.BothEyes, sct + "|1354583001": rules.BothEyes, sct + "|1345274005": rules.BothEyes, sct + "|1351777002": rules.BothEyes,
	"http://terminology.hl7.org/CodeSystem/v2-0163|OD": rules.RightEye, "http://terminology.hl7.org/CodeSystem/v2-0163|OS": rules.LeftEye,
	"http://terminology.hl7.org/CodeSystem/v2-0163|OU": rules.BothEyes,
	"http://terminology.hl7.org/CodeSystem/v2-0495|R":  rules.RightEye, "http://terminology.hl7.org/CodeSystem/v2-0495|L": rules.LeftEye,
	"http://terminology.hl7.org/CodeSystem/v2-0495|BIL": rules.BothEyes,
	"http://hl7.org/fhir/vision-eye-codes|right":        rules.RightEye, "http://hl7.org/fhir/vision-eye-codes|left": rules.LeftEye,
	loinc + "|64742-0": rules.RightEye, loinc + "|66067-0": rules.LeftEye, loinc + "|95315-8": rules.LeftEye, loinc + "|79899-1": rules.LeftEye,
	loinc + "|80312-2": rules.RightEye, loinc + "|79871-0": rules.LeftEye, loinc + "|79857-9": rules.RightEye,
}

// opcsSides are the supplementary codes of OPCS-4, without the dot.
var opcsSides = map[string]rules.Eye{"Z941": rules.BothEyes, "Z942": rules.RightEye, "Z943": rules.LeftEye}

const (
	sct      = "http://snomed.info/sct"
	loinc    = "http://loinc.org"
	icd10cm  = "http://hl7.org/fhir/sid/icd-10-cm"
	icd10pcs = "http://www.cms.gov/Medicare/Coding/ICD10"
)

// concept reads the coded side from the codings of a concept and the written one from its texts.
func (s *side) concept(c conceptJSON, kind textKind) {
	for _, k := range c.Coding {
		s.coding(k)
		s.written.add(eyeInText(k.Display, kind))
	}
	s.written.add(eyeInText(c.Text, kind))
}

func (s *side) coding(k codingJSON) {
	if e, ok := sideCodes[k.System+"|"+k.Code]; ok {
		s.coded.add(e)
		return
	}
	switch k.System {
	case sct:
		s.coded.add(postCoordinated(k.Code))
	case icd10cm, "urn:oid:2.16.840.1.113883.6.90":
		s.coded.add(icdSide(k.Code))
	case icd10pcs, "http://hl7.org/fhir/sid/icd-10-pcs", "urn:oid:2.16.840.1.113883.6.4":
		s.coded.add(pcsSide(k.Code))
	case "https://fhir.hl7.org.uk/Id/opcs-4", "https://fhir.nhs.uk/Id/opcs-4", "urn:oid:2.16.840.1.113883.2.1.3.2.4.16.4":
		s.coded.add(opcsSides[strings.ToUpper(strings.ReplaceAll(k.Code, ".", ""))])
	}
}

// postCoordinated reads the side out of a SNOMED CT expression: any of its concepts may name it, the value of the laterality
// attribute or the site. Two sides in one expression are two sites.
func postCoordinated(code string) rules.Eye {
	if !strings.ContainsAny(code, ":|+") {
		return rules.EyeUnknown
	}
	var found sides
	for i, part := range strings.Split(code, "|") {
		if i%2 == 1 {
			continue // a term between bars
		}
		for _, id := range strings.FieldsFunc(part, func(r rune) bool { return r < '0' || r > '9' }) {
			found.add(sideCodes[sct+"|"+id])
		}
	}
	e, conflict := found.eye()
	if conflict {
		return rules.BothEyes
	}
	return e
}

// icdSide reads the side out of an ICD-10-CM code of the eye chapter. Its convention: the character for the side is 1 right,
// 2 left, 3 both, 9 or 0 not stated. Where a category puts it is in sidePlaces; other categories say nothing.
func icdSide(code string) rules.Eye {
	code = strings.ToUpper(strings.ReplaceAll(code, ".", ""))
	places := sidePlaces
	if strings.HasPrefix(code, "H40") {
		places = glaucomaPlaces
	}
	for _, p := range places {
		if !strings.HasPrefix(code, p.prefix) {
			continue
		}
		if len(code) <= p.at {
			return rules.EyeUnknown
		}
		switch code[p.at] {
		case '1':
			return rules.RightEye
		case '2':
			return rules.LeftEye
		case '3':
			return rules.BothEyes
		}
		return rules.EyeUnknown
	}
	return rules.EyeUnknown
}

// sidePlaces says at which character, counted from 0 without the dot, an ICD-10-CM category of eye disease holds the side.
// Read off the descriptions ("…, right eye") of the CMS order file of January 2021 as they stand in the project's code
// material, and tested against them; E08 to E13 and H35 from memory. Longer prefixes come first.
var sidePlaces = []struct {
	prefix string
	at     int
}{
	{"H211X", 5},
	{"H200", 5},
	{"H201", 4},
	{"H202", 4},
	{"H208", 5},
	{"H212", 5},
	{"H213", 5},
	{"H214", 4},
	{"H215", 5},
	{"H251", 4},
	{"H252", 4},
	{"H25", 5},
	{"H263", 4},
	{"H26", 5},
	{"H27", 5},
	{"H441", 5},
	{"H520", 4},
	{"H5705", 5},
	{"S05", 4},
	{"Z984", 4},
	{"E083", 6},
	{"E093", 6},
	{"E103", 6},
	{"E113", 6},
	{"E133", 6},
}

// glaucomaPlaces are those of H40, which differ by its sub-categories.
var glaucomaPlaces = []struct {
	prefix string
	at     int
}{
	{"H4003", 5},
	{"H4006", 5},
	{"H4000", 5},
	{"H4001", 5},
	{"H4002", 5},
	{"H4004", 5},
	{"H4005", 5},
	{"H4011", 5},
	{"H4012", 5},
	{"H4013", 5},
	{"H4014", 5},
	{"H4015", 5},
	{"H4021", 5},
	{"H4022", 5},
	{"H4023", 5},
	{"H4024", 5},
	{"H403", 4},
	{"H404", 4},
	{"H405", 4},
	{"H406", 4},
}

// pcsSide reads the side out of the body part character of an ICD-10-PCS eye code (section 0, body system 8, Eye): among the
// body parts that have a side, the lower of each pair is right and the higher left. From memory; checked against the rows
// of our code lists.
func pcsSide(code string) rules.Eye {
	code = strings.ToUpper(code)
	if len(code) != 7 || !strings.HasPrefix(code, "08") {
		return rules.EyeUnknown
	}
	switch code[3] {
	case '0', '2', '4', '6', '8', 'A', 'C', 'E', 'G', 'J', 'L', 'N', 'Q', 'S', 'V', 'X':
		return rules.RightEye
	case '1', '3', '5', '7', '9', 'B', 'D', 'F', 'H', 'K', 'M', 'P', 'R', 'T', 'W', 'Y':
		return rules.LeftEye
	}
	return rules.EyeUnknown
}

// Words for the sides in the languages of Europe's and America's clinics; abbreviations count only in capitals.
var (
	sideWords = words(map[rules.Eye]string{
		rules.RightEye: "right rechts rechte rechtes rechten droit droite derecho derecha destro destra direito direita hoger höger",
		rules.LeftEye:  "left links linke linkes linken gauche izquierdo izquierda sinistro sinistra esquerdo esquerda vänster",
		rules.BothEyes: "bilateral beidseits beide beidseitig bilatéral bilatérale bilaterale both",
	})
	eyeWords = words(map[bool]string{true: "eye eyes auge augen oeil œil yeux ojo ojos occhio occhi olho olhos oog ogen öga"})
	// eyeThings are parts, diseases and operations that only an eye has: in a name, not in a sentence, a side beside them is
	// an eye's.
	eyeThings = words(map[bool]string{true: `pupil pupils pupille pupila pupilla iris cornea cataract katarakt cataracte catarata cataratta
		phaco phacoemulsification trabeculectomy vitrectomy iridotomy keratoplasty`})
	// joiners are the words that make two sides one statement.
	joiners  = words(map[bool]string{true: "and und et y e en"})
	capitals = words(map[rules.Eye]string{rules.RightEye: "OD RE R/E RA", rules.LeftEye: "OS LE L/E OG OI LA", rules.BothEyes: "OU BE B/E"})
)

// words turns lists of words into a look-up.
func words[V comparable](lists map[V]string) map[string]V {
	out := map[string]V{}
	for v, list := range lists {
		for _, w := range strings.Fields(list) {
			out[w] = v
		}
	}
	return out
}

// textKind says how much a text can be trusted to speak of an eye.
type textKind uint8

const (
	// siteText names a body site, or an eye operation that is booked: a bare side is an eye.
	siteText textKind = iota
	// nameText names a thing: OD, OS and OU are eyes, a side must stand beside a word for the eye.
	nameText
	// proseText is somebody's sentence ("left a message", "drops OD"): only a side beside a word for the eye is one.
	proseText
)

// mention is a side named in a text.
type mention struct {
	at  int // word
	eye rules.Eye
}

// maxSideText bounds the text in which a side is looked for, in bytes.
const maxSideText = 4000

var plainJoiners = strings.NewReplacer("&", " and ", "+", " and ")

// eyeInText reads the side out of a text. What it does not understand stays unknown.
func eyeInText(s string, kind textKind) rules.Eye {
	if s == "" || len(s) > maxSideText {
		return rules.EyeUnknown
	}
	if strings.ContainsAny(s, "&+") {
		s = plainJoiners.Replace(s)
	}
	words := strings.FieldsFunc(s, func(r rune) bool { return !unicode.IsLetter(r) && r != '/' && !unicode.IsDigit(r) })
	var said []mention
	for i := range words {
		if e := sideWord(words, i, kind); e != rules.EyeUnknown {
			said = append(said, mention{i, e})
		}
	}
	var found sides
	for _, m := range said {
		found.add(m.eye)
	}
	if found.right && found.left && !found.both {
		for i := 1; i < len(said); i++ {
			if said[i].eye != said[i-1].eye && together(words[said[i-1].at+1:said[i].at]) {
				return rules.BothEyes
			}
		}
		return contradiction
	}
	e, _ := found.eye()
	return e
}

// contradiction is what a text says that names both sides and does not mean both: a conflict of its rank, never a side.
const contradiction rules.Eye = 0xff

// sideWord is the side that the word at i means in its place.
func sideWord(words []string, i int, kind textKind) rules.Eye {
	w := words[i]
	if e, ok := capitals[w]; ok && kind != proseText && (len(w) > 2 || w[0] == 'O' || kind == siteText || besideEye(words, i, kind)) {
		return e
	}
	low := strings.ToLower(w)
	e, ok := sideWords[low]
	if !ok || kind == siteText || kind == nameText && strings.HasPrefix(low, "bilat") || besideEye(words, i, kind) {
		return e
	}
	return rules.EyeUnknown
}

// besideEye reports a word for the eye within two words of i; other sides and what joins them ("right and left eye") are no
// distance.
func besideEye(words []string, i int, kind textKind) bool {
	for _, step := range []int{-1, 1} {
		distance := 0
		for j := i + step; j >= 0 && j < len(words) && distance < 2; j += step {
			low := strings.ToLower(words[j])
			if eyeWords[low] || kind == nameText && eyeThings[low] {
				return true
			}
			if e := sideWords[low]; !joiners[low] && e != rules.RightEye && e != rules.LeftEye {
				distance++
			}
		}
	}
	return false
}

// together reports that nothing but a word that joins, and words for the eye, stands between two sides.
func together(between []string) bool {
	joined := false
	for _, w := range between {
		low := strings.ToLower(w)
		switch {
		case joiners[low]:
			joined = true
		case !eyeWords[low]:
			return false
		}
	}
	return joined
}
