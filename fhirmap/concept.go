package fhirmap

import (
	"slices"
	"strings"

	"pupilrisk/rules"
)

// The small structs that records are read into. Only what is used is named: everything else in a resource may be of any
// form without harm.

type codingJSON struct {
	System  string `json:"system"`
	Code    string `json:"code"`
	Display string `json:"display"`
}

type conceptJSON struct {
	Coding []codingJSON `json:"coding"`
	Text   string       `json:"text"`
}

type identifierJSON struct {
	System string      `json:"system"`
	Value  string      `json:"value"`
	Type   conceptJSON `json:"type"`
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

type noteJSON struct {
	Text string `json:"text"`
}

type metaJSON struct {
	VersionID   string       `json:"versionId"`
	LastUpdated string       `json:"lastUpdated"`
	Security    []codingJSON `json:"security"`
}

type quantityJSON struct {
	Value      *float64 `json:"value"`
	Comparator string   `json:"comparator"`
	Unit       string   `json:"unit"`
	System     string   `json:"system"`
	Code       string   `json:"code"`
}

// empty reports a concept that names nothing; it may still have a coding, with no more than an extension in it.
func (c conceptJSON) empty() bool {
	return strings.TrimSpace(c.Text) == "" && !slices.ContainsFunc(c.Coding, codingJSON.says)
}

func (k codingJSON) says() bool { return k.Code != "" || k.Display != "" }

func (c conceptJSON) concept() rules.Concept {
	out := rules.Concept{Text: strings.TrimSpace(c.Text)}
	for _, k := range c.Coding {
		if k.says() {
			out.Codes = append(out.Codes, rules.Code{System: k.System, Code: k.Code, Display: k.Display})
		}
	}
	return out
}

func concepts(all ...conceptJSON) (out []rules.Concept) {
	for _, c := range all {
		if !c.empty() {
			out = append(out, c.concept())
		}
	}
	return out
}

// named is a concept from a reference that only says what it means.
func (r referenceJSON) named() (rules.Concept, bool) {
	if r.Display == "" {
		return rules.Concept{}, false
	}
	return rules.Concept{Text: strings.TrimSpace(r.Display)}, true
}

// notes joins free texts, cut at the limit.
func notes(limit int, all ...string) string {
	var b strings.Builder
	for _, s := range all {
		s = strings.TrimSpace(s)
		if s == "" {
			continue
		}
		if b.Len() > 0 {
			b.WriteString("\n")
		}
		if b.Len()+len(s) > limit {
			s = strings.ToValidUTF8(s[:max(0, limit-b.Len())], "")
		}
		b.WriteString(s)
	}
	return b.String()
}

func noteTexts(all []noteJSON) (out []string) {
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
