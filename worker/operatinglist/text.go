package operatinglist

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"pupilrisk/rules"
)

// The columns of the text. What a surgeon looks for stands at the left edge: the eye under the time, the level under both.
const (
	gutter    = 14 // level, or what the line is about
	leastLine = 60 // a narrower width than this is not kept
	nameWidth = 28
	whyShown  = 3 // records printed per hazard; JSON has them all
)

const (
	dayFormat  = "Mon 2 Jan 2006"
	dueFormat  = "2 Jan"
	timeFormat = "15:04"
)

// levelWords are the words for a level at the left edge.
var levelWords = [...]string{rules.NoLevel: "flag", rules.Low: "NOTE", rules.Moderate: "HAVE READY", rules.High: "EXPECT"}

var eyeWords = map[rules.Eye]string{
	rules.RightEye: "RIGHT", rules.LeftEye: "LEFT", rules.BothEyes: "BOTH", rules.EyeUnknown: "EYE ?",
}

// WriteText prints the list for a person, in lines of at most width columns (60 at least). With colour, the level and the
// eye are printed bold or reversed; nothing else depends on it. The error is w's.
func (l List) WriteText(w io.Writer, width int, colour bool) error {
	p := printer{List: l, out: bufio.NewWriter(w), width: max(width, leastLine), colour: colour}
	p.head()
	p.operations()
	p.notAhead()
	p.foot()
	if err := p.out.Flush(); err != nil {
		return fmt.Errorf("write operating list: %w", err)
	}
	return nil
}

type printer struct {
	List
	out    *bufio.Writer // keeps w's first error for Flush
	width  int
	colour bool
}

// The two emphases: reversed for what must not be overlooked, bold for what the eye looks for. Neither says anything that
// the words do not.
const (
	plain = ""
	bold  = "\x1b[1m"
	loud  = "\x1b[1;7m"
	off   = "\x1b[0m"
)

// styled emphasises s, and not the spaces that fill its column.
func (p *printer) styled(s, style string, n int) string {
	fill := strings.Repeat(" ", max(0, n-columns(s)))
	if !p.colour || style == plain || s == "" {
		return s + fill
	}
	return style + s + off + fill
}

// line prints label in the gutter and text beside it, wrapped under itself.
func (p *printer) line(label, style, text string) {
	for i, t := range wrap(text, p.width-gutter) {
		if i > 0 {
			label, style = "", plain
		}
		p.put("  " + p.styled(label, style, gutter-2) + t)
	}
}

func (p *printer) put(s string) {
	_, _ = p.out.WriteString(strings.TrimRight(s, " "))
	_ = p.out.WriteByte('\n')
}

func (p *printer) paragraph(s string) {
	for _, t := range wrap(s, p.width) {
		p.put(t)
	}
}

// say prints a sentence that begins at the left edge, where a level would stand.
func (p *printer) say(s string) {
	for _, t := range wrap(s, p.width-2) {
		p.put("  " + t)
	}
}

func (p *printer) head() {
	zone := p.zone()
	if p.From.IsZero() {
		p.paragraph("OPERATIONS IN THE FILES GIVEN")
	} else {
		p.paragraph("OPERATING LIST " + p.days())
	}
	about := []string{"times in " + zone.String()}
	if zone == time.Local {
		about[0] = "local times"
	}
	if !p.At.IsZero() {
		about = append(about, "record read "+p.At.In(zone).Format(dayFormat+" "+timeFormat))
	}
	if p.Catalogue != "" {
		about = append(about, "catalogue "+clean(p.Catalogue))
	}
	if p.Mode == "shadow" {
		about = append(about, "SHADOW MODE: nothing of this is written to the record")
	}
	p.paragraph(strings.Join(about, " | "))
	for _, w := range p.Warnings {
		p.paragraph("WARNING: " + clean(w))
	}
	p.summary()
}

