package hl7v2

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// booking reads an invented message; every element is given as JSON.
func booking(t testing.TB, o Options, segments ...string) map[string]string {
	m, err := Parse(message(segments...))
	require.NoError(t, err)
	b, ok := m.Booking(o)
	require.True(t, ok)
	out := map[string]string{"(id)": b.ID}
	for name, v := range b.Elements {
		out[name] = string(v)
	}
	return out
}

func trigger(event string) string { return strings.ReplaceAll(msh, "S12", event) }

// sch is an SCH with the given fields, which begin with their number.
func sch(fields map[int]string) string {
	all := make([]string, 28)
	all[0] = "SCH"
	all[2] = "F-1"
	for n, v := range fields {
		all[n] = v
	}
	return strings.TrimRight(strings.Join(all, "|"), "|")
}

// row is one row of HL7's maps that applies here: a message's segments and what they make of which element.
type row struct {
	from, to string // the map's identifier and FHIR attribute
	segments []string
	element  string
	want     string // the element, or a part of it
}

const rgs = "RGS|1|A"

var rows = []row{
	{"SCH-1", "identifier[1]", []string{sch(map[int]string{1: "P-1^SCHED^1.2.3^ISO", 2: ""})}, "identifier", `[{"system":"urn:oid:1.2.3","value":"P-1"}]`},
	{"SCH-2", "identifier[2]", []string{sch(map[int]string{1: "P-1"})}, "identifier", `[{"value":"P-1"},{"value":"F-1"}]`},
	{"SCH-7", "reasonCode[1]", []string{sch(map[int]string{7: "CHECKUP^A check-up^HL70276"})}, "reasonCode", `[{"coding":[{"system":"http://snomed.info/sct","code":"866149003","display":"Annual visit (procedure)"}],"text":"A check-up"}]`},
	{"SCH-7", "appointmentType[1]", []string{sch(map[int]string{7: "Normal^Routine^HL70277"})}, "appointmentType", `{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0277","code":"Normal","display":"Routine"}],"text":"Routine"}`},
	{"SCH-8", "appointmentType[1]", []string{sch(map[int]string{8: "Tentative^Penciled in^HL70277"})}, "appointmentType", `{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0277","code":"Tentative","display":"Penciled in"}],"text":"Penciled in"}`},
	{"SCH-9", "minutesDuration[1]", []string{sch(map[int]string{9: "45", 10: "min^minutes"})}, "minutesDuration", `45`},
	{"SCH-11", "$this", []string{sch(map[int]string{11: "^^30^20260309090000^20260309093000"})}, "start", `"2026-03-09T09:00:00Z"`},
	{"TQ.4", "start", []string{sch(map[int]string{11: "^^^202603090900+0100"})}, "start", `"2026-03-09T09:00:00+01:00"`},
	{"TQ.5", "end", []string{sch(map[int]string{11: "^^30^20260309090000^20260309093000"})}, "end", `"2026-03-09T09:30:00Z"`},
	{"SCH-25", "status", []string{sch(map[int]string{25: "Waitlist^On the list^HL70278"})}, "status", `"waitlist"`},
	{"SCH-26", "basedOn(ServiceRequest)", []string{sch(map[int]string{26: "O-1~O-2"})}, "basedOn", `[{"type":"ServiceRequest","identifier":{"value":"O-1"}},{"type":"ServiceRequest","identifier":{"value":"O-2"}}]`},
	{"SCH-27", "basedOn(ServiceRequest)", []string{sch(map[int]string{27: "O-3"})}, "basedOn", `[{"type":"ServiceRequest","identifier":{"value":"O-3"}}]`},
	{"AIS-3", "serviceType", []string{sch(nil), rgs, "AIS|1|A|CAT-R^Cataract surgery, right eye^99EYE"}, "serviceType/AI/1/1/AIS", `[{"coding":[{"system":"99EYE","code":"CAT-R","display":"Cataract surgery, right eye"}],"text":"Cataract surgery, right eye"}]`},
	{"AIS-10", "status", []string{sch(nil), rgs, "AIS|1|A|X|||||||Noshow"}, "status", `"noshow"`},
	{"AIL-3", "participant.actor[1]", []string{sch(nil), rgs, "AIL|1|A|THEATRE^2^^^^^^^Eye theatre 2"}, "participant", `[{"actor":{"type":"Location","identifier":{"value":"THEATRE 2"},"display":"Eye theatre 2"},"status":"accepted"}]`},
	{"AIL-6", "participant.period.start", []string{sch(nil), rgs, "AIL|1|A|T|||20260309090000"}, "participant", `"period":{"start":"2026-03-09T09:00:00Z"}`},
	{"AIL-9", "participant.period.end", []string{sch(nil), rgs, "AIL|1|A|T|||20260309090000|||30|min"}, "participant", `"period":{"start":"2026-03-09T09:00:00Z","end":"2026-03-09T09:30:00Z"}`},
	{"AIP-3", "participant.actor[1]", []string{sch(nil), rgs, "AIP|1|A|D1^Invented^Ina"}, "participant", `[{"actor":{"type":"Practitioner","identifier":{"value":"D1"},"display":"Invented Ina"},"status":"accepted"}]`},
	{"AIP-4", "participant.type[1]", []string{sch(nil), rgs, "AIP|1|A|D1|SUR^Surgeon^99EYE"}, "participant", `"type":[{"coding":[{"system":"99EYE","code":"SUR","display":"Surgeon"}],"text":"Surgeon"}]`},
	{"AIP-6", "participant.period.start", []string{sch(nil), rgs, "AIP|1|A|D1|||20260309090000"}, "participant", `"period":{"start":"2026-03-09T09:00:00Z"}`},
	{"AIP-9", "participant.period.end", []string{sch(nil), rgs, "AIP|1|A|D1|||20260309090000|||15|m"}, "participant", `"period":{"start":"2026-03-09T09:00:00Z","end":"2026-03-09T09:15:00Z"}`},
	{"PID-2", "participant.actor[1](Patient)", []string{sch(nil), "PID|1|EXT"}, "participant", `[{"actor":{"type":"Patient","identifier":{"value":"EXT"}},"status":"accepted"}]`},
	{"PID-3", "participant.actor[2](Patient)", []string{sch(nil), "PID|1||MRN-9^^^EYE&1.2.3&ISO^MR~NHS||||19480302"}, "participant", `[{"actor":{"type":"Patient","identifier":{"type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"MR"}]},"system":"urn:oid:1.2.3","value":"MRN-9"}},"status":"accepted"}]`},
	{"CX.1", "value", []string{sch(nil), "PID|1||A~B||||194803021530"}, "people", `[{"ids":["A","B"],"born":"1948-03-02"}]`},
	{"CX.4", "system", []string{sch(nil), "PID|1||A^^^&http://eye.example/mrn&URI"}, "participant", `"system":"http://eye.example/mrn"`},
	{"CX.5", "type.coding.code", []string{sch(nil), "PID|1||A^^^^MR"}, "participant", `"code":"MR"`},
	{"CX.7", "period.start", []string{sch(nil), "PID|1||A^^^^^^20190101"}, "participant", `"period":{"start":"2019-01-01"}`},
	{"CX.8", "period.end", []string{sch(nil), "PID|1||A^^^^^^^20290101"}, "participant", `"period":{"end":"2029-01-01"}`},
	{"EI.1", "value", []string{sch(map[int]string{2: `F\T\1`})}, "(id)", "F&1"},
	{"EI.3", "extention??-assigningauthority.universalID", []string{sch(map[int]string{2: "F^^A-B^UUID"})}, "identifier", `"system":"urn:uuid:a-b"`},
	{"EI.4", "extension??-assigningauthority.univeralIDType", []string{sch(map[int]string{2: "F^^1.2^ISO"})}, "identifier", `"system":"urn:oid:1.2"`},
}

