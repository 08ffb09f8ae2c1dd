package fhirstore

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// jsonText draws the text of a JSON value with all that JSON allows: white space, escapes, numbers in any form.
func jsonText(depth int) *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		kinds := 3
		if depth > 0 {
			kinds = 5
		}
		switch rapid.IntRange(0, kinds-1).Draw(t, "kind") {
		case 0:
			return rapid.SampledFrom([]string{"null", "true", "false", "0", "-0", "1.50", "0.400", "1e3", "1E-7", "12345678901234567890123", "-1.0e+2"}).Draw(t, "literal")
		case 1:
			return rapid.SampledFrom([]string{`""`, `"é"`, `"\u00e9"`, `"a\/b"`, `"\ud83d\ude00"`, `"<b>&"`, `"id"`, `"meta"`, `"{\"id\":\"x\"}"`, `" "`}).Draw(t, "text")
		case 2:
			return quote(rapid.String().Draw(t, "string"))
		case 3:
			return "[" + space(t) + strings.Join(rapid.SliceOfN(jsonText(depth-1), 0, 3).Draw(t, "array"), space(t)+","+space(t)) + space(t) + "]"
		default:
			return objectText(t, rapid.SliceOfNDistinct(rapid.StringMatching(`_?[a-z]{1,8}`), 0, 3, rapid.ID).Draw(t, "names"), depth-1)
		}
	})
}

func space(t *rapid.T) string {
	return rapid.SampledFrom([]string{"", "", "", " ", "\n\t", "\r\n  "}).Draw(t, "space")
}

func objectText(t *rapid.T, names []string, depth int) string {
	var members []string
	for _, name := range names {
		members = append(members, quote(name)+space(t)+":"+space(t)+jsonText(depth).Draw(t, name))
	}
	return "{" + space(t) + strings.Join(members, space(t)+","+space(t)) + space(t) + "}"
}

// A resource comes back byte for byte, apart from what the server must write into id and meta.
func TestResourceIsKeptByteForByte(t *testing.T) {
	when := time.Date(2026, 12, 1, 8, 0, 0, 0, time.UTC)
	const stamp = `"versionId":"1","lastUpdated":"2026-12-01T08:00:00.000Z"`
	rapid.Check(t, func(t *rapid.T) {
		o := DefaultOptions()
		o.Now = func() time.Time { return when }
		s := New(o)
		// Each member as it is sent, and as it must come back.
		members := [][2]string{}
		same := func(text string) { members = append(members, [2]string{text, text}) }
		typ := `"resourceType"` + space(t) + `:` + space(t) + `"Flag"`
		id := `"id"` + space(t) + ":" + space(t) + `"a"`
		switch rapid.IntRange(0, 4).Draw(t, "meta") {
		case 0:
			members = append(members, [2]string{id, id + `,"meta":{` + stamp + `}`})
		case 1:
			same(id)
			members = append(members, [2]string{`"meta": { }`, `"meta": {` + stamp + ` }`})
		case 2:
			same(id)
			inner := jsonText(2).Draw(t, "tag")
			members = append(members, [2]string{`"meta":{` + ` "tag":` + inner + `}`, `"meta":{` + stamp + `, "tag":` + inner + `}`})
		case 3:
			same(id)
			inner := jsonText(2).Draw(t, "tag")
			members = append(members, [2]string{
				`"meta":{"lastUpdated" : 17,"tag":` + inner + `,"versionId":"old"}`,
				`"meta":{"lastUpdated" : "2026-12-01T08:00:00.000Z","tag":` + inner + `,"versionId":"1"}`,
			})
		default:
			same(id)
			members = append(members, [2]string{`"meta":{"versionId":"old" }`, `"meta":{"lastUpdated":"2026-12-01T08:00:00.000Z","versionId":"1" }`})
		}
		same(typ)
		for _, name := range rapid.SliceOfNDistinct(rapid.StringMatching(`_?[b-hj-l]{1,8}`), 0, 6, rapid.ID).Draw(t, "members") {
			same(quote(name) + space(t) + ":" + space(t) + jsonText(3).Draw(t, name))
		}
		members = rapid.Permutation(members).Draw(t, "order")
		sent, want := "{"+space(t), ""
		want = sent
		for i, m := range members {
			comma := ""
			if i > 0 {
				comma = space(t) + "," + space(t)
			}
			sent += comma + m[0]
			want += comma + m[1]
		}
		end := space(t) + "}"
		sent, want = sent+end, want+end

		r := httptest.NewRequest(http.MethodPut, "/fhir/Flag/a", strings.NewReader(sent))
		r.Header.Set("Content-Type", fhirJSON)
		w := httptest.NewRecorder()
		s.ServeHTTP(w, r)
		require.Equal(t, 201, w.Code, w.Body)
		require.Equal(t, want, w.Body.String())
		got, _ := s.Get("Flag/a")
		require.Equal(t, want, string(got))
		w = httptest.NewRecorder()
		s.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/fhir/Flag", nil))
		require.Contains(t, w.Body.String(), want, "in a searchset too")

		require.NoError(t, s.Edit("Flag/a", func(map[string]any) {}), "an edit without a change")
		require.Equal(t, normalised([]byte(want)), s.Snapshot()["Flag/a"])
	})
}

func FuzzResource(f *testing.F) {
	f.Add([]byte(flag("a", "p")))
	f.Add([]byte(`{"resourceType":"Flag","meta":{"versionId":"7"},"period":{"start":"2026"},"subject":[{"reference":"Patient/p"}]}`))
	f.Add([]byte(` {"id":"x", "resourceType":"Flag","identifier":{"value":1}, "a":{"id":"inner","meta":null}} `))
	f.Fuzz(func(t *testing.T, body []byte) {
		s := New(DefaultOptions())
		r := httptest.NewRequest(http.MethodPost, "/fhir/Flag", bytes.NewReader(body))
		r.Header.Set("Content-Type", fhirJSON)
		w := httptest.NewRecorder()
		s.ServeHTTP(w, r)
		require.True(t, jsontext.Value(w.Body.Bytes()).IsValid(), "%s", w.Body)
		if w.Code != http.StatusCreated {
			require.Equal(t, http.StatusBadRequest, w.Code)
			return
		}
		stored := s.All("Flag")[0]
		d, err := parseDocument(stored)
		require.NoError(t, err)
		sent, err := parseDocument(body)
		require.NoError(t, err)
		require.Equal(t, normalised(sent.stamped(d.id, "1", time.Now())), normalised(stored))
	})
}

func FuzzSearch(f *testing.F) {
	f.Add("Flag", "patient=Patient/p&identifier=urn:f|a,b\\,c&_tag=x|&_sort=-date,_id&_count=1&_include=Flag:subject")
	f.Add("Observation", "date=ge2026-12-01T00:00:00.5%2B01:00,2026&code=|1&subject:Patient=x&_lastUpdated=lt2026")
	f.Add("Flag", "_page=x.1&_summary=count&bogus=%zz")
	f.Fuzz(func(t *testing.T, typ, query string) {
		s := New(DatabaseOptions())
		require.NoError(t, s.Put([]byte(flag("a", "p"))))
		r := httptest.NewRequest(http.MethodGet, "/fhir/x", nil)
		r.URL.Path, r.URL.RawQuery = "/fhir/"+typ, query
		w := httptest.NewRecorder()
		s.ServeHTTP(w, r)
		require.True(t, jsontext.Value(w.Body.Bytes()).IsValid(), "%s", w.Body)
		require.Less(t, w.Code, 500)
	})
}
