package fhirstore

import (
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestFaults(t *testing.T) {
	put := func(c client) (reply, error) { return c.try("PUT", "Flag/new", flag("new", "p")) }
	get := func(c client) (reply, error) { return c.try("GET", "Flag/a", "") }
	tests := []struct {
		name   string
		fault  Fault
		send   func(client) (reply, error)
		status int  // 0 = no whole answer
		stored bool // the write happened
	}{
		{"status", Fault{Status: 503}, put, 503, false},
		{"status after the write", Fault{Status: 503, Late: true}, put, 503, true},
		{"connection dropped", Fault{Drop: true}, put, 0, false},
		{"connection dropped after the write", Fault{Drop: true, Late: true}, put, 0, true},
		{"answer cut", Fault{CutBody: true}, put, 0, true},
		{"answer cut in a read", Fault{CutBody: true}, get, 0, false},
		{"garbage", Fault{Garbage: true}, put, 200, false},
		{"garbage after the write", Fault{Garbage: true, Late: true}, put, 200, true},
		{"delay", Fault{Delay: time.Millisecond}, put, 201, true},
		{"other method", Fault{Status: 500, Method: "GET"}, put, 201, true},
		{"same method", Fault{Status: 500, Method: "PUT"}, put, 500, false},
		{"other path", Fault{Status: 500, Path: "Task"}, put, 201, true},
		{"same path", Fault{Status: 500, Path: "Flag/n"}, put, 500, false},
		{"same path with a slash", Fault{Status: 500, Path: "/Flag"}, put, 500, false},
		{"the base only", Fault{Status: 500, Path: "/"}, put, 201, true},
		{"other interaction", Fault{Status: 500, Interaction: "create"}, put, 201, true},
		{"same interaction", Fault{Status: 500, Interaction: "update"}, put, 500, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := start(t, DefaultOptions())
			c.put(flag("a", "p"))
			c.store.Fault(tt.fault)
			r, err := tt.send(c)
			if tt.status == 0 {
				require.Error(t, err)
			} else {
				require.NoError(t, err)
				require.Equal(t, tt.status, r.status)
			}
			if tt.status >= 500 {
				require.Equal(t, "transient", r.issueCode(t))
			}
			_, stored := c.store.Get("Flag/new")
			require.Equal(t, tt.stored, stored)

			c.store.ClearFaults()
			require.Equal(t, 200, c.get("Flag/a").status)
		})
	}
}

func TestFaultCounts(t *testing.T) {
	c := start(t, DefaultOptions())
	c.put(flag("a", "p"))
	c.store.Fault(Fault{Path: "Flag", After: 2, Times: 2, Status: 429, RetryAfter: "3"})
	c.store.Fault(Fault{Path: "Flag", After: 1, Times: 1, Status: 500})
	var got []int
	for range 7 {
		r := c.get("Flag/a")
		got = append(got, r.status)
		require.Equal(t, 200, c.get("metadata").status)
		require.Equal(t, r.status == 429, r.header.Get("Retry-After") == "3")
	}
	require.Equal(t, []int{200, 500, 429, 429, 200, 200, 200}, got)

	c.store.Fault(Fault{Status: 503})
	for range 3 {
		require.Equal(t, 503, c.get("Flag/a").status)
	}
}

func TestFaultsInsideBundles(t *testing.T) {
	c := start(t, DefaultOptions())
	c.put(flag("a", "p"))
	searches := func(typ string) string {
		return bundleOf(typ, entry("GET", "Flag?patient=Patient/p", "", ""), entry("GET", "Task?patient=Patient/p", "", ""))
	}
	c.store.Fault(Fault{Path: "Task", Status: 403, Delay: time.Millisecond, Times: 2})
	require.Equal(t, "200,403", c.do("POST", "", searches("batch")).bundle(t).statuses())
	require.Equal(t, 403, c.do("POST", "", searches("transaction")).status)
	require.Equal(t, "200,200", c.do("POST", "", searches("batch")).bundle(t).statuses())

	c.store.Fault(Fault{Path: "Flag", Drop: true, Times: 1})
	require.Equal(t, "200,200", c.do("POST", "", searches("batch")).bundle(t).statuses(), "an entry has no connection to drop")
	c.store.ClearFaults()

	c.store.Fault(Fault{Path: "Task", Delay: time.Millisecond, Times: 1})
	require.Equal(t, "200,200", c.do("POST", "", searches("batch")).bundle(t).statuses())

	c.store.Fault(Fault{Status: 503, After: 1, Times: 1})
	require.Equal(t, 200, c.do("POST", "", searches("batch")).status)
	require.Equal(t, 503, c.do("POST", "", searches("batch")).status, "without a path whole requests are counted")
	require.Equal(t, "200,200", c.do("POST", "", searches("batch")).bundle(t).statuses())

	c.store.Fault(Fault{Interaction: "transaction", Status: 502})
	require.Equal(t, 200, c.do("POST", "", searches("batch")).status)
	require.Equal(t, 502, c.do("POST", "", searches("transaction")).status)
}

func TestRequestsAreRecorded(t *testing.T) {
	c := start(t, DefaultOptions())
	c.get("metadata")
	c.do("POST", "Flag/_search", "patient=Patient/p", "Content-Type", "application/x-www-form-urlencoded")
	c.do("POST", "", bundleOf("batch", entry("GET", "Flag?_count=1", "", "")))
	c.do("POST", "", bundleOf("transaction", entry("DELETE", "Flag/none", "", "")))
	c.do("POST", "", "broken")
	c.store.Fault(Fault{Status: 503})
	c.do("OPTIONS", "Flag/a", "")
	require.Equal(t, []Request{
		{http.MethodGet, "metadata", "", "capabilities", false},
		{http.MethodPost, "Flag/_search", "patient=Patient/p", "search-type", false},
		{http.MethodPost, "", "", "batch", false},
		{http.MethodGet, "Flag", "_count=1", "search-type", true},
		{http.MethodPost, "", "", "transaction", false},
		{http.MethodDelete, "Flag/none", "", "delete", true},
		{http.MethodPost, "", "", "batch", false},
		{http.MethodOptions, "Flag/a", "", "", false},
	}, c.store.Requests())
	c.store.ResetRequests()
	require.Empty(t, c.store.Requests())

	for range mostRequests + 1 {
		c.store.exchange.note(call{})
	}
	require.Len(t, c.store.Requests(), mostRequests/2+1)
}

func TestDelayEndsWithTheClient(t *testing.T) {
	c := start(t, DefaultOptions())
	c.store.Fault(Fault{Delay: time.Hour})
	c.http.Timeout = 50 * time.Millisecond
	_, err := c.try("GET", "Flag/a", "")
	require.Error(t, err)
}
