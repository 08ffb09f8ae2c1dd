package fhirstore

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The expected hits follow http://hl7.org/fhir/R4/search.html (from memory) unless an option says otherwise.
func TestSearch(t *testing.T) {
	c := start(t, DefaultOptions())
	c.put(
		`{"resourceType":"Patient","id":"p","identifier":[{"system":"urn:mrn","value":"1"}],"link":[{"other":{"reference":"Patient/q"},"type":"replaced-by"}]}`,
		`{"resourceType":"Patient","id":"q","active":true}`,
		`{"resourceType":"Practitioner","id":"p"}`,
		`{"resourceType":"Appointment","id":"a1","status":"booked","identifier":[{"system":"urn:b","value":"1,2"}],"start":"2026-12-01T09:00:00+01:00","participant":[{"actor":{"reference":"Practitioner/p"}},{"actor":{"reference":"Patient/p"}}]}`,
		`{"resourceType":"Appointment","id":"a2","status":"cancelled","start":"2026-12-01T23:30:00Z","participant":[{"actor":{"reference":"Patient/p"}}]}`,
		`{"resourceType":"Appointment","id":"a3","status":"booked","start":"2026-12-02T00:00:00.500Z","participant":[{"actor":{"reference":"`+c.url+`/Patient/q"}}]}`,
		`{"resourceType":"Appointment","id":"a4","status":"proposed"}`,
		`{"resourceType":"Observation","id":"o1","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"1-1"},{"code":"local"}]},"subject":{"reference":"Patient/p/_history/3"},"effectiveDateTime":"2026-03"}`,
		`{"resourceType":"Observation","id":"o2","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"2-2"}]},"subject":{"reference":"Patient/p"},"effectivePeriod":{"start":"2026-03-10"}}`,
		`{"resourceType":"Observation","id":"o3","status":"amended","code":{"text":"only text"},"subject":{"reference":"http://elsewhere.example/fhir/Patient/p"},"effectiveInstant":"2026-03-31T23:59:59.999Z"}`,
		`{"resourceType":"Observation","id":"o4","status":17,"code":"wrong","subject":["wrong"],"effectiveDateTime":"31/03/2026"}`,
		`{"resourceType":"Observation","id":"o5","status":"final","subject":{"reference":"Group/p"},"effectivePeriod":{"end":"2026-01-31"}}`,
		`{"resourceType":"Flag","id":"f1","meta":{"tag":[{"system":"urn:t","code":"own"}]},"identifier":[{"system":"urn:f","value":"1"},{"value":"bare"}],"subject":{"reference":"Patient/p"},"status":"active"}`,
		`{"resourceType":"Flag","id":"f2","identifier":[{"system":"urn:g","value":"1"}],"subject":{"reference":"Patient/q"},"status":"active"}`,
		`{"resourceType":"Task","id":"t1","status":"requested","identifier":[{"system":"urn:t","value":"1"}],"code":{"coding":[{"system":"urn:c","code":"measure"}]},"for":{"reference":"Patient/p"},"focus":{"reference":"Appointment/a1"}}`,
		`{"resourceType":"Task","id":"t2","status":"completed","for":{"reference":"Patient/q"},"focus":{"identifier":{"value":"logical"}}}`,
		`{"resourceType":"Provenance","id":"v1","target":[{"reference":"Flag/f1"},{"reference":"Patient/p"}]}`,
		`{"resourceType":"Medication","id":"m1","code":{"text":"x"}}`,
		`{"resourceType":"MedicationStatement","id":"s1","status":"stopped","subject":{"reference":"Patient/p"},"medicationReference":{"reference":"Medication/m1"}}`,
		`{"resourceType":"MedicationStatement","id":"s2","status":"active","subject":{"reference":"Patient/p"},"medicationCodeableConcept":{"coding":[{"system":"urn:rx","code":"77492"}]}}`,
		`{"resourceType":"MedicationStatement","id":"s3","status":"active","subject":{"reference":"Patient/p"},"contained":[{"resourceType":"Medication","id":"in"}],"medicationReference":{"reference":"#in"}}`,
		`{"resourceType":"DeviceUseStatement","id":"d1","status":"active","subject":{"reference":"Patient/p"}}`,
	)
	own := url.QueryEscape(c.url + "/Patient/p")
	tests := []struct{ query, want string }{
		{"Patient", "Patient/p Patient/q"},
		{"Patient?_id=q", "Patient/q"},
		{"Patient?_id=q,p", "Patient/p Patient/q"},
		{"Patient?identifier=urn:mrn|1", "Patient/p"},
		{"Patient?link=Patient/q", "Patient/p"},
		{"Patient?active=true", "Patient/q"},

		{"Appointment?patient=Patient/p", "Appointment/a1 Appointment/a2"},
		{"Appointment?patient=p", "Appointment/a1 Appointment/a2"},
		{"Appointment?patient=" + own, "Appointment/a1 Appointment/a2"},
		{"Appointment?patient=Patient/q", "Appointment/a3"},
		{"Appointment?patient=Practitioner/p", ""},
		{"Appointment?actor=Practitioner/p", "Appointment/a1"},
		{"Appointment?actor=p", "Appointment/a1 Appointment/a2"},
		{"Appointment?actor:Patient=p", "Appointment/a1 Appointment/a2"},
		{"Appointment?patient=Patient/p&status=booked", "Appointment/a1"},
		{"Appointment?status=booked,proposed", "Appointment/a1 Appointment/a3 Appointment/a4"},
		{"Appointment?identifier=urn:b|1\\,2", "Appointment/a1"},
		{"Appointment?identifier=urn:b|1,2", ""},
		{"Appointment?date=ge2026-12-01", "Appointment/a1 Appointment/a2 Appointment/a3"},
		{"Appointment?date=ge2026-12-01&date=lt2026-12-02", "Appointment/a1 Appointment/a2"},
		{"Appointment?date=2026-12-01", "Appointment/a1 Appointment/a2"},
		{"Appointment?date=eq2026-12", "Appointment/a1 Appointment/a2 Appointment/a3"},
		{"Appointment?date=2026", "Appointment/a1 Appointment/a2 Appointment/a3"},
		{"Appointment?date=gt2026-12-01", "Appointment/a3"},
		{"Appointment?date=2026-12-01T08:00:00Z", "Appointment/a1"},
		{"Appointment?date=le2026-12-01T08:00:00Z", "Appointment/a1"},
		{"Appointment?date=lt2026-12-01T08:00:00Z", ""},
		{"Appointment?date=ge2026-12-02T00:30%2B01:00", "Appointment/a2 Appointment/a3"},
		{"Appointment?date=sa2026-12-01", "Appointment/a3"},
		{"Appointment?date=eb2026-12-02", "Appointment/a1 Appointment/a2"},
		{"Appointment?date=ne2026-12-01", "Appointment/a3"},
		{"Appointment?date=2026-12-01,2026-12-02", "Appointment/a1 Appointment/a2 Appointment/a3"},
		{"Appointment?_sort=-date&status=booked", "Appointment/a3 Appointment/a1"},
		{"Appointment?_sort=date", "Appointment/a1 Appointment/a2 Appointment/a3 Appointment/a4"},
		{"Appointment?_sort=-_id&status=booked", "Appointment/a3 Appointment/a1"},
		{"Appointment?_id=a1&_include=Appointment:patient", "Appointment/a1 +Patient/p"},
		{"Appointment?patient=Patient/p&_include=Appointment:patient", "Appointment/a1 Appointment/a2 +Patient/p"},
		{"Appointment?_id=a3&_include=Appointment:patient", "Appointment/a3 +Patient/q"},
		{"Appointment?status=booked&_include=Appointment:actor:Practitioner", "Appointment/a1 Appointment/a3 +Practitioner/p"},

		{"Observation?patient=Patient/p", "Observation/o1 Observation/o2"},
		{"Observation?subject=Group/p", "Observation/o5"},
		{"Observation?subject=http://elsewhere.example/fhir/Patient/p", "Observation/o3"},
		{"Observation?patient=http://elsewhere.example/fhir/Patient/p", "Observation/o3"},
		{"Observation?code=http://loinc.org|1-1", "Observation/o1"},
		{"Observation?code=1-1,2-2", "Observation/o1 Observation/o2"},
		{"Observation?code=|local", "Observation/o1"},
		{"Observation?code=|1-1", ""},
		{"Observation?code=http://loinc.org|", "Observation/o1 Observation/o2"},
		{"Observation?status=amended", "Observation/o3"},
		{"Observation?date=2026-03", "Observation/o1 Observation/o3"},
		{"Observation?date=ge2027", "Observation/o2"},
		{"Observation?date=lt2026-01-01", "Observation/o5"},
		{"Observation?date=sa2026-03-09", "Observation/o2 Observation/o3"},
		{"Observation?date=eb2026-02-01", "Observation/o5"},

		{"Flag?patient=Patient/p&identifier=urn:f|1", "Flag/f1"},
		{"Flag?identifier=1", "Flag/f1 Flag/f2"},
		{"Flag?identifier=urn:f|", "Flag/f1"},
		{"Flag?identifier=|bare", "Flag/f1"},
		{"Flag?identifier=urn:f|1,urn:g|1", "Flag/f1 Flag/f2"},
		{"Flag?_tag=urn:t|own", "Flag/f1"},
		{"Flag?_lastUpdated=ge2020-01-01T00:00:00Z", "Flag/f1 Flag/f2"},
		{"Flag?_lastUpdated=gt2099-01-01", ""},
		{"Flag?bogus=1", "Flag/f1 Flag/f2"},
		{"Flag?patient=Patient/p&_elements=id&_revinclude=Task:focus&_sort=bogus&_include=Flag:bogus", "Flag/f1"},

		{"Task?patient=Patient/p", "Task/t1"},
		{"Task?subject=Patient/q", "Task/t2"},
		{"Task?focus=Appointment/a1", "Task/t1"},
		{"Task?focus=a1", "Task/t1"},
		{"Task?focus:Appointment=a1&status=requested,accepted&code=urn:c|measure", "Task/t1"},
		{"Task?identifier=urn:t|1&_include=Task:focus", "Task/t1 +Appointment/a1"},
		{"Provenance?target=Flag/f1", "Provenance/v1"},
		{"Provenance?patient=p", "Provenance/v1"},

		{"MedicationStatement?patient=Patient/p&status=stopped", "MedicationStatement/s1"},
		{"MedicationStatement?code=urn:rx|77492", "MedicationStatement/s2"},
		{"MedicationStatement?medication=Medication/m1", "MedicationStatement/s1"},
		{"MedicationStatement?patient=Patient/p&_include=MedicationStatement:medication", "MedicationStatement/s1 MedicationStatement/s2 MedicationStatement/s3 +Medication/m1"},
		{"DeviceUseStatement?patient=Patient/p", "DeviceUseStatement/d1"},
		{"AllergyIntolerance?patient=Patient/p", ""},
	}
	for _, tt := range tests {
		t.Run(tt.query, func(t *testing.T) {
			r := c.get(tt.query)
			require.Equal(t, 200, r.status, r.body)
			b := r.bundle(t)
			require.Equal(t, tt.want, strings.Join(b.ids(), " "))
			matches := 0
			for _, e := range b.Entry {
				require.Equal(t, c.url+"/"+strings.TrimPrefix(fmt.Sprint(e.Resource["resourceType"], "/", e.Resource["id"]), "+"), e.FullURL)
				if e.Search.Mode == "match" {
					matches++
				}
			}
			require.Equal(t, matches, *b.Total)
			require.NotEmpty(t, b.link("self"))

			typ, form, _ := strings.Cut(tt.query, "?")
			posted := c.do("POST", typ+"/_search", form, "Content-Type", "application/x-www-form-urlencoded")
			require.Equal(t, b.ids(), posted.bundle(t).ids(), "POST _search finds the same")
		})
	}
}

