package fhirhttp

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// batchOf64KiB is a batch-response of eleven entries, 41 resources in all, about 64 KiB.
func batchOf64KiB() (paths []string, body string) {
	entries := []string{`{"resource":` + patient("1") + `,"response":{"status":"200","etag":"W/\"7\""}}`}
	paths = []string{"Patient/1"}
	for i := range 10 {
		var found []string
		for j := range 4 {
			found = append(found, fmt.Sprintf(`{"resource":{"resourceType":"Condition","id":"%d-%d","note":[{"text":"%s"}],"code":{"coding":[{"system":"http://snomed.info/sct","code":"%d"}]}}}`,
				i, j, strings.Repeat("word ", 280), j))
		}
		paths = append(paths, fmt.Sprintf("Condition?patient=Patient/1&_page=%d", i))
		entries = append(entries, `{"resource":`+searchset(found...)+`,"response":{"status":"200 OK"}}`)
	}
	return paths, `{"resourceType":"Bundle","type":"batch-response","entry":[` + strings.Join(entries, ",") + `]}`
}

func BenchmarkGather(b *testing.B) {
	paths, body := batchOf64KiB()
	server := httptest.NewServer(batchOnly(body))
	defer server.Close()
	c, err := New(Config{Base: server.URL + "/fhir", Batch: BatchOn})
	require.NoError(b, err)
	defer c.Close()
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		answers, err := c.Gather(b.Context(), paths)
		require.NoError(b, err)
		require.Len(b, answers, len(paths))
	}
}

func BenchmarkBatchAnswer(b *testing.B) {
	paths, text := batchOf64KiB()
	body := []byte(text)
	c, err := New(Config{Base: "https://records.example/fhir"})
	require.NoError(b, err)
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		_, _, err := c.batchAnswers(paths, body)
		require.NoError(b, err)
	}
}
