package fhirstore

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"
)

// The expected statuses are those of http://hl7.org/fhir/R4/http.html (from memory; conflict as 412 is R4's).
func TestInteractions(t *testing.T) {
	without := func(change func(*Options)) Options {
		o := DefaultOptions()
		change(&o)
		return o
	}
	full := DefaultOptions()
	tests := []struct {
		name         string
		options      Options
		method, path string
		body         string
		headers      []string
		status       int
		issue        string
	}{
		{"read", full, "GET", "Flag/a", "", nil, 200, ""},
		{"read of an unknown id", full, "GET", "Flag/none", "", nil, 404, "not-found"},
		{"read of an unknown type", full, "GET", "Nonsense/a", "", nil, 404, "not-supported"},
		{"read of a type not offered", without(func(o *Options) { o.Types = []string{"Task"} }), "GET", "Flag/a", "", nil, 404, "not-supported"},
		{"search of a type not offered", without(func(o *Options) { o.Types = []string{"Task"} }), "GET", "Flag?patient=p", "", nil, 404, "not-supported"},
		{"read of a deleted one", full, "GET", "Flag/gone", "", nil, 410, "deleted"},
		{"read of a deleted one, hidden", without(func(o *Options) { o.HideDeleted = true }), "GET", "Flag/gone", "", nil, 404, "not-found"},
		{"vread", full, "GET", "Flag/gone/_history/1", "", nil, 200, ""},
		{"vread of the deletion", full, "GET", "Flag/gone/_history/2", "", nil, 410, "deleted"},
		{"vread of an unknown version", full, "GET", "Flag/a/_history/9", "", nil, 404, "not-found"},
		{"history of an unknown id", full, "GET", "Flag/none/_history", "", nil, 404, "not-found"},

		{"update", full, "PUT", "Flag/a", flag("a", "p"), nil, 200, ""},
		{"update with the version", full, "PUT", "Flag/a", flag("a", "p"), []string{"If-Match", `W/"1"`}, 200, ""},
		{"update with a strong tag", full, "PUT", "Flag/a", flag("a", "p"), []string{"If-Match", `"1"`}, 200, ""},
		{"update with any version", full, "PUT", "Flag/a", flag("a", "p"), []string{"If-Match", `*`}, 200, ""},
		{"update with another version", full, "PUT", "Flag/a", flag("a", "p"), []string{"If-Match", `W/"2"`}, 412, "conflict"},
		{"update with a version of none", full, "PUT", "Flag/new", flag("new", "p"), []string{"If-Match", `W/"1"`}, 412, "conflict"},
		{"update with the version of a deleted one", full, "PUT", "Flag/gone", flag("gone", "p"), []string{"If-Match", `W/"2"`}, 412, "conflict"},
		{"update that creates", full, "PUT", "Flag/new", flag("new", "p"), nil, 201, ""},
		{"update that brings back", full, "PUT", "Flag/gone", flag("gone", "p"), nil, 201, ""},
		{"update that may not create", without(func(o *Options) { o.UpdateCreate = false }), "PUT", "Flag/new", flag("new", "p"), nil, 405, "not-supported"},
		{"update with another id", full, "PUT", "Flag/a", flag("b", "p"), nil, 400, "invalid"},
		{"update without an id", full, "PUT", "Flag/a", `{"resourceType":"Flag"}`, nil, 400, "invalid"},
		{"update with another type", full, "PUT", "Task/a", flag("a", "p"), nil, 400, "invalid"},
		{"conditional update is not offered", full, "PUT", "Flag?identifier=urn:f|a", flag("a", "p"), nil, 405, "not-supported"},
		{"move is not offered", full, "PATCH", "Flag/a", `[{"op":"move","from":"/status","path":"/code"}]`, []string{"Content-Type", patchJSON}, 400, "not-supported"},

		{"create", full, "POST", "Flag", flag("x", "p"), nil, 201, ""},
		{"create of broken JSON", full, "POST", "Flag", `{"resourceType":"Flag"`, nil, 400, "structure"},
		{"create with a member twice", full, "POST", "Flag", `{"resourceType":"Flag","status":"active","status":"inactive"}`, nil, 400, "structure"},
		{"create with a member twice below", full, "POST", "Flag", `{"resourceType":"Flag","code":{"text":"a","text":"b"}}`, nil, 400, "structure"},
		{"create with text behind", full, "POST", "Flag", `{"resourceType":"Flag"} {}`, nil, 400, "structure"},
		{"create of bad UTF-8", full, "POST", "Flag", "{\"resourceType\":\"Flag\",\"x\":\"\xff\"}", nil, 400, "structure"},
		{"create of no object", full, "POST", "Flag", `[1]`, nil, 400, "structure"},
		{"create without a type", full, "POST", "Flag", `{"status":"active"}`, nil, 400, "structure"},
		{"create with a wrong meta", full, "POST", "Flag", `{"resourceType":"Flag","meta":[]}`, nil, 400, "structure"},
		{"create with a wrong id", full, "POST", "Flag", `{"resourceType":"Flag","id":"a b"}`, nil, 400, "structure"},
		{"create nested without end", full, "POST", "Flag", `{"resourceType":"Flag","x":` + strings.Repeat("[", 20000), nil, 400, "structure"},
		{"create of another content type", full, "POST", "Flag", `<Flag/>`, []string{"Content-Type", "application/fhir+xml"}, 415, "not-supported"},
		{"answer wanted in XML", full, "GET", "Flag/a", "", []string{"Accept", "application/fhir+xml"}, 406, "not-supported"},
		{"answer wanted in JSON", full, "GET", "Flag/a", "", []string{"Accept", "application/json;q=0.9"}, 200, ""},

		{"conditional create, none there", full, "POST", "Flag", flag("x", "p"), []string{"If-None-Exist", "identifier=urn:f|x"}, 201, ""},
		{"conditional create, one there", full, "POST", "Flag", flag("x", "p"), []string{"If-None-Exist", "identifier=urn:f|a"}, 200, ""},
		{"conditional create, with the type", full, "POST", "Flag", flag("x", "p"), []string{"If-None-Exist", "Flag?identifier=urn:f|a"}, 200, ""},
		{"conditional create, two there", full, "POST", "Flag", flag("x", "p"), []string{"If-None-Exist", "patient=Patient/p"}, 412, "multiple-matches"},
		{"conditional create, unknown parameter", full, "POST", "Flag", flag("x", "p"), []string{"If-None-Exist", "identifer=urn:f|a"}, 400, "not-supported"},
		{"conditional create, no effect", full, "POST", "Flag", flag("x", "p"), []string{"If-None-Exist", "_count=1"}, 412, "not-supported"},
		{"conditional create, lenient server", DatabaseOptions(), "POST", "Flag", flag("x", "p"), []string{"If-None-Exist", "bogus=1"}, 412, "not-supported"},
		{"conditional create, not offered", without(func(o *Options) { o.ConditionalCreate = false }), "POST", "Flag", flag("x", "p"), []string{"If-None-Exist", "identifier=urn:f|a"}, 400, "not-supported"},

		{"delete", full, "DELETE", "Flag/a", "", nil, 204, ""},
		{"delete with another version", full, "DELETE", "Flag/a", "", []string{"If-Match", `W/"7"`}, 412, "conflict"},
		{"delete once more", full, "DELETE", "Flag/gone", "", nil, 204, ""},
		{"delete of none", full, "DELETE", "Flag/none", "", nil, 404, "not-found"},

		{"token missing", without(func(o *Options) { o.Token = "t" }), "GET", "Flag/a", "", nil, 401, "login"},
		{"token wrong", without(func(o *Options) { o.Token = "t" }), "GET", "Flag/a", "", []string{"Authorization", "Bearer u"}, 401, "login"},
		{"token before the body", without(func(o *Options) { o.Token = "t" }), "POST", "", "{", nil, 401, "login"},
		{"token right", without(func(o *Options) { o.Token = "t" }), "GET", "Flag/a", "", []string{"Authorization", "Bearer t"}, 200, ""},
		{"capabilities without token", without(func(o *Options) { o.Token = "t" }), "GET", "metadata", "", nil, 200, ""},

		{"no such path", full, "GET", "Flag/a/b/c/d", "", nil, 405, "not-supported"},
		{"base by GET", full, "GET", "", "", nil, 405, "not-supported"},
		{"no Bundle", full, "POST", "", flag("a", "p"), nil, 400, "invalid"},
		{"Bundle of another type", full, "POST", "", `{"resourceType":"Bundle","type":"searchset"}`, nil, 400, "invalid"},
		{"broken Bundle", full, "POST", "", `{"resourceType":"Bundle","type":"batch","entry":{}}`, nil, 400, "structure"},
		{"batch is not offered", without(func(o *Options) { o.Batch = false }), "POST", "", `{"resourceType":"Bundle","type":"batch"}`, nil, 400, "not-supported"},
		{"transaction is not offered", without(func(o *Options) { o.Transaction = false }), "POST", "", `{"resourceType":"Bundle","type":"transaction"}`, nil, 400, "not-supported"},
		{"no Bundles at all", Options{}, "POST", "", `{"resourceType":"Bundle","type":"batch"}`, nil, 404, "not-supported"},
		{"empty batch", full, "POST", "", `{"resourceType":"Bundle","type":"batch"}`, nil, 200, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := start(t, tt.options)
			if len(tt.options.Types) == 0 {
				c.put(flag("a", "p"), flag("b", "p"), flag("gone", "q"))
				require.NoError(t, c.store.Delete("Flag/gone"))
			}
			before := c.store.Snapshot()
			r := c.do(tt.method, tt.path, tt.body, tt.headers...)
			require.Equal(t, tt.status, r.status, r.body)
			if tt.status >= 400 {
				require.Equal(t, tt.issue, r.issueCode(t), r.body)
				require.Equal(t, before, c.store.Snapshot(), "a refused request changes nothing")
			}
			if r.body != "" {
				require.Equal(t, "application/fhir+json; charset=utf-8", r.header.Get("Content-Type"))
			}
			require.Equal(t, tt.status == 405, r.header.Get("Allow") != "")
			require.Equal(t, tt.status == 401, r.header.Get("WWW-Authenticate") != "")
		})
	}
}