func TestRefusedSearch(t *testing.T) {
	c := start(t, DefaultOptions())
	for query, code := range map[string]string{
		"Appointment?date=01/12/2026":                  "invalid",
		"Appointment?date=ap2026":                      "invalid",
		"Appointment?date=ge":                          "invalid",
		"Appointment?date=ge2026-12-01T00:00:00+01:00": "invalid", // a plus sign that was not encoded is a space
		"Flag?_lastUpdated=yesterday":                  "invalid",
		"Flag?_count=many":                             "invalid",
		"Flag?_count=-1":                               "invalid",
		"Flag?identifier=%zz":                          "invalid",
		"Flag?patient:missing=true":                    "not-supported",
		"Flag?identifier:of-type=x":                    "not-supported",
		"Flag?patient:Nonsense=x":                      "not-supported",
		"Flag?_page=none.0":                            "not-found",
		"Flag?_page=":                                  "not-found",
	} {
		r := c.get(query)
		require.GreaterOrEqual(t, r.status, 400, query)
		require.Equal(t, code, r.issueCode(t), query)
	}
	r := c.do("POST", "Flag/_search", `{"patient":"p"}`)
	require.Equal(t, http.StatusUnsupportedMediaType, r.status)
}

// An unknown parameter is where servers differ, and where a client takes "0 hits" for "no history".
func TestUnknownParameter(t *testing.T) {
	for _, tt := range []struct {
		name    string
		options Options
		prefer  string
		status  int
		hits    int
	}{
		{"as specified", DefaultOptions(), "", 200, 1},
		{"as specified, lenient", DefaultOptions(), "handling=lenient", 200, 1},
		{"as specified, strict", DefaultOptions(), "handling=strict", 400, 0},
		{"database", DatabaseOptions(), "", 200, 0},
		{"database, strict", DatabaseOptions(), "handling=strict", 200, 0},
		{"router, strict", RouterOptions(), "handling=strict", 200, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := start(t, tt.options)
			c.put(flag("a", "p"))
			r := c.do("GET", "Flag?patient=Patient/p&bogus=1&_count=5", "", "Prefer", tt.prefer)
			require.Equal(t, tt.status, r.status)
			if tt.status == 200 {
				b := r.bundle(t)
				require.Len(t, b.Entry, tt.hits)
				require.Equal(t, c.url+"/Flag?patient=Patient%2Fp&_count=5", b.link("self"), "the self link says what was used")
			}
		})
	}
}

