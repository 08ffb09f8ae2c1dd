package fhirhttp

import (
	"testing"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
)

func FuzzBatchAnswer(f *testing.F) {
	for _, s := range []string{
		`{"resourceType":"Bundle","type":"batch-response","entry":[{"resource":{"resourceType":"Patient","id":"1"},"response":{"status":"200 OK","etag":"W/\"1\""}}]}`,
		`{"resourceType":"Bundle","entry":[{"response":{"status":"404","outcome":{"resourceType":"OperationOutcome","issue":[{"code":"not-found"}]}}}]}`,
		`{"resourceType":"Bundle","entry":null}`, `{"resourceType":"Bundle","entry":[{"response":{"status":"99"}}]}`, `[]`, `{`, "\xff",
		`{"resourceType":"Bundle","entry":[{"resource":7,"response":{"status":"201"}}]}`,
	} {
		f.Add([]byte(s))
	}
	c, err := New(Config{Base: "https://records.example/fhir"})
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, body []byte) {
		text, err := walkEntries(body, func(e fhirmap.BundleEntry) error {
			require.GreaterOrEqual(t, e.Status, 100)
			require.LessOrEqual(t, e.Status, 599)
			a := c.entryAnswer(OpBatch, "Patient/1", e)
			require.Equal(t, e.Status < 200 || e.Status > 299, a.Err != nil)
			if a.Err == nil {
				a.Err = a.confirm(OpBatch, "Patient/1", e)
			}
			if a.Err == nil {
				require.True(t, jsontext.Value(a.Body).IsValid(lenient))
			}
			return nil
		})
		if err == nil {
			require.True(t, jsontext.Value(body).IsValid(lenient))
		}
		text.Free()
	})
}

func FuzzCapability(f *testing.F) {
	f.Add([]byte(capabilityR4))
	f.Add([]byte(`{"resourceType":"CapabilityStatement","fhirVersion":"4.0.1","rest":[{"mode":"client"},{"resource":[{}]}]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		have, err := parseCapability(body)
		if err != nil {
			require.Zero(t, have.Types)
			return
		}
		require.Contains(t, have.FHIRVersion, "4.0.")
		for _, c := range have.Types {
			for _, p := range c.SearchParams {
				require.True(t, c.Searches(p))
			}
		}
	})
}

func FuzzInspect(f *testing.F) {
	f.Add([]byte(patient("1")))
	f.Add([]byte(`{"meta":7,"resourceType":7,"id":null}`))
	f.Add([]byte(`{"resourceType":"Bundle"} x`))
	f.Fuzz(func(t *testing.T, body []byte) {
		text, head, err := inspect(body)
		if err != nil {
			return
		}
		require.True(t, jsontext.Value(body).IsValid(lenient))
		require.NotEmpty(t, head.kind)
		text.Free()
	})
}

func FuzzOutcome(f *testing.F) {
	f.Add([]byte(notFound))
	f.Fuzz(func(t *testing.T, body []byte) {
		codes, _ := issueCodes(body)
		seen := map[string]bool{}
		for _, c := range codes {
			require.Contains(t, issueTypes, c)
			require.False(t, seen[c])
			seen[c] = true
		}
	})
}
