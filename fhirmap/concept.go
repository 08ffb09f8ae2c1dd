package fhirmap

import (
	"cmp"
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/rules"
)

// The small structs that records are read into. Only what is used is named: everything else in a resource may be of any
// form without harm. A CodeableConcept is read into a rules.Concept as it is, without the codings that say nothing.

type identifierJSON struct {
	System string        `json:"system"`
	Value  string        `json:"value"`
	Type   rules.Concept `json:"type"`
}

type referenceJSON struct {
	Reference  string          `json:"reference"`
	Type       string          `json:"type"`
	Identifier *identifierJSON `json:"identifier"`
	Display    string          `json:"display"`
}

type periodJSON struct {
	Start string `json:"start"`
	End   string `json:"end"`
}

// contained are the resources that stand in another one.
type contained []containedJSON

type containedJSON struct {
	id  string
	raw jsontext.Value
}

// find looks for one by its local reference, with the #.
func (c contained) find(ref string) (jsontext.Value, bool) {
	id, ok := strings.CutPrefix(ref, "#")
	for i := len(c) - 1; ok && i >= 0; i-- {
		if c[i].id != "" && strings.TrimPrefix(c[i].id, "#") == id {
			return c[i].raw, true
		}
	}
	return nil, false
}

type noteJSON struct {
	Text string `json:"text"`
}

type metaJSON struct {
	VersionID   string       `json:"versionId"`
	LastUpdated string       `json:"lastUpdated"`
	Security    []rules.Code `json:"security"`
}

type quantityJSON struct {
	Value      *float64 `json:"value"`
	Comparator string   `json:"comparator"`
	Unit       string   `json:"unit"`
	System     string   `json:"system"`
	Code       string   `json:"code"`
}

// empty reports a concept that names nothing; it may still have held a coding with no more than an extension in it.
func empty(c rules.Concept) bool { return c.Text == "" && len(c.Codes) == 0 }

// says reports a coding that is more than a system.
func says(k rules.Code) bool { return k.Code != "" || k.Display != "" }

// appendConcepts adds those that name something.
func appendConcepts(out []rules.Concept, all ...rules.Concept) []rules.Concept {
	for _, c := range all {
		if !empty(c) {
			out = append(out, c)
		}
	}
	return out
}

// concepts are those that name something, in a list of the record's.
func (r *Record) concepts(all ...rules.Concept) []rules.Concept {
	var space [4]rules.Concept
	return r.reader.concepts.keep(appendConcepts(space[:0], all...))
}

func concepts(all ...rules.Concept) []rules.Concept { return appendConcepts(nil, all...) }

// named is a concept from a reference that only says what it means.
func (r referenceJSON) named() (rules.Concept, bool) {
	text := strings.TrimSpace(r.Display)
	return rules.Concept{Text: text}, text != ""
}

// notes joins free texts, cut at the limit.
func notes(limit int, all ...string) string {
	var b strings.Builder
	one := "" // mostly there is no more, and nothing to build
	for _, s := range all {
		s = strings.TrimSpace(s)
		if s == "" {
			continue
		}
		before := max(len(one), b.Len())
		if before > 0 {
			if b.Len() == 0 {
				b.WriteString(one)
			}
			b.WriteString("\n")
			before = b.Len()
		}
		if before+len(s) > limit {
			s = strings.ToValidUTF8(s[:max(0, limit-before)], "")
		}
		if before == 0 {
			one = s
			continue
		}
		b.WriteString(s)
	}
	return cmp.Or(b.String(), one)
}

func noteTexts(out []string, all []noteJSON) []string {
	for _, n := range all {
		out = append(out, n.Text)
	}
	return out
}

// restricted reports a confidentiality label R or V (terminology.hl7.org, v3-Confidentiality).
func (m metaJSON) restricted() bool { return m.labelled("R") || m.labelled("V") }

// restrictions are the labels that restrict: R, V or both.
func (m metaJSON) restrictions() (out []string) {
	for _, code := range []string{"R", "V"} {
		if m.labelled(code) {
			out = append(out, code)
		}
	}
	return out
}

// test reports the label of test data (terminology.hl7.org, v3-ActReason HTEST).
func (m metaJSON) test() bool { return m.labelled("HTEST") }

func (m metaJSON) labelled(code string) bool {
	for _, s := range m.Security {
		if s.Code == code {
			return true
		}
	}
	return false
}

// validID reports whether s is an id as FHIR R4 allows it: 1 to 64 of A-Z a-z 0-9 - and dot.
func validID(s string) bool {
	if s == "" || len(s) > 64 || s == "." || s == ".." {
		return false
	}
	for _, c := range []byte(s) {
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '-', c == '.':
		default:
			return false
		}
	}
	return true
}

// ValidReference reports whether ref is a relative reference to a resource of that type, Type/id.
func ValidReference(ref, typ string) bool {
	rest, ok := strings.CutPrefix(ref, typ+"/")
	return ok && validID(rest)
}

// localReference is the relative form, Type/id, of a reference into this server: relative, absolute under one of its bases,
// with or without a version. Anything else is "".
func localReference(ref string, bases []string) string {
	ref, _, _ = strings.Cut(ref, "/_history/")
	if strings.Contains(ref, "://") {
		found := false
		for _, b := range bases {
			if rest, ok := strings.CutPrefix(ref, strings.TrimSuffix(b, "/")+"/"); ok && b != "" {
				ref, found = rest, true
				break
			}
		}
		if !found {
			return ""
		}
	}
	typ, rid, ok := strings.Cut(ref, "/")
	if !ok || typ == "" || !validID(rid) {
		return ""
	}
	for _, c := range typ {
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') {
			return ""
		}
	}
	return ref
}
