package fhirstore

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/require"
)

const (
	urnA = "urn:uuid:0d6e7b0a-7a9c-4b65-9f53-0b2c8f4c1a01"
	urnB = "urn:uuid:0d6e7b0a-7a9c-4b65-9f53-0b2c8f4c1a02"
)

// entry is a Bundle entry; options is more of its request, such as `"ifMatch":"W/\"1\""`.
func entry(method, url, resource, fullURL string, options ...string) string {
	e := `{"request":{` + strings.Join(append([]string{`"method":"` + method + `","url":"` + url + `"`}, options...), ",") + `}`
	if resource != "" {
		e += `,"resource":` + resource
	}
	if fullURL != "" {
		e += `,"fullUrl":"` + fullURL + `"`
	}
	return e + "}"
}

func bundleOf(typ string, entries ...string) string {
	return `{"resourceType":"Bundle","type":"` + typ + `","entry":[` + strings.Join(entries, ",") + `]}`
}

func TestTransactionTiesItsEntriesTogether(t *testing.T) {
	c := start(t, DefaultOptions())
	c.put(flag("old", "p"))
	r := c.do("POST", "", bundleOf("transaction",
		entry("GET", "Flag?patient=Patient/p&_sort=_id", "", ""),
		entry("PUT", "Task/t", `{"resourceType":"Task","id":"t","focus":{"reference":"`+urnA+`"},"extension":[{"url":"urn:x","valueUri":"`+urnA+`"}]}`, urnB),
		entry("POST", "Provenance", `{ "resourceType":"Provenance", "target":[{"reference":"`+urnA+`"},{"reference":"`+urnB+`","display":"`+urnA+`"},{"reference":"Flag/old"}] }`, ""),
		entry("POST", "Flag", `{"resourceType":"Flag","identifier":[{"system":"urn:ietf:rfc:3986","value":"`+urnA+`"}],"subject":{"reference":"Patient/p"}}`, urnA),
		entry("DELETE", "Flag/old", "", ""),
	))
	require.Equal(t, 200, r.status, r.body)
	b := r.bundle(t)
	require.Equal(t, "transaction-response", b.Type)
	require.Equal(t, "200,201,201,201,204", b.statuses(), "answers stand in the order of the entries")
	created := b.ids()[3]
	require.Equal(t, created+"/_history/1", b.Entry[3].Response.Location)
	require.Equal(t, `W/"1"`, b.Entry[3].Response.Etag)
	require.NotEmpty(t, b.Entry[3].Response.LastModified)
	require.Equal(t, c.url+"/"+created, b.Entry[3].FullURL)

	found := b.Entry[0].Resource["entry"].([]any)
	require.Len(t, found, 1, "GET comes after the writes, and the deleted one is gone")

	task, _ := c.store.Get("Task/t")
	require.Contains(t, string(task), `"focus":{"reference":"`+created+`"}`)
	require.Contains(t, string(task), `"valueUri":"`+created+`"`)
	provenance := string(c.store.All("Provenance")[0])
	require.Contains(t, provenance, `"target":[{"reference":"`+created+`"},{"reference":"Task/t","display":"`+urnA+`"},{"reference":"Flag/old"}] }`)
	require.Contains(t, string(c.store.All("Flag")[0]), `"value":"`+urnA+`"`, "an identifier is no reference")
}

func TestReferencesThatAreNoPlaceholdersStay(t *testing.T) {
	c := start(t, DefaultOptions())
	c.do("POST", "", bundleOf("transaction",
		entry("PUT", "Flag/a", flag("a", "p"), c.url+"/Flag/a"),
		entry("PUT", "Task/t", `{"resourceType":"Task","id":"t","focus":{"reference":"`+c.url+`/Flag/a"},"basedOn":[{"reference":"`+urnB+`"}]}`, "")))
	task, _ := c.store.Get("Task/t")
	require.Contains(t, string(task), `"focus":{"reference":"`+c.url+`/Flag/a"},"basedOn":[{"reference":"`+urnB+`"}]`)
}

