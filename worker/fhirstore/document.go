package fhirstore

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"time"

	"github.com/go-json-experiment/json/jsontext"
)

// document is one resource as it came: its bytes, and where in them the few elements lie that a server reads or writes.
type document struct {
	raw     []byte
	typ, id string
	typeEnd int     // behind the value of resourceType, where a missing id goes; a missing meta goes behind the id
	idAt    place   // value of id
	metaAt  place   // value of meta
	version place   // value of meta.versionId
	updated place   // value of meta.lastUpdated
	hasMeta bool    // meta has any member
	members []named // all top-level members
}

// place is a piece of a text; the zero place is none, as no value stands at the very start of an object.
type place struct{ start, end int }

func (p place) in(raw []byte) []byte { return raw[p.start:p.end] }

type named struct {
	name  string
	value place
}

var (
	idPattern   = regexp.MustCompile(`^[A-Za-z0-9\-.]{1,64}$`)
	typePattern = regexp.MustCompile(`^[A-Z][A-Za-z]{0,63}$`)
)

// parseDocument reads one resource. It refuses what is no JSON object, duplicate member names, invalid UTF-8, text behind
// the object, a missing resourceType and an id or meta of a wrong kind; it looks no deeper.
func parseDocument(raw []byte) (document, error) {
	members, err := objectMembers(raw)
	if err != nil {
		return document{}, err
	}
	d := document{raw: raw, members: members}
	for _, m := range members {
		switch m.name {
		case "resourceType":
			if d.typ, err = stringValue(m.value.in(raw)); err != nil || !typePattern.MatchString(d.typ) {
				return document{}, errors.New("resourceType is no type name")
			}
			d.typeEnd = m.value.end
		case "id":
			if d.id, err = stringValue(m.value.in(raw)); err != nil || !idPattern.MatchString(d.id) {
				return document{}, errors.New("id is no FHIR id")
			}
			d.idAt = m.value
		case "meta":
			d.metaAt = m.value
		}
	}
	if d.typ == "" {
		return document{}, errors.New("resourceType is missing")
	}
	if d.metaAt != (place{}) {
		inner, err := objectMembers(d.metaAt.in(raw))
		if err != nil {
			return document{}, errors.New("meta is not an object")
		}
		d.hasMeta = len(inner) > 0
		for _, m := range inner {
			at := place{d.metaAt.start + m.value.start, d.metaAt.start + m.value.end}
			switch m.name {
			case "versionId":
				d.version = at
			case "lastUpdated":
				d.updated = at
			}
		}
	}
	return d, nil
}

// stamped is the resource with this id, versionId and lastUpdated and every other byte as it came.
func (d document) stamped(id, version string, at time.Time) []byte {
	when := at.UTC().Format(instantLayout)
	var e edits
	metaEnd := d.typeEnd
	if d.idAt != (place{}) {
		e.replace(d.idAt, quote(id))
		metaEnd = d.idAt.end
	} else {
		e.insert(d.typeEnd, `,"id":`+quote(id))
	}
	if d.metaAt == (place{}) {
		e.insert(metaEnd, `,"meta":{"versionId":`+quote(version)+`,"lastUpdated":`+quote(when)+`}`)
		return e.apply(d.raw)
	}
	missing := ""
	if d.version != (place{}) {
		e.replace(d.version, quote(version))
	} else {
		missing += `"versionId":` + quote(version)
	}
	if d.updated != (place{}) {
		e.replace(d.updated, quote(when))
	} else {
		if missing != "" {
			missing += ","
		}
		missing += `"lastUpdated":` + quote(when)
	}
	if missing != "" {
		if d.hasMeta {
			missing += ","
		}
		e.insert(d.metaAt.start+1, missing)
	}
	return e.apply(d.raw)
}

const instantLayout = "2006-01-02T15:04:05.000Z"

