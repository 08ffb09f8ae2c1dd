package fhirstore

import (
	"bytes"
	"fmt"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"
)

// Store is a FHIR R4 server in memory; see the package comment. It is an http.Handler for the base path /fhir, and safe for
// concurrent use. Make it with New.
type Store struct {
	options Options
	offered map[string]bool
	started time.Time

	mu    sync.RWMutex // guards the two below; a version never changes once it is in a record
	types map[string]*collection
	index map[indexKey]map[*record]bool

	listings listings
	exchange exchange
}

// collection holds the records of one type.
type collection struct {
	byID    map[string]*record
	ordered []*record // in the order of creation, deleted ones too
}

// record is all versions of one resource, oldest first; never empty.
type record struct {
	number   int // in the order of creation
	versions []*version
}

func (r *record) current() *version { return r.versions[len(r.versions)-1] }

// version is one state of a resource. raw is nil for a deletion.
type version struct {
	typ, id string
	number  string // meta.versionId
	at      time.Time
	method  string // POST, PUT, PATCH or DELETE
	raw     []byte
	facts   facts
}

func (v *version) deleted() bool { return v.raw == nil }
func (v *version) ref() string   { return v.typ + "/" + v.id }
func (v *version) etag() string  { return `W/"` + v.number + `"` }

// indexKey names the resources of a type that have a value of a parameter: a reference, "system|value" or "value".
type indexKey struct{ typ, parameter, value string }

// New makes an empty server.
func New(o Options) *Store {
	o = o.withDefaults()
	s := &Store{options: o, offered: map[string]bool{}, types: map[string]*collection{}, index: map[indexKey]map[*record]bool{}}
	offered := o.Types
	if len(offered) == 0 {
		offered = knownTypes
	}
	for _, t := range offered {
		s.offered[t] = true
	}
	s.started = o.Now()
	return s
}

// Put stores a resource as another person or system would: its next version, whatever stands there. The resource needs an
// id and a type that the server offers.
func (s *Store) Put(resource []byte) error {
	d, decoded, err := decode(resource)
	if err != nil {
		return fmt.Errorf("put: %w", err)
	}
	if d.id == "" {
		return fmt.Errorf("put: id is missing")
	}
	if !s.offered[d.typ] {
		return fmt.Errorf("put: type %s is not offered", d.typ)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.write(d, decoded, d.id, http.MethodPut)
	return nil
}

// Delete deletes a resource, such as "Flag/a1", as another person or system would.
func (s *Store) Delete(ref string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.record(cutRef(ref))
	if r == nil || r.current().deleted() {
		return fmt.Errorf("delete: no such resource")
	}
	s.remove(r)
	return nil
}

// Get returns the current JSON of a resource, such as "Flag/a1"; false where there is none or it was deleted.
func (s *Store) Get(ref string) ([]byte, bool) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	r := s.record(cutRef(ref))
	if r == nil || r.current().deleted() {
		return nil, false
	}
	return bytes.Clone(r.current().raw), true
}

// All returns the current JSON of every resource of a type, in the order of creation.
func (s *Store) All(typ string) [][]byte {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var out [][]byte
	for _, r := range s.collection(typ).ordered {
		if !r.current().deleted() {
			out = append(out, bytes.Clone(r.current().raw))
		}
	}
	return out
}

// History returns every version of a resource, oldest first; a deletion stands as nil.
func (s *Store) History(ref string) [][]byte {
	s.mu.RLock()
	defer s.mu.RUnlock()
	r := s.record(cutRef(ref))
	if r == nil {
		return nil
	}
	out := make([][]byte, len(r.versions))
	for i, v := range r.versions {
		out[i] = bytes.Clone(v.raw)
	}
	return out
}

// Edit changes a resource as a person would, and stores its next version. Top-level members that change leaves alone keep
// their bytes and their order.
func (s *Store) Edit(ref string, change func(map[string]any)) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.record(cutRef(ref))
	if r == nil || r.current().deleted() {
		return fmt.Errorf("edit: no such resource")
	}
	edited, err := editMembers(r.current().raw, func(m map[string]any) error { change(m); return nil })
	if err != nil {
		return fmt.Errorf("edit: %w", err)
	}
	next, decoded, err := decode(edited)
	if err != nil {
		return fmt.Errorf("edit: %w", err)
	}
	if next.typ != r.current().typ || next.id != r.current().id {
		return fmt.Errorf("edit: type and id cannot change")
	}
	s.write(next, decoded, next.id, http.MethodPut)
	return nil
}

// editMembers changes a resource; top-level members that change leaves alone keep their bytes and their order.
func editMembers(raw []byte, change func(map[string]any) error) ([]byte, error) {
	d, before, err := decode(raw)
	if err != nil {
		return nil, err
	}
	_, after, _ := decode(raw)
	if err := change(after); err != nil {
		return nil, err
	}
	return d.changed(before, after)
}

