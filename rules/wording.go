package rules

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
)

// LineMax is the greatest length of a flag's line, in characters.
const LineMax = 139

// Line is the one line a surgeon reads: how much to expect, what, which eye, the strongest reason; more counts the other
// reasons. It is never longer than LineMax.
func (c *Catalogue) Line(h Hazard, l Level, eye Eye, reason string, more int) string {
	w := c.Wording
	head := fmt.Sprintf("%s %s, %s: ", w.Levels[l.String()], w.Hazards[string(h)], w.Eyes[eye.String()])
	if l == NoLevel {
		head = fmt.Sprintf("%s, %s: ", w.Hazards[string(h)], w.Eyes[eye.String()])
	}
	tail := ""
	if more > 0 {
		tail = fmt.Sprintf(" (+%d more)", more)
	}
	return head + clip(reason, LineMax-runes(head)-runes(tail)) + tail
}

// gap is a gap worded by the catalogue, with name filled in.
func (c *Catalogue) gap(kind GapKind, name string) Gap {
	return Gap{Kind: kind, Text: strings.ReplaceAll(c.Wording.Gaps[string(kind)], "{name}", name)}
}

// reason says what stands, and since when or until when, for the line; rank orders reasons of one factor: current before
// stopped, dated before undated.
func (a *assessor) reason(f *Factor, e *Entry) (string, int) {
	d := entryDate(e)
	if e.Kind == Medication {
		switch {
		case !e.Ended && saysPast(e):
			if d.Known() {
				return f.Name + ", past use by its text, recorded " + d.Text + stillCounts(f), 2
			}
			return f.Name + ", past use by its text, date unknown" + stillCounts(f), 0
		case !e.Ended:
			if d.Known() {
				return f.Name + ", current", 4
			}
			return f.Name + ", current, date unknown", 3
		case e.End.Known():
			return f.Name + ", stopped " + e.End.Text + stillCounts(f), 2
		case d.Known():
			return f.Name + ", last known " + d.Text + stillCounts(f), 1
		default:
			return f.Name + ", stopped, date unknown" + stillCounts(f), 0
		}
	}
	switch {
	case d.Known():
		return f.Name + " (" + d.Text + ")", 1
	default:
		return f.Name + ", date unknown", 0
	}
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

// entryName is what an entry is called in a question.
func entryName(e *Entry) string {
	name, _ := drugName(e)
	return name
}

// drugName is the name of an entry, and whether a person can read it as one.
func drugName(e *Entry) (name string, readable bool) {
	code := ""
	for _, c := range e.Concepts {
		if strings.TrimSpace(c.Text) != "" {
			return clip(c.Text, 60), true
		}
		for _, k := range c.Codes {
			if strings.TrimSpace(k.Display) != "" {
				return clip(k.Display, 60), true
			}
			if code == "" && k.Code != "" {
				code = clip("code "+k.Code, 60)
			}
		}
	}
	if code == "" {
		code = "no name recorded"
	}
	return code, false
}

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

func runes(s string) int { return len([]rune(s)) }

// clip makes s one printable line of at most n characters, cut at a word where possible.
func clip(s string, n int) string {
	s = strings.Join(strings.FieldsFunc(s, func(r rune) bool { return unicode.IsSpace(r) || !unicode.IsPrint(r) }), " ")
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	if n < 4 {
		return string(r[:max(n, 0)])
	}
	cut := string(r[:n-3])
	if i := strings.LastIndexByte(cut, ' '); i > n/2 {
		cut = cut[:i]
	}
	return strings.TrimRight(cut, " ,") + "..."
}
