package hl7v2

import (
	"fmt"
	"strings"
	"time"
)

// Outcome says what became of a message at the door.
type Outcome uint8

const (
	Accepted Outcome = iota // stored safely: AA, or CA in enhanced mode
	Failed                  // an error: AE or CE; the sender may send it again
	Rejected                // of a kind we do not take: AR or CR
)

// Acknowledge answers a message in its own delimiters (HL7 v2 chapter 2, acknowledgements); nil where the sender wants none of
// this kind (MSH-15: NE never, ER on error, SU on success). fault may be nil. id is our control id.
func Acknowledge(h Header, o Outcome, fault *Fault, id string, at time.Time) []byte {
	if h.Accept == "NE" || h.Accept == "ER" && o == Accepted || h.Accept == "SU" && o != Accepted {
		return nil
	}
	if h.field == 0 { // no header could be read: the usual delimiters
		h.field, h.component, h.repetition, h.escape, h.subcomponent = '|', '^', '~', '\\', '&'
	}
	code := [...]string{"AA", "AE", "AR"}[o]
	if h.Enhanced {
		code = [...]string{"CA", "CE", "CR"}[o]
	}
	f, c := string(h.field), string(h.component)
	version := h.Version
	if version == "" {
		version = "2.5.1"
	}
	kind := "ACK"
	if h.Trigger != "" {
		kind += c + h.Trigger
		if version >= "2.3.1" {
			kind += c + "ACK"
		}
	}
	encoding := string([]byte{h.component, h.repetition, h.escape, h.subcomponent})
	processing := h.ProcessingID
	if processing == "" {
		processing = "P"
	}
	segments := []string{
		strings.Join([]string{"MSH", encoding, h.ReceivingApplication, h.ReceivingFacility, h.Application, h.Facility, at.UTC().Format("20060102150405+0000"), "", kind, id, processing, version}, f),
		strings.Join([]string{"MSA", code, h.ControlID}, f),
	}
	if fault != nil {
		segments = append(segments, errSegment(h, version, fault))
	}
	return []byte(strings.Join(segments, "\r") + "\r")
}

// errSegment is ERR as of 2.5, or in its older form.
func errSegment(h Header, version string, fault *Fault) string {
	f, c, s := string(h.field), string(h.component), string(h.subcomponent)
	code := strings.Join([]string{fault.Code, names0357[fault.Code], "HL70357"}, c)
	if version < "2.5" {
		return "ERR" + f + c + c + c + strings.ReplaceAll(code, c, s)
	}
	location := ""
	if segment, field, ok := strings.Cut(fault.Place, "-"); ok && len(segment) == 3 && !strings.Contains(field, ",") {
		location = strings.Join([]string{segment, "1", field}, c)
	}
	return fmt.Sprintf("ERR%s%s%s%s%s%sE", f, f, location, f, code, f)
}

// names0357 are the display words of table 0357.
var names0357 = map[string]string{
	CodeRequiredField: "Required field missing", CodeTableValue: "Table value not found", CodeUnsupportedType: "Unsupported message type",
	CodeUnsupportedEvent: "Unsupported event code", CodeVersion: "Unsupported version id", CodeApplication: "Application internal error",
}
