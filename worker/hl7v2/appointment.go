package hl7v2

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Options say how a booking is read out of a message.
type Options struct {
	// Zone of times without an offset; nil means UTC.
	Zone *time.Location
	// Service names the fields that say what is booked and on which eye: AIS-3, SCH-7, NTE-3.
	Service []string
}

// Booking is what one message says of a booking, as elements of a FHIR R4 Appointment.
type Booking struct {
	// ID is the booking's business identifier: the filler's (SCH-2), else the placer's (SCH-1).
	ID string
	// At is the time of the message (MSH-7); zero if it gives none.
	At time.Time
	// Elements are what the message speaks of, by name of the Appointment's element: null takes it back, and what is not here the
	// message says nothing of. ServiceTypes stand one by one, see Services.
	Elements map[string]jsontext.Value
}

const (
	// Services is the prefix of the elements that hold serviceType, one for each place of the message that says what is booked, so that
	// a message about one service of several (S18 to S22) replaces that one alone. The element Services itself says that the message
	// names all there are.
	Services = "serviceType"
	// People is an element beside those of the Appointment: a list of Person.
	People = "people"
)

// Person is a patient as a message names one (PID).
type Person struct {
	IDs  []string `json:"ids"`
	Born string   `json:"born,omitempty"` // day, YYYY-MM-DD
}

// The parts of an Appointment that are written, with the names of FHIR R4 (hl7.org/fhir/R4/appointment.html).
type (
	coding struct {
		System  string `json:"system,omitempty"`
		Code    string `json:"code,omitempty"`
		Display string `json:"display,omitempty"`
	}
	concept struct {
		Coding []coding `json:"coding,omitempty"`
		Text   string   `json:"text,omitempty"`
	}
	identifier struct {
		Type   *concept `json:"type,omitempty"`
		System string   `json:"system,omitempty"`
		Value  string   `json:"value"`
		Period *period  `json:"period,omitempty"`
	}
	reference struct {
		Type       string      `json:"type"`
		Identifier *identifier `json:"identifier,omitempty"`
		Display    string      `json:"display,omitempty"`
	}
	period struct {
		Start string `json:"start,omitempty"`
		End   string `json:"end,omitempty"`
	}
	participant struct {
		Type   []concept  `json:"type,omitempty"`
		Actor  *reference `json:"actor,omitempty"`
		Status string     `json:"status"`
		Period *period    `json:"period,omitempty"`
	}
)

// triggerStatus is the status that an event means. Those that end a booking say so whatever SCH-25 says; the others where it says
// nothing. The rest change a booking and leave its status.
var triggerStatus = map[string]struct {
	status string
	rules  bool
}{
	"S12": {"booked", false}, "S13": {"booked", false}, "S27": {"booked", false},
	"S15": {"cancelled", true}, "S16": {"cancelled", true}, "S17": {"entered-in-error", true}, "S26": {"noshow", true},
}

// fillerStatus is HL7's concept map of table 0278 to AppointmentStatus, without regard to case. Codes below the line are no part of the
// map: spellings that senders use, and those the map leaves open, as what they mean for a booked operation. Blocked is no status of
// a booking.
var fillerStatus = map[string]string{
	"pending": "pending", "waitlist": "waitlist", "booked": "booked", "started": "checked-in", "complete": "fulfilled", "cancelled": "cancelled",
	"deleted": "entered-in-error", "noshow": "noshow",
	// ---
	"discontinued": "cancelled", "dc": "cancelled", "overbook": "booked", "canceled": "cancelled", "confirmed": "booked", "completed": "fulfilled",
	"proposed": "proposed", "arrived": "arrived", "no-show": "noshow", "waitlisted": "waitlist",
}

// reasons is HL7's concept map of table 0276 to SNOMED CT.
var reasons = map[string]coding{
	"ROUTINE":   {"http://snomed.info/sct", "3780001", "Routine patient disposition, no follow-up planned"},
	"CHECKUP":   {"http://snomed.info/sct", "866149003", "Annual visit (procedure)"},
	"FOLLOWUP":  {"http://snomed.info/sct", "185389009", "Follow-up visit (procedure)"},
	"EMERGENCY": {"http://snomed.info/sct", "373110003", "Emergency procedure (procedure)"},
}