// normalised is the resource without meta, members in one order and no white space; numbers stay as written.
func normalised(raw []byte) []byte {
	d, err := parseDocument(raw)
	if err != nil {
		return raw
	}
	var b bytes.Buffer
	b.WriteByte('{')
	for _, m := range d.members {
		if m.name == "meta" {
			continue
		}
		if b.Len() > 1 {
			b.WriteByte(',')
		}
		b.WriteString(quote(m.name) + ":")
		b.Write(m.value.in(raw))
	}
	b.WriteByte('}')
	v := jsontext.Value(b.Bytes())
	if err := v.Format(jsontext.ReorderRawObjects(true)); err != nil {
		return raw
	}
	return v
}

// withReferences replaces each reference, and each value of an extension that is a URI, found in ids. Other texts stay,
// identifiers that happen to be such a URI too.
func withReferences(raw []byte, ids map[string]string) ([]byte, error) {
	if len(ids) == 0 {
		return raw, nil
	}
	var e edits
	d := jsontext.NewDecoder(bytes.NewBuffer(raw))
	name := ""
	for {
		if d.PeekKind() != '"' {
			if _, err := d.ReadToken(); errors.Is(err, io.EOF) {
				return e.apply(raw), nil
			} else if err != nil {
				return nil, err
			}
			continue
		}
		v, err := d.ReadValue()
		if err != nil {
			return nil, err
		}
		text, err := stringValue(v)
		if err != nil {
			return nil, err
		}
		if kind, n := d.StackIndex(d.StackDepth()); kind == '{' && n%2 == 1 {
			name = text
			continue
		} else if kind != '{' {
			continue
		}
		switch name {
		case "reference", "valueUri", "valueUrl", "valueUuid":
			if to, ok := ids[text]; ok {
				end := int(d.InputOffset())
				e.replace(place{end - len(v), end}, quote(to))
			}
		}
	}
}

// objectMembers lists the members of an object that is the whole text.
func objectMembers(raw []byte) ([]named, error) {
	d := jsontext.NewDecoder(bytes.NewBuffer(raw))
	if t, err := d.ReadToken(); err != nil || t.Kind() != '{' {
		return nil, errors.New("not a JSON object")
	}
	var out []named
	for d.PeekKind() != '}' {
		t, err := d.ReadToken()
		if err != nil {
			return nil, errors.New("broken JSON")
		}
		name := t.String()
		v, err := d.ReadValue()
		if err != nil {
			return nil, errors.New("broken JSON")
		}
		end := int(d.InputOffset())
		out = append(out, named{name, place{end - len(v), end}})
	}
	if _, err := d.ReadToken(); err != nil {
		return nil, errors.New("broken JSON")
	}
	if _, err := d.ReadToken(); !errors.Is(err, io.EOF) {
		return nil, errors.New("text behind the JSON object")
	}
	return out, nil
}

func stringValue(v []byte) (string, error) {
	if len(v) == 0 || v[0] != '"' {
		return "", fmt.Errorf("not a JSON string")
	}
	b, err := jsontext.AppendUnquote(nil, v)
	return string(b), err
}

// quote writes a JSON string. Invalid UTF-8 becomes U+FFFD, which is all that AppendQuote finds wrong.
func quote(s string) string {
	b, _ := jsontext.AppendQuote(nil, s)
	return string(b)
}

// edits are changes to a text at places that do not overlap.
type edits []edit

type edit struct {
	place
	text string
}

func (e *edits) replace(p place, text string) { *e = append(*e, edit{p, text}) }
func (e *edits) insert(at int, text string)   { *e = append(*e, edit{place{at, at}, text}) }
func (e edits) apply(raw []byte) []byte {
	if len(e) == 0 {
		return raw
	}
	slices.SortStableFunc(e, func(a, b edit) int { return a.start - b.start })
	var b bytes.Buffer
	b.Grow(len(raw) + 128)
	at := 0
	for _, c := range e {
		b.Write(raw[at:c.start])
		b.WriteString(c.text)
		at = c.end
	}
	b.Write(raw[at:])
	return b.Bytes()
}
