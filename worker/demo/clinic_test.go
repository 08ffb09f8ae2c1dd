package demo

import (
	"bytes"
	"encoding/csv"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var resourcesTo = flag.String("resources", "", "write the valid resources of the clinic to this NDJSON file, for a FHIR validator")

// monday is the clinic as it stands on a Monday morning in winter.
func monday(t *testing.T) Clinic {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	clinic, err := NewClinic(time.Date(2026, 11, 23, 7, 0, 0, 0, zone), zone)
	require.NoError(t, err)
	return clinic
}

func referenceOf(t require.TestingT, resource []byte) string {
	var h header
	require.NoError(t, json.Unmarshal(resource, &h))
	return h.Type + "/" + h.ID
}

func split(reference string) (kind, id string) {
	kind, id, _ = strings.Cut(reference, "/")
	return kind, id
}

type appointment struct {
	ID          string    `json:"id"`
	Status      string    `json:"status"`
	Start       time.Time `json:"start"`
	End         time.Time `json:"end"`
	Participant []struct {
		Actor struct {
			Reference string `json:"reference"`
		} `json:"actor"`
	} `json:"participant"`
}

func appointments(t require.TestingT, clinic Clinic) map[string]appointment {
	all := map[string]appointment{}
	for _, r := range clinic.Resources {
		if reference := referenceOf(t, r); strings.HasPrefix(reference, "Appointment/") {
			var a appointment
			require.NoError(t, json.Unmarshal(r, &a))
			all[reference] = a
		}
	}
	return all
}

// Whenever the demo runs, every booking lies within the next two weeks, on a working day and in clinic hours, and no two
// operations share the theatre.
func TestBookingsLieAhead(t *testing.T) {
	zones := []string{"UTC", "Europe/Vienna", "America/St_Johns", "Asia/Kolkata", "Pacific/Auckland", "Pacific/Kiritimati"}
	rapid.Check(t, func(t *rapid.T) {
		zone, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(t, "zone"))
		require.NoError(t, err)
		now := time.Unix(rapid.Int64Range(1.7e9, 2.5e9).Draw(t, "now"), 0)
		clinic, err := NewClinic(now, zone)
		require.NoError(t, err)
		taken := map[string]string{}
		for reference, a := range appointments(t, clinic) {
			start, end := a.Start.In(zone), a.End.In(zone)
			require.True(t, start.After(now), reference)
			require.True(t, start.Before(now.AddDate(0, 0, 14)), reference)
			require.NotContains(t, []time.Weekday{time.Saturday, time.Sunday}, start.Weekday(), reference)
			require.GreaterOrEqual(t, start.Hour(), 8, reference)
			require.LessOrEqual(t, end.Hour(), 16, reference)
			require.True(t, end.After(start) && end.Sub(start) <= time.Hour, reference)
			if a.Status == "booked" && reference != "Appointment/demo-marshlight-1" {
				slot := start.Format(time.RFC3339)
				require.Empty(t, taken[slot], "%s at the time of %s", reference, taken[slot])
				taken[slot] = reference
			}
		}
	})
}

// The clinic is what the demo promises: invented, complete, and without a loose end.
func TestClinicHangsTogether(t *testing.T) {
	clinic := monday(t)
	known := map[string]bool{}
	var patients, operations int
	for _, r := range clinic.Resources {
		reference := referenceOf(t, r)
		require.False(t, known[reference], "%s stands twice", reference)
		known[reference] = true
		require.Contains(t, string(r), "Demo data, invented", reference)
		require.NotContains(t, string(r), "{{", reference)
		require.NotContains(t, string(r), "HTEST", "a test patient is treated differently")
		if strings.HasPrefix(reference, "Patient/") {
			patients++
		}
	}
	for _, a := range appointments(t, clinic) {
		if a.Status == "booked" {
			operations++
		}
	}
	require.GreaterOrEqual(t, operations, 16)
	require.GreaterOrEqual(t, patients, 16)
	for _, r := range clinic.Resources {
		for _, reference := range references(t, r) {
			if !strings.HasPrefix(reference, "#") {
				require.True(t, known[reference], "%s points to %s", referenceOf(t, r), reference)
			}
		}
	}
	require.Equal(t, []string{"MedicationStatement/demo-nettlebank-unreadable"}, clinic.Damaged)
}

// references lists every reference in a resource.
func references(t *testing.T, resource []byte) []string {
	t.Helper()
	var any any
	require.NoError(t, json.Unmarshal(resource, &any))
	return gather(any, "reference")
}

