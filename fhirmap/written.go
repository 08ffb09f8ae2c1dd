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
	fhir "github.com/samply/golang-fhir-models/fhir-models/fhir"
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

func (w written) extension(n Names) fhir.Extension {
	sub := []fhir.Extension{{Url: "hash", ValueString: &w.hash}, {Url: "catalogue", ValueString: &w.catalogue}}
	if w.at != "" {
		sub = append(sub, fhir.Extension{Url: "at", ValueInstant: &w.at})
	}
	for _, e := range w.evidence {
		sub = append(sub, fhir.Extension{Url: "evidence", ValueString: &e})
	}
	if w.ended != "" {
		code := string(w.ended)
		sub = append(sub, fhir.Extension{Url: "ended", ValueCode: &code})
	}
	return fhir.Extension{Url: n.writtenExtension(), Extension: sub}
}

// seal puts our extension into a resource of ours, with the hash of what its owned elements now are.
func (w Writer) seal(typ string, raw []byte, x written) ([]byte, error) {
	o, err := parseObject(raw)
	if err != nil {
		return nil, fmt.Errorf("build %s: %w", typ, err)
	}
	return w.sealObject(typ, &o, x)
}

func (w Writer) sealObject(typ string, o *rawObject, x written) ([]byte, error) {
	x.catalogue = w.Catalogue.Version
	x.hash = ownedHash(typ, o)
	mine, err := json.Marshal(x.extension(w.Names))
	if err != nil {
		return nil, fmt.Errorf("build %s: %w", typ, err)
	}
	kept := withoutExtension(parseArray(o.get("extension")), w.Names.writtenExtension())
	o.set("extension", joinArray(append(kept, mine)))
	return o.bytes(), nil
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
func ownedHash(typ string, o *rawObject) string {
	h := sha256.New()
	for _, name := range ownedElements[typ] {
		if v := o.get(name); v != nil {
			h.Write([]byte(name))
			h.Write(meaning(v))
		}
	}
	var ext []string
	for _, raw := range parseArray(o.get("extension")) {
		var x extensionStub
		if json.Unmarshal(raw, &x) == nil && slices.Contains(ownedExtensions[typ], x.URL) {
			ext = append(ext, string(meaning(raw)))
		}
	}
	slices.Sort(ext)
	h.Write([]byte(strings.Join(ext, "\n")))
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// meaning is a canonical form of a JSON value in which equal meaning is equal bytes: members sorted, instants in UTC,
// references bare and without the display or type that servers add.
func meaning(raw jsontext.Value) []byte {
	d := jsontext.NewDecoder(bytes.NewBuffer(raw))
	out, err := appendMeaning(nil, d, "")
	if err != nil {
		return raw
	}
	return out
}

func appendMeaning(out []byte, d *jsontext.Decoder, name string) ([]byte, error) {
	switch d.PeekKind() {
	case '{':
		return appendObjectMeaning(out, d)
	case '[':
		if _, err := d.ReadToken(); err != nil {
			return nil, err
		}
		out = append(out, '[')
		for d.PeekKind() != ']' {
			var err error
			if out, err = appendMeaning(out, d, name); err != nil {
				return nil, err
			}
			out = append(out, ',')
		}
		_, err := d.ReadToken()
		return append(out, ']'), err
	case '"':
		t, err := d.ReadToken()
		if err != nil {
			return nil, err
		}
		return jsontext.AppendQuote(out, stringMeaning(name, t.String()))
	default:
		v, err := d.ReadValue()
		return append(out, v...), err
	}
}

func appendObjectMeaning(out []byte, d *jsontext.Decoder) ([]byte, error) {
	if _, err := d.ReadToken(); err != nil {
		return nil, err
	}
	type member struct {
		name  string
		value []byte
	}
	var members []member
	reference := false
	for d.PeekKind() == '"' {
		t, err := d.ReadToken()
		if err != nil {
			return nil, err
		}
		m := member{name: t.String()}
		if m.value, err = appendMeaning(nil, d, m.name); err != nil {
			return nil, err
		}
		reference = reference || m.name == "reference"
		members = append(members, m)
	}
	if _, err := d.ReadToken(); err != nil {
		return nil, err
	}
	slices.SortFunc(members, func(x, y member) int { return strings.Compare(x.name, y.name) })
	out = append(out, '{')
	for _, m := range members {
		if reference && (m.name == "display" || m.name == "type") {
			continue
		}
		out = append(append(append(out, m.name...), ':'), m.value...)
		out = append(out, ',')
	}
	return append(out, '}'), nil
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
		return json.Unmarshal(raw, &x) == nil && slices.Contains(urls, x.URL)
	})
}
