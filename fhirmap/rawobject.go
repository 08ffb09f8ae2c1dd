package fhirmap

import (
	"bytes"
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

func parseObject(raw []byte) (rawObject, error) {
	var o rawObject
	d := jsontext.NewDecoder(bytes.NewReader(raw))
	if t, err := d.ReadToken(); err != nil || t.Kind() != '{' {
		return o, fmt.Errorf("not a JSON object")
	}
	for d.PeekKind() != '}' {
		t, err := d.ReadToken()
		if err != nil {
			return o, fmt.Errorf("not a JSON object: %w", errJSON(err))
		}
		name := t.String()
		v, err := d.ReadValue()
		if err != nil {
			return o, fmt.Errorf("not a JSON object: %w", errJSON(err))
		}
		o.names, o.values = append(o.names, name), append(o.values, v.Clone())
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
	var b bytes.Buffer
	b.WriteByte('{')
	for i, n := range o.names {
		if i > 0 {
			b.WriteByte(',')
		}
		q, _ := jsontext.AppendQuote(nil, n)
		b.Write(q)
		b.WriteByte(':')
		b.Write(o.values[i])
	}
	b.WriteByte('}')
	return b.Bytes()
}

// parseArray takes an array apart into its raw elements; nil for anything else.
func parseArray(raw jsontext.Value) []jsontext.Value {
	d := jsontext.NewDecoder(bytes.NewReader(raw))
	if t, err := d.ReadToken(); err != nil || t.Kind() != '[' {
		return nil
	}
	var out []jsontext.Value
	for d.PeekKind() != ']' {
		v, err := d.ReadValue()
		if err != nil {
			return nil
		}
		out = append(out, v.Clone())
	}
	return out
}

func joinArray(vs []jsontext.Value) jsontext.Value {
	if len(vs) == 0 {
		return nil
	}
	return append(append(jsontext.Value("["), bytes.Join(asBytes(vs), []byte(","))...), ']')
}

func asBytes(vs []jsontext.Value) [][]byte {
	out := make([][]byte, len(vs))
	for i, v := range vs {
		out[i] = v
	}
	return out
}

// errJSON keeps of a decoder's error only what is no content of the record.
func errJSON(error) error { return fmt.Errorf("broken JSON") }