// changed writes the members that differ between before and after into the document.
func (d document) changed(before, after map[string]any) ([]byte, error) {
	var b bytes.Buffer
	member := func(name string, value []byte) {
		if b.Len() > 0 {
			b.WriteByte(',')
		}
		b.WriteString(quote(name) + ":")
		b.Write(value)
	}
	marshalled := func(name string) error {
		v, err := json.Marshal(after[name], json.Deterministic(true))
		if err == nil {
			member(name, v)
		}
		return err
	}
	for _, m := range d.members {
		v, kept := after[m.name]
		if kept && reflect.DeepEqual(v, before[m.name]) {
			member(m.name, m.value.in(d.raw))
		} else if kept {
			if err := marshalled(m.name); err != nil {
				return nil, err
			}
		}
	}
	var added []string
	for name := range after {
		if _, old := before[name]; !old {
			added = append(added, name)
		}
	}
	slices.Sort(added)
	for _, name := range added {
		if err := marshalled(name); err != nil {
			return nil, err
		}
	}
	return slices.Concat([]byte("{"), b.Bytes(), []byte("}")), nil
}

// Snapshot is the current state for comparing: each resource by "Type/id", without meta, members in one order, no white
// space. Deleted resources are not in it.
func (s *Store) Snapshot() map[string][]byte {
	s.mu.RLock()
	defer s.mu.RUnlock()
	out := map[string][]byte{}
	for _, c := range s.types {
		for _, r := range c.ordered {
			if v := r.current(); !v.deleted() {
				out[v.ref()] = normalised(v.raw)
			}
		}
	}
	return out
}

// decode reads a resource both as document and as plain values.
func decode(raw []byte) (document, map[string]any, error) {
	d, err := parseDocument(raw)
	if err != nil {
		return document{}, nil, err
	}
	var m map[string]any
	if err := json.Unmarshal(raw, &m); err != nil {
		return document{}, nil, fmt.Errorf("broken JSON")
	}
	return d, m, nil
}

// cutRef cuts "Type/id"; both are empty for anything else.
func cutRef(ref string) (typ, id string) {
	typ, id, _ = strings.Cut(ref, "/")
	return typ, id
}

// The methods below need mu held.

func (s *Store) collection(typ string) *collection {
	if c := s.types[typ]; c != nil {
		return c
	}
	return &collection{}
}

func (s *Store) record(typ, id string) *record { return s.collection(typ).byID[id] }

// write adds the next version of a resource, new or not.
func (s *Store) write(d document, decoded map[string]any, id, method string) *record {
	c := s.types[d.typ]
	if c == nil {
		c = &collection{byID: map[string]*record{}}
		s.types[d.typ] = c
	}
	r := c.byID[id]
	if r == nil {
		r = &record{number: len(c.ordered)}
		c.byID[id] = r
		c.ordered = append(c.ordered, r)
	}
	v := s.next(r, method)
	v.typ, v.id = d.typ, id
	v.raw = d.stamped(id, v.number, v.at)
	v.facts = factsOf(d.typ, decoded)
	s.push(r, v)
	return r
}

func (s *Store) remove(r *record) {
	v := s.next(r, http.MethodDelete)
	v.typ, v.id = r.current().typ, r.current().id
	s.push(r, v)
}

func (s *Store) next(r *record, method string) *version {
	// meta.lastUpdated has milliseconds, and searching by it must agree with what is written.
	v := &version{number: strconv.Itoa(len(r.versions) + 1), at: s.options.Now().UTC().Truncate(time.Millisecond), method: method}
	if s.options.OpaqueVersions {
		v.number = uuid.NewString()
	}
	return v
}

func (s *Store) push(r *record, v *version) {
	if len(r.versions) > 0 {
		s.indexVersion(r, r.current(), false)
	}
	r.versions = append(r.versions, v)
	s.indexVersion(r, v, true)
}

// undo takes the newest version of a record back, and a record with it that had no other. Undoing runs backwards through
// what was written, so a record that goes is the last of its collection.
func (s *Store) undo(r *record) {
	v := r.current()
	s.indexVersion(r, v, false)
	if len(r.versions) == 1 {
		c := s.types[v.typ]
		delete(c.byID, v.id)
		c.ordered = c.ordered[:len(c.ordered)-1]
		return
	}
	r.versions = r.versions[:len(r.versions)-1]
	s.indexVersion(r, r.current(), true)
}

func (s *Store) indexVersion(r *record, v *version, add bool) {
	set := func(parameter, value string) {
		key := indexKey{v.typ, parameter, value}
		switch {
		case !add:
			delete(s.index[key], r)
			if len(s.index[key]) == 0 {
				delete(s.index, key)
			}
		case s.index[key] == nil:
			s.index[key] = map[*record]bool{r: true}
		default:
			s.index[key][r] = true
		}
	}
	for parameter, values := range v.facts.references {
		for _, value := range values {
			set(parameter, value)
		}
	}
	for _, c := range v.facts.tokens[identifier.name] {
		set(identifier.name, c.value)
		set(identifier.name, c.system+"|"+c.value)
	}
}
