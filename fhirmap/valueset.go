package fhirmap

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/rules"
)

// valueSet is what a code set needs of a FHIR R4 ValueSet (https://hl7.org/fhir/R4/valueset.html).
type valueSet struct {
	ResourceType string         `json:"resourceType"`
	ID           string         `json:"id"`
	URL          string         `json:"url"`
	Title        string         `json:"title"`
	Name         string         `json:"name"`
	Compose      jsontext.Value `json:"compose"`
	Expansion    jsontext.Value `json:"expansion"`
}

// The elements of compose that are known are all that R4 has: an element that is none is a fault and not passed over,
// since it might narrow or widen the set.
type (
	valueSetCompose struct {
		ID         string            `json:"id"`
		Extension  jsontext.Value    `json:"extension"`
		LockedDate string            `json:"lockedDate"`
		Inactive   *bool             `json:"inactive"`
		Include    []valueSetInclude `json:"include"`
		Exclude    []valueSetInclude `json:"exclude"`
	}
	valueSetInclude struct {
		ID        string            `json:"id"`
		Extension jsontext.Value    `json:"extension"`
		System    string            `json:"system"`
		Version   string            `json:"version"`
		Concept   []valueSetConcept `json:"concept"`
		Filter    []valueSetFilter  `json:"filter"`
		ValueSet  []string          `json:"valueSet"`
	}
	valueSetConcept struct {
		ID          string            `json:"id"`
		Extension   valueSetExtension `json:"extension"`
		Code        string            `json:"code"`
		Display     string            `json:"display"`
		Designation jsontext.Value    `json:"designation"`
	}
	valueSetFilter struct {
		ID        string            `json:"id"`
		Extension valueSetExtension `json:"extension"`
		Property  string            `json:"property"`
		Op        string            `json:"op"`
		Value     string            `json:"value"`
	}
	valueSetExtension []struct {
		URL         string `json:"url"`
		ValueString string `json:"valueString"`
	}
	valueSetExpansion struct {
		Total    *int               `json:"total"`
		Offset   int                `json:"offset"`
		Contains []valueSetContains `json:"contains"`
	}
	valueSetContains struct {
		System   string             `json:"system"`
		Abstract bool               `json:"abstract"`
		Code     string             `json:"code"`
		Display  string             `json:"display"`
		Contains []valueSetContains `json:"contains"`
	}
)

// checkedExtension is the end of the URL of the extension that says of a concept or filter how its code was looked up; the
// rest is the canonical base of whoever wrote it.
const checkedExtension = "/StructureDefinition/checked"

// checked is what the extension says, "" if it is not there.
func (e valueSetExtension) checked() string {
	for _, x := range e {
		if strings.HasSuffix(x.URL, checkedExtension) {
			return x.ValueString
		}
	}
	return ""
}

// ParseValueSet reads a code set from a FHIR R4 ValueSet. An expansion, where there is one, says what the set holds, so
// that a hospital's expanded value set works as it is; else compose does, with lists of concepts and, for systems whose
// branches can be told from the code, the filters is-a and descendent-of (both with the code itself: a record coded by
// the class alone must not be missed).
//
// An error is one line "file:line: reason": JSON that is none, a resource that is no ValueSet, and whatever would need a
// terminology server (other filters, other value sets, whole code systems, one page of an expansion).
func ParseValueSet(file string, data []byte) (*rules.CodeSet, error) {
	r := valueSetReader{file: file, data: data}
	var v valueSet
	if err := json.Unmarshal(data, &v); err != nil {
		return nil, r.decodeFault(data, err)
	}
	if v.ResourceType != "ValueSet" {
		return nil, r.fault(data, "resourceType is %q and not ValueSet", v.ResourceType)
	}
	id := cmp.Or(v.ID, v.URL[strings.LastIndexByte(v.URL, '/')+1:])
	if id == "" {
		return nil, r.fault(data, "a value set needs an id")
	}
	s := &rules.CodeSet{ID: id, Title: cmp.Or(v.Title, v.Name, id), File: file, Text: data}
	var err error
	switch {
	case len(v.Expansion) > 0:
		err = r.expansion(s, v.Expansion)
	case len(v.Compose) > 0:
		err = r.compose(s, v.Compose)
	default:
		err = r.fault(data, "neither compose nor expansion")
	}
	if err != nil {
		return nil, err
	}
	return s, nil
}

type valueSetReader struct {
	file string
	data []byte
}

// fault is one line about a part of the file.
func (r valueSetReader) fault(part []byte, format string, args ...any) error {
	return r.faultAt(max(bytes.Index(r.data, part), 0), format, args...)
}

func (r valueSetReader) faultAt(offset int, format string, args ...any) error {
	line := 1 + bytes.Count(r.data[:min(offset, len(r.data))], []byte{'\n'})
	return fmt.Errorf("%s:%d: %s", r.file, line, fmt.Sprintf(format, args...))
}