// summary counts the operations by what is to be expected, in one line.
func (p *printer) summary() {
	var total, expect, ready, none, unassessed, incomplete, off int
	for _, r := range p.Rows {
		if !r.goesAhead() {
			off++
			continue
		}
		total++
		switch {
		case r.worst() == rules.High:
			expect++
		case r.worst() == rules.Moderate:
			ready++
		case r.Outcome == rules.NotAssessed:
			unassessed++
		default:
			none++
		}
		if r.Outcome != "" && !r.Complete {
			incomplete++
		}
	}
	if total == 0 {
		p.put("")
		if p.From.IsZero() {
			p.paragraph("No eye operation in the files given: nothing was looked for beyond that.")
			return
		}
		p.paragraph(fmt.Sprintf("No eye operation booked %s: nothing was looked for beyond that.", p.days()))
		return
	}
	counts := []string{plural(total, "operation")}
	for _, c := range []struct {
		n    int
		what string
	}{
		{expect, "EXPECT"},
		{ready, "HAVE READY"},
		{unassessed, "NOT ASSESSED"},
		{none, "no warning found (no clearance)"},
		{incomplete, "incomplete"},
		{off, "not going ahead"},
	} {
		if c.n > 0 {
			counts = append(counts, fmt.Sprintf("%d %s", c.n, c.what))
		}
	}
	p.paragraph(strings.Join(counts, " | "))
	p.paragraph("EXPECT: likely, plan for it. HAVE READY: possible, agent and device at hand. ASK: a question may change the answer.")
}

func (p *printer) days() string {
	last := p.To.Add(-time.Nanosecond)
	return fmt.Sprintf("from %s to %s", p.From.In(p.zone()).Format(dayFormat), last.In(p.zone()).Format(dayFormat))
}

// operations prints day by day: first the day in one line each, for whoever has ten seconds, then each operation whole.
func (p *printer) operations() {
	ahead := slices.DeleteFunc(p.sorted(), func(r Row) bool { return !r.goesAhead() })
	for len(ahead) > 0 {
		day := p.day(ahead[0].Start)
		n := 1
		for n < len(ahead) && p.day(ahead[n].Start) == day {
			n++
		}
		p.put("")
		p.put(day + " " + strings.Repeat("-", max(0, p.width-columns(day)-1)))
		p.glance(ahead[:n])
		for _, r := range ahead[:n] {
			p.operation(r)
		}
		ahead = ahead[n:]
	}
}

// glance prints each operation of a day in one line, and what the day asks for in all. A line may be cut: the whole follows.
func (p *printer) glance(day []Row) {
	if len(day) == 1 {
		return
	}
	name := min(nameWidth, p.width/4)
	for _, r := range day {
		label, style, text := "", plain, "no warning found, no clearance"
		switch level := r.worst(); {
		case level >= rules.Moderate:
			label, style = levelWords[level], bold
			var texts []string
			for _, h := range r.ordered() {
				if h.Closed == "" && h.Level >= rules.Moderate {
					t := strings.TrimPrefix(clean(h.Text), levelWords[h.Level]+" ")
					if h.Eye == r.Eye { // it stands at the left already
						t = strings.Replace(t, ", "+eyeWords[h.Eye]+" eye:", ":", 1)
					}
					texts = append(texts, t)
				}
			}
			text = strings.Join(texts, "; ")
			if level == rules.High {
				style = loud
			}
		case r.Outcome == rules.NotAssessed:
			text = "NOT ASSESSED: ask the patient"
		default:
			if ask := r.openQuestion(); ask != "" {
				label, style, text = "ASK", bold, ask+"; "+text
			}
		}
		if r.Outcome != "" && r.Outcome != rules.NotAssessed && !r.Complete {
			text = "INCOMPLETE; " + text
		}
		at := "--:--"
		if !r.Start.IsZero() {
			at = r.Start.In(p.zone()).Format(timeFormat)
		}
		head := "  " + at + "  " + pad(eyeWords[r.Eye], 7) + p.styled(label, style, gutter-2)
		rest := pad(cut(r.name(), name), name) + "  " + text
		p.put(head + cut(rest, p.width-9-7-(gutter-2)))
	}
	var all []string
	count := map[string]int{}
	for _, r := range day {
		for _, a := range r.Prepare {
			if a.Done {
				continue
			}
			if count[a.Text]++; count[a.Text] == 1 {
				all = append(all, a.Text)
			}
		}
	}
	for i, t := range all {
		all[i] = fmt.Sprintf("%s: %d", clean(t), count[t])
	}
	if len(all) > 0 {
		p.line("in all", plain, strings.Join(all, " | "))
	}
}

// openQuestion is an open action that asks something, in its own words: until it is answered, nothing found means less.
func (r Row) openQuestion() string {
	for _, a := range r.Prepare {
		if !a.Done && (a.Code == "confirm-medication-history" || a.Code == "confirm-eye" || a.Code == "assess-by-hand") {
			return clean(a.Text)
		}
	}
	return ""
}