func TestHeadersOfWrites(t *testing.T) {
	o := DefaultOptions()
	o.Now = func() time.Time { return time.Date(2026, 12, 1, 8, 30, 0, 123_456_789, time.UTC) }
	c := start(t, o)

	r := c.do("PUT", "Flag/a", flag("a", "p"))
	require.Equal(t, 201, r.status)
	require.Equal(t, `W/"1"`, r.header.Get("ETag"))
	require.Equal(t, "Tue, 01 Dec 2026 08:30:00 GMT", r.header.Get("Last-Modified"))
	require.Equal(t, c.url+"/Flag/a/_history/1", r.header.Get("Location"))
	require.Contains(t, r.body, `"meta":{"versionId":"1","lastUpdated":"2026-12-01T08:30:00.123Z"}`)

	r = c.do("PUT", "Flag/a", flag("a", "p"), "Prefer", "return=minimal")
	require.Equal(t, 200, r.status)
	require.Empty(t, r.body)
	require.Equal(t, `W/"2"`, r.header.Get("ETag"))

	r = c.do("PUT", "Flag/a", flag("a", "p"), "Prefer", "return=representation")
	require.Contains(t, r.body, `"versionId":"3"`)

	r = c.get("Flag/a")
	require.Equal(t, `W/"3"`, r.header.Get("ETag"))
	require.Empty(t, r.header.Get("Location"))

	r = c.do("POST", "Flag", flag("mine", "p"))
	require.Equal(t, 201, r.status)
	require.NotContains(t, r.header.Get("Location"), "mine", "the server gives the id of a create")

	loose := start(t, DatabaseOptions())
	r = loose.do("PUT", "Flag/a", flag("a", "p"), "Prefer", "return=minimal")
	require.NotEmpty(t, r.body)
	require.Empty(t, r.header.Get("Last-Modified"))

	opaque := start(t, RouterOptions())
	r = opaque.do("PUT", "Flag/a", flag("a", "p"))
	tag := r.header.Get("ETag")
	require.Len(t, tag, 36+4)
	require.Equal(t, 200, opaque.do("PUT", "Flag/a", flag("a", "p"), "If-Match", tag).status)
	require.Equal(t, 412, opaque.do("PUT", "Flag/a", flag("a", "p"), "If-Match", tag).status)
}

