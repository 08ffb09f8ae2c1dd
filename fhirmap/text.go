package fhirmap

import (
	"bytes"
	"fmt"
	"slices"

	"github.com/go-json-experiment/json/jsontext"
)

// TypeOf is the type of the resource that a JSON text says it is, by its beginning alone.
func TypeOf(text []byte) string {
	d := jsontext.NewDecoder(bytes.NewBuffer(text), faultyInside)
	if t, err := d.ReadToken(); err != nil || t.Kind() != '{' {
		return ""
	}
	for d.PeekKind() == '"' {
		t, err := d.ReadToken()
		if err != nil {
			return ""
		}
		if t.String() != "resourceType" {
			if d.SkipValue() != nil {
				return ""
			}
			continue
		}
		v, _ := d.ReadValue() // a broken one is no string
		return stringOf(v)
	}
	return ""
}

// Text is a JSON text that was gone over once and found to be JSON, or a part of one; it can be read as often as it takes. The text
// must not be changed while anything that was read from it is in use. The zero value is none.
type Text struct {
	v    value
	turn uint32 // of its doc
}

func textOf(v value) Text {
	if v.d == nil {
		return Text{}
	}
	return Text{v, v.d.turn}
}

// read is the value. One that was freed is by now perhaps another patient's: that must not go on.
func (t Text) read() value {
	if t.v.d != nil && t.v.d.turn != t.turn {
		panic("fhirmap: a text is read after its memory was given back")
	}
	return t.v
}

// Scan goes over a JSON text once. Its error says that it is no JSON.
func Scan(text []byte) (Text, error) {
	v, err := scan(text)
	return textOf(v), err
}

// Free lets another text use the memory of what was noted of this one and of all its parts, none of which may be read afterwards; what
// was read stays. Without it that memory is left to the garbage collector.
func (t Text) Free() {
	if t.v.d != nil {
		t.v.d.free(t.turn)
	}
}

// PartOf reports that two are parts of the same text.
func (t Text) PartOf(other Text) bool { return t.v.d == other.v.d }

// Identity is what a resource says of itself: its type, its id and the version in its meta, "" where it says none.
func (t Text) Identity() (resourceType, id, version string) {
	v := t.read()
	if v.kind() != '{' {
		return "", "", ""
	}
	for m := range v.all {
		switch m.name() {
		case "resourceType":
			resourceType = m.text()
		case "id":
			id = m.text()
		case "meta":
			for x := range m.all {
				if x.name() == "versionId" {
					version = x.text()
				}
			}
		}
	}
	return resourceType, id, version
}

// Ambiguous reports an object that gives one of its names twice, so that nobody knows which counts.
func (t Text) Ambiguous() bool {
	v := t.read()
	return v.kind() == '{' && v.node().marks&twice != 0
}

// Member is what a member of an object says, "" where there is none or it is no string.
func (t Text) Member(name string) string {
	v := t.read()
	if v.kind() != '{' {
		return ""
	}
	m, ok := v.member(name)
	if !ok {
		return ""
	}
	return m.text()
}

// WalkBundle hands out the entries of a Bundle, as the function of that name does.
func (t Text) WalkBundle(limits Limits, each func(BundleEntry) error) (BundleInfo, error) {
	return walkBundle(t.read(), limits.withDefaults(), each)
}

// ReadText goes over a JSON text and lets it be read until use is done. The error is use's, or says that it is no JSON.
func ReadText(text []byte, use func(Text) error) error {
	return scanned(text, func(v value) error { return use(textOf(v)) })
}

// Depth is how deep objects and arrays stand in each other.
func (t Text) Depth() int { return int(t.read().node().depth) }

// ResourceType is the type of the resource, "" where it is none.
func (t Text) ResourceType() string { return t.read().head().ResourceType }

// Patients lists the patients of a Bundle, and of Bundles inside it, Patient/id, in their order.
func (t Text) Patients() ([]string, error) {
	var out []string
	if err := patients(t.read(), 0, &out); err != nil {
		return nil, fmt.Errorf("read the Bundle: %w", err)
	}
	return out, nil
}

func patients(v value, level int, out *[]string) error {
	_, err := walkBundle(v, Limits{}.withDefaults(), func(e BundleEntry) error {
		switch h := e.head(); {
		case h.ResourceType == "Bundle" && level < maxBundles:
			return patients(e.resource, level+1, out)
		case h.ResourceType == "Patient" && validID(h.ID) && !slices.Contains(*out, h.ref()):
			*out = append(*out, h.ref())
		}
		return nil
	})
	return err
}
