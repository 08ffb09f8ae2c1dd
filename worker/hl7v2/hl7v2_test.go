package hl7v2

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// message is an invented one; segments are joined as the standard asks.
func message(segments ...string) []byte { return []byte(strings.Join(segments, "\r") + "\r") }

const msh = `MSH|^~\&|SCHED^1.2.3^ISO|EYE|PUPIL|EYE|20260302080000||SIU^S12^SIU_S12|M-1|P|2.5.1`

func TestDecodeNamesBookingsAndPatients(t *testing.T) {
	for name, c := range map[string]struct {
		in   []byte
		want Event
	}{
		"a booking":                    {message(msh, `SCH|P-1^SCHED|F-1^EYE`, `PID|1||MRN1^^^EYE^MR~NHS9^^^N&1.2&ISO^NH`), Event{Bookings: []string{"P-1", "F-1"}, Patients: []string{"MRN1", "NHS9"}}},
		"no AIS, two patients":         {message(msh, `SCH||F-1`, `PID|1||A`, `PID|2||B`), Event{Bookings: []string{"F-1"}, Patients: []string{"A", "B"}}},
		"other delimiters":             {message(`MSH$*!#%$S$$$$20260302$$SIU*S13$M$P$2.3`, `SCH$P*x$F`, `PID$1$$A*b!C%d`), Event{Bookings: []string{"P", "F"}, Patients: []string{"A", "C"}}},
		"escapes":                      {message(msh, `SCH||F\T\1\S\2\X41\`), Event{Bookings: []string{"F&1^2A"}, Patients: nil}},
		"delete marker, blanks, empty": {message(msh, `SCH|""| F-1 `, `PID|1||""~~ A `), Event{Bookings: []string{"F-1"}, Patients: []string{"A"}}},
		"line feeds for returns":       {[]byte(strings.ReplaceAll(string(message(msh, `SCH||F-1`)), "\r", "\r\n")), Event{Bookings: []string{"F-1"}, Patients: nil}},
		"a merge": {
			message(strings.Replace(msh, "SIU^S12^SIU_S12", "ADT^A40^ADT_A39", 1), `PID|1||NEW^^^EYE`, `MRG|OLD^^^EYE`, `PID|2||NEW2`, `MRG|OLD2`),
			Event{Bookings: nil, Patients: []string{"NEW", "OLD", "NEW2", "OLD2"}},
		},
		"Latin-1":      {message(msh+"||||||8859/1", "SCH||F-\xe4"), Event{Bookings: []string{"F-ä"}, Patients: nil}},
		"UTF-8":        {message(msh+"||||||UNICODE UTF-8", "SCH||F-ä"), Event{Bookings: []string{"F-ä"}, Patients: nil}},
		"truncation #": {message(strings.Replace(msh, `^~\&`, `^~\&#`, 1), `SCH||F-1`), Event{Bookings: []string{"F-1"}, Patients: nil}},
		"unknown ones": {message(msh, `ZZZ|x`, `SCH||F-1|||||||||||||||||||||||||||||||x`), Event{Bookings: []string{"F-1"}, Patients: nil}},
		"PID-2 of 2.3": {message(strings.Replace(msh, "2.5.1", "2.3", 1), `SCH||F-1`, `PID|1|EXT`), Event{Bookings: []string{"F-1"}, Patients: []string{"EXT"}}},
	} {
		got, err := Decode(c.in)
		require.NoError(t, err, name)
		require.Equal(t, c.want, Event{Bookings: got.Bookings, Patients: got.Patients}, name)
	}
}

func TestWhatIsNotTaken(t *testing.T) {
	for name, c := range map[string]struct{ in, code string }{
		"another type":       {strings.Replace(msh, "SIU^S12", "ORU^R01", 1), CodeUnsupportedType},
		"another event":      {strings.Replace(msh, "S12", "S01", 1), CodeUnsupportedEvent},
		"charset unknown":    {msh + "||||||KLINGON", CodeTableValue},
		"version 3":          {strings.Replace(msh, "|2.5.1", "|3.0", 1), CodeVersion},
		"no control id":      {strings.Replace(msh, "M-1", "", 1), CodeRequiredField},
		"nobody is named":    {msh + "\rPV1|1", CodeRequiredField},
		"too many are named": {msh + "\rPID|1||" + strings.Repeat("A~", 300), ""},
	} {
		_, err := Decode([]byte(c.in))
		if c.code == "" {
			require.NoError(t, err, "the same one over and over is one")
			continue
		}
		var f *Fault
		require.ErrorAs(t, err, &f, name)
		require.Equal(t, c.code, f.Code, name)
		require.NotContains(t, err.Error(), "M-1", name)
	}
	for _, in := range []string{"", "MSH", "PID|1", "MSH|^~", "MSHA^~\\&", "MSH|^^^^|", "MSH+^~\\&+S", "MSH.^~\\&.S", `MSH|^~\"|S`} {
		_, err := Decode([]byte(in))
		require.Error(t, err, in)
	}
}

// HL7 v2 chapter 2: original mode answers AA, AE, AR; enhanced mode CA, CE, CR as MSH-15 asks; addresses change places.
func TestAcknowledge(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 0, 1, 0, time.UTC)
	header := func(msh string) Header {
		h, err := ReadHeader([]byte(msh))
		require.NoError(t, err)
		return h
	}
	fault := &Fault{Code: CodeTableValue, Place: "MSH-18"}
	for name, c := range map[string]struct {
		msh   string
		o     Outcome
		fault *Fault
		want  string
	}{
		"original, accepted": {msh, Accepted, nil, "MSH|^~\\&|PUPIL|EYE|SCHED^1.2.3^ISO|EYE|20260302080001+0000||ACK^S12^ACK|1|P|2.5.1\rMSA|AA|M-1\r"},
		"original, failed":   {msh, Failed, fault, "MSH|^~\\&|PUPIL|EYE|SCHED^1.2.3^ISO|EYE|20260302080001+0000||ACK^S12^ACK|1|P|2.5.1\rMSA|AE|M-1\rERR||MSH^1^18|103^Table value not found^HL70357|E\r"},
		"enhanced, accepted": {msh + "|||AL|NE", Accepted, nil, "MSH|^~\\&|PUPIL|EYE|SCHED^1.2.3^ISO|EYE|20260302080001+0000||ACK^S12^ACK|1|P|2.5.1\rMSA|CA|M-1\r"},
		"only on error":      {msh + "|||ER|NE", Accepted, nil, ""},
		"only on success":    {msh + "|||SU|NE", Rejected, fault, ""},
		"never":              {msh + "|||NE|NE", Failed, fault, ""},
		"older error, own delimiters": {
			`MSH$*!#%$S$$$$20260302$$SIU*S13$M$P$2.3`, Rejected, fault,
			"MSH$*!#%$$$S$$20260302080001+0000$$ACK*S13$1$P$2.3\rMSA$AR$M\rERR$***103%Table value not found%HL70357\r",
		},
	} {
		require.Equal(t, c.want, string(Acknowledge(header(c.msh), c.o, c.fault, "1", at)), name)
	}
	require.Contains(t, string(Acknowledge(Header{}, Rejected, nil, "1", at)), "MSA|AR|\r", "no header at all")
}

// Whatever stands in an identifier comes back as it was, once escaped as the standard asks.
func TestIdentifiersSurviveEscaping(t *testing.T) {
	escape := strings.NewReplacer(`\`, `\E\`, `|`, `\F\`, `^`, `\S\`, `&`, `\T\`, `~`, `\R\`)
	rapid.Check(t, func(t *rapid.T) {
		id := strings.TrimSpace(rapid.StringMatching(`[!-~]([ -~]{0,20}[!-~])?`).Draw(t, "id"))
		if id == `""` {
			return
		}
		e, err := Decode(message(msh, `SCH||`+escape.Replace(id)))
		if err != nil || len(e.Bookings) != 1 || e.Bookings[0] != id {
			t.Fatalf("%q became %q, %v", id, e.Bookings, err)
		}
	})
}

func FuzzDecode(f *testing.F) {
	f.Add(message(msh, `SCH|P-1^SCHED|F-1\T\^EYE`, `PID|1||MRN1^^^EYE^MR~NHS9`))
	f.Add([]byte(`MSH$*!#%$S$$$$20260302$$SIU*S13$M$P$2.3` + "\rMRG$A"))
	f.Add([]byte("MSH+!\"#$00000000")) // was found: a delimiter that our own time stamp holds
	f.Fuzz(func(t *testing.T, in []byte) {
		h, err := ReadHeader(in)
		if err == nil {
			if again, err := ReadHeader(Acknowledge(Header{field: h.field, component: h.component, repetition: h.repetition, escape: h.escape, subcomponent: h.subcomponent, ControlID: "1"}, Accepted, nil, "2", time.Time{})); err != nil || again.ControlID != "2" {
				t.Fatalf("an acknowledgement that cannot be read: %v", err)
			}
		}
		e, err := Decode(in)
		if handled, _ := h.Check(); err == nil && handled && len(e.Bookings)+len(e.Patients) == 0 {
			t.Fatal("an event about nobody")
		}
	})
}
