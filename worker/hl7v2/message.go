package hl7v2

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
)

// Table 0357, message error condition codes (HL7 v2, chapter 2C), as far as we use them.
const (
	CodeRequiredField    = "101"
	CodeTableValue       = "103"
	CodeUnsupportedType  = "200"
	CodeUnsupportedEvent = "201"
	CodeVersion          = "203"
	CodeApplication      = "207"
)

// Fault is what is wrong with a message: a code of table 0357 and where. It holds nothing of the content.
type Fault struct{ Code, Place, Reason string }

func (f *Fault) Error() string { return "hl7 v2: " + f.Place + ": " + f.Reason }

var errNoHeader = errors.New("hl7 v2: no MSH segment with its delimiters")

// maxSegments bounds how many segments are looked at; a message of the scheduling chapter has dozens.
const maxSegments = 10_000

// Header is what MSH says.
type Header struct {
	field                                                          byte
	component, repetition, escape, subcomponent                    byte
	Application, Facility, ReceivingApplication, ReceivingFacility string // as they stand, escapes and all
	ControlID, ProcessingID, Version                               string
	// Type and Trigger are components of MSH-9: SIU, S12.
	Type, Trigger string
	// Accept is MSH-15, when an acknowledgement of receipt is wanted: "" (original mode), AL, NE, ER, SU.
	Accept string
	// Charset is the first repetition of MSH-18.
	Charset string
	// Enhanced reports that MSH-15 or MSH-16 is valued.
	Enhanced bool
}

// ReadHeader reads MSH, the first segment.
func ReadHeader(data []byte) (Header, error) {
	data = bytes.TrimLeft(data, "\r\n")
	if len(data) < 9 || string(data[:3]) != "MSH" {
		return Header{}, errNoHeader
	}
	line := data
	if i := bytes.IndexAny(line, "\r\n"); i >= 0 {
		line = line[:i]
	}
	h := Header{field: data[3]}
	fields := strings.Split(string(line), string(h.field))
	if len(fields) < 2 || len(fields[1]) < 4 || wordByte(h.field) {
		return Header{}, errNoHeader
	}
	d := fields[1]
	h.component, h.repetition, h.escape, h.subcomponent = d[0], d[1], d[2], d[3]
	if seen := []byte{h.field, d[0], d[1], d[2], d[3]}; slices.ContainsFunc(seen, wordByte) || len(unique(seen)) != len(seen) {
		return Header{}, errNoHeader
	}
	get := func(n int) string { // MSH-1 is the separator itself, so MSH-n is fields[n-1]
		if n-1 < len(fields) {
			return fields[n-1]
		}
		return ""
	}
	part := func(n, i int) string {
		c := strings.Split(h.first(get(n)), string(h.component))
		if i < len(c) {
			return strings.TrimSpace(c[i])
		}
		return ""
	}
	h.Application, h.Facility, h.ReceivingApplication, h.ReceivingFacility = get(3), get(4), get(5), get(6)
	h.Type, h.Trigger = strings.ToUpper(part(9, 0)), strings.ToUpper(part(9, 1))
	h.ControlID, h.ProcessingID, h.Version = get(10), get(11), part(12, 0)
	h.Accept, h.Charset = strings.ToUpper(part(15, 0)), strings.ToUpper(part(18, 0))
	h.Enhanced = get(15) != "" || get(16) != ""
	return h, nil
}

// wordByte reports a byte that cannot be a delimiter: one that words, numbers, dates with their zone, structure names (SIU_S12)
// and the delete marker are made of.
func wordByte(b byte) bool {
	return b <= ' ' || b >= 0x7f || strings.IndexByte(`+-._"`, b) >= 0 || b >= '0' && b <= '9' || b >= 'a' && b <= 'z' || b >= 'A' && b <= 'Z'
}

func unique(b []byte) []byte {
	b = slices.Clone(b)
	slices.Sort(b)
	return slices.Compact(b)
}

func (h Header) first(field string) string {
	if i := strings.IndexByte(field, h.repetition); i >= 0 {
		return field[:i]
	}
	return field
}