func TestHistoryIsNewestFirst(t *testing.T) {
	c := start(t, DefaultOptions())
	require.Equal(t, 201, c.do("PUT", "Flag/a", flag("a", "p")).status)
	require.NoError(t, c.store.Edit("Flag/a", func(f map[string]any) { f["status"] = "inactive" }))
	require.Equal(t, 204, c.do("DELETE", "Flag/a", "").status)
	require.Equal(t, 201, c.do("PUT", "Flag/a", flag("a", "p")).status)

	b := c.get("Flag/a/_history").bundle(t)
	require.Equal(t, "history", b.Type)
	require.Equal(t, 4, *b.Total)
	require.Equal(t, "200,204,200,200", b.statuses())
	require.Nil(t, b.Entry[1].Resource, "a deletion has no resource")
	require.Equal(t, "inactive", b.Entry[2].Resource["status"])
	require.Equal(t, "Flag/a/_history/1", b.Entry[3].Response.Location)

	require.Len(t, c.store.History("Flag/a"), 4)
	require.Nil(t, c.store.History("Flag/a")[2])
	require.Nil(t, c.store.History("Flag/none"))

	odd := start(t, RouterOptions())
	odd.put(flag("a", "p"), flag("a", "q"))
	b = odd.get("Flag/a/_history").bundle(t)
	require.Equal(t, map[string]any{"reference": "Patient/p"}, b.Entry[0].Resource["subject"])
}

