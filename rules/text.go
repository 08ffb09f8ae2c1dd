package rules

import (
	"iter"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// word is one word of a text: folded (lower case, no accents), with its place in the text as written and its clause.
type word struct {
	text       string
	start, end int // bytes of the text
	clause     int
	// after holds the marks between the word before and this one.
	after mark
}

// mark says what divides two words.
type mark uint8

const (
	markBreak mark = 1 << iota // full stop, comma, semicolon, bracket, new line
	markColon
	markDash // a dash with spaces
)

// maxText bounds what is read of one text, in bytes: a name is shorter, and a letter pasted into a name field is not one.
const maxText = 4096

// words splits a text into words: runs of letters, runs of digits, and single characters of the scripts that write no
// spaces. Invisible characters inside a word are passed over.
func words(text string) []word {
	if len(text) > maxText {
		text = text[:maxText]
	}
	var (
		out   = make([]word, 0, 1+len(text)/6)
		buf   = make([]byte, 0, 64)
		start int
		class rune // 'a' in letters, '0' in digits, 0 outside
		marks mark
		prev  rune
	)
	flush := func(end int) {
		if len(buf) > 0 {
			folded := text[start:end]
			if string(buf) != folded {
				folded = string(buf)
			}
			out = append(out, word{text: folded, start: start, end: end, after: marks})
			buf, marks = buf[:0], 0
		}
		class = 0
	}
	for i, r := range text {
		var c rune
		switch {
		case r >= utf8.RuneSelf && unicode.Is(unicode.Cf, r):
			continue
		case unicode.IsDigit(r):
			c = '0'
		case unicode.IsLetter(r) || (unicode.IsMark(r) && class == 'a'):
			c = 'a'
		}
		if c != class || c == 0 || unspaced(r) {
			flush(i)
		}
		if c != 0 {
			if len(buf) == 0 {
				start = i
			}
			buf = appendFolded(buf, r)
			class = c
			if unspaced(r) {
				flush(i + utf8.RuneLen(r))
			}
		} else {
			marks |= markOf(text, i, r, prev)
		}
		prev = r
	}
	flush(len(text))
	clauses(out)
	return out
}

// unspaced reports a script in which words are not divided, so that each character stands as a word of its own.
func unspaced(r rune) bool {
	return r > 0x2E7F && unicode.In(r, unicode.Han, unicode.Hiragana, unicode.Katakana)
}

// plainLetters are letters that Unicode does not take apart.
var plainLetters = map[rune]string{
	'ß': "ss", 'æ': "ae", 'œ': "oe", 'ø': "o", 'ł': "l", 'đ': "d", 'ı': "i", 'þ': "th", 'ð': "d", 'ħ': "h",
}

func appendFolded(buf []byte, r rune) []byte {
	if r < utf8.RuneSelf {
		return append(buf, byte(unicode.ToLower(r)))
	}
	r = unicode.ToLower(r)
	if s, ok := plainLetters[r]; ok {
		return append(buf, s...)
	}
	for _, d := range norm.NFKD.String(string(r)) {
		if !unicode.IsMark(d) {
			buf = utf8.AppendRune(buf, unicode.ToLower(d))
		}
	}
	return buf
}

func markOf(text string, i int, r, prev rune) mark {
	switch r {
	case '.', ',':
		// A decimal point divides nothing.
		if next, _ := utf8.DecodeRuneInString(text[i+1:]); unicode.IsDigit(prev) && unicode.IsDigit(next) {
			return 0
		}
		return markBreak
	case ';', '!', '?', '(', ')', '[', ']', '{', '}', '\n', '\r', '|', '•', '、', '。', '，', '；':
		return markBreak
	case ':', '=', '：':
		return markColon
	case '-', '–', '—':
		if next, _ := utf8.DecodeRuneInString(text[i+utf8.RuneLen(r):]); unicode.IsSpace(prev) || unicode.IsSpace(next) {
			return markDash
		}
	}
	return 0
}

// clauses numbers the clauses of a text. A clause ends at a break, at a spaced dash, before a word that turns the sentence,
// and after an answer on a form ("smoker: no").
func clauses(ws []word) {
	n := 0
	for i := range ws {
		w := &ws[i]
		if i > 0 {
			p := ws[i-1]
			answered := answers[p.text] && p.after&(markColon|markDash) != 0 && i > 1 && formGoesOn(ws[i-1:])
			dash := w.after&markDash != 0 && !answers[w.text]
			joined := conjunctions[p.text] && opens[w.text]
			if w.after&markBreak != 0 || dash || turns[w.text] || answered || joined {
				n++
			}
		}
		w.clause = n
	}
}

// formGoesOn reports that another "name: answer" follows before the sentence ends.
func formGoesOn(ws []word) bool {
	for _, w := range ws[1:] {
		if w.after&markBreak != 0 {
			return false
		}
		if w.after&(markColon|markDash) != 0 {
			return true
		}
	}
	return false
}

func set(list string) map[string]bool {
	m := map[string]bool{}
	for _, w := range strings.Fields(list) {
		m[w] = true
	}
	return m
}

// The words by which a clause denies. Only these deny: stopped, ceased, previous, was on, intolerant are exposure.
// Common practice, no source; the list of what may deny is the house's.
var (
	denials = set("never no without denies denied denying")
	answers = set("no none never denied absent negative nil")
	// between are the words that may stand between a denial and the name it denies. Any other word ends its reach: "no
	// longer takes", "no problems with", "never missed" deny nothing.
	between = set(`a an the any ever of for to in on from with at
		history h o hx past previous previously prior known recorded documented evidence sign signs
		use used using usage intake exposure take takes taken taking took receive receives received had has have having been
		being was prescribed given started treatment treated therapy medication medications medicine medicines
		drug drugs tablet tablets alpha alfa blocker blockers such as like eg including or nor
		significant obvious visible definite clear apparent frank gross right left both either eye eyes bilateral ocular`)
	// turns are words that begin a new clause; opens do so after and.
	turns        = set("but however although though whereas except currently nowadays patient pt")
	conjunctions = set("and und et y e")
	opens        = set("he she they now then is was has had takes took taking uses used started stopped on")

	relatives = set(`father fathers mother mothers brother brothers sister sisters daughter daughters husband wife spouse
		grandfather grandmother grandparent grandparents uncle aunt cousin cousins sibling siblings maternal paternal familial fhx`)
	// reports are words that make a relative the one who tells, or who helps, and not the one who takes.
	reports = set(`says said reports reported states stated confirms confirmed thinks believes recalls remembers tells told informs
		informed mentions mentioned gives gave given administers helps brought according per via`)
	takes = set("takes took taking taken uses used using tried borrowed given")
)

// denied reports that the clause of the words ws[i:j] says that it was not so, or that it was so of somebody else.
func denied(ws []word, i, j int) bool {
	return deniedBefore(ws, i) || deniedAfter(ws, j) || ofRelative(ws, i, j)
}

func deniedBefore(ws []word, i int) bool {
	for k := i - 1; k >= 0 && ws[k].clause == ws[i].clause; k-- {
		w, next := ws[k].text, ""
		if k+1 < i {
			next = ws[k+1].text
		}
		switch {
		case denials[w]:
			return true
		case w == "not":
			return next == "on"
		case !between[w] && next != "or" && next != "nor":
			return false
		}
	}
	return false
}

// deniedAfter reports an answer that ends the clause: "tamsulosin: never", "synechiae none".
func deniedAfter(ws []word, j int) bool {
	if j >= len(ws) || ws[j].clause != ws[j-1].clause || !answers[ws[j].text] {
		return false
	}
	for k := j + 1; k < len(ws) && ws[k].clause == ws[j].clause; k++ {
		if !between[ws[k].text] {
			return false
		}
	}
	return true
}

// past are the words by which a drug's own name says that it is over, whatever the status of the record. They change the words
// of a warning and never its level.
var past = set("stopped ceased discontinued previous previously prev former formerly past until ex")

// saysPast reports that a name speaks of past use: "tamsulosin (stopped 2014)", "was on tamsulosin".
func saysPast(ws []word) bool {
	for i, w := range ws {
		if past[w.text] || startsWith(ws[i:], []string{"was", "on"}) {
			return true
		}
	}
	return false
}

// ofRelative reports that a family member is named in the clause and is the one meant.
func ofRelative(ws []word, i, j int) bool {
	clause := ws[i].clause
	lo, hi := i, j
	for lo > 0 && ws[lo-1].clause == clause {
		lo--
	}
	for hi < len(ws) && ws[hi].clause == clause {
		hi++
	}
	c := ws[lo:hi]
	if slices.ContainsFunc(c, func(w word) bool { return reports[w.text] }) {
		return false
	}
	for k, w := range c {
		family := (w.text == "family" || w.text == "familien") && k+1 < len(c) && (c[k+1].text == "history" || c[k+1].text == "hx" || c[k+1].text == "h")
		if !family && !relatives[w.text] {
			continue
		}
		owned := k+1 < len(c) && c[k+1].text == "s" && slices.ContainsFunc(c[:k], func(w word) bool { return takes[w.text] })
		if !owned {
			return true
		}
	}
	return false
}

// startsWith reports whether the words begin with the phrase, as whole words in sequence.
func startsWith(ws []word, phrase []string) bool {
	if len(ws) < len(phrase) {
		return false
	}
	for k, p := range phrase {
		if ws[k].text != p {
			return false
		}
	}
	return true
}

// foldPhrase is a phrase of the catalogue as words are compared.
func foldPhrase(s string) []string {
	ws := words(s)
	out := make([]string, len(ws))
	for i, w := range ws {
		out[i] = w.text
	}
	return out
}

// minNearLetters is the least length of a name that may be one letter off.
const minNearLetters = 8

// deletions are s and every word that s becomes when one letter is left out, each valid until the next. Two words are at most
// one edit apart only if they share one of them.
func deletions(s string) iter.Seq[[]byte] {
	return func(yield func([]byte) bool) {
		buf := make([]byte, 0, 64)
		if !yield(append(buf, s...)) {
			return
		}
		var last rune
		for i, r := range s {
			if r != last && !yield(append(append(buf, s[:i]...), s[i+utf8.RuneLen(r):]...)) {
				return
			}
			last = r
		}
	}
}

// oneEdit reports whether a becomes b by one letter left out, put in, changed, or changed places with its neighbour.
func oneEdit(a, b string) bool {
	x, y := []rune(a), []rune(b)
	if len(x) > len(y) {
		x, y = y, x
	}
	if len(y)-len(x) > 1 {
		return false
	}
	i := 0
	for i < len(x) && x[i] == y[i] {
		i++
	}
	if len(x) < len(y) {
		return slices.Equal(x[i:], y[i+1:])
	}
	if i == len(x) || slices.Equal(x[i+1:], y[i+1:]) {
		return true
	}
	return i+1 < len(x) && x[i] == y[i+1] && x[i+1] == y[i] && slices.Equal(x[i+2:], y[i+2:])
}

// excerptMax is the greatest length, in characters, of what is shown of a text in which something was recognised.
const excerptMax = 80

// excerpt is what a text writes where words i to j were recognised: the whole of it if short, else the clause, else the
// words themselves.
func excerpt(text string, ws []word, i, j int) string {
	text = text[:min(len(text), maxText)]
	if whole := strings.TrimSpace(text); utf8.RuneCountInString(whole) <= excerptMax && utf8.ValidString(whole) {
		return whole
	}
	lo, hi := i, j
	for lo > 0 && ws[lo-1].clause == ws[i].clause {
		lo--
	}
	for hi < len(ws) && ws[hi].clause == ws[i].clause {
		hi++
	}
	if s := text[ws[lo].start:ws[hi-1].end]; utf8.RuneCountInString(s) <= excerptMax {
		return strings.ToValidUTF8(s, "")
	}
	return strings.ToValidUTF8(text[ws[i].start:ws[j-1].end], "")
}
