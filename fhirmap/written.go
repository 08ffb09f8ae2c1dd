package fhirmap

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// ownedElements are the elements of each resource type that we write and answer for. A difference in one of them from what
// we wrote is a person's change. Everything else in the resource is somebody else's and survives every write as it stands.
var ownedElements = map[string][]string{
	"Flag": {"status", "category", "code", "subject", "period", "author"},
	"Task": {"status", "statusReason", "intent", "code", "description", "performerType", "for", "focus", "restriction", "requester", "authoredOn"},
}

// ownedExtensions are the extensions of each type that we own, beside the written extension itself.
var ownedExtensions = map[string][]string{
	"Flag": {extFlagDetail, extFlagPriority},
	"Task": {extTaskReplaces},
}

// written is what our own extension holds: how to tell a person's change, when we last wrote it, what it rests on, and why we
// ended it.
type written struct {
	hash      string
	at        string // an instant; the Provenance of that write was recorded at the same
	evidence  []string
	catalogue string
	ended     Ended
}

// appendTo writes our extension; as the model library would, which takes a hundred pointers for each of its parts.
func (w written) appendTo(out []byte, n Names) []byte {
	part := func(url, kind, value string) {
		out = append(appendMember(append(out, '{'), "url", url), ',')
		out = append(appendMember(out, kind, value), '}')
	}
	out = append(out, `{"extension":[`...)
	part("hash", "valueString", w.hash)
	out = append(out, ',')
	part("catalogue", "valueString", w.catalogue)
	if w.at != "" {
		out = append(out, ',')
		part("at", "valueInstant", w.at)
	}
	for _, e := range w.evidence {
		out = append(out, ',')
		part("evidence", "valueString", e)
	}
	if w.ended != "" {
		out = append(out, ',')
		part("ended", "valueCode", string(w.ended))
	}
	return append(appendMember(append(out, `],`...), "url", n.writtenExtension()), '}')
}

