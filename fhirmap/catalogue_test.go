package fhirmap

import (
	"bytes"
	"fmt"
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
)

// builtInFiles are the files of the built-in catalogue, to be changed.
func builtInFiles(t *testing.T) fstest.MapFS {
	t.Helper()
	out := fstest.MapFS{}
	require.NoError(t, fs.WalkDir(catalogue.FS, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := fs.ReadFile(catalogue.FS, name)
		out[name] = &fstest.MapFile{Data: data}
		return err
	}))
	return out
}

// A catalogue that somebody broke is refused, with the file, the line and the reason of each fault. Each change is made to
// the built-in files; line is that of the text it puts in.
func TestBrokenCatalogueIsRefused(t *testing.T) {
	for _, k := range []struct{ file, old, broken, reason string }{
		{"factors/alpha-1-antagonists.yaml", "  grade: A\n", "  grade: A\n  colour: red\n", `unknown field "colour"`},
		{"factors/alpha-1-antagonists.yaml", "  level: high\n", "  level: highest\n", `level is not low, moderate or high`},
		{"factors/alpha-1-antagonists.yaml", "  grade: A\n", "  grade: E\n", `evidence grade "E"`},
		{"factors/alpha-1-antagonists.yaml", "      codes: [tamsulosin]\n", "      codes: [tamsulosine]\n", `no code set "tamsulosine"`},
		{"factors/alpha-1-antagonists.yaml", "- factor: silodosin\n", "- factor: tamsulosin\n", `"tamsulosin" stands twice`},
		{"factors/alpha-1-antagonists.yaml", "  eyes: both\n", "  eyes: left\n", `eyes "left"`},
		{"factors/alpha-1-antagonists.yaml", "kinds: [medication, intolerance]", "kinds: [medicine]", `"medicine" is not a kind of record`},
		{"factors/alpha-1-antagonists.yaml", "country: \"GB\"}", "country: \"\"}", "a brand needs a name and the country"},
		{"factors/alpha-1-antagonists.yaml", "checked: abstract}", "checked: rumour}", `checked "rumour"`},
		{"factors/alpha-1-antagonists.yaml", "comparator: \"no alpha-blocker\"", "comparator: \"\"", "a figure needs"},
		{"factors/alpha-1-antagonists.yaml", "hazard: floppy-iris", "hazard: floppy", `"floppy" is not a hazard`},
		{"factors/eye-disease.yaml", "factor: dilated-pupil, below", "factor: dilated-pupils, below", `no measuring factor "dilated-pupils"`},
		{"factors/eye-disease.yaml", "factor: shallow-chamber, below", "factor: uveitis, below", `no measuring factor "uveitis"`},
		{"factors/eye-disease.yaml", "  fellow: low\n", "  fellow: high\n", "above the factor's own"},
		{"factors/measurements.yaml", "up_to: 6.0", "up_to: 4.0", "overlap or do not rise"},
		{"factors/measurements.yaml", "up_to: 6.0", "up_to: 5.0", "overlap or do not rise"},
		{"factors/measurements.yaml", "up_to: 6.0, level: moderate", "up_to: 6.0, below: 6.0, level: moderate", "one limit"},
		{"factors/measurements.yaml", "id: pupil-6", "id: pupil-5", "an id of its own"},
		{"factors/measurements.yaml", "up_to: 5.0, level: high", "up_to: 5.0, level: low", "of a higher level than the smaller one"},
		{"factors/context.yaml", "  context_only: true\n", "  context_only: true\n  level: low\n", "context only, but with a level"},
		{"factors/miotic-drops.yaml", "  sources:\n", "  sources: []\n  jurisdiction: >\n", "no source"},
		{"wording.yaml", "  moderate: HAVE READY\n", "", "no wording for moderate in levels"},
		{"wording.yaml", "  moderate: HAVE READY\n", "  moderat: HAVE READY\n", `wording for "moderat"`},
		{"wording.yaml", "  check-eye:", "  check-eyes:", "no wording for check-eye in gaps"},
		{"preparations.yaml", "- code: confirm-eye\n", "- code: confirm-eyes\n", `unknown preparation "confirm-eyes"`},
		{"preparations.yaml", "  min_level: moderate\n", "", "from which level"},
		{"preparations.yaml", "gaps: [record-unread]", "gaps: [record-unred]", `"record-unred" is not a kind of gap`},
		{"preparations.yaml", "      factors: [rubeosis]\n", "      factors: [rubeoses]\n", `no factor "rubeoses"`},
		{"questions.yaml", "unless_factors: [tamsulosin,", "unless_factors: [tamsulosine,", `no factor "tamsulosine"`},
		{"cautions.yaml", "  preparations: [surgeon-review]\n", "  preparations: [surgeons-review]\n", `unknown preparation "surgeons-review"`},
		{"services.yaml", "- codes: [cataract-surgery]", "- codes: [cataract]", `no code set "cataract"`},
		{"services.yaml", "implant:\n  - kinds: [condition, procedure, observation]\n    codes:", "implant:\n  - codes:", "needs the kinds of record"},
		{"systems.yaml", "  drugs: rxnorm\n", "  drugs: rx\n", `"rx" is not a short name`},
		{"systems.yaml", `"urn:oid:2.16.840.1.113883.6.73"`, `"urn:oid:2.16.840.1.113883.6.88"`, "already names"},
		{"reading.yaml", "codes: lithium", "codes: lithiums", `no code set "lithiums"`},
		{"codes/antipsychotic-class.json", `"value": "N05AN"`, `"valu": "N05AN"`, "unknown element"},
		{"codes/antipsychotic-class.json", `"id": "antipsychotic-class"`, `"id": "lithium"`, `code set "lithium" stands twice`},
		{"codes/tamsulosin.json", `"system": "http://snomed.info/sct",
        "concept": [
          {"code": "372509005", "display": "Tamsulosin (substance)"}
        ]`, `"system": "http://snomed.info/sct", "filter": [{"property": "concept", "op": "is-a", "value": "372509005"}]`, "cannot be told from the code"},
		{"VERSION", "2026", "next", "is not of the form"},
		{"systems.yaml", "  check_digit: verhoeff\n", "  check_digit: verhof\n", `check digit "verhof" is not verhoeff or luhn`},
		{"systems.yaml", "  form: '[1-9][0-9]{0,7}'\n", "  form: '[1-9'\n", `"[1-9" is not a regular expression`},
		{"codes/vitrectomy.json", `"valueString": "from memory"`, `"valueString": "from rumour"`, `code checked "from rumour" is not abstract, page or from memory`},
		{"codes/axial-length.json", `"64742-0"`, `"64742-1"`, `"64742-1" is no code of LOINC: its check digit is wrong`},
		{"factors/measurements.yaml", `size: 6.1, found: true, gives: "nothing"`, `size: 6.1, found: false, gives: "nothing"`, "a case that is not found gives nothing"},
		{"factors/measurements.yaml", "eye: left, size: 6.1", "eye: middle, size: 6.1", "eye is not right, left, both or unknown"},
		{"wording.yaml", "  no-clearance: A warning", "  no-clearence: A warning", "no wording for no-clearance in cautions"},
	} {
		t.Run(k.reason, func(t *testing.T) {
			files := builtInFiles(t)
			old := files[k.file].Data
			require.Contains(t, string(old), k.old)
			at := bytes.Index(old, []byte(k.old))
			files[k.file].Data = slices.Concat(old[:at], []byte(k.broken), old[at+len(k.old):])
			c, err := LoadCatalogue(files)
			require.Nil(t, c)
			require.ErrorContains(t, err, k.reason)
			for _, line := range strings.Split(err.Error(), "\n") {
				require.Regexp(t, `^[A-Za-z0-9/.-]+:\d+: .`, line)
				if !strings.Contains(line, k.reason) {
					continue
				}
				// The line lies in the part that was changed.
				var n int
				_, scanErr := fmt.Sscanf(line[strings.IndexByte(line, ':')+1:], "%d", &n)
				require.NoError(t, scanErr)
				changed := 1 + bytes.Count(old[:at], []byte{'\n'})
				if !regexp.MustCompile(`stands twice|cannot be told|no wording|already names|from which level|no source`).MatchString(line) {
					require.InDelta(t, changed, n, 3, line)
				}
			}
		})
	}
}