func TestBarePatientID(t *testing.T) {
	for _, strict := range []bool{false, true} {
		o := DefaultOptions()
		o.StrictPatientReference = strict
		c := start(t, o)
		c.put(flag("a", "p"))
		hits := map[bool]int{false: 1, true: 0}[strict]
		require.Len(t, c.get("Flag?patient=p").bundle(t).Entry, hits)
		require.Len(t, c.get("Flag?subject=p").bundle(t).Entry, hits)
		require.Len(t, c.get("Flag?patient=Patient/p").bundle(t).Entry, 1)
	}
}

func TestSearchForgetsOldValues(t *testing.T) {
	c := start(t, DefaultOptions())
	c.put(flag("a", "p"))
	require.NoError(t, c.store.Edit("Flag/a", func(f map[string]any) {
		f["subject"] = map[string]any{"reference": "Patient/q"}
		f["identifier"] = []any{map[string]any{"system": "urn:f", "value": "new"}}
	}))
	require.Empty(t, c.get("Flag?patient=Patient/p").bundle(t).ids())
	require.Empty(t, c.get("Flag?identifier=a").bundle(t).ids())
	require.Len(t, c.get("Flag?identifier=urn:f|new&patient=q").bundle(t).ids(), 1)
	require.NoError(t, c.store.Delete("Flag/a"))
	require.Empty(t, c.get("Flag?patient=Patient/q").bundle(t).ids())
	require.Empty(t, c.get("Flag").bundle(t).ids())
	require.Empty(t, c.store.index, "nothing stays in the index")
}

