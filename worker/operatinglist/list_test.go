package operatinglist

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pupilrisk/rules"
)

var update = flag.Bool("update", false, "write the golden files anew")

// clinic is an invented day in the middle of Europe, in winter.
func clinic(t *testing.T) List {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 11, day, hour, minute, 0, 0, zone) }
	return List{
		From: at(25, 0, 0), To: at(28, 0, 0), At: at(25, 8, 0), Zone: zone, Mode: "shadow", Catalogue: "1.0.0",
		SiteGaps: []string{"devices in the eye"},
		Rows: []Row{
			{
				Start: at(27, 8, 30), Patient: "青葉 花子", PatientID: "DEMO-0003", Born: "1951-06-30", Eye: rules.LeftEye,
				Service: "Phacoemulsification, left eye", State: "booked", Outcome: rules.NoneFound, Complete: true,
				Context: []string{"hypertension", "losartan, current"},
			},
			{
				Start: at(26, 9, 15), Patient: "Mossgrove, Ivo", PatientID: "DEMO-0002", Born: "1944-11-26", Eye: rules.RightEye,
				Appointment: "Appointment/b2", Service: "Cataract surgery, right eye", State: "booked",
				Outcome: rules.Flagged, Complete: true,
				Hazards: []Hazard{
					{
						Hazard: rules.FloppyIris, Level: rules.Moderate, Eye: rules.RightEye,
						Text: "HAVE READY floppy iris, RIGHT eye: doxazosin, current (record of 2026-03)",
						Why:  []Why{{"doxazosin 4 mg", "2026-03", "MedicationRequest/dox", rules.BySpelling}},
					},
					{
						Hazard: rules.SmallPupil, Level: rules.High, Eye: rules.RightEye,
						Text: "EXPECT small pupil, RIGHT eye: dilated pupil 4.0 mm (2026-09-14) (+1 more)",
						Why: []Why{
							{"Dilated pupil diameter 4.0 mm", "2026-09-14", "Observation/pupil", rules.ByText},
							{"Capsular glaucoma with pseudoexfoliation of lens, right eye", "2019", "Condition/pxf", rules.ByCode},
						},
					},
				},
				Prepare: []Prepare{
					{Code: "prepare-pupil-expansion", Text: "hooks and ring in the room", Who: "theatre nurse", Due: at(25, 16, 0), State: "requested"},
					{Code: "prepare-intracameral-agent", Text: "intracameral agent", Who: "pharmacy", Due: at(25, 8, 0)},
					{Code: "surgeon-review", Text: "surgeon reviews the plan", Who: "surgeon", State: "done by Dr Demo, 24 Nov", Done: true},
				},
				Missing: []string{"axial length not on record"},
			},
			{
				Start: at(26, 8, 30), Patient: "Larkspur, Edmund", PatientID: "DEMO-0001", Born: "1948-03-02", Eye: rules.RightEye,
				Service: "Cataract surgery, right eye", State: "booked", Outcome: rules.Flagged, Complete: true,
				Hazards: []Hazard{{
					Hazard: rules.FloppyIris, Level: rules.High, Eye: rules.RightEye,
					Text: "EXPECT floppy iris, RIGHT eye: tamsulosin, stopped 2014 (still counts)",
					Why:  []Why{{"tamsulosin hydrochloride 0.4 MG Oral Capsule", "2009 to 2014", "MedicationStatement/tam", rules.ByCode}},
				}},
				Prepare: []Prepare{{Text: "hooks and ring in the room", Who: "theatre nurse", Due: at(25, 16, 0)}},
				Missing: []string{"dilated pupil of the right eye not measured"},
			},
			{
				Start: at(26, 10, 0), Patient: "Pebblebrook, Silas", PatientID: "DEMO-0004", Born: "1950", Eye: rules.EyeUnknown,
				Service: "Cataract surgery", State: "pending", Outcome: rules.NoneFound,
				Missing: []string{"no drug on record, which is not the same as no drug taken: ask", "eye not stated in the booking: confirm"},
			},
			{
				Start: at(26, 10, 45), PatientID: "DEMO-0005", Eye: rules.BothEyes, Outcome: rules.NotAssessed,
				Missing: []string{"record could not be read"},
			},
			{
				Patient: "Nettlebank-Featherstonehaugh of the Upper and the Lower Meadow, Wilhelmina Theodora", PatientID: "DEMO-0006",
				Born: "1939-01-01", Eye: rules.LeftEye, Service: "Cataract surgery, left eye", State: "booked",
				Hazards: []Hazard{{
					Hazard: rules.SmallPupil, Level: rules.High, Eye: rules.LeftEye, Text: "EXPECT small pupil, LEFT eye: posterior synechiae (2018)",
					Closed: "closed 2026-11-20 by a person",
				}},
			},
			{
				Start: at(26, 11, 30), Patient: "Hazelmoor, Basil", PatientID: "DEMO-0007", Eye: rules.RightEye, State: "cancelled",
				Service: "Cataract surgery, right eye", Outcome: rules.Flagged,
			},
		},
	}
}