func TestTransactionConditionalCreate(t *testing.T) {
	c := start(t, DefaultOptions())
	c.put(flag("there", "p"))
	tx := bundleOf("transaction",
		entry("POST", "Flag", `{"resourceType":"Flag"}`, urnA, `"ifNoneExist":"identifier=urn:f|there"`),
		entry("POST", "Task", `{"resourceType":"Task","identifier":[{"system":"urn:t","value":"1"}],"focus":{"reference":"`+urnA+`"}}`, urnB, `"ifNoneExist":"identifier=urn:t|1"`))
	b := c.do("POST", "", tx).bundle(t)
	require.Equal(t, "200,201", b.statuses())
	require.Equal(t, "Flag/there", b.ids()[0])
	require.Equal(t, map[string]any{"reference": "Flag/there"}, b.Entry[1].Resource["focus"])
	again := c.do("POST", "", tx).bundle(t)
	require.Equal(t, "200,200", again.statuses())
	require.Equal(t, b.ids(), again.ids())

	require.Equal(t, "204,201", c.do("POST", "", bundleOf("transaction",
		entry("DELETE", "Flag/there", "", ""),
		entry("POST", "Flag", flag("x", "p"), "", `"ifNoneExist":"identifier=urn:f|there"`))).bundle(t).statuses(), "the delete comes first")
}

func TestTransactionPrefer(t *testing.T) {
	c := start(t, DefaultOptions())
	tx := bundleOf("transaction", entry("PUT", "Flag/a", flag("a", "p"), ""), entry("GET", "Flag/a", "", ""))
	b := c.do("POST", "", tx, "Prefer", "return=minimal").bundle(t)
	require.Nil(t, b.Entry[0].Resource)
	require.Equal(t, "Flag/a/_history/1", b.Entry[0].Response.Location)
	require.NotNil(t, b.Entry[1].Resource, "what is read is wanted")
	require.NotNil(t, c.do("POST", "", tx, "Prefer", "return=representation").bundle(t).Entry[0].Resource)
	bare := start(t, RouterOptions()).do("POST", "", tx).bundle(t)
	require.Equal(t, "201", bare.Entry[0].Response.Status)
	require.Equal(t, "201 Created", start(t, DatabaseOptions()).do("POST", "", tx).bundle(t).Entry[0].Response.Status)
}