// charsets are the character sets of table 0211 that are read. "" is ASCII by the standard; many senders mean Latin-1 by it.
var charsets = map[string]encoding.Encoding{
	"": charmap.Windows1252, "ASCII": charmap.Windows1252, "8859/1": charmap.ISO8859_1, "8859/2": charmap.ISO8859_2, "8859/3": charmap.ISO8859_3,
	"8859/4": charmap.ISO8859_4, "8859/5": charmap.ISO8859_5, "8859/6": charmap.ISO8859_6, "8859/7": charmap.ISO8859_7,
	"8859/8": charmap.ISO8859_8, "8859/9": charmap.ISO8859_9, "8859/15": charmap.ISO8859_15,
	"UNICODE UTF-8": encoding.Nop, "UTF-8": encoding.Nop, "UNICODE": encoding.Nop,
}

// Check says why a message is not taken: of another type than we handle, or in a character set that nobody here reads.
// handled is false for one that is of our kind and asks for nothing (a slot blocked, say): it is accepted and let go.
func (h Header) Check() (handled bool, fault *Fault) {
	if _, ok := charsets[h.Charset]; !ok {
		return false, &Fault{CodeTableValue, "MSH-18", "a character set that is not read"}
	}
	if h.ControlID == "" {
		return false, &Fault{CodeRequiredField, "MSH-10", "is missing"}
	}
	if h.Version != "" && !strings.HasPrefix(h.Version, "2.") {
		return false, &Fault{CodeVersion, "MSH-12", "is no version 2"}
	}
	events, ok := triggers[h.Type]
	if !ok {
		return false, &Fault{CodeUnsupportedType, "MSH-9", "a type that is not handled"}
	}
	handled, ok = events[h.Trigger]
	if !ok {
		return false, &Fault{CodeUnsupportedEvent, "MSH-9", "an event that is not handled"}
	}
	return handled, nil
}

// triggers are the events we take, and whether they ask for anything. S23 and S24 block and open slots: nobody's operation.
var triggers = map[string]map[string]bool{
	"SIU": {
		"S12": true, "S13": true, "S14": true, "S15": true, "S16": true, "S17": true, "S18": true, "S19": true, "S20": true, "S21": true, "S22": true,
		"S23": false, "S24": false, "S26": true, "S27": true,
	},
	"ADT": {"A18": true, "A34": true, "A39": true, "A40": true, "A47": true},
}

// Event is what a message is worth: whose record to look at, and what the message says of the booking.
type Event struct {
	// Bookings are the values of the identifiers of bookings (SCH-1, SCH-2), Patients those of patients (PID-3, and MRG-1 of what
	// was merged).
	Bookings, Patients []string
	// Message is the message about a booking, nil for a merge: Booking reads it.
	Message *Message
}

const (
	maxIDs    = 200 // identifiers, and repetitions of a field, that are looked at
	maxFields = 200 // of a segment; the longest of the standard has some 50
)

// Message is a message taken apart as far as its segments.
type Message struct {
	Header   Header
	Segments []Segment
}

// Segment is one segment: its name and its fields as they came, escapes and all. Fields[n] is field n; Fields[0] is the name. Of MSH
// the numbers are one less, since MSH-1 is the delimiter itself.
type Segment struct{ Fields []string }

// Name is the segment's name, "" of none.
func (s Segment) Name() string { return s.Field(0) }

// Field is field n as it came, "" where the segment ends before it.
func (s Segment) Field(n int) string {
	if n < len(s.Fields) {
		return s.Fields[n]
	}
	return ""
}

// Parse takes a message apart. Its errors are Faults, or say that there is no header. It does not ask which message it is.
func Parse(data []byte) (Message, error) {
	h, err := ReadHeader(data)
	if err != nil {
		return Message{}, err
	}
	charset, ok := charsets[h.Charset]
	if !ok {
		return Message{}, &Fault{CodeTableValue, "MSH-18", "a character set that is not read"}
	}
	text, err := charset.NewDecoder().Bytes(data)
	if err != nil {
		return Message{}, &Fault{CodeTableValue, "MSH-18", "the text is not of this character set"}
	}
	segments := strings.FieldsFunc(string(text), func(r rune) bool { return r == '\r' || r == '\n' })
	if len(segments) > maxSegments {
		return Message{}, &Fault{CodeApplication, "message", "more segments than the limit"}
	}
	m := Message{Header: h, Segments: make([]Segment, 0, len(segments))}
	for _, s := range segments {
		fields := strings.SplitN(s, string(h.field), maxFields+1)
		m.Segments = append(m.Segments, Segment{Fields: fields[:min(len(fields), maxFields)]})
	}
	return m, nil
}