// codeSystems are names of table 0396 (coding systems, from memory) whose URI in FHIR is another. HL7nnnn is table nnnn.
var codeSystems = map[string]string{
	"SCT": "http://snomed.info/sct", "LN": "http://loinc.org", "I10": "http://hl7.org/fhir/sid/icd-10", "I10P": "http://www.cms.gov/Medicare/Coding/ICD10",
	"C4": "http://www.ama-assn.org/go/cpt",
}

// builder gathers the elements of one message.
type builder struct {
	h        Header
	o        Options
	elements map[string]any
	people   []Person
	actors   []participant
	// services by place; whole reports that they are all there are.
	services map[string][]concept
	comment  []string
	based    []reference
	start    string // of a resource, where the booking's own is not said
	statuses []string
}

// Booking reads what a message about a booking says, by HL7's own maps of version 2 to FHIR (hl7.org/fhir/uv/v2mappings: SCH, AIS, AIL,
// AIP, PID to Appointment; tables 0276, 0277, 0278). ok is false where it names no booking.
func (m Message) Booking(o Options) (b Booking, ok bool) {
	x := builder{h: m.Header, o: o, elements: map[string]any{}, services: map[string][]concept{}}
	partial, group, gone, before := false, "", false, ""
	for i, s := range m.Segments {
		name := s.Name()
		switch name {
		case "MSH":
			if at, err := ParseTime(x.h.Part(s.Field(6), 1, 1), o.Zone); err == nil {
				b.At = at
			}
		case "SCH":
			b.ID = x.schedule(s)
		case "TQ1":
			x.timing(s.Field(7), s.Field(8), 1, 1)
		case "PID":
			x.person(s)
		case "RGS":
			group, gone = x.text(s, 1), x.text(s, 2) == "D"
		case "NTE":
			if t := x.h.unescape(s.Field(3)); t != "" && t != deleted && slices.Contains([]string{"SCH", "TQ1", "AIS"}, before) {
				x.comment = append(x.comment, t)
			}
		}
		place := name
		if strings.HasPrefix(name, "AI") {
			action := x.text(s, 2)
			partial = partial || action != "" && action != "X"
			place = "AI/" + group + "/" + x.text(s, 1) + "/" + name
			if gone || action == "D" {
				x.services[place] = nil
				before = name
				continue
			}
			x.resource(s, name)
		}
		if name != "NTE" {
			before = name
		}
		x.service(s, name, place, i)
	}
	if b.ID == "" {
		return b, false
	}
	partial = partial && m.Header.Trigger >= "S18" && m.Header.Trigger <= "S22"
	b.Elements = x.finish(partial)
	return b, true
}

// text is the first component of a field's first repetition, "" for the delete marker.
func (x *builder) text(s Segment, n int) string {
	t := x.h.Part(x.h.first(s.Field(n)), 1, 1)
	if t == deleted {
		return ""
	}
	return t
}

// schedule reads SCH.
func (x *builder) schedule(s Segment) (id string) {
	var all []identifier
	for _, n := range []int{1, 2} {
		if e, ok := x.entity(x.h.first(s.Field(n))); ok {
			all = append(all, e)
			id = e.Value
		}
	}
	if len(all) > 0 {
		x.elements["identifier"] = all
	}
	reason := x.h.first(s.Field(7))
	switch c, ok := x.concept(reason); {
	case reason == deleted:
		x.elements["reasonCode"] = nil
	case !ok:
	case x.h.Part(reason, 3, 1) == "HL70277":
		x.elements["appointmentType"] = c
	default:
		if mapped, ok := reasons[strings.ToUpper(x.h.Part(reason, 1, 1))]; ok && x.h.Part(reason, 3, 1) == "HL70276" {
			c.Coding = []coding{mapped}
		}
		x.elements["reasonCode"] = []concept{c}
	}
	if c, ok := x.concept(x.h.first(s.Field(8))); ok {
		x.elements["appointmentType"] = c
	}
	if minutes, err := strconv.Atoi(x.text(s, 9)); err == nil && minutes > 0 && minutes <= 7*24*60 && isMinutes(x.text(s, 10)) {
		x.elements["minutesDuration"] = minutes
	}
	x.timing(x.h.first(s.Field(11)), x.h.first(s.Field(11)), 4, 5)
	for _, n := range []int{26, 27} {
		for _, rep := range x.h.Repetitions(s.Field(n)) {
			if order, ok := x.entity(rep); ok {
				x.based = append(x.based, reference{Type: "ServiceRequest", Identifier: &order})
			}
		}
	}
	trigger := triggerStatus[x.h.Trigger]
	status, known := fillerStatus[strings.ToLower(x.text(s, 25))]
	switch {
	case trigger.rules:
		x.elements["status"] = trigger.status
	case known:
		x.elements["status"] = status
	case trigger.status != "":
		x.elements["status"] = trigger.status
	}
	if known || trigger.rules {
		x.statuses = []string{""} // AIS-10 is asked only where these are silent
	}
	return id
}