func TestGolden(t *testing.T) {
	empty := clinic(t)
	empty.Rows = nil
	cancelled := clinic(t)
	cancelled.Rows = cancelled.Rows[len(cancelled.Rows)-1:]
	cancelled.Footer = []string{"Ask the duty surgeon."}
	cases := []struct {
		name   string
		list   List
		width  int
		colour bool
	}{
		{"list-110.txt", clinic(t), 110, false},
		{"list-72.txt", clinic(t), 72, false},
		{"list-110-emphasis.txt", clinic(t), 110, true},
		{"empty.txt", empty, 100, false},
		{"only-cancelled.txt", cancelled, 100, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			var b bytes.Buffer
			require.NoError(t, c.list.WriteText(&b, c.width, c.colour))
			golden(t, c.name, b.Bytes())
		})
	}
	t.Run("list.ndjson", func(t *testing.T) {
		var b bytes.Buffer
		require.NoError(t, clinic(t).WriteJSON(&b))
		golden(t, "list.ndjson", b.Bytes())
	})
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, got, 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), string(got))
}

// What a surgeon must find whatever else stands in a row.
func TestWordsThatMustStand(t *testing.T) {
	line := func(r Row) string {
		var b bytes.Buffer
		l := List{From: day(25), To: day(26), Rows: []Row{r}}
		require.NoError(t, l.WriteText(&b, 110, false))
		return b.String()
	}
	low := []Hazard{{Hazard: rules.SmallPupil, Level: rules.Low, Eye: rules.LeftEye, Text: "NOTE small pupil, LEFT eye: laser iridotomy (2020)"}}
	high := []Hazard{{Hazard: rules.FloppyIris, Level: rules.High, Eye: rules.LeftEye, Text: "EXPECT floppy iris, LEFT eye: tamsulosin, current"}}
	many := []Hazard{{Level: rules.High, Text: "EXPECT x", Why: make([]Why, 9)}}
	cases := []struct {
		name string
		row  Row
		want []string
		not  []string
	}{
		{"nothing found", Row{Outcome: rules.NoneFound, Complete: true}, []string{"No warning in the records read; not a clearance"}, []string{"INCOMPLETE"}},
		{"nothing found in part of the record", Row{Outcome: rules.NoneFound}, []string{"No warning in the records read; not a clearance", "INCOMPLETE"}, nil},
		{"weak finding", Row{Outcome: rules.NoneFound, Complete: true, Hazards: low}, []string{"not a clearance", "NOTE        small pupil, LEFT eye: laser iridotomy"}, nil},
		{"not assessed", Row{Outcome: rules.NotAssessed}, []string{"NOT ASSESSED: ask the patient"}, []string{"No warning"}},
		{"not assessed, old flag stands", Row{Outcome: rules.NotAssessed, Hazards: high}, []string{"NOT ASSESSED: ask the patient", "EXPECT"}, nil},
		{"no flag in the record", Row{}, []string{"not a clearance: it may not have been assessed"}, []string{"INCOMPLETE"}},
		{"flag in the record", Row{Hazards: high}, []string{"EXPECT      floppy iris, LEFT eye: tamsulosin, current"}, []string{"No warning"}},
		{"all flags closed", Row{Hazards: []Hazard{{Level: rules.High, Text: "EXPECT x", Closed: "closed 2026-11-20 by a person"}}}, []string{"No warning stands any more; not a clearance", "closed      EXPECT x -- closed 2026-11-20 by a person"}, []string{"may not have been"}},
		{"weak flag at a site that flags them", Row{Outcome: rules.Flagged, Complete: true, Hazards: low}, []string{"NOTE"}, []string{"No warning"}},
		{"side not stated", Row{Eye: rules.EyeUnknown}, []string{"EYE ?"}, nil},
		{"level not known", Row{Hazards: []Hazard{{Text: "floppy iris, RIGHT eye: somebody's own words"}}}, []string{"flag        floppy iris, RIGHT eye"}, nil},
		{"many records", Row{Hazards: many}, []string{"why: and 6 more records"}, nil},
		{"nobody's name", Row{}, []string{"NAME NOT RECORDED", "born ?", "service not stated"}, nil},
		{"done by the booking's status", Row{State: "fulfilled"}, []string{"NOT GOING AHEAD", "| done"}, []string{"No warning"}},
		{"missed", Row{State: "noshow"}, []string{"NOT GOING AHEAD", "| did not come"}, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			text := line(c.row)
			for _, w := range append(c.want, Cautions...) {
				require.Contains(t, unwrapped(text), w)
			}
			for _, w := range c.not {
				require.NotContains(t, text, w)
			}
		})
	}
}

