package fhirmap

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"
)

// plainHash is the hash of the owned elements, by a general decoder. The hashes that stand in record systems were made so: another
// result would take every Flag and Task for changed by a person.
func plainHash(typ string, raw []byte) (string, error) {
	var o map[string]jsontext.Value
	if err := json.Unmarshal(raw, &o); err != nil {
		return "", err
	}
	h := sha256.New()
	for _, name := range ownedElements[typ] {
		if v := o[name]; v != nil {
			h.Write(append([]byte(name), plainMeaning(v, "")...))
		}
	}
	var all []jsontext.Value
	if json.Unmarshal(o["extension"], &all) != nil {
		all = nil
	}
	var ext []string
	for _, raw := range all {
		var x extensionStub
		if json.Unmarshal(raw, &x) == nil && slices.Contains(ownedExtensions[typ], x.URL) {
			ext = append(ext, string(plainMeaning(raw, "")))
		}
	}
	slices.Sort(ext)
	h.Write([]byte(strings.Join(ext, "\n")))
	return hex.EncodeToString(h.Sum(nil)[:16]), nil
}

func plainMeaning(raw jsontext.Value, name string) []byte {
	switch raw.Kind() {
	case '{':
		var o map[string]jsontext.Value
		_ = json.Unmarshal(raw, &o) // seen to be good as a whole
		_, reference := o["reference"]
		var names []string
		for n := range o {
			if !reference || (n != "display" && n != "type") {
				names = append(names, n)
			}
		}
		slices.Sort(names)
		out := []byte{'{'}
		for _, n := range names {
			out = append(append(append(append(out, n...), ':'), plainMeaning(o[n], n)...), ',')
		}
		return append(out, '}')
	case '[':
		var all []jsontext.Value
		_ = json.Unmarshal(raw, &all)
		out := []byte{'['}
		for _, e := range all {
			out = append(append(out, plainMeaning(e, name)...), ',')
		}
		return append(out, ']')
	case '"':
		var s string
		_ = json.Unmarshal(raw, &s)
		out, _ := jsontext.AppendQuote(nil, stringMeaning(name, s))
		return out
	default:
		return bytes.TrimSpace(raw)
	}
}

func FuzzOwnedHash(f *testing.F) {
	for _, s := range []string{
		`{"resourceType":"Flag","status":"active","code":{"text":"a\"b\u00e9<&>\u2028","coding":[{"system":"s","code":"c"}]},"subject":{"type":"Patient","display":"x","reference":"https://a.example/fhir/Patient/1/_history/2"},"period":{"start":"2026-01-02T03:04:05.000+01:00"}}`,
		`{"extension":[{"valueReference":{"display":"d","reference":"X/1"},"url":"` + extFlagDetail + `"},{"url":"` + extFlagDetail + `","valueString":7},{"url":"` + extTaskReplaces + `","valueReference":{"reference":"Task/1"}},7,null]}`,
		`{"status":null,"focus":[ 1.50 , true,{"b":{},"\u0061":[]}],"restriction":{"period":{"end":"2026-01-02T03:04:05Z"}},"extension":{"url":1}}`,
		`{"status":"a","status":"b"}`, `{"code":{"a":1,"\u0061":2}}`, `{"code":"\ud800"}`, `{"code":1} x`, `[]`, ``, "{\"code\":\"\xff\"}",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		for _, typ := range []string{"Flag", "Task"} {
			want, wrong := plainHash(typ, raw)
			o, err := parseObject(raw)
			if err != nil {
				require.True(t, wrong != nil || jsontext.Value(raw).Kind() != '{' || len(raw) > sparse, "%q: %v", raw, err) // or too dense
				continue
			}
			require.NoError(t, wrong)
			v, err := scan(raw)
			require.NoError(t, err)
			require.Equal(t, want, ownedHash(typ, v))
			v.d.free(v.d.turn)
			again, err := parseObject(o.bytes())
			require.NoError(t, err)
			require.Equal(t, o, again)
		}
	})
}

// Our extension is what the model library would make of it.
func TestWrittenExtension(t *testing.T) {
	n := Names{Canonical: DefaultCanonical}
	for _, w := range []written{
		{hash: "00ff", catalogue: "2026.1"},
		{hash: "00ff", catalogue: `a"b\c`, at: "2026-01-02T03:04:05Z", evidence: []string{"tamsulosin", "gap:é<&>\u2028\n"}, ended: EndedOver},
	} {
		sub := []fhir.Extension{{Url: "hash", ValueString: &w.hash}, {Url: "catalogue", ValueString: &w.catalogue}}
		if w.at != "" {
			sub = append(sub, fhir.Extension{Url: "at", ValueInstant: &w.at})
		}
		for _, e := range w.evidence {
			sub = append(sub, fhir.Extension{Url: "evidence", ValueString: &e})
		}
		if w.ended != "" {
			sub = append(sub, fhir.Extension{Url: "ended", ValueCode: ptr(string(w.ended))})
		}
		want, err := json.Marshal(fhir.Extension{Url: n.writtenExtension(), Extension: sub})
		require.NoError(t, err)
		got := w.appendTo(nil, n)
		require.Equal(t, string(want), string(got))
		var x extensionStub
		require.NoError(t, json.Unmarshal(got, &x))
		require.Equal(t, w, decodeWritten(x))
	}
}

// A resource that is broken in itself costs nothing where it is somebody else's, and cannot be told from a changed one where it is ours.
func TestParseStandingOfBrokenResources(t *testing.T) {
	n := Names{Canonical: DefaultCanonical}
	flag := func(system string) []byte {
		return []byte(`{"resourceType":"Flag","id":"f","identifier":[{"system":"` + system + `","value":"p.floppy-iris.right.1"}],"status":"active","note":{"a":1,"a":2}}`)
	}
	_, ours, err := ParseStanding(n, flag("https://theirs.example/flags"))
	require.NoError(t, err)
	require.False(t, ours)
	_, ours, err = ParseStanding(n, flag(n.FlagSystem()))
	require.Error(t, err)
	require.False(t, ours)
}