func pages(t *testing.T, c client, first string, between func(page int)) (all []bundle) {
	t.Helper()
	for next := first; next != ""; {
		require.Less(t, len(all), 50, "paging ends")
		r := c.get(next)
		require.Equal(t, 200, r.status, r.body)
		b := r.bundle(t)
		all = append(all, b)
		if between != nil {
			between(len(all))
		}
		next = b.link("next")
	}
	return all
}

func TestPaging(t *testing.T) {
	for _, tt := range []struct {
		name    string
		options Options
		query   string
		sizes   string
		total   bool
	}{
		{"page size of the server", DefaultOptions(), "Flag?patient=Patient/p", "4,3", true},
		{"fewer asked for", DefaultOptions(), "Flag?_count=3", "3,3,1", true},
		{"more asked for", DefaultOptions(), "Flag?_count=100", "4,3", true},
		{"found twice", DefaultOptions(), "Flag?identifier=f1,urn:f|f1,f2", "2", true},
		{"all on one page", DefaultOptions(), "Flag?_id=f0,f1,f2,f3", "4", true},
		{"count only", DefaultOptions(), "Flag?_summary=count", "0", true},
		{"count zero", DefaultOptions(), "Flag?_count=0", "0", true},
		{"nothing found", DefaultOptions(), "Flag?patient=Patient/none", "0", true},
		{"empty last page", DatabaseOptions(), "Flag?_id=f0,f1,f2,f3", "4,0", false},
		{"last page not full", DatabaseOptions(), "Flag?_count=5", "4,3", false},
		{"count zero is no count", DatabaseOptions(), "Flag?_count=0", "4,3", false},
		{"count only where total is left out", DatabaseOptions(), "Flag?_summary=count", "0", true},
		{"no links", BareRouterOptions(), "Flag?_count=3", "3", true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.options.PageSize = 4
			c := start(t, tt.options)
			for i := range 7 {
				c.put(flag(fmt.Sprint("f", i), "p"))
			}
			var sizes []string
			for _, b := range pages(t, c, tt.query, nil) {
				sizes = append(sizes, fmt.Sprint(len(b.Entry)))
				require.Equal(t, tt.total, b.Total != nil)
			}
			require.Equal(t, tt.sizes, strings.Join(sizes, ","))
		})
	}
}