// left are rows of the maps that have a target and are not followed, with the reason.
var left = map[string]string{
	"SCH-12": "who booked it says nothing of the operation, and is kept nowhere", "SCH-16": "as SCH-12", "SCH-20": "as SCH-12",
	"AIS-4": "a participant needs an actor and a service is none; read as the booking's start where SCH-11 and TQ1 give none",
	"AIS-5": "an offset to a start that the booking has", "AIS-7": "as AIS-4", "AIL-7": "as AIS-5", "AIP-7": "as AIS-5",
	"AIP-12": "the map names no codes; the participant of a booking is accepted",
	"PID-4":  "withdrawn; PID-3 carries it", "EI.2": "the extension has no address; a namespace is no URI",
	"CX.2": "a check digit finds nobody", "CX.3": "as CX.2", "CX.6": "the extension has no address", "CX.4 → assigner(Organization)": "an organisation finds nobody",
	"AIG-3": "rooms and devices come as AIL", "AIG-4": "as AIG-3", "AIG-8": "as AIG-3", "AIG-9": "as AIG-3", "AIG-11": "as AIG-3",
}

func TestRows(t *testing.T) {
	o := Options{Service: []string{"AIS-3", "AIS-11", "AIS-12"}}
	for _, r := range rows {
		got := booking(t, o, slices.Concat([]string{msh}, r.segments)...)
		require.Contains(t, got[r.element], r.want, "%s → %s", r.from, r.to)
	}
}