// The first entries of each transaction could be done; the last one fails, and nothing may remain.
func TestFailedTransactionLeavesNothing(t *testing.T) {
	change := func(f func(*Options)) Options {
		o := DefaultOptions()
		f(&o)
		return o
	}
	full := DefaultOptions()
	tests := []struct {
		name    string
		options Options
		entries []string
		status  int
		issue   string
	}{
		{"stale ifMatch", full, []string{entry("PUT", "Flag/b", flag("b", "q"), "", `"ifMatch":"W/\"9\""`)}, 412, "conflict"},
		{"ifMatch of none", full, []string{entry("PUT", "Flag/none", flag("none", "q"), "", `"ifMatch":"W/\"1\""`)}, 412, "conflict"},
		{"several matches", full, []string{entry("POST", "Flag", flag("x", "p"), "", `"ifNoneExist":"patient=Patient/p"`)}, 412, "multiple-matches"},
		{"no update as create", change(func(o *Options) { o.UpdateCreate = false }), []string{entry("PUT", "Flag/none", flag("none", "q"), "")}, 405, "not-supported"},
		{"no conditional create", change(func(o *Options) { o.ConditionalCreate = false }), []string{entry("POST", "Flag", flag("x", "p"), "", `"ifNoneExist":"identifier=1"`)}, 400, "not-supported"},
		{"wrong id", full, []string{entry("PUT", "Flag/b", flag("c", "q"), "")}, 400, "invalid"},
		{"no resource", full, []string{entry("PUT", "Flag/b", "", "")}, 400, "structure"},
		{"resource of a wrong kind", full, []string{entry("PUT", "Flag/b", "[]", "")}, 400, "structure"},
		{"unknown type", full, []string{entry("POST", "Nonsense", `{"resourceType":"Nonsense"}`, "")}, 404, "not-supported"},
		{"delete of none", full, []string{entry("DELETE", "Flag/none", "", "")}, 404, "not-found"},
		{"read of none", full, []string{entry("GET", "Flag/none", "", "")}, 404, "not-found"},
		{"same resource twice", full, []string{entry("DELETE", "Flag/b", "", ""), entry("PUT", "Flag/b", flag("b", "q"), "")}, 400, "invalid"},
		{"same condition twice", full, []string{entry("POST", "Flag", flag("x", "q"), "", `"ifNoneExist":"identifier=1"`), entry("POST", "Flag", flag("x", "q"), "", `"ifNoneExist":"identifier=1"`)}, 400, "invalid"},
		{"conditional update", full, []string{entry("PUT", "Flag?identifier=urn:f|b", flag("b", "q"), "")}, 400, "not-supported"},
		{"patch", full, []string{entry("PATCH", "Flag/b", "{}", "")}, 400, "not-supported"},
		{"Bundle in a Bundle", full, []string{entry("POST", "", `{"resourceType":"Bundle","type":"batch"}`, "")}, 400, "not-supported"},
		{"capabilities", full, []string{entry("GET", "metadata", "", "")}, 405, "not-supported"},
		{"too many entries", change(func(o *Options) { o.TransactionLimit = 3 }), []string{entry("GET", "Flag/a", "", "")}, 400, "too-costly"},
		{"too many entries with a condition", change(func(o *Options) { o.ConditionalTransactionLimit = 3 }), []string{entry("POST", "Flag", flag("x", "q"), "", `"ifNoneExist":"identifier=1"`)}, 400, "too-costly"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := start(t, tt.options)
			c.put(flag("a", "p"), flag("b", "p"), flag("d", "p"))
			before, index := c.store.Snapshot(), len(c.store.index)
			entries := append([]string{
				entry("POST", "Task", `{"resourceType":"Task","identifier":[{"value":"left over"}]}`, urnA),
				entry("PUT", "Flag/a", flag("a", "moved"), ""),
				entry("DELETE", "Flag/d", "", ""),
			}, tt.entries...)
			r := c.do("POST", "", bundleOf("transaction", entries...))
			require.Equal(t, tt.status, r.status, r.body)
			require.Equal(t, tt.issue, r.issueCode(t), r.body)
			require.Equal(t, before, c.store.Snapshot())
			require.Len(t, c.store.index, index)
			require.Len(t, c.store.History("Flag/a"), 1)
			require.Len(t, c.get("Flag?patient=Patient/p").bundle(t).Entry, 3)
			require.Equal(t, `W/"2"`, c.do("PUT", "Flag/a", flag("a", "p")).header.Get("ETag"), "version numbers are given back")
		})
	}
}

func TestTransactionsOfPoorServers(t *testing.T) {
	c := start(t, BareRouterOptions())
	c.put(flag("a", "p"))
	failing := bundleOf("transaction",
		entry("POST", "Flag", flag("x", "p"), ""),
		entry("PUT", "Flag/a", flag("a", "p"), "", `"ifMatch":"W/\"stale\""`))
	require.Equal(t, 412, c.do("POST", "", failing).status)
	require.Len(t, c.store.All("Flag"), 2, "half of the transaction stays")

	o := DefaultOptions()
	o.IfMatchInTransaction = false
	c = start(t, o)
	c.put(flag("a", "p"))
	stale := entry("PUT", "Flag/a", flag("a", "q"), "", `"ifMatch":"W/\"9\""`)
	require.Equal(t, 200, c.do("POST", "", bundleOf("transaction", stale)).status, "ifMatch is overlooked")
	require.Equal(t, "412", c.do("POST", "", bundleOf("batch", stale)).bundle(t).statuses(), "not in a batch")
}

