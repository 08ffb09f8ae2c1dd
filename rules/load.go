package rules

import (
	"bytes"
	"encoding"
	"errors"
	"fmt"
	"path"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// Layer is one set of catalogue files, decoded: the built-in ones, or a site's overlay.
type Layer struct {
	Version      string
	Factors      []*Factor
	CodeSets     []*CodeSet
	Preparations []PreparationRule
	Questions    []Question
	Cautions     []Caution
	Wording      *Wording
	Services     *Services
	Systems      []System
	Reading      *Reading
	LocalCodes   []LocalCode
}

// files are those that a catalogue may have.
const files = "VERSION, factors/*.yaml, codes/*.json, preparations.yaml, questions.yaml, cautions.yaml, wording.yaml, services.yaml, systems.yaml, " +
	"reading.yaml, local-codes.yaml"

// AddYAML decodes one YAML file into the layer; its path says what it holds. Every fault of the file is one line
// "file:line: reason"; an unknown key is a fault.
func (l *Layer) AddYAML(file string, data []byte) error {
	var err error
	switch {
	case path.Dir(file) == "factors":
		var fs []*Factor
		fs, err = ParseFactors(file, data)
		l.Factors = append(l.Factors, fs...)
	case file == "preparations.yaml":
		l.Preparations, err = ParsePreparations(file, data)
	case file == "questions.yaml":
		l.Questions, err = ParseQuestions(file, data)
	case file == "cautions.yaml":
		l.Cautions, err = ParseCautions(file, data)
	case file == "wording.yaml":
		l.Wording, err = ParseWording(file, data)
	case file == "services.yaml":
		l.Services, err = ParseServices(file, data)
	case file == "systems.yaml":
		l.Systems, err = ParseSystems(file, data)
	case file == "reading.yaml":
		l.Reading, err = ParseReading(file, data)
	case file == "local-codes.yaml":
		l.LocalCodes, err = ParseLocalCodes(file, data)
	default:
		err = fmt.Errorf("%s:1: no such file in a catalogue; it has %s", file, files)
	}
	return err
}

// ParseFactors decodes a file of factors: a list, each beginning with its id under the key factor.
func ParseFactors(file string, data []byte) ([]*Factor, error) {
	list, err := parseList(file, data, func(f *Factor, at position) {
		f.at, f.File, f.Line = at, at.file, at.line("")
		at.cases(f.Cases)
	})
	out := make([]*Factor, len(list))
	for i := range list {
		out[i] = &list[i]
	}
	return out, err
}

// ParsePreparations decodes the actions, in the order in which they are printed.
func ParsePreparations(file string, data []byte) ([]PreparationRule, error) {
	return parseList(file, data, func(p *PreparationRule, at position) { p.at = at })
}

// ParseQuestions decodes the reasons to ask.
func ParseQuestions(file string, data []byte) ([]Question, error) {
	return parseList(file, data, func(q *Question, at position) { q.at = at; at.cases(q.Cases) })
}

// ParseCautions decodes the cautions that single records call for.
func ParseCautions(file string, data []byte) ([]Caution, error) {
	return parseList(file, data, func(c *Caution, at position) { c.at = at; at.cases(c.Cases) })
}

// ParseSystems decodes the code systems.
func ParseSystems(file string, data []byte) ([]System, error) {
	return parseList(file, data, func(s *System, at position) { s.at = at })
}

// ParseLocalCodes decodes a site's own codes.
func ParseLocalCodes(file string, data []byte) ([]LocalCode, error) {
	return parseList(file, data, func(c *LocalCode, at position) { c.at = at })
}

// ParseWording decodes the words a surgeon reads.
func ParseWording(file string, data []byte) (*Wording, error) {
	return parseOne(file, data, func(w *Wording, at position) { w.at = at })
}

// ParseServices decodes what tells operations from other bookings.
func ParseServices(file string, data []byte) (*Services, error) {
	return parseOne(file, data, func(s *Services, at position) { s.at = at; at.cases(s.Cases) })
}

// ParseReading decodes what matching must know beside the factors.
func ParseReading(file string, data []byte) (*Reading, error) {
	return parseOne(file, data, func(r *Reading, at position) { r.at = at; at.cases(r.Cases) })
}

// position is where a part of the catalogue is written: a node, which is dropped once the catalogue is checked, or a line.
type position struct {
	file  string
	node  ast.Node
	first int
}

// cases notes the line of each case of the part.
func (p position) cases(list []Case) {
	for i := range list {
		list[i].line = p.line(fmt.Sprintf("cases[%d]", i))
	}
}

// line is the line of what a path such as match[1].codes names in the part, or of the part itself.
func (p position) line(path string) int {
	if p.node == nil {
		return max(p.first, 1)
	}
	for path != "" {
		if q, err := yaml.PathString("$." + path); err == nil {
			if n, err := q.FilterNode(p.node); err == nil && n != nil {
				return n.GetToken().Position.Line
			}
		}
		path = path[:max(strings.LastIndexAny(path, ".["), 0)]
	}
	return p.node.GetToken().Position.Line
}

// fault is one fault of a part, as one line.
func (p position) fault(path, format string, args ...any) error {
	reason := strings.Join(strings.FieldsFunc(fmt.Sprintf(format, args...), func(r rune) bool { return r == '\n' || r == '\r' }), " ")
	return fmt.Errorf("%s:%d: %s", p.file, p.line(path), reason)
}

func parseList[T any](file string, data []byte, place func(*T, position)) ([]T, error) {
	body, err := parseBody(file, data)
	if err != nil || body == nil {
		return nil, err
	}
	seq, ok := body.(*ast.SequenceNode)
	if !ok {
		return nil, position{file: file, node: body}.fault("", "the file is not a list")
	}
	var errs []error
	out := make([]T, 0, len(seq.Values))
	for _, n := range seq.Values {
		v, err := parseNode(file, n, place)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		out = append(out, *v)
	}
	return out, errors.Join(errs...)
}

func parseOne[T any](file string, data []byte, place func(*T, position)) (*T, error) {
	body, err := parseBody(file, data)
	if err != nil || body == nil {
		return nil, err
	}
	return parseNode(file, body, place)
}

// parseBody is the one document of a file; nil if the file is empty.
func parseBody(file string, data []byte) (ast.Node, error) {
	f, err := parser.ParseBytes(bytes.TrimPrefix(data, []byte("\ufeff")), 0)
	if err != nil {
		return nil, yamlFault(file, 1, err)
	}
	var body ast.Node
	for _, d := range f.Docs {
		switch {
		case d.Body == nil:
		case body != nil:
			return nil, position{file: file, node: d.Body}.fault("", "a second document in one file")
		default:
			body = d.Body
		}
	}
	return body, nil
}

func parseNode[T any](file string, n ast.Node, place func(*T, position)) (*T, error) {
	var v T
	at := position{file: file, node: n}
	if err := yaml.NodeToValue(n, &v, yaml.Strict()); err != nil {
		return nil, yamlFault(file, at.line(""), err)
	}
	place(&v, at)
	return &v, nil
}

// yamlFault is a decoder's error as one line, with the line of the file where the decoder knows it.
func yamlFault(file string, line int, err error) error {
	var y yaml.Error
	if errors.As(err, &y) {
		if t := y.GetToken(); t != nil {
			line = t.Position.Line
		}
		return fmt.Errorf("%s:%d: %s", file, line, firstLine(y.GetMessage()))
	}
	return fmt.Errorf("%s:%d: %s", file, line, firstLine(err.Error()))
}

func firstLine(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	return s
}

// closed decodes a word of a closed list and says where it is none of them.
func closed[T ~string](dst *T, n ast.Node, what string, list []T) error {
	var s string
	if err := yaml.NodeToValue(n, &s); err != nil {
		return err
	}
	for _, v := range list {
		if string(v) == s {
			*dst = v
			return nil
		}
	}
	return &yaml.SyntaxError{Message: fmt.Sprintf("%q is not a %s", s, what), Token: n.GetToken()}
}

// text decodes a word by what dst makes of it and says where it refuses.
func text(dst encoding.TextUnmarshaler, n ast.Node) error {
	var s string
	if err := yaml.NodeToValue(n, &s); err != nil {
		return err
	}
	if err := dst.UnmarshalText([]byte(s)); err != nil {
		return &yaml.SyntaxError{Message: err.Error(), Token: n.GetToken()}
	}
	return nil
}

// UnmarshalYAML reads low, moderate or high; an error names the line.
func (l *Level) UnmarshalYAML(n ast.Node) error { return text(l, n) }

// UnmarshalYAML reads right, left, both or unknown; an error names the line.
func (e *Eye) UnmarshalYAML(n ast.Node) error { return text(e, n) }

// UnmarshalYAML reads one of Hazards.
func (h *Hazard) UnmarshalYAML(n ast.Node) error { return closed(h, n, "hazard", Hazards) }

// UnmarshalYAML reads one of Kinds.
func (k *Kind) UnmarshalYAML(n ast.Node) error { return closed(k, n, "kind of record", Kinds) }

// UnmarshalYAML reads one of GapKinds.
func (g *GapKind) UnmarshalYAML(n ast.Node) error { return closed(g, n, "kind of gap", GapKinds) }

// UnmarshalYAML reads code, class, text or spelling.
func (h *How) UnmarshalYAML(n ast.Node) error {
	return closed(h, n, "way of recognition", []How{ByCode, ByClass, ByText, BySpelling})
}
