package fhirmap

import (
	"reflect"
	"strconv"
	"strings"
	"sync"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/rules"
)

// reader fills the small structs from a doc. It takes what a strict decoder would: an element of another kind than its field
// is a fault of the whole entry, null is as good as absent, and what no field names may be of any form. What a field is
// called is in its json tag; the types that make up nearly all of a record are filled by hand, the rest by reflection.
type reader struct {
	// wrong reports that something was of another kind than its field.
	wrong bool

	codes    slab[rules.Code]
	concepts slab[rules.Concept]
	sites    slab[bodySiteJSON]
	doses    slab[dosageJSON]
	notes    slab[noteJSON]
}

// slab gives out lists that are cut from a larger one: a record has hundreds of lists of one or two. nil makes each anew.
type slab[T any] struct{ free []T }

func (s *slab[T]) cut(n int) []T {
	const size = 64
	if s == nil || n > size/2 {
		return make([]T, n)
	}
	if n > len(s.free) || s.free == nil {
		s.free = make([]T, size)
	}
	out := s.free[:n:n]
	s.free = s.free[n:]
	return out
}

// keep copies a list; nil stays for none.
func (s *slab[T]) keep(list []T) []T {
	if len(list) == 0 {
		return nil
	}
	out := s.cut(len(list))
	copy(out, list)
	return out
}

// fill fills *p, which is the zero value. It reports whether all of it was of the kind it has to be.
func (r *reader) fill(v value, p any) bool {
	r.wrong = false
	r.into(v, p)
	return !r.wrong
}

func fill(v value, p any) bool { return new(reader).fill(v, p) }

// fillStrictly fills *p from a text that must not be broken in itself.
func fillStrictly(raw []byte, p any) bool {
	ok := false
	err := scanned(raw, func(v value) error {
		ok = v.node().marks&faulty == 0 && fill(v, p)
		return nil
	})
	return ok && err == nil
}

// into fills *p, which is the zero value.
func (r *reader) into(v value, p any) {
	switch p := p.(type) {
	case *string:
		*p = r.text(v)
	case *rules.Code:
		r.coding(v, p)
	case *rules.Concept:
		r.concept(v, p)
	case *[]rules.Concept:
		*p = list(r, v, &r.concepts, (*reader).concept)
	case *referenceJSON:
		r.reference(v, p)
	case **referenceJSON:
		*p = optional(r, v, (*reader).reference)
	case *[]referenceJSON:
		*p = list(r, v, nil, (*reader).reference)
	case *metaJSON:
		r.meta(v, p)
	case *periodJSON:
		r.period(v, p)
	case *[]noteJSON:
		*p = list(r, v, &r.notes, (*reader).note)
	case *bodySiteJSON:
		r.bodySite(v, p)
	case *[]bodySiteJSON:
		*p = list(r, v, &r.sites, (*reader).bodySite)
	case *[]siteExtension:
		*p = list(r, v, nil, byTags[siteExtension])
	case *dosages:
		r.dosages(v, p)
	case *[]dosageJSON:
		*p = list(r, v, &r.doses, byTags[dosageJSON])
	case **rules.Concept:
		*p = optional(r, v, (*reader).concept)
	case *bool:
		*p = r.boolean(v)
	case **float64:
		*p = optional(r, v, (*reader).number)
	case *jsontext.Value:
		*p = v.raw()
	case *contained:
		*p = list(r, v, nil, func(_ *reader, v value, c *containedJSON) { c.id, c.raw = v.head().ID, v.raw() })
	case json.Unmarshaler:
		r.wrong = p.UnmarshalJSON(v.raw()) != nil || r.wrong
	default:
		r.any(v, reflect.ValueOf(p).Elem())
	}
}

// is reports a value of the kind. null is none and no fault.
func (r *reader) is(v value, kind byte) bool {
	k := v.kind()
	if k != kind && k != 'n' {
		r.wrong = true
	}
	return k == kind
}

func (r *reader) text(v value) string {
	if !r.is(v, '"') {
		return ""
	}
	return v.text()
}

func (r *reader) boolean(v value) bool {
	if v.kind() == 't' {
		return true
	}
	r.is(v, 'f')
	return false
}

func (r *reader) number(v value, f *float64) {
	if !r.is(v, '0') {
		return
	}
	var err error
	if *f, err = strconv.ParseFloat(string(v.raw()), 64); err != nil {
		r.wrong = true
	}
}

func list[T any](r *reader, v value, from *slab[T], one func(*reader, value, *T)) []T {
	if !r.is(v, '[') {
		return nil
	}
	out, i := from.cut(v.count()), 0
	for e := range v.all {
		one(r, e, &out[i])
		i++
	}
	return out
}

func optional[T any](r *reader, v value, one func(*reader, value, *T)) *T {
	if v.kind() == 'n' {
		return nil
	}
	out := new(T)
	one(r, v, out)
	return out
}