// Every row of HL7's maps that has a target is followed, tested above, or left with a reason (Version 2 to FHIR guide, CC0).
func TestMaps(t *testing.T) {
	dir := filepath.Join(sharedData(t), "v2-to-fhir-maps")
	read := func(name string) [][]string {
		f, err := os.Open(filepath.Join(dir, name))
		require.NoError(t, err)
		defer f.Close() //nolint:errcheck // read only
		r := csv.NewReader(f)
		r.FieldsPerRecord = -1
		all, err := r.ReadAll()
		require.NoError(t, err)
		return all
	}
	for _, file := range []string{
		"segment_SCH_Appointment.csv", "segment_AIS_Appointment.csv", "segment_AIL_Appointment.csv", "segment_AIP_Appointment.csv", "segment_AIG_Appointment.csv",
		"segment_PID_Appointment.csv", "datatype_TQ_Appointment.csv", "datatype_EI_Identifier-Extension.csv", "datatype_CX_Identifier.csv",
	} {
		seen := 0
		for _, line := range read(file)[2:] {
			id, target := line[1], strings.TrimSpace(line[9]+line[10])
			if target == "" || strings.HasPrefix(target, "extension[") { // check digits, and R5's subject beside the participant
				continue
			}
			seen++
			followed := slices.ContainsFunc(rows, func(r row) bool { return r.from == id && r.to == target })
			require.True(t, followed || left[id] != "" || left[id+" → "+target] != "", "%s → %s (%s)", id, target, file)
		}
		require.NotZero(t, seen, file)
	}

	// The concept maps, code by code.
	for _, line := range read("table_0278_FillerStatusCodes.csv")[2:] {
		code, want := line[0], line[6]
		if code == "" || want == "" {
			continue
		}
		got := booking(t, Options{}, msh, sch(map[int]string{25: code + "^" + line[1] + "^HL70278"}))
		require.Equal(t, `"`+want+`"`, got["status"], code)
	}
	for _, line := range read("table_0276_AppointmentReasonCodes.csv")[2:] {
		want := cmp.Or(line[6], line[0]) // one without a target stays as it is
		require.Contains(t, booking(t, Options{}, msh, sch(map[int]string{7: line[0] + "^x^HL70276"}))["reasonCode"], fmt.Sprintf(`"code":%q`, want))
	}
	for _, line := range read("table_0277_AppointmentTypeCodes.csv")[2:] {
		got := booking(t, Options{}, msh, sch(map[int]string{8: line[0] + "^x^HL70277"}))["appointmentType"]
		require.Contains(t, got, fmt.Sprintf(`"system":%q,"code":%q`, line[9], line[6]), line[0])
	}
}

