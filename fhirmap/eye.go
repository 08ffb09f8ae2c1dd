package fhirmap

import (
	"hash/maphash"
	"maps"
	"slices"
	"strings"
	"sync/atomic"
	"unicode"
	"unicode/utf8"

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
	case c2, (coded == rules.RightEye && written == rules.LeftEye) || (coded == rules.LeftEye && written == rules.RightEye):
		return rules.EyeUnknown, true
	default:
		return coded, false
	}
}

// concept reads the coded side from the codings of a concept and the written one from its texts.
func (s *side) concept(c rules.Concept, kind textKind) {
	for _, k := range c.Codes {
		before := s.coded
		if s.coding(k); s.coded == before {
			s.written.add(eyeInText(k.Display, kind)) // else the display only repeats its code
		}
	}
	s.written.add(eyeInText(c.Text, kind))
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

// sideLengths tells nearly every word that is none for a side without looking it up.
var sideLengths = lengthsOf(slices.Concat(slices.Collect(maps.Keys(sideWords)), slices.Collect(maps.Keys(capitals))))

// besideLengths is the same for what counts beside it.
var besideLengths = lengthsOf(slices.Concat(slices.Collect(maps.Keys(sideWords)), slices.Collect(maps.Keys(eyeWords)),
	slices.Collect(maps.Keys(eyeThings)), slices.Collect(maps.Keys(joiners))))

// lengths holds, for each first letter, the lengths of words, as bits.
type lengths [utf8.RuneSelf]uint32

func lengthsOf(words []string) (l lengths) {
	for _, w := range words {
		if w[0] >= utf8.RuneSelf {
			continue // is never told apart
		}
		for _, first := range strings.ToLower(w[:1]) + strings.ToUpper(w[:1]) {
			l[first] |= 1 << len(w)
		}
	}
	return l
}

// may reports that a word begins and is as long as one of the list. In other letters than ASCII, capitals may differ in length.
func (l *lengths) may(w string) bool {
	if w[0] < utf8.RuneSelf && l[w[0]]>>len(w)&1 != 0 {
		return true
	}
	for i := range len(w) {
		if w[i] >= utf8.RuneSelf {
			return true
		}
	}
	return false
}

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

// eyeTexts remembers what short texts say, in the memory of the process alone: names and sites repeat from patient to patient.
// Each has one place, which the last to come takes.
var (
	eyeTexts    [4096]atomic.Pointer[eyeText]
	eyeTextSeed = maphash.MakeSeed()
)

type eyeText struct {
	text string
	kind textKind
	eye  rules.Eye
}

// maxEyeText is the length in bytes up to which texts are remembered.
const maxEyeText = 160

// eyeInText reads the side out of a text. What it does not understand stays unknown.
func eyeInText(s string, kind textKind) rules.Eye {
	switch {
	case s == "" || len(s) > maxSideText:
		return rules.EyeUnknown
	case len(s) > maxEyeText || kind == proseText:
		return readEye(s, kind)
	}
	place := &eyeTexts[(maphash.String(eyeTextSeed, s)+uint64(kind))%uint64(len(eyeTexts))]
	known := place.Load()
	if known == nil || known.text != s || known.kind != kind {
		known = &eyeText{strings.Clone(s), kind, readEye(s, kind)}
		place.Store(known)
	}
	return known.eye
}

func readEye(s string, kind textKind) rules.Eye {
	if strings.IndexByte(s, '&') >= 0 || strings.IndexByte(s, '+') >= 0 {
		s = plainJoiners.Replace(s)
	}
	var space [32]string // most texts are short
	words := appendWords(space[:0], s)
	var said []mention
	for i, w := range words {
		if !sideLengths.may(w) {
			continue
		}
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

// wordBytes are the letters, digits and the slash.
var wordBytes = func() (is [utf8.RuneSelf]bool) {
	for r := range rune(len(is)) {
		is[r] = wordRune(r)
	}
	return is
}()

func wordRune(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) || r == '/' }

// appendWords splits a text into its words.
func appendWords(words []string, s string) []string {
	start, in := 0, false
	for i := 0; i < len(s); {
		part, size := false, 1
		if c := s[i]; c < utf8.RuneSelf {
			part = wordBytes[c]
		} else {
			var r rune
			r, size = utf8.DecodeRuneInString(s[i:])
			part = wordRune(r)
		}
		if part != in {
			if in {
				words = append(words, s[start:i])
			}
			start, in = i, part
		}
		i += size
	}
	if in {
		words = append(words, s[start:])
	}
	return words
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
			if !besideLengths.may(words[j]) {
				distance++
				continue
			}
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