func isMinutes(unit string) bool {
	return slices.Contains([]string{"", "m", "min", "mins", "minute", "minutes"}, strings.ToLower(unit))
}

// timing takes start and end of the booking from two components, unless they are known already.
func (x *builder) timing(start, end string, c1, c2 int) {
	from, err := ParseTime(x.h.Part(start, c1, 1), x.o.Zone)
	if _, known := x.elements["start"]; known || err != nil {
		return
	}
	x.elements["start"], x.elements["end"] = stamp(from), nil
	if to, err := ParseTime(x.h.Part(end, c2, 1), x.o.Zone); err == nil && !to.Before(from) {
		x.elements["end"] = stamp(to)
	}
}

// stamp is an instant as FHIR writes it.
func stamp(t time.Time) string { return t.Format(time.RFC3339) }

// person reads PID.
func (x *builder) person(s Segment) {
	var p Person
	var first *identifier
	for _, n := range []int{3, 2} {
		for _, rep := range x.h.Repetitions(s.Field(n)) {
			id, ok := x.extended(rep)
			if !ok || slices.Contains(p.IDs, id.Value) {
				continue
			}
			p.IDs = append(p.IDs, id.Value)
			if first == nil {
				first = &id
			}
		}
	}
	if first == nil {
		return
	}
	if day := x.text(s, 7); len(day) >= 8 {
		if t, err := time.Parse("20060102", day[:8]); err == nil {
			p.Born = t.Format(time.DateOnly)
		}
	}
	x.people = append(x.people, p)
	x.actors = append(x.actors, participant{Actor: &reference{Type: "Patient", Identifier: first}, Status: "accepted"})
}

// resource reads what AIS, AIG, AIL and AIP have in common: when it is needed, and who or where it is.
func (x *builder) resource(s Segment, name string) {
	at := map[string]int{"AIS": 4, "AIG": 8, "AIL": 6, "AIP": 6}[name]
	if at == 0 {
		return
	}
	var span *period
	if from, err := ParseTime(x.text(s, at), x.o.Zone); err == nil {
		span = &period{Start: stamp(from)}
		if n, err := strconv.Atoi(x.text(s, at+3)); err == nil && n > 0 && n <= 7*24*60 && isMinutes(x.text(s, at+4)) {
			span.End = stamp(from.Add(time.Duration(n) * time.Minute))
		}
		if x.start == "" || span.Start < x.start {
			x.start = span.Start
		}
	}
	who := x.h.first(s.Field(3))
	switch name {
	case "AIS":
		x.statuses = append(x.statuses, fillerStatus[strings.ToLower(x.text(s, 10))])
	case "AIL":
		value := strings.Trim(strings.Join([]string{x.h.Part(who, 1, 1), x.h.Part(who, 2, 1), x.h.Part(who, 3, 1)}, " "), " ")
		x.actor("Location", value, x.h.Part(who, 9, 1), "", span)
	case "AIP":
		name := strings.TrimSpace(x.h.Part(who, 2, 1) + " " + x.h.Part(who, 3, 1))
		x.actor("Practitioner", x.h.Part(who, 1, 1), name, x.h.first(s.Field(4)), span)
	}
}

func (x *builder) actor(typ, value, display, role string, span *period) {
	p := participant{Actor: &reference{Type: typ, Display: display}, Status: "accepted", Period: span}
	if value != "" {
		p.Actor.Identifier = &identifier{Value: value}
	}
	if value == "" && display == "" {
		return
	}
	if c, ok := x.concept(role); ok {
		p.Type = []concept{c}
	}
	x.actors = append(x.actors, p)
}

// service takes what a segment says of what is booked, where the site reads it there.
func (x *builder) service(s Segment, name, place string, i int) {
	for _, field := range x.o.Service {
		segment, number, _ := strings.Cut(field, "-")
		n, err := strconv.Atoi(number)
		if segment != name || err != nil {
			continue
		}
		if name == "NTE" || name == "OBX" {
			place = name + "/" + strconv.Itoa(i)
		}
		for _, rep := range x.h.Repetitions(s.Field(n)) {
			c, ok := x.concept(rep)
			if name == "NTE" { // formatted text, where a delimiter is a letter
				c, ok = concept{Text: x.h.unescape(rep)}, strings.TrimSpace(rep) != ""
			}
			if ok && rep != deleted {
				x.services[place] = append(x.services[place], c)
			}
		}
	}
}

