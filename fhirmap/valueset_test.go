package fhirmap

import (
	"io/fs"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
)

// What a value set lists becomes the code set. Source of the elements: https://hl7.org/fhir/R4/valueset.html.
func TestParseValueSet(t *testing.T) {
	const atc, sct = "http://www.whocc.no/atc", "http://snomed.info/sct"
	cases := map[string]struct {
		json string
		want rules.CodeSet
	}{
		"compose": {
			`{"resourceType":"ValueSet","id":"a","title":"A","status":"draft","compose":{"include":[
				{"system":"http://snomed.info/sct","version":"x","concept":[{"code":"1","display":"one","designation":[{"value":"eins"}]},
				  {"code":"2","extension":[{"url":"http://x/other","valueString":"y"},{"url":"http://x/StructureDefinition/checked","valueString":"from memory"}]}]},
				{"system":"http://www.whocc.no/atc","filter":[{"property":"concept","op":"is-a","value":"N05A","extension":[{"url":"http://x/StructureDefinition/checked","valueString":"page"}]}]},
				{"system":"http://www.whocc.no/atc","filter":[{"property":"concept","op":"descendent-of","value":"S01EB"}]}],
			  "exclude":[{"system":"http://www.whocc.no/atc","filter":[{"property":"concept","op":"is-a","value":"N05AN"}]},
				{"system":"http://www.whocc.no/atc","concept":[{"code":"S01EB09"}]}]}}`,
			rules.CodeSet{
				ID: "a", Title: "A", File: "codes/a.json",
				Codes:    []rules.Code{{System: sct, Code: "1", Display: "one"}, {System: sct, Code: "2"}},
				Branches: []rules.Code{{System: atc, Code: "N05A"}, {System: atc, Code: "S01EB"}},
				Except:   []rules.Code{{System: atc, Code: "N05AN"}}, ExceptCodes: []rules.Code{{System: atc, Code: "S01EB09"}},
				Checked: map[rules.Code]string{{System: sct, Code: "2"}: "from memory", {System: atc, Code: "N05A"}: "page"},
			},
		},
		"an expansion counts, and not what would need a terminology server": {
			`{"resourceType":"ValueSet","url":"http://hospital.example/ValueSet/b","name":"B",
			  "compose":{"include":[{"system":"http://snomed.info/sct","filter":[{"property":"concept","op":"is-a","value":"7"}]}]},
			  "expansion":{"timestamp":"2026-01-01","total":4,"contains":[{"system":"http://snomed.info/sct","abstract":true,"code":"7",
				"contains":[{"system":"http://snomed.info/sct","code":"8","display":"eight"},{"display":"a heading",
				  "contains":[{"system":"http://snomed.info/sct","code":"9","inactive":true}]}]}]}}`,
			rules.CodeSet{ID: "b", Title: "B", File: "codes/a.json", Codes: []rules.Code{{System: sct, Code: "8", Display: "eight"}, {System: sct, Code: "9"}}},
		},
	}
	for name, k := range cases {
		t.Run(name, func(t *testing.T) {
			got, err := ParseValueSet("codes/a.json", []byte(k.json))
			require.NoError(t, err)
			got.Text = nil
			require.Equal(t, &k.want, got)
		})
	}
}

func TestParseValueSetFaults(t *testing.T) {
	head := "{\"resourceType\":\"ValueSet\",\n\"id\":\"a\",\n"
	for text, want := range map[string]string{
		``:                                  `a.json:1: not JSON`,
		"{\"resourceType\":\"ValueSet\",\n": `a.json:2: not JSON`,
		head + `"id":"b"}`:                  `a.json:3: `,
		`{"resourceType":"CodeSystem"}`:     `a.json:1: resourceType is "CodeSystem" and not ValueSet`,
		`{"resourceType":"ValueSet"}`:       `a.json:1: a value set needs an id`,
		head + `"title":"x"}`:               `a.json:1: neither compose nor expansion`,
		head + `"title":5}`:                 `a.json:3: `,
		head + `"compose":{"include":[{"valueSet":["http://x"]}]}}`:                                                                                               `a.json:3: compose refers to another value set`,
		head + `"compose":{"include":[{"system":"s"}]}}`:                                                                                                          `a.json:3: compose takes the whole of s`,
		head + `"compose":{"include":[{"concept":[{"code":"1"}]}]}}`:                                                                                              `a.json:3: compose without a system`,
		head + `"compose":{"include":[{"system":"s","concept":[{"display":"1"}]}]}}`:                                                                              `a.json:3: a concept of s without code`,
		head + `"compose":{"include":[{"system":"s","filter":[{"property":"concept","op":"regex","value":"x"}]}]}}`:                                               `a.json:3: filter concept regex of s needs a terminology server`,
		head + `"compose":{"include":[{"system":"s","filter":[{"property":"parent","op":"is-a","value":"x"}]}]}}`:                                                 `a.json:3: filter parent is-a of s`,
		head + `"compose":{"include":[{"system":"s","filter":[{"property":"concept","op":"is-a","value":"x"},{"property":"concept","op":"is-a","value":"y"}]}]}}`: `a.json:3: compose joins filters`,
		head + `"compose":{"include":[{"system":"s","concept":[{"code":"1"}],"filter":[{"property":"concept","op":"is-a","value":"x"}]}]}}`:                       `a.json:3: compose joins filters`,
		head + "\"compose\":{\"include\":[\n{\"system\":\"s\",\"filters\":[]}]}}":                                                                                 `a.json:4: unknown element /include/0/filters`,
		head + `"compose":{"exclude":[{"system":"s"}],"include":[{"system":"s","concept":[{"code":"1"}]}]}}`:                                                      `a.json:3: compose takes the whole of s`,
		head + `"compose":[]}`: `a.json:3: `,
		head + `"expansion":{"total":9,"contains":[{"system":"s","code":"1"}]}}`:  `a.json:3: the expansion is one page of a longer one`,
		head + `"expansion":{"offset":9,"contains":[{"system":"s","code":"1"}]}}`: `a.json:3: the expansion is one page of a longer one`,
		head + `"expansion":{"contains":[{"code":"1"}]}}`:                         `a.json:3: expansion: code "1" without system`,
	} {
		s, err := ParseValueSet("a.json", []byte(text))
		require.ErrorContains(t, err, want, "%s", text)
		require.Nil(t, s)
		require.NotContains(t, err.Error(), "\n")
	}
}

// Whatever a site puts into its folder: a code set of codes that all have system and code, or one line that says why not.
func FuzzParseValueSet(f *testing.F) {
	names, err := fs.Glob(catalogue.FS, "codes/*.json")
	require.NoError(f, err)
	for _, name := range names[:20] {
		data, err := fs.ReadFile(catalogue.FS, name)
		require.NoError(f, err)
		f.Add(data)
	}
	f.Add([]byte(`{"resourceType":"ValueSet","id":"a","expansion":{"contains":[{"contains":[{"system":"s","code":"1"}]}]}}`))
	line := regexp.MustCompile(`^a\.json:\d+: [^\n]+$`)
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := ParseValueSet("a.json", data)
		if err != nil {
			if s != nil || !line.MatchString(err.Error()) {
				t.Fatalf("%q", err)
			}
			return
		}
		for _, list := range [][]rules.Code{s.Codes, s.Branches, s.Except, s.ExceptCodes} {
			for _, c := range list {
				if strings.TrimSpace(c.System) == "" && c.System == "" || c.Code == "" {
					t.Fatalf("%+v", c)
				}
			}
		}
	})
}