// Several faults are all told at once.
func TestAllFaultsAtOnce(t *testing.T) {
	files := builtInFiles(t)
	for _, name := range []string{"factors/antipsychotics.yaml", "factors/alpha-1-antagonists.yaml"} {
		files[name].Data = bytes.Replace(files[name].Data, []byte("grade: "), []byte("grade: Z"), 2)
	}
	_, err := LoadCatalogue(files)
	require.Equal(t, 4, strings.Count(err.Error(), "evidence grade"))
	files["factors/extra.txt"] = &fstest.MapFile{Data: []byte("x: [")}
	files["notes.yaml"] = &fstest.MapFile{Data: []byte("a: b")}
	_, err = LoadCatalogue(files)
	require.ErrorContains(t, err, "notes.yaml:1: no such file in a catalogue")
	require.ErrorContains(t, err, "factors/extra.txt:1: ")
}

const localFactor = `
- factor: tamsulosin
  name: tamsulosin
  hazard: floppy-iris
  level: moderate
  why: this clinic sees it milder
  grade: A
  sources: [{text: "our audit 2026", checked: page}]
  eyes: both
  match: [{kinds: [medication], codes: [tamsulosin], words: [tamsulosin]}]
- factor: saw-palmetto
  off: true
`

func TestOverlay(t *testing.T) {
	built, err := LoadCatalogue(catalogue.FS)
	require.NoError(t, err)
	overlay := fstest.MapFS{
		"factors/ours.yaml": {Data: []byte(localFactor)},
		"wording.yaml":      {Data: []byte("levels: {low: FYI}\ncautions: {house: Ring the floor manager.}\n")},
		"local-codes.yaml":  {Data: []byte("- {system: \"urn:hospital:drugs\", code: D7, display: Tamsu, code_set: tamsulosin}\n")},
		"codes/miosis.json": {Data: []byte(`{"resourceType":"ValueSet","id":"miosis","expansion":{"contains":[{"system":"urn:hospital:eye","code":"M"}]}}`)},
		"preparations.yaml": {Data: []byte("- {code: confirm-eye, name: Eye, text: \"Check {eye}\", who: desk, days: 2, gaps: [check-eye]}\n")},
		".git/config":       {Data: []byte("ignored")},
		"README.md":         {Data: []byte("ignored")},
	}
	c, err := LoadCatalogue(catalogue.FS, overlay)
	require.NoError(t, err)
	require.Regexp(t, regexp.QuoteMeta(built.Version)+`\+[0-9a-f]{8}$`, c.Version)
	// A replaced code set that loses what a worked case finds is told.
	require.ErrorContains(t, c.CheckCases(), `factor small-pupil-recorded, case 2: "ICD-10-CM|H57.03": found false, expected true`)
	require.Len(t, c.Factors, len(built.Factors)-1)
	require.Len(t, c.Preparations, len(built.Preparations))
	require.Equal(t, "FYI", c.Wording.Levels["low"])
	require.Equal(t, "EXPECT", c.Wording.Levels["high"])
	require.Equal(t, "Ring the floor manager.", c.Wording.Cautions["house"])
	require.Equal(t, "desk", c.Preparations[0].Who)

	hit := func(c *rules.Catalogue, kind rules.Kind, text string, codes ...rules.Code) string {
		var out []string
		for _, h := range c.Match(&rules.Entry{Kind: kind, Concepts: []rules.Concept{{Text: text, Codes: codes}}}) {
			out = append(out, h.Factor.ID+" "+h.Factor.Level.String())
		}
		return strings.Join(out, ", ")
	}
	require.Equal(t, "tamsulosin moderate", hit(c, rules.Medication, "tamsulosin"))
	require.Equal(t, "tamsulosin high", hit(built, rules.Medication, "tamsulosin"))
	require.Empty(t, hit(c, rules.Medication, "saw palmetto"))
	require.Equal(t, "tamsulosin moderate", hit(c, rules.Medication, "", rules.Code{System: "urn:hospital:drugs", Code: "D7"}))
	require.Empty(t, hit(built, rules.Medication, "", rules.Code{System: "urn:hospital:drugs", Code: "D7"}))
	require.Equal(t, "small-pupil-recorded high", hit(c, rules.Condition, "", rules.Code{System: "urn:hospital:eye", Code: "M"}))
	require.Empty(t, hit(c, rules.Condition, "", rules.Code{System: "http://hl7.org/fhir/sid/icd-10-cm", Code: "H57.03"}))

	// The same content has the same version, and another another.
	again, err := LoadCatalogue(catalogue.FS, maps.Clone(overlay))
	require.NoError(t, err)
	require.Equal(t, c.Version, again.Version)
	other := maps.Clone(overlay)
	other["wording.yaml"] = &fstest.MapFile{Data: []byte("levels: {low: BY THE WAY}\n")}
	changed, err := LoadCatalogue(catalogue.FS, other)
	require.NoError(t, err)
	require.NotEqual(t, c.Version, changed.Version)
	empty, err := LoadCatalogue(catalogue.FS, fstest.MapFS{})
	require.NoError(t, err)
	require.Len(t, empty.Factors, len(built.Factors))
}