// finish is what the message said, as JSON.
func (x *builder) finish(partial bool) map[string]jsontext.Value {
	if _, known := x.elements["start"]; !known && x.start != "" {
		x.elements["start"], x.elements["end"] = x.start, nil
	}
	if said := slices.Compact(slices.Sorted(slices.Values(x.statuses))); len(said) == 1 && said[0] != "" {
		x.elements["status"] = said[0] // every service says the same
	}
	if len(x.actors) > 0 {
		x.elements["participant"] = x.actors
	}
	if len(x.people) > 0 {
		x.elements[People] = x.people
	}
	if len(x.comment) > 0 {
		x.elements["comment"] = strings.Join(x.comment, "\n")
	}
	if len(x.based) > 0 {
		x.elements["basedOn"] = x.based
	}
	for place, all := range x.services {
		if all != nil || partial {
			x.elements[Services+"/"+place] = all
		}
		if all != nil && !partial {
			x.elements[Services] = nil
		}
	}
	out := make(map[string]jsontext.Value, len(x.elements))
	for name, v := range x.elements {
		raw, err := json.Marshal(v, json.FormatNilSliceAsNull(true), jsontext.AllowInvalidUTF8(true))
		if err == nil { // strings and numbers only
			out[name] = raw
		}
	}
	return out
}

// entity reads an EI: value, namespace, universal id and its type.
func (x *builder) entity(rep string) (identifier, bool) {
	value := x.h.Part(rep, 1, 1)
	return identifier{Value: value, System: universal(x.h.Part(rep, 3, 1), x.h.Part(rep, 4, 1))}, value != "" && value != deleted
}

// extended reads a CX: value, assigning authority (sub-components of 4), type, period.
func (x *builder) extended(rep string) (identifier, bool) {
	id := identifier{Value: x.h.Part(rep, 1, 1)}
	id.System = universal(x.h.Part(rep, 4, 2), x.h.Part(rep, 4, 3))
	if code := x.h.Part(rep, 5, 1); code != "" {
		id.Type = &concept{Coding: []coding{{System: "http://terminology.hl7.org/CodeSystem/v2-0203", Code: code}}}
	}
	var p period
	for c, to := range map[int]*string{7: &p.Start, 8: &p.End} {
		if t, err := ParseTime(x.h.Part(rep, c, 1), x.o.Zone); err == nil {
			*to = t.Format(time.DateOnly)
		}
	}
	if p != (period{}) {
		id.Period = &p
	}
	return id, id.Value != "" && id.Value != deleted
}

// universal is the URI of a universal id (HD), "" where it is none.
func universal(id, typ string) string {
	switch {
	case id == "" || id == deleted:
		return ""
	case typ == "ISO":
		return "urn:oid:" + id
	case typ == "UUID" || typ == "GUID":
		return "urn:uuid:" + strings.ToLower(id)
	case strings.Contains(id, ":"):
		return id
	}
	return ""
}

// concept reads a CE, CNE or CWE: code, text, system, the alternates of these, and the original text. A bare code is a text: many
// senders write it so. ok is false for one that says nothing.
func (x *builder) concept(rep string) (c concept, ok bool) {
	part := func(n int) string {
		if p := x.h.Part(rep, n, 1); p != deleted {
			return p
		}
		return ""
	}
	for _, n := range []int{1, 4} {
		code, text, system := part(n), part(n+1), codeSystem(part(n+2))
		switch {
		case code != "" && (system != "" || text != ""):
			c.Coding = append(c.Coding, coding{System: system, Code: code, Display: text})
		case c.Text == "" && code != "":
			c.Text = code
		}
		if c.Text == "" {
			c.Text = text
		}
	}
	if original := part(9); original != "" {
		c.Text = original
	}
	return c, c.Text != "" || len(c.Coding) > 0
}

// codeSystem is the URI of a coding system, else its name as it came: a site's own codes are known by that.
func codeSystem(name string) string {
	if uri, ok := codeSystems[name]; ok {
		return uri
	}
	if table, ok := strings.CutPrefix(name, "HL7"); ok && len(table) == 4 {
		return "http://terminology.hl7.org/CodeSystem/v2-" + table
	}
	return name
}