// The zone of the machine has no name that a person would know.
func TestLocalTimes(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, List{From: day(25), To: day(26), Zone: time.Local}.WriteText(&b, 100, false))
	require.Contains(t, b.String(), "\nlocal times\n")
	require.NotContains(t, b.String(), "Local")
}

func unwrapped(s string) string { return strings.ReplaceAll(s, "\n", " ") }

func day(n int) time.Time { return time.Date(2026, 11, n, 0, 0, 0, 0, time.UTC) }

func TestAge(t *testing.T) {
	p := printer{}
	for born, want := range map[string]string{
		"1948-11-26": "born 1948-11-26 (78)",
		"1948-11-27": "born 1948-11-27 (77)",
		"2026-11-26": "born 2026-11-26 (0)",
		"2027-01-01": "born 2027-01-01",
		"1948-03":    "born 1948-03",
		"":           "born ?",
	} {
		require.Equal(t, want, p.born(Row{Born: born, Start: day(26)}))
	}
	require.Equal(t, "born 1948-11-26", p.born(Row{Born: "1948-11-26"}), "no age without a day of operation")
}

func TestClean(t *testing.T) {
	for in, want := range map[string]string{
		"Brückenlärche, Jörg":        "Brückenlärche, Jörg",
		"青葉 花子":                      "青葉 花子",
		"a\tb\r\n  c":                "a b c",
		"\x1b[2Jgone":                "?[2Jgone",
		"\u009b31mred":               "?31mred",
		"THGIR\u202eLEFT\u202c":      "THGIRLEFT",
		"\u2066LEFT\u2069\u200e":     "LEFT",
		"line\u2028break":            "line break",
		"bad \xff byte":              "bad \ufffd byte",
		"می\u200cخواهم":              "می\u200cخواهم",
		"soft\u00adhyphen\ufeff":     "softhyphen",
		"private \ue000 unassigned ": "private ? unassigned",
	} {
		require.Equal(t, want, clean(in), "%q", in)
	}
}

// Widths from Unicode annex 11 (East Asian width), and combining marks as terminals commonly place them (common practice,
// no source).
func TestColumns(t *testing.T) {
	for in, want := range map[string]int{"abc": 3, "Jörg": 4, "Jo\u0308rg": 4, "青葉": 4, "ﾊﾅｺ": 3, "ＡＢ": 4, "": 0} {
		require.Equal(t, want, columns(in), in)
	}
	require.Equal(t, "青葉  |", pad("青葉", 6)+"|")
	require.Equal(t, []string{"青葉", "花子"}, wrap("青葉花子", 4))
	require.Equal(t, []string{"aa bb", "ccccc", "cc"}, wrap(" aa  bb ccccccc", 5))
	require.Equal(t, []string{""}, wrap("", 5))
}