// gather lists the string values of every member called name.
func gather(v any, name string) []string {
	var out []string
	switch v := v.(type) {
	case map[string]any:
		for k, x := range v {
			if s, ok := x.(string); ok && k == name {
				out = append(out, s)
			}
			out = append(out, gather(x, name)...)
		}
	case []any:
		for _, x := range v {
			out = append(out, gather(x, name)...)
		}
	}
	return out
}

// Events speak of what is in the clinic. One booking is announced by none, one thrice (once under the same message id), one
// in two versions, the newer first.
func TestEvents(t *testing.T) {
	clinic := monday(t)
	booked := appointments(t, clinic)
	announced := map[string]int{}
	ids := map[string][]byte{}
	var subjects []string
	for _, e := range clinic.Events {
		require.NotEmpty(t, e.MsgID)
		require.NotEmpty(t, e.Note)
		subjects = append(subjects, e.Subject)
		require.NotContains(t, e.Subject, "demo-", "a subject names no patient")
		if before, twice := ids[e.MsgID]; twice {
			require.Equal(t, before, e.Payload, "the same message id with another payload")
		}
		ids[e.MsgID] = e.Payload
		var r struct {
			Type      string `json:"resourceType"`
			Reference string `json:"reference"`
		}
		require.NoError(t, json.Unmarshal(e.Payload, &r))
		if r.Type != "" {
			r.Reference = referenceOf(t, e.Payload)
			require.Contains(t, string(e.Payload), "Demo data, invented")
		}
		announced[r.Reference]++
	}
	require.Subset(t, []string{"clinic.booking.scheduling", "clinic.history.medication"}, subjects)
	for reference := range booked {
		want := 1
		switch reference {
		case "Appointment/demo-stonecrop-1":
			want = 0
		case "Appointment/demo-hazelmoor-1", "Appointment/demo-brueckenlaerche-1":
			want = 2
		case "Appointment/demo-sedgewing-1":
			want = 3
		}
		require.Equal(t, want, announced[reference], reference)
		delete(announced, reference)
	}
	require.Equal(t, map[string]int{"Patient/demo-willowmere": 1}, announced)
	require.Len(t, ids, len(clinic.Events)-1)
}

// The same moment gives the same clinic, byte by byte.
func TestSameMomentSameClinic(t *testing.T) {
	require.Equal(t, monday(t), monday(t))
}

func TestDates(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	friday := time.Date(2026, 3, 27, 18, 0, 0, 0, zone) // the clocks change on the Sunday after
	saturday, leap := friday.AddDate(0, 0, 1), time.Date(2028, 2, 29, 0, 0, 0, 0, zone)
	cases := []struct {
		text string
		now  time.Time
		want string
	}{
		{"{{year-12}}", friday, "2014"},
		{"{{year-12}}-03-02", friday, "2014-03-02"},
		{"{{month-3}}", friday, "2025-12"},
		{"{{month-30}}", friday, "2023-09"},
		{"{{month-1}}", time.Date(2026, 3, 31, 0, 0, 0, 0, zone), "2026-02"},
		{"{{day-27}}", friday, "2026-02-28"},
		{"{{day-1 08:05}}", friday, "2026-03-26T08:05:00+01:00"},
		{"{{theatre+1 08:30}}", friday, "2026-03-30T08:30:00+02:00"},
		{"{{theatre+1 08:30}}", saturday, "2026-03-30T08:30:00+02:00"},
		{"{{theatre+6 08:30}}", friday, "2026-04-06T08:30:00+02:00"},
		{"{{theatre+9 08:30}}", friday, "2026-04-09T08:30:00+02:00"},
		{"{{year-1}}", leap, "2027"},
		{"{{day-366}}", leap, "2027-02-28"},
		{"from {{day-1}} to {{day-2}}", leap, "from 2028-02-28 to 2028-02-27"},
		{"no date", friday, "no date"},
	}
	for _, c := range cases {
		got, err := dated([]byte(c.text), c.now)
		require.NoError(t, err, c.text)
		require.Equal(t, c.want, string(got), c.text)
	}
	for _, bad := range []string{
		"{{}}", "{{week-1}}", "{{year}}", "{{year-1 08:00}}", "{{month-1 08:00}}", "{{theatre+1}}", "{{theatre-1 08:00}}",
		"{{theatre+0 08:00}}", "{{day-1 8:00}}", "{{day-1 25:00}}", "{{day-999999}}", "{{day -1}}",
	} {
		_, err := dated([]byte(bad), friday)
		require.ErrorContains(t, err, "is no date", bad)
	}
}