// What a trigger means for the booking, with and without SCH-25 (HL7 v2 chapter 10, from memory; the map leaves Discontinued open).
func TestTriggersDecideTheStatus(t *testing.T) {
	for event, want := range map[string][2]string{
		"S12": {`"booked"`, `"waitlist"`}, "S13": {`"booked"`, `"waitlist"`}, "S14": {``, `"waitlist"`}, "S15": {`"cancelled"`, `"cancelled"`}, "S16": {`"cancelled"`, `"cancelled"`},
		"S17": {`"entered-in-error"`, `"entered-in-error"`}, "S18": {``, `"waitlist"`}, "S19": {``, `"waitlist"`}, "S20": {``, `"waitlist"`}, "S21": {``, `"waitlist"`}, "S22": {``, `"waitlist"`},
		"S26": {`"noshow"`, `"noshow"`}, "S27": {`"booked"`, `"waitlist"`},
	} {
		require.Equal(t, want[0], booking(t, Options{}, trigger(event), sch(nil))["status"], event)
		require.Equal(t, want[1], booking(t, Options{}, trigger(event), sch(map[int]string{25: "WAITLIST"}))["status"], event)
		require.Equal(t, want[0], booking(t, Options{}, trigger(event), sch(map[int]string{25: "own word"}))["status"], event)
	}
	for code, want := range map[string]string{"CANCELED": "cancelled", "confirmed": "booked", "DC": "cancelled", "Overbook": "booked", "Blocked": "booked"} {
		require.Equal(t, `"`+want+`"`, booking(t, Options{}, msh, sch(map[int]string{25: code}))["status"], code)
	}
}

func TestStartOfABooking(t *testing.T) {
	london, err := time.LoadLocation("Europe/London")
	require.NoError(t, err)
	for name, c := range map[string]struct {
		segments []string
		want     string
	}{
		"SCH-11, summer time of the clinic": {[]string{sch(map[int]string{11: "^^^20260709090000"})}, "2026-07-09T09:00:00+01:00"},
		"TQ1 where SCH-11 is silent":        {[]string{sch(nil), "TQ1|1||||||202603090900|202603090930"}, "2026-03-09T09:00:00Z"},
		"SCH-11 before TQ1":                 {[]string{sch(map[int]string{11: "^^^20260310"}), "TQ1|1||||||202603090900"}, "2026-03-10T00:00:00Z"},
		"the first resource":                {[]string{sch(nil), rgs, "AIS|1|A|X|202603091000", "AIP|1|A|D|||202603090900"}, "2026-03-09T09:00:00Z"},
		"no date":                           {[]string{sch(map[int]string{11: "^^^20260231"})}, ""},
		"nothing":                           {[]string{sch(nil)}, ""},
	} {
		got := booking(t, Options{Zone: london}, slices.Concat([]string{msh}, c.segments)...)
		require.Equal(t, c.want, strings.Trim(got["start"], `"`), name)
	}
	for _, s := range []string{"", "2026", "202603", "2026030", "20260309x", "202613", "20260309250000", "20260309+01", "00010101", "2026030909000012"} {
		_, err := ParseTime(s, nil)
		require.Error(t, err, s)
	}
}

// Where the service stands is the site's to say; a note on it is text.
func TestServiceOfASite(t *testing.T) {
	o := Options{Service: []string{"SCH-7", "AIS-12", "NTE-3", "ZEY-2"}}
	got := booking(t, o, msh, sch(map[int]string{7: "^Phako links"}), `NTE|1||left eye \T\ lens`, rgs, "AIS|1|A|CAT|||||||||R^Right", "ZEY|1|OS")
	for place, want := range map[string]string{"SCH": "Phako links", "NTE/2": "left eye & lens", "AI/1/1/AIS": `"code":"R","display":"Right"`, "ZEY": `[{"text":"OS"}]`} {
		require.Contains(t, got["serviceType/"+place], want)
	}
	require.Contains(t, got["comment"], "left eye & lens")
	require.NotContains(t, fmt.Sprint(got), "CAT\"", "AIS-3 is not among them")
}

