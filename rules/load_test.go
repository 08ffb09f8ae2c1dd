package rules

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestParseFactors(t *testing.T) {
	fs, err := ParseFactors("factors/a.yaml", []byte("# comment\n\n- factor: a\n  level: low\n\n- factor: b\n  match:\n    - kinds: [device]\n"))
	require.NoError(t, err)
	require.Equal(t, []string{"a", "b"}, []string{fs[0].ID, fs[1].ID})
	require.Equal(t, []int{3, 6}, []int{fs[0].Line, fs[1].Line})
	require.Equal(t, "factors/a.yaml", fs[0].File)
	require.Equal(t, []Kind{Device}, fs[1].Matches[0].Kinds)
	fs, err = ParseFactors("factors/a.yaml", nil)
	require.NoError(t, err)
	require.Empty(t, fs)
}

// Faults of one file: where, and what.
func TestParseFaults(t *testing.T) {
	for text, want := range map[string]string{
		"- factor: a\n  colour: red\n":                         `f.yaml:2: unknown field "colour"`,
		"- factor: a\n  match:\n    - kind: [device]\n":        `f.yaml:3: unknown field "kind"`,
		"- factor: a\n  level: huge\n":                         `f.yaml:2: level is not low, moderate or high`,
		"- factor: a\n  hazard: fire\n":                        `f.yaml:2: "fire" is not a hazard`,
		"- factor: a\n  match:\n    - kinds: [pill]\n":         `f.yaml:3: "pill" is not a kind of record`,
		"- factor: a\n  factor: b\n":                           `f.yaml:2: mapping key "factor" already defined`,
		"- factor: [a]\n":                                      `f.yaml:1: cannot unmarshal`,
		"factor: a\n":                                          `f.yaml:1: the file is not a list`,
		"- a\n":                                                `f.yaml:1: `,
		"- factor: a\n---\n- factor: b\n":                      `f.yaml:3: a second document in one file`,
		"- factor: \"a\n":                                      `f.yaml:`,
		"- factor: a\n  measure:\n    bands: [{up_to: big}]\n": `f.yaml:3: cannot unmarshal`,
		"- factor: a\n  cases: [{how: luck}]\n":                `f.yaml:2: "luck" is not a way of recognition`,
		"- factor: a\n  colour: red\n- factor: b\n  size: 1\n": "f.yaml:2: unknown field \"colour\"\nf.yaml:4: unknown field \"size\"",
	} {
		_, err := ParseFactors("f.yaml", []byte(text))
		require.ErrorContains(t, err, want, "%q", text)
	}
	_, err := ParsePreparations("p.yaml", []byte("- code: a\n  gaps: [nothing]\n"))
	require.ErrorContains(t, err, `p.yaml:2: "nothing" is not a kind of gap`)
	_, err = ParseWording("w.yaml", []byte("levels: {}\nsongs: {}\n"))
	require.ErrorContains(t, err, `w.yaml:2: unknown field "songs"`)
}

// A file of another name is refused with the names that there are: those that are decoded, and all that the built-in catalogue has.
func TestFilesOfACatalogue(t *testing.T) {
	var l Layer
	err := l.AddYAML("factor.yaml", nil)
	require.ErrorContains(t, err, "factor.yaml:1: no such file in a catalogue; it has VERSION, factors/*.yaml, ")
	_, list, _ := strings.Cut(err.Error(), "it has ")
	names := strings.Split(list, ", ")
	for _, name := range names {
		if path.Ext(name) == ".yaml" {
			require.NoError(t, l.AddYAML(strings.Replace(name, "*", "x", 1), nil), name)
		}
	}
	require.Contains(t, names, "local-codes.yaml", "only a site has it")
	require.NoError(t, fs.WalkDir(os.DirFS("catalogue"), ".", func(file string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && path.Ext(file) != ".go" {
			require.True(t, slices.ContainsFunc(names, func(name string) bool { ok, _ := path.Match(name, file); return ok }), file)
		}
		return err
	}))
}

// GapKinds and Kinds are closed lists: every constant of the type stands in them.
func TestListsAreWhole(t *testing.T) {
	declared := map[string][]string{}
	for _, file := range []string{"assessment.go", "history.go"} {
		f, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
		require.NoError(t, err)
		ast.Inspect(f, func(n ast.Node) bool {
			v, ok := n.(*ast.ValueSpec)
			if !ok {
				return true
			}
			if typ, ok := v.Type.(*ast.Ident); ok && len(v.Values) == 1 {
				if lit, ok := v.Values[0].(*ast.BasicLit); ok && lit.Kind == token.STRING {
					s, err := strconv.Unquote(lit.Value)
					require.NoError(t, err)
					declared[typ.Name] = append(declared[typ.Name], s)
				}
			}
			return true
		})
	}
	require.ElementsMatch(t, declared["GapKind"], strs(GapKinds))
	require.ElementsMatch(t, declared["Kind"], strs(Kinds))
	require.ElementsMatch(t, declared["Hazard"], strs(Hazards))
}

var oneLine = regexp.MustCompile(`^[^:\n]+:\d+: [^\n]+$`)

// No file of YAML, however odd, makes reading fail otherwise than with one line for each fault.
func FuzzParseYAML(f *testing.F) {
	for _, s := range []string{
		"- factor: a\n  level: high\n  match:\n    - kinds: [device]\n", "- &a {factor: x}\n- *a\n", "a: {b: [1, 2\n", "- factor: !!binary x\n",
		"? [a]\n: b\n", "- factor: a\n  <<: {level: low}\n", "levels: {high: x}\n", "\ufeff- {}\n", "- factor: |\n    a\n  why: >-\n    b\n", "%YAML 1.2\n---\n- {}\n...\n",
	} {
		f.Add([]byte(s))
	}
	files := []string{"factors/a.yaml", "wording.yaml", "preparations.yaml", "questions.yaml", "cautions.yaml", "services.yaml", "systems.yaml", "reading.yaml", "local-codes.yaml"}
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, file := range files {
			l := Layer{Version: "2026.1.1"}
			err := l.AddYAML(file, data)
			if err == nil {
				_, err = NewCatalogue(&l)
			}
			if err == nil {
				continue
			}
			for _, line := range strings.Split(err.Error(), "\n") {
				if !oneLine.MatchString(line) {
					t.Fatalf("%s: %q of %q", file, line, data)
				}
			}
		}
	})
}