// cut shortens s to n columns, and shows that it did.
func cut(s string, n int) string {
	if columns(s) <= n {
		return s
	}
	left := n - 1 // one is the sign's
	for i, r := range s {
		if left -= runeColumns(r); left < 0 {
			return strings.TrimRight(s[:i], " ") + "…"
		}
	}
	return s
}

func (p *printer) day(start time.Time) string {
	if start.IsZero() {
		return "No date yet"
	}
	return start.In(p.zone()).Format(dayFormat)
}

func (p *printer) operation(r Row) {
	p.put("")
	p.who(r)
	p.outcome(r)
	for _, h := range r.ordered() {
		p.hazard(h)
	}
	p.prepare(r)
	for i, m := range r.Missing {
		label := ""
		if i == 0 {
			label = "missing"
		}
		p.line(label, plain, "? "+clean(m))
	}
	if len(r.Context) > 0 {
		notes := make([]string, len(r.Context))
		for i, c := range r.Context {
			notes[i] = clean(c)
		}
		p.line("also", plain, strings.Join(notes, "; "))
	}
}

// who prints time, eye, patient and booking.
func (p *printer) who(r Row) {
	at := "--:--"
	if !r.Start.IsZero() {
		at = r.Start.In(p.zone()).Format(timeFormat)
	}
	name := r.name()
	service := clean(r.Service)
	if service == "" {
		service = "service not stated"
	}
	if r.State != "" && r.State != "booked" {
		service += " (" + r.status() + ")"
	}
	head := at + "  " + p.styled(eyeWords[r.Eye], bold, gutter-len(at)-2)
	rest := pad(name, nameWidth) + "  " + strings.Join(notEmpty(p.born(r), clean(r.PatientID), service), "  ")
	if gutter+columns(rest) <= p.width {
		p.put(head + rest)
		return
	}
	for i, t := range wrap(strings.Join(notEmpty(name, p.born(r), clean(r.PatientID), service), " | "), p.width-gutter) {
		if i > 0 {
			head = strings.Repeat(" ", gutter)
		}
		p.put(head + t)
	}
}

func (r Row) name() string {
	if name := clean(r.Patient); name != "" {
		return name
	}
	return "NAME NOT RECORDED"
}

// born is the date of birth with the age on the day of the operation, where the date is whole.
func (p *printer) born(r Row) string {
	born, err := time.Parse(time.DateOnly, r.Born)
	start := r.Start.In(p.zone())
	if err != nil || r.Start.IsZero() || born.After(start) {
		if r.Born == "" {
			return "born ?"
		}
		return "born " + clean(r.Born)
	}
	years := start.Year() - born.Year()
	if start.Month() < born.Month() || start.Month() == born.Month() && start.Day() < born.Day() {
		years--
	}
	return fmt.Sprintf("born %s (%d)", r.Born, years)
}

// outcome prints what was found where that is not a hazard.
func (p *printer) outcome(r Row) {
	standing := func(h Hazard) bool { return h.Closed == "" }
	switch {
	case r.Outcome == rules.NotAssessed:
		p.put("  " + p.styled("NOT ASSESSED: ask the patient", loud, 0))
		return
	case r.worst() >= rules.Moderate:
	case r.Outcome == rules.NoneFound:
		p.say("No warning in the records read; not a clearance")
	case slices.ContainsFunc(r.Hazards, standing):
	case len(r.Hazards) > 0:
		p.say("No warning stands any more; not a clearance")
	default:
		p.say("No warning stands in the record; not a clearance: it may not have been assessed")
	}
	if r.Outcome != "" && !r.Complete {
		p.line("INCOMPLETE", bold, "the record read is not whole; see what is missing")
	}
}

// hazard prints one hazard and the records it rests on.
func (p *printer) hazard(h Hazard) {
	label, style := levelWords[h.Level], plain
	text := clean(h.Text)
	switch {
	case h.Closed != "":
		label = "closed"
		text += " -- " + clean(h.Closed)
	case h.Level == rules.High:
		style = loud
	case h.Level == rules.Moderate:
		style = bold
	}
	// The flag's line begins with the level's word, which stands in the gutter already.
	text = strings.TrimPrefix(text, label+" ")
	p.line(label, style, text)
	for i, y := range h.Why {
		if i == whyShown && len(h.Why) > whyShown+1 {
			p.line("", plain, fmt.Sprintf("why: and %s", plural(len(h.Why)-i, "more record")))
			break
		}
		p.line("", plain, "why: "+y.text())
	}
}

