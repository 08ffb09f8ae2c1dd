package fhirstore

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

// BenchmarkSearch asks for one patient's Flags among 10,000, through the handler and a connection.
func BenchmarkSearch(b *testing.B) {
	c := start(b, DefaultOptions())
	for i := range 10_000 {
		c.put(flag(fmt.Sprint("f", i), fmt.Sprint("p", i%2500)))
	}
	b.ReportAllocs()
	for b.Loop() {
		require.Equal(b, 200, c.get("Flag?patient=Patient/p17").status)
	}
}

// BenchmarkTransaction writes two resources of one patient into a store of 10,000.
func BenchmarkTransaction(b *testing.B) {
	c := start(b, DefaultOptions())
	for i := range 10_000 {
		c.put(flag(fmt.Sprint("f", i), fmt.Sprint("p", i%2500)))
	}
	tx := bundleOf("transaction", entry("PUT", "Flag/f1", flag("f1", "p1"), ""),
		entry("POST", "Provenance", `{"resourceType":"Provenance","target":[{"reference":"Flag/f1"}]}`, ""))
	b.ReportAllocs()
	for b.Loop() {
		require.Equal(b, 200, c.do("POST", "", tx).status)
	}
}