func TestPagingWhileOthersWrite(t *testing.T) {
	o := DefaultOptions()
	o.PageSize = 2
	c := start(t, o)
	for i := range 6 {
		c.put(flag(fmt.Sprint("f", i), "p"))
	}
	seen := map[string]int{}
	for _, b := range pages(t, c, "Flag?patient=Patient/p&_sort=-_lastUpdated", func(page int) {
		c.put(flag(fmt.Sprint("later", page), "p"), flag("f0", "p"), flag("f5", "q"))
		_ = c.store.Delete("Flag/f3")
	}) {
		require.Equal(t, 6, *b.Total)
		for _, id := range b.ids() {
			seen[id]++
		}
	}
	want := map[string]int{}
	for i := range 6 {
		want[fmt.Sprint("Flag/f", i)] = 1
	}
	require.Equal(t, want, seen, "each entry once, whatever happens between two pages")
}

func TestPagesAreNotKeptForever(t *testing.T) {
	o := DefaultOptions()
	o.PageSize = 1
	c := start(t, o)
	c.put(flag("a", "p"), flag("b", "p"))
	first := c.get("Flag").bundle(t).link("next")
	require.Equal(t, 200, c.get(first).status)
	for range mostListings {
		c.store.listings.keep(listing{})
	}
	require.Equal(t, http.StatusGone, c.get(first).status)
	require.Len(t, c.store.listings.byKey, mostListings)
	require.Equal(t, http.StatusGone, c.get(strings.Replace(c.get("Flag").bundle(t).link("next"), "/Flag?", "/Task?", 1)).status)
}

func TestLinksBehindAProxy(t *testing.T) {
	o := DefaultOptions()
	o.PageSize, o.PublicBase = 1, "https://records.example/r4/"
	c := start(t, o)
	c.put(flag("a", "p"), flag("b", "p"))
	b := c.get("Flag?patient=" + url.QueryEscape("https://records.example/r4/Patient/p")).bundle(t)
	require.Equal(t, "https://records.example/r4/Flag/a", b.Entry[0].FullURL)
	require.True(t, strings.HasPrefix(b.link("next"), "https://records.example/r4/Flag?"))
}

func TestIncludesNobodyAskedFor(t *testing.T) {
	for _, tt := range []struct {
		options Options
		want    string
	}{
		{DefaultOptions(), "Task/t +Flag/a"},
		{DatabaseOptions(), "Task/t +Flag/a +Patient/p"},
		{BareRouterOptions(), "Task/t"},
	} {
		c := start(t, tt.options)
		c.put(flag("a", "p"), `{"resourceType":"Patient","id":"p"}`,
			`{"resourceType":"Task","id":"t","for":{"reference":"Patient/p"},"focus":{"reference":"Flag/a"}}`)
		require.Equal(t, tt.want, strings.Join(c.get("Task?_include=Task:focus").bundle(t).ids(), " "))
	}
}

// Source: a FHIR date means the whole of what it names, http://hl7.org/fhir/R4/datatypes.html#dateTime (from memory).
func TestDatePrecision(t *testing.T) {
	at := func(s string) time.Time {
		v, err := time.Parse(time.RFC3339Nano, s)
		require.NoError(t, err)
		return v
	}
	for value, want := range map[string]span{
		"2026":                      {at("2026-01-01T00:00:00Z"), at("2027-01-01T00:00:00Z")},
		"2026-02":                   {at("2026-02-01T00:00:00Z"), at("2026-03-01T00:00:00Z")},
		"2028-02-29":                {at("2028-02-29T00:00:00Z"), at("2028-03-01T00:00:00Z")},
		"2026-02-03T04:05Z":         {at("2026-02-03T04:05:00Z"), at("2026-02-03T04:06:00Z")},
		"2026-02-03T04:05":          {at("2026-02-03T04:05:00Z"), at("2026-02-03T04:06:00Z")},
		"2026-02-03T04:05:06":       {at("2026-02-03T04:05:06Z"), at("2026-02-03T04:05:07Z")},
		"2026-02-03T04:05:06-05:00": {at("2026-02-03T09:05:06Z"), at("2026-02-03T09:05:07Z")},
		"2026-02-03T04:05:06.789Z":  {at("2026-02-03T04:05:06.789Z"), at("2026-02-03T04:05:06.790Z")},
	} {
		got, err := parseDate(value)
		require.NoError(t, err, value)
		require.True(t, want.from.Equal(got.from) && want.until.Equal(got.until), value)
	}
	for _, value := range []string{"", "26", "2026-13", "2027-02-29", "2026-02-03T", "2026-02-03T04", "2026-02-03 04:05", "2026-02-03T04:05:06 01:00", "today"} {
		_, err := parseDate(value)
		require.Error(t, err, value)
	}
}