func (r *reader) concept(v value, c *rules.Concept) {
	if !r.is(v, '{') {
		return
	}
	for m := range v.all {
		r.ofConcept(m, c)
	}
}

func (r *reader) ofConcept(m value, c *rules.Concept) {
	switch m.name() {
	case "coding":
		if !r.is(m, '[') {
			return
		}
		c.Codes = r.codes.cut(m.count())[:0]
		for e := range m.all {
			var k rules.Code
			if r.coding(e, &k); says(k) {
				c.Codes = append(c.Codes, k)
			}
		}
		if len(c.Codes) == 0 {
			c.Codes = nil
		}
	case "text":
		c.Text = strings.TrimSpace(r.text(m))
	}
}

func (r *reader) coding(v value, c *rules.Code) {
	if !r.is(v, '{') {
		return
	}
	for m := range v.all {
		switch m.name() {
		case "system":
			c.System = r.text(m)
		case "code":
			c.Code = r.text(m)
		case "display":
			c.Display = r.text(m)
		}
	}
}

func (r *reader) reference(v value, ref *referenceJSON) {
	if !r.is(v, '{') {
		return
	}
	for m := range v.all {
		switch m.name() {
		case "reference":
			ref.Reference = r.text(m)
		case "type":
			ref.Type = r.text(m)
		case "identifier":
			ref.Identifier = optional(r, m, byTags[identifierJSON])
		case "display":
			ref.Display = r.text(m)
		}
	}
}

func (r *reader) meta(v value, meta *metaJSON) {
	if !r.is(v, '{') {
		return
	}
	for m := range v.all {
		switch m.name() {
		case "versionId":
			meta.VersionID = r.text(m)
		case "lastUpdated":
			meta.LastUpdated = r.text(m)
		case "security":
			meta.Security = list(r, m, nil, (*reader).coding)
		}
	}
}

func (r *reader) period(v value, p *periodJSON) {
	if !r.is(v, '{') {
		return
	}
	for m := range v.all {
		switch m.name() {
		case "start":
			p.Start = r.text(m)
		case "end":
			p.End = r.text(m)
		}
	}
}

func (r *reader) note(v value, n *noteJSON) {
	if !r.is(v, '{') {
		return
	}
	for m := range v.all {
		if m.name() == "text" {
			n.Text = r.text(m)
		}
	}
}

func (r *reader) bodySite(v value, b *bodySiteJSON) {
	if !r.is(v, '{') {
		return
	}
	for m := range v.all {
		if m.name() == "extension" {
			b.Extension = list(r, m, nil, byTags[siteExtension])
			continue
		}
		r.ofConcept(m, &b.concept)
	}
}

func byTags[T any](r *reader, v value, p *T) { r.any(v, reflect.ValueOf(p).Elem()) }

// dosages is one dosage or a list of them.
func (r *reader) dosages(v value, d *dosages) {
	if v.kind() == '{' {
		*d = r.doses.cut(1)
		byTags(r, v, &(*d)[0])
		return
	}
	*d = list(r, v, &r.doses, byTags[dosageJSON])
}

// any fills a struct by its tags, or what is made of structs.
func (r *reader) any(v value, into reflect.Value) {
	switch into.Kind() {
	case reflect.Pointer:
		if v.kind() != 'n' {
			into.Set(reflect.New(into.Type().Elem()))
			r.into(v, into.Interface())
		}
	case reflect.Slice:
		if !r.is(v, '[') {
			return
		}
		into.Set(reflect.MakeSlice(into.Type(), v.count(), v.count()))
		i := 0
		for e := range v.all {
			r.into(e, into.Index(i).Addr().Interface())
			i++
		}
	case reflect.Struct:
		if !r.is(v, '{') {
			return
		}
		fields := fieldsOf(into.Type())
		for m := range v.all {
			name := m.name()
			for _, f := range fields[nameHash(name)] {
				if f.name == name {
					r.into(m, into.FieldByIndex(f.index).Addr().Interface())
				}
			}
		}
	default:
		panic("no reader of " + into.Type().String())
	}
}

// fields are those of a struct that have a name in JSON, with those of the structs embedded in it, by the hash of their names.
type fields [64][]field

type field struct {
	name  string
	index []int
}

var knownFields sync.Map // of reflect.Type

func fieldsOf(t reflect.Type) *fields {
	if known, ok := knownFields.Load(t); ok {
		return known.(*fields)
	}
	out, found := new(fields), false
	for _, f := range reflect.VisibleFields(t) {
		if name, ok := f.Tag.Lookup("json"); ok {
			name, _, _ = strings.Cut(name, ",")
			hash := nameHash(name)
			out[hash], found = append(out[hash], field{name, f.Index}), true
		}
	}
	if !found {
		panic("no reader of " + t.String())
	}
	knownFields.Store(t, out)
	return out
}