// What the statement says must be so: every option is asked for and tried.
func TestCapabilityStatementIsTrue(t *testing.T) {
	type statement struct {
		FHIRVersion string
		Rest        []struct {
			Interaction []struct{ Code string }
			Resource    []struct {
				Type                            string
				UpdateCreate, ConditionalCreate bool
				SearchInclude                   []string
				SearchParam                     []struct{ Name, Type string }
			}
		}
	}
	for _, on := range []bool{true, false} {
		o := Options{Types: []string{"Task", "Flag", "Patient"}, UpdateCreate: on, Batch: on, Transaction: on, ConditionalCreate: on, StrictHandling: true}
		c := start(t, o)
		r := c.get("metadata")
		require.Equal(t, 200, r.status)
		var s statement
		require.NoError(t, json.Unmarshal([]byte(r.body), &s, json.MatchCaseInsensitiveNames(true)))
		require.Equal(t, "4.0.1", s.FHIRVersion)
		require.Equal(t, on, len(s.Rest[0].Interaction) == 2)
		require.Len(t, s.Rest[0].Resource, 3)
		for _, res := range s.Rest[0].Resource {
			require.Equal(t, on, res.UpdateCreate)
			require.Equal(t, on, res.ConditionalCreate)
			created := c.do("PUT", res.Type+"/new", `{"resourceType":"`+res.Type+`","id":"new"}`).status == 201
			require.Equal(t, on, created)
			for _, p := range res.SearchParam {
				value := map[string]string{"token": "x", "reference": "Patient/x", "date": "2026"}[p.Type]
				got := c.do("GET", res.Type+"?"+p.Name+"="+value, "", "Prefer", "handling=strict")
				require.Equal(t, 200, got.status, "%s.%s: %s", res.Type, p.Name, got.body)
			}
			for _, in := range res.SearchInclude {
				require.Equal(t, 200, c.do("GET", res.Type+"?_include="+in, "", "Prefer", "handling=strict").status)
			}
			require.Equal(t, 400, c.do("GET", res.Type+"?bogus=1", "", "Prefer", "handling=strict").status)
		}
	}
}

func TestOutsideTheBase(t *testing.T) {
	c := start(t, DefaultOptions())
	r := c.get(strings.TrimSuffix(c.url, "/fhir") + "/other")
	require.Equal(t, 404, r.status)
	require.Equal(t, "not-found", r.issueCode(t))
}

