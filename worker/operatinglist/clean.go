package operatinglist

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/width"
)

// clean makes a text from outside safe to print in one line of a terminal: runs of white space become one space, marks of
// writing direction and other invisible signs go (a name must not be able to turn RIGHT into LEFT), and whatever else is
// not printable becomes a question mark.
func clean(s string) string {
	var b strings.Builder
	space := false
	for _, r := range s {
		switch {
		case '!' <= r && r <= '~': // almost always: the tables are slow
		case r == '\t' || r == '\n' || r == '\r' || unicode.In(r, unicode.Z):
			space = b.Len() > 0
			continue
		case r == '\u200c' || r == '\u200d': // join or part letters in Persian and Indic names; without a width
		case unicode.Is(unicode.Cf, r):
			continue
		case !unicode.IsPrint(r):
			r = '?'
		}
		if space {
			b.WriteByte(' ')
			space = false
		}
		b.WriteRune(r)
	}
	return b.String()
}

// columns is how many columns of a terminal s takes: two for a wide East Asian letter (Unicode annex 11), none for a mark
// that sits on the letter before it.
func columns(s string) int {
	n := 0
	for _, r := range s {
		n += runeColumns(r)
	}
	return n
}

func runeColumns(r rune) int {
	if r < utf8.RuneSelf { // as above
		return 1
	}
	if unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf) {
		return 0
	}
	switch width.LookupRune(r).Kind() {
	case width.EastAsianWide, width.EastAsianFullwidth:
		return 2
	default:
		return 1
	}
}

// pad fills s with spaces to n columns; a longer s stays whole.
func pad(s string, n int) string {
	return s + strings.Repeat(" ", max(0, n-columns(s)))
}

// wrap breaks s at spaces into lines of at most n columns; a word that is longer than a line is broken where it must be.
func wrap(s string, n int) []string {
	var lines []string
	line, used := "", 0
	flush := func() { lines, line, used = append(lines, line), "", 0 }
	for word := range strings.FieldsSeq(s) {
		need := columns(word)
		if used > 0 && used+1+need > n {
			flush()
		}
		if used > 0 {
			line, used = line+" ", used+1
		}
		if used+need <= n {
			line, used = line+word, used+need
			continue
		}
		for _, r := range word {
			c := runeColumns(r)
			if used > 0 && used+c > n {
				flush()
			}
			line, used = line+string(r), used+c
		}
	}
	if used > 0 || len(lines) == 0 {
		flush()
	}
	return lines
}