// A file that somebody added and that does not fit is named with its fault.
func TestFaultyFile(t *testing.T) {
	const patient = `{"resourceType":"Patient","id":"a"}`
	for text, want := range map[string]string{
		`{`:                             "read patient",
		`{"stories":"x"}`:               "stories",
		`{"record":[{{day-1}}]}`:        "read patient",
		`{"record":[{"id":"{{day}}"}]}`: "{{day}} is no date",
		`{"record":[{"resourceType":"Patient"}]}`:             "resource 1: resource without type or id",
		`{"record":[` + patient + `,7]}`:                      "resource 2: read resource",
		`{"record":[{"meta":{},` + patient[1:] + `]}`:         "meta of its own",
		`{"events":[{"payload":7}]}`:                          "event 1: read payload",
		`{"events":[{"payload":{"resourceType":"Patient"}`:    "read patient",
		`{"events":[{"payload":{"resourceType":"Patient"}}]}`: "event 1: resource without type or id",
	} {
		_, err := readClinic(fstest.MapFS{"clinic/99-new.json": {Data: []byte(text)}}, time.Unix(0, 0))
		require.ErrorContains(t, err, "clinic/99-new.json: ", text)
		require.ErrorContains(t, err, want, text)
	}
	clinic, err := readClinic(fstest.MapFS{"clinic/99-new.json": {Data: []byte(`{"record":[` + patient + `]}`)}}, time.Unix(0, 0))
	require.NoError(t, err)
	require.Len(t, clinic.Resources, 1)
}

// Every code of a drug, an operation or a finding stands in the list of codes that were each verified outside the project
// (clinical/codes.csv beside the shared test data; its column verified_in names the source of each).
func TestCodesStandInCodeList(t *testing.T) {
	data := os.Getenv("PUPILRISK_SHARED_DATA")
	if data == "" {
		data = filepath.Join("..", "..", "..", "shared", "data")
	}
	file, err := os.Open(filepath.Join(data, "..", "clinical", "codes.csv"))
	if errors.Is(err, os.ErrNotExist) {
		if strings.Contains(os.Getenv("PUPILRISK_REQUIRE"), "shared") {
			require.NoError(t, err)
		}
		t.Skip("the shared list of codes is not here")
	}
	require.NoError(t, err)
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	listed, systems := map[string]string{}, map[string]bool{}
	for _, row := range rows[1:] {
		listed[row[0]+"|"+row[1]] = row[2]
		systems[row[0]] = true
	}
	listed["http://snomed.info/sct|372509005"] = "Tamsulosin (substance)" // for a code from memory; seen in CH Term of HL7 Switzerland
	checked := 0
	for _, r := range monday(t).Resources {
		var resource any
		require.NoError(t, json.Unmarshal(r, &resource))
		for _, c := range codings(resource) {
			system, _ := c["system"].(string)
			if !systems[system] {
				continue
			}
			code, _ := c["code"].(string)
			require.Contains(t, listed, system+"|"+code, referenceOf(t, r))
			checked++
		}
	}
	require.Greater(t, checked, 20)
}

// codings lists every coding of a resource.
func codings(v any) []map[string]any {
	var out []map[string]any
	switch v := v.(type) {
	case map[string]any:
		for k, x := range v {
			if list, ok := x.([]any); ok && k == "coding" {
				for _, c := range list {
					if c, ok := c.(map[string]any); ok {
						out = append(out, c)
					}
				}
			}
			out = append(out, codings(x)...)
		}
	case []any:
		for _, x := range v {
			out = append(out, codings(x)...)
		}
	}
	return out
}

// TestWriteResources writes the clinic for a FHIR validator that runs outside: go test -run WriteResources -resources FILE.
func TestWriteResources(t *testing.T) {
	clinic := monday(t)
	var valid bytes.Buffer
	for _, r := range clinic.Resources {
		require.NotContains(t, string(r), "\n")
		if referenceOf(t, r) != clinic.Damaged[0] {
			valid.Write(append(r, '\n'))
		}
	}
	for _, e := range clinic.Events {
		if !bytes.HasPrefix(e.Payload, []byte(`{"reference"`)) {
			valid.Write(append(e.Payload, '\n'))
		}
	}
	if *resourcesTo != "" {
		require.NoError(t, os.WriteFile(*resourcesTo, valid.Bytes(), 0o644))
	}
}
