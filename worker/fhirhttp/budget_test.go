package fhirhttp

import (
	"fmt"
	"net/http"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"
)

// All answers under one budget are counted together; what is beyond it is neither read nor asked for, and says nothing about
// the server.
func TestBudgetIsSharedByAllRequests(t *testing.T) {
	var requests atomic.Int64
	page := func(w http.ResponseWriter, r *http.Request) {
		requests.Add(1)
		w.Header().Set("Content-Type", "application/fhir+json")
		if r.URL.Query().Get("long") != "" { // of unknown length
			w.(http.Flusher).Flush()
		}
		fmt.Fprintf(w, `{"resourceType":"Bundle","type":"searchset","x":%q}`, strings.Repeat("x", 1<<20))
	}
	c, _ := newClient(t, page)
	paths := func(n int) (out []string) {
		for i := range n {
			out = append(out, fmt.Sprintf("Condition?patient=Patient/%d&long=%s", i, strings.Repeat("y", i%2)))
		}
		return out
	}
	ctx, b := WithBudget(t.Context(), 5<<20)
	answers, err := c.Gather(ctx, paths(4))
	require.NoError(t, err)
	for _, a := range answers {
		require.NoError(t, a.Err)
	}
	require.False(t, b.Exceeded())

	answers, err = c.Gather(ctx, paths(4))
	require.NoError(t, err)
	refused := 0
	for _, a := range answers {
		if a.Err != nil {
			require.ErrorIs(t, a.Err, ErrBudget)
			requireKind(t, Refused, a.Err)
			require.Empty(t, a.Body)
			refused++
		}
	}
	require.GreaterOrEqual(t, refused, 3)
	require.True(t, b.Exceeded())
	before := requests.Load()
	_, err = c.Read(ctx, "Patient/1")
	require.ErrorIs(t, err, ErrBudget)
	require.Equal(t, before, requests.Load(), "not asked")
	_, open := c.Open()
	require.False(t, open)

	_, b = WithBudget(ctx, 1<<20)
	require.False(t, b.Exceeded(), "a new one in its place")
}

// A batch that is beyond the budget is not taken for one that the server does not take.
func TestBudgetLeavesTheBatchAlone(t *testing.T) {
	c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/fhir/metadata" {
			answer(w, 200, capabilityR4)
			return
		}
		answer(w, 200, `{"resourceType":"Bundle","type":"batch-response","x":"`+strings.Repeat("x", 1<<20)+`"}`)
	}, func(cfg *Config) { cfg.Batch = BatchAuto })
	_, err := c.Capability(t.Context())
	require.NoError(t, err)
	ctx, _ := WithBudget(t.Context(), 1<<10)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err = c.Gather(ctx, []string{"Patient/1", "Patient/2"})
	runtime.ReadMemStats(&after)
	require.ErrorIs(t, err, ErrBudget)
	require.False(t, c.batchRefused.Load())
	require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(8<<20))
}