func (r valueSetReader) decodeFault(part []byte, err error) error {
	base := max(bytes.Index(r.data, part), 0)
	var syntactic *jsontext.SyntacticError
	var semantic *json.SemanticError
	switch {
	case errors.As(err, &syntactic):
		return r.faultAt(base+int(syntactic.ByteOffset), "not JSON: %v", syntactic.Err)
	case errors.As(err, &semantic):
		reason := fmt.Sprintf("%s cannot be %s", cmp.Or(string(semantic.JSONPointer), "the file"), semantic.JSONKind)
		if semantic.Err != nil {
			reason = semantic.Err.Error()
			if errors.Is(semantic.Err, json.ErrUnknownName) {
				reason = fmt.Sprintf("unknown element %s", semantic.JSONPointer)
			}
		}
		return r.faultAt(base+int(semantic.ByteOffset), "%s", reason)
	}
	return r.fault(part, "%v", err)
}

func (r valueSetReader) expansion(s *rules.CodeSet, raw jsontext.Value) error {
	var e valueSetExpansion
	if err := json.Unmarshal(raw, &e); err != nil {
		return r.decodeFault(raw, err)
	}
	seen := 0
	var walk func(list []valueSetContains) error
	walk = func(list []valueSetContains) error {
		for _, c := range list {
			seen++
			switch {
			case c.Abstract || c.Code == "":
			case c.System == "":
				return r.fault(raw, "expansion: code %q without system", c.Code)
			default:
				s.Codes = append(s.Codes, rules.Code{System: c.System, Code: c.Code, Display: c.Display})
			}
			if err := walk(c.Contains); err != nil {
				return err
			}
		}
		return nil
	}
	if err := walk(e.Contains); err != nil {
		return err
	}
	if e.Offset > 0 || (e.Total != nil && *e.Total > seen) {
		return r.fault(raw, "the expansion is one page of a longer one; expand it whole")
	}
	return nil
}

func (r valueSetReader) compose(s *rules.CodeSet, raw jsontext.Value) error {
	var c valueSetCompose
	if err := json.Unmarshal(raw, &c, json.RejectUnknownMembers(true)); err != nil {
		return r.decodeFault(raw, err)
	}
	for _, in := range c.Include {
		codes, branches, err := r.part(raw, in)
		if err != nil {
			return err
		}
		s.Checked = in.checked(s.Checked)
		s.Codes = append(s.Codes, codes...)
		s.Branches = append(s.Branches, branches...)
	}
	for _, ex := range c.Exclude {
		codes, branches, err := r.part(raw, ex)
		if err != nil {
			return err
		}
		s.ExceptCodes = append(s.ExceptCodes, codes...)
		s.Except = append(s.Except, branches...)
	}
	return nil
}

// checked adds to a list how the codes of the include were looked up.
func (in valueSetInclude) checked(list map[rules.Code]string) map[rules.Code]string {
	add := func(c rules.Code, e valueSetExtension) {
		if how := e.checked(); how != "" {
			if list == nil {
				list = map[rules.Code]string{}
			}
			list[c] = how
		}
	}
	for _, c := range in.Concept {
		add(rules.Code{System: in.System, Code: c.Code, Display: c.Display}, c.Extension)
	}
	for _, f := range in.Filter {
		add(rules.Code{System: in.System, Code: f.Value}, f.Extension)
	}
	return list
}

// part is what one include or exclude lists.
func (r valueSetReader) part(raw jsontext.Value, in valueSetInclude) (codes, branches []rules.Code, err error) {
	switch {
	case len(in.ValueSet) > 0:
		return nil, nil, r.fault(raw, "compose refers to another value set; expand it")
	case in.System == "":
		return nil, nil, r.fault(raw, "compose without a system")
	case len(in.Concept) == 0 && len(in.Filter) == 0:
		return nil, nil, r.fault(raw, "compose takes the whole of %s; list codes or branches", in.System)
	case len(in.Filter) > 1 || (len(in.Filter) == 1 && len(in.Concept) > 0):
		return nil, nil, r.fault(raw, "compose joins filters of %s, which needs a terminology server; expand it", in.System)
	}
	for _, c := range in.Concept {
		if c.Code == "" {
			return nil, nil, r.fault(raw, "a concept of %s without code", in.System)
		}
		codes = append(codes, rules.Code{System: in.System, Code: c.Code, Display: c.Display})
	}
	for _, f := range in.Filter {
		if f.Property != "concept" || (f.Op != "is-a" && f.Op != "descendent-of") || f.Value == "" {
			return nil, nil, r.fault(raw, "filter %s %s of %s needs a terminology server; expand it", f.Property, f.Op, in.System)
		}
		branches = append(branches, rules.Code{System: in.System, Code: f.Value})
	}
	return codes, branches, nil
}