// Repetitions are the repetitions of a field; beyond the limit the last one holds the rest.
func (h Header) Repetitions(field string) []string {
	return strings.SplitN(field, string(h.repetition), maxIDs+1)
}

// Part is component c and sub-component sub of one repetition, both counted from 1, as text: escapes resolved, without blanks around
// it. The delete marker is text too.
func (h Header) Part(repetition string, c, sub int) string {
	return strings.TrimSpace(h.unescape(nth(nth(repetition, h.component, c), h.subcomponent, sub)))
}

// nth is the nth part of s, counted from 1.
func nth(s string, delimiter byte, n int) string {
	for ; n > 1; n-- {
		i := strings.IndexByte(s, delimiter)
		if i < 0 {
			return ""
		}
		s = s[i+1:]
	}
	before, _, _ := strings.Cut(s, string(delimiter))
	return before
}

// deleted is how a sender says that a value is none, where an empty field says nothing (HL7 v2 chapter 2).
const deleted = `""`

// Decode reads whom a message is about; one that asks for nothing is about nobody. Its errors are Faults, or say that there is no header.
func Decode(data []byte) (Event, error) {
	h, err := ReadHeader(data)
	if err != nil {
		return Event{}, err
	}
	handled, fault := h.Check()
	switch {
	case fault != nil:
		return Event{}, fault
	case !handled:
		return Event{}, nil
	}
	m, err := Parse(data)
	if err != nil {
		return Event{}, err
	}
	var e Event
	for _, s := range m.Segments {
		switch s.Name() {
		case "SCH":
			e.Bookings = h.identifiers(e.Bookings, s.Field(1))
			e.Bookings = h.identifiers(e.Bookings, s.Field(2))
		case "PID":
			e.Patients = h.identifiers(e.Patients, s.Field(3))
			e.Patients = h.identifiers(e.Patients, s.Field(2)) // before 2.3.1 many senders used it; withdrawn since
		case "MRG":
			e.Patients = h.identifiers(e.Patients, s.Field(1))
		}
	}
	switch {
	case len(e.Bookings) == 0 && len(e.Patients) == 0:
		return Event{}, &Fault{CodeRequiredField, "SCH-1, SCH-2, PID-3", "the message names no booking and no patient"}
	case len(e.Bookings)+len(e.Patients) > maxIDs:
		return Event{}, &Fault{CodeApplication, "message", "more identifiers than the limit"}
	}
	if h.Type == "SIU" {
		e.Message = &m
	}
	return e, nil
}

// identifiers adds the first component of each repetition: the value of an EI or CX. The delete marker is none.
func (h Header) identifiers(to []string, field string) []string {
	for _, rep := range h.Repetitions(field) {
		value := h.Part(rep, 1, 1)
		if value != "" && value != deleted && !slices.Contains(to, value) {
			to = append(to, value)
		}
	}
	return to
}

// unescape resolves the escapes of the text (HL7 v2 chapter 2, use of escape sequences). What is no text is left out.
func (h Header) unescape(s string) string {
	if strings.IndexByte(s, h.escape) < 0 {
		return s
	}
	var b strings.Builder
	for {
		before, rest, found := strings.Cut(s, string(h.escape))
		b.WriteString(before)
		if !found {
			return b.String()
		}
		code, after, closed := strings.Cut(rest, string(h.escape))
		if !closed {
			b.WriteString(rest)
			return b.String()
		}
		switch {
		case code == "F":
			b.WriteByte(h.field)
		case code == "S":
			b.WriteByte(h.component)
		case code == "T":
			b.WriteByte(h.subcomponent)
		case code == "R":
			b.WriteByte(h.repetition)
		case code == "E":
			b.WriteByte(h.escape)
		case strings.HasPrefix(code, "X"):
			if raw, err := hex.DecodeString(code[1:]); err == nil {
				b.Write(bytes.ToValidUTF8(raw, nil))
			}
		case strings.HasPrefix(code, ".br"), strings.HasPrefix(code, ".sp"):
			b.WriteByte(' ')
		}
		s = after
	}
}

var _ error = (*Fault)(nil)

// String names the message as a log line may: its type and event, nothing of its content.
func (h Header) String() string { return fmt.Sprintf("%.3s^%.3s", h.Type, h.Trigger) }