// Whatever the record holds, no line is wider than asked, no escape reaches the terminal unless asked for, every word of a
// flag is printed, and the rows are left as they were.
func TestAnyRow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String()
		eye := rapid.SampledFrom([]rules.Eye{rules.EyeUnknown, rules.RightEye, rules.LeftEye, rules.BothEyes})
		why := rapid.Custom(func(t *rapid.T) Why {
			return Why{text.Draw(t, "what"), text.Draw(t, "date"), text.Draw(t, "record"), rules.How(text.Draw(t, "how"))}
		})
		hazard := rapid.Custom(func(t *rapid.T) Hazard {
			return Hazard{
				Hazard: rapid.SampledFrom(rules.Hazards).Draw(t, "hazard"), Level: rules.Level(rapid.IntRange(0, 3).Draw(t, "level")),
				Eye: eye.Draw(t, "eye"), Text: text.Draw(t, "text"), Why: rapid.SliceOfN(why, 0, 6).Draw(t, "why"), Closed: text.Draw(t, "closed"),
			}
		})
		prepare := rapid.Custom(func(t *rapid.T) Prepare {
			return Prepare{Text: text.Draw(t, "text"), Who: text.Draw(t, "who"), State: text.Draw(t, "state"), Done: rapid.Bool().Draw(t, "done")}
		})
		row := rapid.Custom(func(t *rapid.T) Row {
			return Row{
				Start: day(25).Add(time.Duration(rapid.IntRange(0, 3000).Draw(t, "minutes")) * time.Minute), Patient: text.Draw(t, "patient"),
				PatientID: text.Draw(t, "id"), Born: text.Draw(t, "born"), Eye: eye.Draw(t, "eye"), Service: text.Draw(t, "service"),
				State: text.Draw(t, "state"), Outcome: rapid.SampledFrom(append(rules.Outcomes, "")).Draw(t, "outcome"),
				Hazards: rapid.SliceOfN(hazard, 0, 4).Draw(t, "hazards"), Prepare: rapid.SliceOfN(prepare, 0, 4).Draw(t, "prepare"),
				Missing: rapid.SliceOfN(text, 0, 3).Draw(t, "missing"), Context: rapid.SliceOfN(text, 0, 3).Draw(t, "context"),
			}
		})
		l := List{From: day(25), To: day(28), Rows: rapid.SliceOfN(row, 0, 5).Draw(t, "rows")}
		before, err := json.Marshal(l.Rows)
		require.NoError(t, err)

		var b bytes.Buffer
		width := rapid.IntRange(leastLine, 140).Draw(t, "width")
		require.NoError(t, l.WriteText(&b, width, false))
		out := b.String()
		for line := range strings.SplitSeq(out, "\n") {
			require.LessOrEqual(t, columns(line), width, "%q", line)
			require.Equal(t, line, strings.TrimRight(line, " "))
			require.Equal(t, clean(line), strings.Join(strings.Fields(line), " "))
		}
		for _, r := range l.Rows {
			if !r.goesAhead() {
				continue
			}
			for _, h := range r.Hazards {
				require.Contains(t, squeezed(out), squeezed(strings.TrimPrefix(clean(h.Text), levelWords[h.Level]+" ")))
			}
		}
		after, err := json.Marshal(l.Rows)
		require.NoError(t, err)
		require.Equal(t, string(before), string(after))

		var n bytes.Buffer
		require.NoError(t, l.WriteJSON(&n))
		require.Equal(t, len(l.Rows), bytes.Count(n.Bytes(), []byte("\n")))
	})
}

// squeezed is s without any space, so that wrapping makes no difference.
func squeezed(s string) string { return strings.Join(strings.Fields(s), "") }

type refuses struct{}

func (refuses) Write([]byte) (int, error) { return 0, errRefused }

var errRefused = errors.New("pipe closed")

func TestWriterFails(t *testing.T) {
	require.ErrorIs(t, clinic(t).WriteText(refuses{}, 100, false), errRefused)
	require.ErrorIs(t, clinic(t).WriteJSON(refuses{}), errRefused)
}

// What is cut fits, and shows that it was cut.
func TestCut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, n := clean(rapid.String().Draw(t, "s")), rapid.IntRange(1, 30).Draw(t, "n")
		got := cut(s, n)
		if columns(got) > n || got != s && !strings.HasSuffix(got, "…") || columns(s) <= n && got != s {
			t.Fatalf("%q cut to %d is %q", s, n, got)
		}
	})
}