func TestOverlayFaults(t *testing.T) {
	for text, want := range map[string]string{
		"- {system: \"urn:h\", code: D7, code_set: nothing}\n":                                 `local-codes.yaml:1: no code set "nothing"`,
		"- {system: \"http://snomed.info/sct\", code: \"372509001\", code_set: tamsulosin}\n":  `local-codes.yaml:1: "372509001" is no code of SNOMED CT: its check digit is wrong`,
		"- {system: \"http://snomed.info/sctt\", code: \"372509005\", code_set: tamsulosin}\n": `local-codes.yaml:1: no system "http://snomed.info/sctt" is known; is "http://snomed.info/sct" meant?`,
		"- {code: D7, code_set: tamsulosin}\n":                                                 "local-codes.yaml:1: a local code needs a system and a code",
		"\n- {system: s, code: c, set: tamsulosin}\n":                                          `local-codes.yaml:2: unknown field "set"`,
	} {
		_, err := LoadCatalogue(catalogue.FS, fstest.MapFS{"local-codes.yaml": {Data: []byte(text)}})
		require.ErrorContains(t, err, want)
	}
	// A measuring factor that others rest on may be switched off; they then do without it.
	c, err := LoadCatalogue(catalogue.FS, fstest.MapFS{"factors/x.yaml": {Data: []byte("- {factor: dilated-pupil, off: true}\n- {factor: rubeosis, off: true}\n")}})
	require.NoError(t, err)
	require.False(t, slices.ContainsFunc(c.Factors, func(f *rules.Factor) bool { return f.ID == "dilated-pupil" }))
	// The built-in layer has nothing to switch off.
	files := builtInFiles(t)
	files["factors/x.yaml"] = &fstest.MapFile{Data: []byte("- {factor: extra, off: true}\n")}
	_, err = LoadCatalogue(files)
	require.ErrorContains(t, err, "factors/x.yaml:1: factor extra: only an overlay switches a factor off")
	// A switch for a factor that is not there is a typing error.
	_, err = LoadCatalogue(catalogue.FS, fstest.MapFS{"factors/x.yaml": {Data: []byte("- {factor: tamsulosine, off: true}\n")}})
	require.ErrorContains(t, err, `factors/x.yaml:1: no factor "tamsulosine" to switch off`)
	_, err = LoadCatalogue(catalogue.FS, fstest.MapFS{"codes/x.json": {Data: []byte("{}")}, "codes/deep/x.json": {}, "other/y.yaml": {}})
	require.ErrorContains(t, err, "codes/x.json:1: ")
	require.ErrorContains(t, err, "codes/deep:1: cannot be read")
	require.ErrorContains(t, err, "other:1: cannot be read")
}
