package fhirmap

import (
	"errors"
	"fmt"
	"slices"

	"github.com/go-json-experiment/json/jsontext"
)

// rawObject is a JSON object whose members are kept as they came, byte for byte and in their order, so that a resource can
// be changed in the elements we own and in nothing else.
type rawObject struct {
	names  []string
	values []jsontext.Value
}

// parseObject takes an object apart. Its parts are parts of raw, which must not be changed while they are in use.
func parseObject(raw []byte) (o rawObject, err error) {
	err = scanned(raw, func(v value) error {
		if v.kind() != '{' || v.node().marks&faulty != 0 {
			return errPage
		}
		n := v.count() + 1 // one to set
		o.names, o.values = make([]string, 0, n), make([]jsontext.Value, 0, n)
		for m := range v.all {
			o.names, o.values = append(o.names, m.name()), append(o.values, m.raw())
		}
		return nil
	})
	if err != nil {
		return o, errors.New("not a JSON object")
	}
	return o, nil
}

func (o *rawObject) get(name string) jsontext.Value {
	if i := slices.Index(o.names, name); i >= 0 {
		return o.values[i]
	}
	return nil
}

// set replaces a member in its place, adds it at the end, or with nil removes it.
func (o *rawObject) set(name string, v jsontext.Value) {
	i := slices.Index(o.names, name)
	switch {
	case v == nil && i >= 0:
		o.names, o.values = slices.Delete(o.names, i, i+1), slices.Delete(o.values, i, i+1)
	case v == nil:
	case i >= 0:
		o.values[i] = v
	default:
		o.names, o.values = append(o.names, name), append(o.values, v)
	}
}

func (o *rawObject) bytes() []byte {
	size := len("{}")
	for i, n := range o.names {
		size += len(n) + len(o.values[i]) + len(`"":,`)
	}
	out := append(make([]byte, 0, size), '{')
	for i, n := range o.names {
		if i > 0 {
			out = append(out, ',')
		}
		out = append(appendName(out, n), o.values[i]...)
	}
	return append(out, '}')
}

// parseArray takes an array apart into its raw elements; nil for anything else.
func parseArray(raw jsontext.Value) (out []jsontext.Value) {
	if len(raw) == 0 {
		return nil
	}
	_ = scanned(raw, func(v value) error { // no JSON: no elements
		if v.kind() != '[' || v.node().marks&faulty != 0 {
			return nil
		}
		out = make([]jsontext.Value, 0, v.count()+1) // one to add
		for e := range v.all {
			out = append(out, e.raw())
		}
		return nil
	})
	return out
}

func joinArray(vs []jsontext.Value) jsontext.Value {
	if len(vs) == 0 {
		return nil
	}
	size := len("[]")
	for _, v := range vs {
		size += len(v) + len(",")
	}
	out := append(make(jsontext.Value, 0, size), '[')
	for i, v := range vs {
		if i > 0 {
			out = append(out, ',')
		}
		out = append(out, v...)
	}
	return append(out, ']')
}

// errJSON keeps of a decoder's error only what is no content of the record.
func errJSON(error) error { return fmt.Errorf("broken JSON") }