func TestBatchEntriesStandAlone(t *testing.T) {
	c := start(t, DefaultOptions())
	c.put(flag("a", "p"), flag("b", "p"))
	r := c.do("POST", "", bundleOf("batch",
		entry("GET", "Flag?patient=Patient/p&_count=1", "", ""),
		entry("GET", c.url+"/Flag/a", "", ""),
		entry("GET", "Flag/none", "", ""),
		entry("GET", "Nonsense?patient=p", "", ""),
		entry("PUT", "Flag/a", flag("a", "p"), "", `"ifMatch":"W/\"1\""`),
		entry("PUT", "Flag/a", flag("a", "p"), "", `"ifMatch":"W/\"1\""`),
		entry("PUT", "Flag/c", "", ""),
		entry("DELETE", "Flag/b", "", ""),
		entry("", "", "", ""),
		`{}`,
	))
	require.Equal(t, 200, r.status)
	b := r.bundle(t)
	require.Equal(t, "batch-response", b.Type)
	require.Equal(t, "200,200,404,404,200,412,400,204,405,405", b.statuses())
	require.Equal(t, "404 Not Found", b.Entry[2].Response.Status)
	require.Equal(t, "OperationOutcome", b.Entry[2].Response.Outcome["resourceType"])
	require.Equal(t, 2.0, b.Entry[0].Resource["total"])

	next := b.Entry[0].Resource["link"].([]any)[1].(map[string]any)["url"].(string)
	b = c.do("POST", "", bundleOf("batch", entry("GET", next, "", ""))).bundle(t)
	require.Equal(t, "200", b.statuses(), "a next link can be followed in a batch")
	require.Len(t, b.Entry[0].Resource["entry"], 1)
}

func FuzzTransaction(f *testing.F) {
	f.Add([]byte(bundleOf("transaction", entry("POST", "Flag", flag("a", "p"), urnA, `"ifNoneExist":"identifier=1"`), entry("PUT", "Flag/a", flag("a", "p"), urnB, `"ifMatch":"W/\"1\""`))))
	f.Add([]byte(bundleOf("transaction", entry("DELETE", "Flag/a", "", ""), entry("GET", "Flag?patient=p&_count=1", "", ""), entry("GET", "Flag/a/_history/1", "", ""))))
	f.Add([]byte(bundleOf("batch", entry("GET", "Flag", "", ""), entry("POST", "Flag/_search", "", ""), `{"resource":null}`)))
	f.Add([]byte(bundleOf("transaction", entry("POST", "Flag", `{"resourceType":"Flag","meta":{ },"x":"\ud83d\ude00"}`, "urn:"))))
	f.Add([]byte(`{"resourceType":"Bundle","type":"transaction","entry":[null,{"request":null}]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		s := New(DefaultOptions())
		require.NoError(t, s.Put([]byte(flag("a", "p"))))
		before := s.Snapshot()
		r := httptest.NewRequest(http.MethodPost, "/fhir", bytes.NewReader(body))
		r.Header.Set("Content-Type", fhirJSON)
		w := httptest.NewRecorder()
		s.ServeHTTP(w, r)
		require.True(t, jsontext.Value(w.Body.Bytes()).IsValid(), "%s", w.Body)
		if w.Code == http.StatusOK {
			sent, err := readBundle(body)
			require.NoError(t, err)
			require.Len(t, reply{body: w.Body.String()}.bundle(t).Entry, len(sent.Entry))
			return
		}
		require.GreaterOrEqual(t, w.Code, 400)
		require.Less(t, w.Code, 500)
		require.Equal(t, before, s.Snapshot(), "a refused Bundle changes nothing")
	})
}
