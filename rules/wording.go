package rules

import (
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// LineMax is the greatest length of a flag's line, in characters.
const LineMax = 139

// Line is the one line a surgeon reads: how much to expect, what, which eye, the strongest reason; more counts the other
// reasons. It is never longer than LineMax.
func (c *Catalogue) Line(h Hazard, l Level, eye Eye, reason string, more int) string {
	var p page
	p.Grow(textSize) // it is kept alone: a whole page would be held for it
	return p.line(&c.Wording, h, l, eye, reason, more)
}

// page is where the texts of one assessment are written, one after the other into the same memory.
type page struct{ strings.Builder }

// pageSize is what the texts of most assessments need, in bytes; textSize what most single texts do.
const (
	pageSize = 3072
	textSize = 512
)

// begin is where the next text begins. A full page is not copied into a larger one: a fresh one is taken.
func (p *page) begin() int {
	if p.Cap()-p.Len() < textSize {
		p.Reset()
		p.Grow(pageSize)
	}
	return p.Len()
}

// say is the parts as one text.
func (p *page) say(parts ...string) string {
	from := p.begin()
	for _, s := range parts {
		p.WriteString(s)
	}
	return p.String()[from:]
}

// fill is a template with its places filled in: {name}, and what to put there, in pairs.
func (p *page) fill(template string, pairs ...string) string {
	from := p.begin()
	p.put(template, pairs)
	return p.String()[from:]
}

func (p *page) put(template string, pairs []string) {
	for i := strings.IndexByte(template, '{'); i >= 0; i = strings.IndexByte(template, '{') {
		name, value := "{", "{"
		for k := 0; k < len(pairs); k += 2 {
			if strings.HasPrefix(template[i:], pairs[k]) {
				name, value = pairs[k], pairs[k+1]
			}
		}
		p.WriteString(template[:i])
		p.WriteString(value)
		template = template[i+len(name):]
	}
	p.WriteString(template)
}

func (p *page) line(w *Wording, h Hazard, l Level, eye Eye, reason string, more int) string {
	from := p.begin()
	if l != NoLevel {
		p.WriteString(w.Levels[l.String()])
		p.WriteByte(' ')
	}
	p.WriteString(w.Hazards[string(h)])
	p.WriteString(", ")
	p.WriteString(w.Eyes[eye.String()])
	p.WriteString(": ")
	tail := ""
	if more > 0 {
		tail = " (+" + strconv.Itoa(more) + " more)"
	}
	p.WriteString(clip(reason, LineMax-runes(p.String()[from:])-runes(tail)))
	p.WriteString(tail)
	return p.String()[from:]
}

// reason says what stands, and since when or until when, for the line; rank orders reasons of one factor: current before
// stopped, dated before undated.
func (a *assessor) reason(f *Factor, e *Entry) (string, int) {
	d := entryDate(e)
	if e.Kind == Medication {
		switch {
		case !e.Ended && a.reading.past():
			if d.Known() {
				return a.page.say(f.Name, ", past use by its text, recorded ", d.Text, stillCounts(f)), 2
			}
			return a.page.say(f.Name, ", past use by its text, date unknown", stillCounts(f)), 0
		case !e.Ended && e.Start.Known() && e.Start.From.After(a.at):
			return a.page.say(f.Name, ", planned from ", e.Start.Text), 3
		case !e.Ended && e.Status == "intended":
			return a.page.say(f.Name, ", planned"), 3
		case !e.Ended && e.Status == "unknown":
			return a.page.say(f.Name, ", on record, status unknown"), 3
		case !e.Ended:
			if d.Known() {
				return a.page.say(f.Name, ", current"), 4
			}
			return a.page.say(f.Name, ", current, date unknown"), 3
		case e.End.Known():
			return a.page.say(f.Name, ", stopped ", e.End.Text, stillCounts(f)), 2
		case d.Known():
			return a.page.say(f.Name, ", last known ", d.Text, stillCounts(f)), 1
		default:
			return a.page.say(f.Name, ", stopped, date unknown", stillCounts(f)), 0
		}
	}
	if d.Known() {
		return a.page.say(f.Name, " (", d.Text, ")"), 1
	}
	return a.page.say(f.Name, ", date unknown"), 0
}

func stillCounts(f *Factor) string {
	if f.Persists {
		return " (still counts)"
	}
	return ""
}

// entryDate is the date by which an entry is called: its last known one for a drug that has ended, else its first.
func entryDate(e *Entry) Date {
	if e.Kind == Medication && e.Ended && e.End.Known() {
		return e.End
	}
	if e.Start.Known() {
		return e.Start
	}
	if e.End.Known() {
		return e.End
	}
	return e.Recorded
}

func dateSuffix(e *Entry) string {
	if d := entryDate(e); d.Known() {
		return " " + d.Text
	}
	return ""
}

// nameMax is the greatest length, in characters, of what a text calls an entry.
const nameMax = 60

func statusWord(s string) string {
	if s == "" {
		return "not certain"
	}
	return strings.ReplaceAll(s, "-", " ")
}

// typeNames says in plain words what a type of record is.
var typeNames = map[string][2]string{
	"MedicationStatement":      {"drug history entry", "drug history"},
	"MedicationRequest":        {"prescription", "prescriptions"},
	"MedicationDispense":       {"dispensed drug", "dispensed drugs"},
	"MedicationAdministration": {"given drug", "given drugs"},
	"Procedure":                {"operation or procedure", "operations and procedures"},
	"Condition":                {"diagnosis", "diagnoses"},
	"Observation":              {"measurement", "measurements"},
	"AllergyIntolerance":       {"allergy or intolerance", "allergies and intolerances"},
	"DeviceUseStatement":       {"implant or device", "implants and devices"},
}

func typeWord(t string) string {
	if n, ok := typeNames[t]; ok {
		return n[0]
	}
	return "record"
}

func typeWords(t string) string {
	if n, ok := typeNames[t]; ok {
		return n[1]
	}
	return t
}

// millimetres converts a length; ok is false where the unit is none that is known. Factors: SI, as UCUM defines them.
func millimetres(a Amount) (mm float64, ok bool) {
	switch strings.TrimSpace(strings.ToLower(a.Unit)) {
	case "mm", "millimeter", "millimetre", "millimeters", "millimetres":
		return a.Value, true
	case "cm", "centimeter", "centimetre":
		return a.Value * 10, true
	case "m":
		return a.Value * 1000, true
	case "um", "µm", "μm", "micron", "micrometer", "micrometre":
		return a.Value / 1000, true
	default:
		return 0, false
	}
}

func num(f float64) string {
	s := strconv.FormatFloat(f, 'f', -1, 64)
	if !strings.Contains(s, ".") {
		s += ".0"
	}
	return s
}

func amountText(a Amount) string {
	unit := a.Unit
	if unit == "" {
		unit = "(no unit)"
	}
	return a.Comparator + strconv.FormatFloat(a.Value, 'f', -1, 64) + " " + clip(unit, 12)
}

func runes(s string) int { return utf8.RuneCountInString(s) }

// clip makes s one printable line of at most n characters, cut at a word where possible.
func clip(s string, n int) string {
	if !tidy(s) {
		s = strings.Join(strings.FieldsFunc(s, func(r rune) bool { return unicode.IsSpace(r) || !unicode.IsPrint(r) }), " ")
	}
	if len(s) <= n || runes(s) <= n {
		return s
	}
	r := []rune(s)
	if n < 4 {
		return string(r[:max(n, 0)])
	}
	cut := string(r[:n-3])
	if i := strings.LastIndexByte(cut, ' '); i > n/2 {
		cut = cut[:i]
	}
	return strings.TrimRight(cut, " ,") + "..."
}

// tidy reports a text of printable characters with nothing but single spaces between them.
func tidy(s string) bool {
	last := ' '
	for _, r := range s {
		switch {
		case r > ' ' && r < unicode.MaxASCII: // mostly
		case r == ' ' && last != ' ':
		case r == ' ' || unicode.IsSpace(r) || !unicode.IsPrint(r):
			return false
		}
		last = r
	}
	return s == "" || last != ' '
}