// seal puts our extension into a resource of ours, with the hash of what its owned elements now are.
func (w Writer) seal(typ string, raw []byte, x written) (out []byte, err error) {
	x.catalogue = w.Catalogue.Version
	err = scanned(raw, func(v value) error {
		if v.kind() != '{' || v.node().marks&faulty != 0 {
			return errPage
		}
		x.hash = ownedHash(typ, v)
		out = append(make([]byte, 0, len(raw)+512+64*len(x.evidence)), '{')
		placed := false
		for m := range v.all {
			if m.name() != "extension" {
				out = append(m.appendMember(out), ',')
				continue
			}
			out = append(appendName(out, "extension"), '[')
			for e := range m.elements {
				if !e.hasURL(w.Names.writtenExtension()) {
					out = append(append(out, e.raw()...), ',')
				}
			}
			out = append(x.appendTo(out, w.Names), `],`...)
			placed = true
		}
		if placed {
			out[len(out)-1] = '}'
			return nil
		}
		out = append(appendName(out, "extension"), '[')
		out = append(x.appendTo(out, w.Names), `]}`...)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("build %s: %w", typ, errJSON(err))
	}
	return out, nil
}

// extensionStub is as much of an extension as tells what it is and what our own ones hold.
type extensionStub struct {
	URL            string          `json:"url"`
	Extension      []extensionStub `json:"extension"`
	ValueString    string          `json:"valueString"`
	ValueCode      string          `json:"valueCode"`
	ValueInstant   string          `json:"valueInstant"`
	ValueReference struct {
		Reference string `json:"reference"`
	} `json:"valueReference"`
	ValueCodeableConcept struct {
		Coding []struct {
			Code string `json:"code"`
		} `json:"coding"`
	} `json:"valueCodeableConcept"`
}

func decodeWritten(x extensionStub) written {
	var w written
	for _, s := range x.Extension {
		switch s.URL {
		case "hash":
			w.hash = s.ValueString
		case "catalogue":
			w.catalogue = s.ValueString
		case "at":
			w.at = s.ValueInstant
		case "evidence":
			w.evidence = append(w.evidence, s.ValueString)
		case "ended":
			w.ended = Ended(s.ValueCode)
		}
	}
	return w
}

// ownedHash is a hash of the owned elements of a resource by their meaning: order of members, form of a date's zone and the
// base of a reference do not matter, since servers change these on their own.
func ownedHash(typ string, v value) string {
	text := make([]byte, 0, 2048)
	for _, name := range ownedElements[typ] {
		if m, ok := v.member(name); ok {
			text = m.appendMeaning(append(text, name...), "")
		}
	}
	var ext []string
	if m, ok := v.member("extension"); ok {
		for e := range m.elements {
			if e.hasURL(ownedExtensions[typ]...) {
				at := len(text)
				text = e.appendMeaning(text, "")
				ext = append(ext, string(text[at:]))
				text = text[:at]
			}
		}
	}
	slices.Sort(ext)
	sum := sha256.Sum256(append(text, strings.Join(ext, "\n")...))
	return hex.EncodeToString(sum[:16])
}

// sameOwned reports that two resources do not differ in what we own, nor in their meta.
func sameOwned(typ string, x, y []byte) (same bool, err error) {
	err = scanned(x, func(vx value) error {
		return scanned(y, func(vy value) error {
			same = ownedHash(typ, vx) == ownedHash(typ, vy) && bytes.Equal(member(x, "meta"), member(y, "meta"))
			return nil
		})
	})
	return same, err
}

// hasURL reports an extension with one of the given addresses.
func (v value) hasURL(urls ...string) bool {
	var x extensionStub
	return v.node().marks&faulty == 0 && fill(v, &x) && slices.Contains(urls, x.URL)
}

// appendMeaning writes a JSON value in a canonical form, in which equal meaning is equal bytes: members sorted, instants in
// UTC, references bare and without the display or type that servers add. name is that of the member which the value is.
func (v value) appendMeaning(out []byte, name string) []byte {
	switch v.kind() {
	case '{':
		return v.appendObjectMeaning(out)
	case '[':
		out = append(out, '[')
		for e := range v.all {
			out = append(e.appendMeaning(out, name), ',')
		}
		return append(out, ']')
	case '"':
		if text, plain := v.text(), v.node().marks&escaped == 0; plain && stringMeaning(name, text) == text {
			return append(out, v.raw()...) // what needs no escape is quoted as it stands
		}
		return appendText(out, stringMeaning(name, v.text()))
	default:
		return append(out, v.raw()...)
	}
}

func (v value) appendObjectMeaning(out []byte) []byte {
	var room [16]value // most have fewer members
	members, reference := room[:0], false
	for m := range v.all {
		members = append(members, m)
		reference = reference || m.name() == "reference"
	}
	slices.SortFunc(members, func(x, y value) int { return strings.Compare(x.name(), y.name()) })
	out = append(out, '{')
	for _, m := range members {
		name := m.name()
		if reference && (name == "display" || name == "type") {
			continue
		}
		out = append(append(out, name...), ':')
		out = append(m.appendMeaning(out, name), ',')
	}
	return append(out, '}')
}

func stringMeaning(name, s string) string {
	if name == "reference" {
		return bareReference(s)
	}
	if len(s) >= len("2006-01-02T15:04:05Z") && s[4] == '-' && s[10] == 'T' {
		if t, err := time.Parse(time.RFC3339Nano, s); err == nil {
			return t.UTC().Format(time.RFC3339)
		}
	}
	return s
}

// bareReference is Type/id, without the server's base and without a version.
func bareReference(ref string) string {
	ref, _, _ = strings.Cut(ref, "/_history/")
	parts := strings.Split(ref, "/")
	if n := len(parts); n > 2 && strings.Contains(ref, "://") {
		return strings.Join(parts[n-2:], "/")
	}
	return ref
}

// mergeOwned puts our owned elements of fresh into a standing resource and leaves everything else of it as it is.
func mergeOwned(typ string, n Names, standing, fresh []byte) ([]byte, error) {
	old, err := parseObject(standing)
	if err != nil {
		return nil, err
	}
	ours, err := parseObject(fresh)
	if err != nil {
		return nil, err
	}
	for _, name := range ownedElements[typ] {
		old.set(name, ours.get(name))
	}
	if v := ours.get("lastModified"); v != nil {
		old.set("lastModified", v)
	}
	if err := addLabels(&old, ours.get("meta")); err != nil {
		return nil, err
	}
	kept := withoutExtension(parseArray(old.get("extension")), append(slices.Clone(ownedExtensions[typ]), n.writtenExtension())...)
	old.set("extension", joinArray(append(kept, parseArray(ours.get("extension"))...)))
	return old.bytes(), nil
}

// addLabels adds the security labels of meta that a resource does not carry yet.
func addLabels(o *rawObject, meta jsontext.Value) error {
	add := parseArray(member(meta, "security"))
	if len(add) == 0 {
		return nil
	}
	if o.get("meta") == nil {
		o.set("meta", jsontext.Value("{}"))
	}
	m, err := parseObject(o.get("meta"))
	if err != nil {
		return err
	}
	labels := parseArray(m.get("security"))
	for _, raw := range add {
		code, err := labelCode(raw)
		if err != nil {
			return err
		}
		if !slices.ContainsFunc(labels, func(have jsontext.Value) bool { c, err := labelCode(have); return err == nil && c == code }) {
			labels = append(labels, raw)
		}
	}
	m.set("security", joinArray(labels))
	o.set("meta", m.bytes())
	return nil
}

func labelCode(raw jsontext.Value) (string, error) {
	var c struct {
		Code string `json:"code"`
	}
	if err := json.Unmarshal(raw, &c, faultyInside); err != nil {
		return "", errJSON(err)
	}
	return c.Code, nil
}

// withoutExtension leaves out the extensions with the given addresses.
func withoutExtension(all []jsontext.Value, urls ...string) []jsontext.Value {
	return slices.DeleteFunc(all, func(raw jsontext.Value) bool {
		var x extensionStub
		return fillStrictly(raw, &x) && slices.Contains(urls, x.URL)
	})
}