// A message about one service of several replaces that one; any other names all there are.
func TestOneServiceOfSeveral(t *testing.T) {
	o := Options{Service: []string{"AIS-3"}}
	whole := booking(t, o, trigger("S14"), sch(nil), rgs, "AIS|1|U|A", "AIS|2|U|B")
	require.Contains(t, whole, Services)
	require.Contains(t, whole, "serviceType/AI/1/2/AIS")
	added := booking(t, o, trigger("S18"), sch(nil), rgs, "AIS|2|A|B")
	require.NotContains(t, added, Services)
	require.Equal(t, `[{"text":"B"}]`, added["serviceType/AI/1/2/AIS"])
	removed := booking(t, o, trigger("S22"), sch(nil), rgs, "AIS|2|D|B")
	require.NotContains(t, removed, Services)
	require.Equal(t, "null", removed["serviceType/AI/1/2/AIS"])
	silent := booking(t, o, trigger("S13"), sch(nil))
	require.NotContains(t, fmt.Sprint(silent), Services, "a message that names no service says nothing of it")
}

// Whatever is written as the standard asks is read as it was: every part of every field, in any delimiters.
func TestParseReadsWhatWasWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		delimiters := rapid.SampledFrom([]string{`|^~\&`, `$*!#%`, `|:;?@`}).Draw(t, "delimiters")
		f, c, r, e, sub := delimiters[0:1], delimiters[1:2], delimiters[2:3], delimiters[3:4], delimiters[4:5]
		escape := strings.NewReplacer(e, e+"E"+e, f, e+"F"+e, c, e+"S"+e, sub, e+"T"+e, r, e+"R"+e)
		part := rapid.StringMatching(`([!-~äЖ]([ -~äЖ]{0,8}[!-~äЖ])?)?`)
		want := rapid.SliceOfN(rapid.SliceOfN(rapid.SliceOfN(rapid.SliceOfN(rapid.SliceOfN(part, 1, 3), 1, 4), 1, 3), 1, 5), 1, 6).Draw(t, "segments")
		lines := []string{"MSH" + f + delimiters[1:] + f + strings.Join([]string{"S", "", "", "", "20260302", "", "SIU" + c + "S12", "1", "P", "2.5.1", "", "", "", "", "", "UNICODE UTF-8"}, f)}
		join := func(all []string, by string) string { return strings.Join(all, by) }
		for _, fields := range want {
			line := []string{"ZZZ"}
			for _, repetitions := range fields {
				var reps []string
				for _, components := range repetitions {
					var comps []string
					for _, subs := range components {
						var ss []string
						for _, s := range subs {
							ss = append(ss, escape.Replace(s))
						}
						comps = append(comps, join(ss, sub))
					}
					reps = append(reps, join(comps, c))
				}
				line = append(line, join(reps, r))
			}
			lines = append(lines, join(line, f))
		}
		m, err := Parse(message(lines...))
		require.NoError(t, err)
		require.Len(t, m.Segments, len(want)+1)
		for i, fields := range want {
			for j, repetitions := range fields {
				got := m.Header.Repetitions(m.Segments[i+1].Field(j + 1))
				require.Len(t, got, len(repetitions))
				for k, components := range repetitions {
					for l, subs := range components {
						for n, s := range subs {
							require.Equal(t, s, m.Header.Part(got[k], l+1, n+1))
						}
						require.Empty(t, m.Header.Part(got[k], l+1, len(subs)+1))
					}
				}
			}
		}
	})
}

// Whatever comes in, what comes out is JSON that reads back, and a booking with a name.
func FuzzBooking(f *testing.F) {
	for _, r := range rows {
		f.Add(message(slices.Concat([]string{msh}, r.segments)...))
	}
	o := Options{Service: []string{"AIS-3", "AIS-12", "SCH-7", "NTE-3", "OBX-5"}}
	f.Fuzz(func(t *testing.T, in []byte) {
		m, err := Parse(in)
		if err != nil {
			return
		}
		b, ok := m.Booking(o)
		if ok != (b.ID != "") {
			t.Fatal("a booking without a name")
		}
		for name, raw := range b.Elements {
			var v any
			if err := json.Unmarshal(raw, &v); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
	})
}