// sources says in a clinic's words which part of the record something stands in. JSON has the reference.
var sources = map[string]string{
	"MedicationStatement": "drug history", "MedicationRequest": "prescription", "MedicationDispense": "dispensed", "MedicationAdministration": "given",
	"Procedure": "procedure", "Condition": "diagnosis", "Observation": "measurement", "AllergyIntolerance": "allergies", "DeviceUseStatement": "device",
	"ServiceRequest": "order", "Appointment": "booking",
}

func (y Why) text() string {
	date := clean(y.Date)
	if date == "" && y.What != "" { // without What only the record is known, not what stands in it
		date = "date unknown"
	}
	source := clean(y.Record)
	if kind, _, _ := strings.Cut(y.Record, "/"); y.What != "" && sources[kind] != "" {
		source = sources[kind]
	}
	s := strings.Join(notEmpty(clean(y.What), date, source), " | ")
	switch y.How {
	case rules.ByText:
		s += " (by its name)"
	case rules.ByClass:
		s += " (by its class)"
	case rules.BySpelling:
		s += " (matched by spelling, confirm)"
	}
	return s
}

// prepare prints the actions as ticks, as many on a line as fit.
func (p *printer) prepare(r Row) {
	const between = "   "
	var lines []string
	for _, a := range r.Prepare {
		tick := p.tick(a)
		last := len(lines) - 1
		if last >= 0 && columns(lines[last]+between+tick) <= p.width-gutter {
			lines[last] += between + tick
			continue
		}
		lines = append(lines, wrap(tick, p.width-gutter)...)
	}
	for i, line := range lines {
		label := ""
		if i == 0 {
			label = "prepare"
		}
		p.put("  " + pad(label, gutter-2) + line)
	}
	if said := r.particular(); len(said) > 0 {
		p.line("with", bold, strings.Join(said, " "))
	}
}

// particular are the sentences of what this eye asks for, each once, though more than one action says them.
func (r Row) particular() []string {
	var said []string
	for _, a := range r.Prepare {
		if a.Done {
			continue
		}
		for s := range strings.SplitAfterSeq(clean(a.Particular), ". ") {
			if s = strings.TrimSpace(s); s != "" && !slices.Contains(said, s) {
				said = append(said, s)
			}
		}
	}
	return said
}

func (p *printer) tick(a Prepare) string {
	box, due := "[ ] ", ""
	switch {
	case a.Done:
		box = "[x] "
	case a.Due.IsZero():
	case !p.At.IsZero() && !a.Due.After(p.At):
		due = "NOW"
	default:
		due = "by " + a.Due.In(p.zone()).Format(dueFormat)
	}
	state := clean(a.State)
	if state == "requested" {
		state = ""
	}
	s := box + clean(a.Text)
	if about := notEmpty(clean(a.Who), due, state); len(about) > 0 {
		s += " (" + strings.Join(about, ", ") + ")"
	}
	return s
}

// notAhead prints what was booked and does not happen, one line each.
func (p *printer) notAhead() {
	first := true
	for _, r := range p.sorted() {
		if r.goesAhead() {
			continue
		}
		if first {
			p.put("")
			p.put("NOT GOING AHEAD")
			first = false
		}
		at := "no date"
		if !r.Start.IsZero() {
			at = r.Start.In(p.zone()).Format("Mon " + dueFormat + " " + timeFormat)
		}
		p.paragraph(strings.Join(notEmpty(at, eyeWords[r.Eye], clean(r.Patient), clean(r.PatientID), r.status()), " | "))
	}
}

// status is the booking's status word as a person reads it.
func (r Row) status() string {
	switch r.State {
	case "noshow":
		return "did not come"
	case "entered-in-error":
		return "booked in error"
	case "fulfilled":
		return "done"
	}
	return clean(r.State)
}

func (p *printer) foot() {
	p.put("")
	for _, g := range p.SiteGaps {
		p.paragraph("Not held by this site, so never read: " + clean(g))
	}
	footer := p.Footer
	if len(footer) == 0 {
		footer = Cautions
	}
	lines := make([]string, len(footer))
	for i, f := range footer {
		lines[i] = clean(f)
	}
	p.paragraph(strings.Join(lines, " "))
}

func notEmpty(s ...string) []string {
	var out []string
	for _, x := range s {
		if x != "" {
			out = append(out, x)
		}
	}
	return out
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
