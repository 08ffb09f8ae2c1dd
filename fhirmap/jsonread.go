package fhirmap

import (
	"reflect"
	"strconv"
	"strings"
	"sync"
	"unsafe"

	"github.com/go-json-experiment/json/jsontext"

	"pupilrisk/rules"
)

// reader fills the small structs from a doc. It takes what a strict decoder would: an element of another kind than its field
// is a fault of the whole entry, null is as good as absent, and what no field names may be of any form. What a field is
// called is in its json tag; the types that make up nearly all of a record are filled by hand, the rest by what their tags say, which
// is worked out once.
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

// fill fills *p, a pointer to a zero value. It reports whether all of it was of the kind it has to be.
func (r *reader) fill(v value, p any) bool {
	r.wrong = false
	into := reflect.ValueOf(p)
	fillerOf(into.Type().Elem())(r, v, into.UnsafePointer())
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

// filler fills the zero value of one type, to which p points.
type filler func(r *reader, v value, p unsafe.Pointer)

// fillers are the fillers by type: those written by hand, and those that were made of a type's tags when it was first met.
var fillers sync.Map // of reflect.Type

func byHand[T any](f func(r *reader, v value, p *T)) {
	fillers.Store(reflect.TypeFor[T](), filler(func(r *reader, v value, p unsafe.Pointer) { f(r, v, (*T)(p)) }))
}

func init() {
	byHand(func(r *reader, v value, p *string) { *p = r.text(v) })
	byHand(func(r *reader, v value, p *bool) { *p = r.boolean(v) })
	byHand((*reader).number)
	byHand(func(_ *reader, v value, p *jsontext.Value) { *p = v.raw() })
	byHand((*reader).coding)
	byHand((*reader).concept)
	byHand(func(r *reader, v value, p *[]rules.Concept) { *p = list(r, v, &r.concepts, (*reader).concept) })
	byHand((*reader).reference)
	byHand((*reader).meta)
	byHand((*reader).period)
	byHand(func(r *reader, v value, p *[]noteJSON) { *p = list(r, v, &r.notes, (*reader).note) })
	byHand((*reader).bodySite)
	byHand(func(r *reader, v value, p *[]bodySiteJSON) { *p = list(r, v, &r.sites, (*reader).bodySite) })
	byHand((*reader).dosages)
	byHand(func(r *reader, v value, p *eventCount) { r.wrong = p.UnmarshalJSON(v.raw()) != nil || r.wrong })
	byHand(func(r *reader, v value, p *[]dosageJSON) { *p = list(r, v, &r.doses, byTags[dosageJSON]) })
	byHand(func(r *reader, v value, p *contained) {
		*p = list(r, v, nil, func(_ *reader, v value, c *containedJSON) { c.id, c.raw = v.head().ID, v.raw() })
	})
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

func byTags[T any](r *reader, v value, p *T) { fillerOf(reflect.TypeFor[T]())(r, v, unsafe.Pointer(p)) }

// dosages is one dosage or a list of them.
func (r *reader) dosages(v value, d *dosages) {
	if v.kind() == '{' {
		*d = r.doses.cut(1)
		byTags(r, v, &(*d)[0])
		return
	}
	*d = list(r, v, &r.doses, byTags[dosageJSON])
}

// fillerOf is the filler of a struct by its tags, or of what is made of structs.
func fillerOf(t reflect.Type) filler {
	if known, ok := fillers.Load(t); ok {
		return known.(filler)
	}
	var f filler
	switch t.Kind() {
	case reflect.Pointer:
		f = pointerFiller(t)
	case reflect.Slice:
		f = sliceFiller(t)
	case reflect.Struct:
		f = structFiller(t)
	default:
		panic("no reader of " + t.String())
	}
	fillers.Store(t, f)
	return f
}

func pointerFiller(t reflect.Type) filler {
	one := fillerOf(t.Elem())
	return func(r *reader, v value, p unsafe.Pointer) {
		if v.kind() != 'n' {
			to := reflect.New(t.Elem()).UnsafePointer()
			one(r, v, to)
			*(*unsafe.Pointer)(p) = to
		}
	}
}

func sliceFiller(t reflect.Type) filler {
	return func(r *reader, v value, p unsafe.Pointer) {
		if !r.is(v, '[') {
			return
		}
		one := fillerOf(t.Elem()) // not before: it may be what the slice is a part of
		to, i := reflect.MakeSlice(t, v.count(), v.count()), 0
		for e := range v.all {
			one(r, e, to.Index(i).Addr().UnsafePointer())
			i++
		}
		reflect.NewAt(t, p).Elem().Set(to)
	}
}

// field is one of a struct, or of those embedded in it, that has a name in JSON.
type field struct {
	name   string
	offset uintptr
	fill   filler
}

func structFiller(t reflect.Type) filler {
	fields := new([64][]field) // by the hash of their names
	addFields(fields, t, 0)
	return func(r *reader, v value, p unsafe.Pointer) {
		if !r.is(v, '{') {
			return
		}
		for m := range v.all {
			name := m.name()
			some := fields[nameHash(name)]
			for i := range some {
				if f := &some[i]; f.name == name {
					f.fill(r, m, unsafe.Add(p, f.offset))
				}
			}
		}
	}
}

func addFields(to *[64][]field, t reflect.Type, offset uintptr) {
	for i := range t.NumField() {
		f := t.Field(i)
		name, ok := f.Tag.Lookup("json")
		switch {
		case ok:
			name, _, _ = strings.Cut(name, ",")
			hash := nameHash(name)
			to[hash] = append(to[hash], field{name, offset + f.Offset, fillerOf(f.Type)})
		case f.Anonymous:
			addFields(to, f.Type, offset+f.Offset)
		}
	}
}
