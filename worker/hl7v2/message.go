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

// Event is what a message is worth: whose record to look at.
type Event struct {
	// Bookings are the values of the identifiers of bookings (SCH-1, SCH-2), Patients those of patients (PID-3, and MRG-1 of what
	// was merged).
	Bookings, Patients []string
}

// maxIDs bounds how many identifiers one message may name.
const maxIDs = 200

// Decode reads the identifiers of a message. Its errors are Faults, or say that there is no header.
func Decode(data []byte) (Event, error) {
	h, err := ReadHeader(data)
	if err != nil {
		return Event{}, err
	}
	if _, fault := h.Check(); fault != nil {
		return Event{}, fault
	}
	text, err := charsets[h.Charset].NewDecoder().Bytes(data)
	if err != nil {
		return Event{}, &Fault{CodeTableValue, "MSH-18", "the text is not of this character set"}
	}
	var e Event
	segments := strings.FieldsFunc(string(text), func(r rune) bool { return r == '\r' || r == '\n' })
	if len(segments) > maxSegments {
		return Event{}, &Fault{CodeApplication, "message", "more segments than the limit"}
	}
	for _, s := range segments {
		fields := strings.Split(s, string(h.field))
		at := func(n int) string {
			if n < len(fields) {
				return fields[n]
			}
			return ""
		}
		switch fields[0] {
		case "SCH":
			e.Bookings = h.identifiers(e.Bookings, at(1))
			e.Bookings = h.identifiers(e.Bookings, at(2))
		case "PID":
			e.Patients = h.identifiers(e.Patients, at(3))
			e.Patients = h.identifiers(e.Patients, at(2)) // before 2.3.1 many senders used it; withdrawn since
		case "MRG":
			e.Patients = h.identifiers(e.Patients, at(1))
		}
	}
	switch {
	case len(e.Bookings) == 0 && len(e.Patients) == 0:
		return Event{}, &Fault{CodeRequiredField, "SCH-1, SCH-2, PID-3", "the message names no booking and no patient"}
	case len(e.Bookings)+len(e.Patients) > maxIDs:
		return Event{}, &Fault{CodeApplication, "message", "more identifiers than the limit"}
	}
	return e, nil
}

// identifiers adds the first component of each repetition: the value of an EI or CX. `""` is none.
func (h Header) identifiers(to []string, field string) []string {
	for _, rep := range strings.Split(field, string(h.repetition)) {
		value, _, _ := strings.Cut(rep, string(h.component))
		value, _, _ = strings.Cut(value, string(h.subcomponent))
		value = strings.TrimSpace(h.unescape(value))
		if value != "" && value != `""` && !slices.Contains(to, value) {
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