func TestServeOnLoopbackOnly(t *testing.T) {
	for _, addr := range []string{"0.0.0.0:0", "[::]:0", ":0", "192.0.2.1:0", "no address"} {
		_, err := Serve(New(DefaultOptions()), addr)
		require.Error(t, err, addr)
	}
}

func TestCloseBreaksOffWhatDoesNotEnd(t *testing.T) {
	s := New(DefaultOptions())
	srv, err := Serve(s, "127.0.0.1:0")
	require.NoError(t, err)
	s.Fault(Fault{Delay: time.Minute})
	transport := &http.Transport{}
	defer transport.CloseIdleConnections()
	c := client{t, s, srv.URL(), &http.Client{Transport: transport}}
	failed := make(chan error)
	go func() {
		_, err := c.try("GET", "Flag/a", "")
		failed <- err
	}()
	require.Eventually(t, func() bool { return len(s.Requests()) == 1 }, 5*time.Second, time.Millisecond)
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Millisecond)
	defer cancel()
	require.ErrorIs(t, srv.Close(ctx), context.DeadlineExceeded)
	require.Error(t, <-failed)
}

func TestPersonsSide(t *testing.T) {
	s := New(DefaultOptions())
	raw := `{ "resourceType":"Flag", "id":"a", "x": 1.50, "status":"active", "code":{"text":"x"} }`
	require.NoError(t, s.Put([]byte(raw)))
	require.NoError(t, s.Edit("Flag/a", func(f map[string]any) {
		f["status"] = "inactive"
		f["period"] = map[string]any{"end": "2026-12-01"}
		delete(f, "code")
	}))
	got, ok := s.Get("Flag/a")
	require.True(t, ok)
	require.Regexp(t, `^{"resourceType":"Flag","id":"a","meta":\{"versionId":"2",[^}]*\},"x":1.50,"status":"inactive","period":\{"end":"2026-12-01"\}}$`, string(got))

	for name, err := range map[string]error{
		"no such":       s.Edit("Flag/none", func(map[string]any) {}),
		"id cannot":     s.Edit("Flag/a", func(f map[string]any) { f["id"] = "b" }),
		"id is missing": s.Put([]byte(`{"resourceType":"Flag"}`)),
		"not offered":   s.Put([]byte(`{"resourceType":"Nonsense","id":"a"}`)),
		"not a JSON":    s.Put([]byte(`[]`)),
		"delete":        s.Delete("Flag/none"),
		"edit: ":        s.Edit("Flag/a", func(f map[string]any) { f["x"] = func() {} }),
	} {
		require.ErrorContains(t, err, name)
	}

	require.NoError(t, s.Put([]byte(flag("b", "p"))))
	require.Len(t, s.All("Flag"), 2)
	require.Empty(t, s.All("Task"))
	require.NoError(t, s.Delete("Flag/a"))
	_, ok = s.Get("Flag/a")
	require.False(t, ok)
	require.Len(t, s.All("Flag"), 1)
	require.Error(t, s.Edit("Flag/a", func(map[string]any) {}))
	require.Error(t, s.Delete("Flag/a"))
}

func TestSnapshotComparesStates(t *testing.T) {
	a, b := New(DefaultOptions()), New(RouterOptions())
	require.NoError(t, a.Put([]byte(`{"resourceType":"Flag","id":"a","meta":{"tag":[{"code":"t"}]},"n":1.50,"o":{"y":[1, 2],"x":"é"}}`)))
	require.NoError(t, b.Put([]byte(flag("a", "p"))))
	require.NoError(t, b.Put([]byte(`{"o":{"x":"\u00e9","y":[1,2]},"id":"a",  "n":1.50,"resourceType":"Flag"}`)))
	require.NoError(t, b.Put([]byte(flag("deleted", "p"))))
	require.NoError(t, b.Delete("Flag/deleted"))
	require.Equal(t, a.Snapshot(), b.Snapshot())
	require.Equal(t, `{"id":"a","n":1.50,"o":{"x":"é","y":[1,2]},"resourceType":"Flag"}`, string(a.Snapshot()["Flag/a"]))
}
