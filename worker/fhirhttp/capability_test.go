package fhirhttp

import (
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"
)

func TestCapabilityIsAskedOnce(t *testing.T) {
	var asked atomic.Int32
	version := "4.0.1"
	c, _ := newClient(t, func(w http.ResponseWriter, r *http.Request) {
		asked.Add(1)
		answer(w, 200, strings.Replace(capabilityR4, "4.0.1", version, 1))
	})
	var lanes sync.WaitGroup
	for range 8 {
		lanes.Go(func() {
			have, err := c.Capability(t.Context())
			require.NoError(t, err)
			require.True(t, have.Batch && have.Transaction)
		})
	}
	lanes.Wait()
	require.EqualValues(t, 1, asked.Load())

	have, err := c.Capability(t.Context())
	require.NoError(t, err)
	require.Equal(t, Capability{FHIRVersion: "4.0.1", Batch: true, Transaction: true, Types: map[string]TypeCapability{
		"Flag": {
			Read: true, Search: true, Create: true, Update: true, UpdateCreate: true, ConditionalCreate: true, Versioning: "versioned-update",
			SearchParams: []string{"_id", "identifier", "patient"},
		},
		"Patient": {Read: true, SearchParams: []string{"_id"}},
	}}, have)
	require.True(t, have.Types["Flag"].Searches("patient"))
	require.False(t, have.Types["Flag"].Searches("status"))
	require.False(t, have.Types["Task"].Searches("patient"))

	version = "4.3.0"
	_, err = c.Refresh(t.Context())
	require.ErrorIs(t, err, ErrFHIRVersion)
	requireKind(t, Refused, err)
	have, err = c.Capability(t.Context())
	require.NoError(t, err, "what was known stays")
	require.Equal(t, "4.0.1", have.FHIRVersion)
}

func TestCapabilityRefused(t *testing.T) {
	for body, want := range map[string]error{
		`{"resourceType":"CapabilityStatement","fhirVersion":"3.0.2"}`:   ErrFHIRVersion,
		`{"resourceType":"CapabilityStatement","fhirVersion":"5.0.0"}`:   ErrFHIRVersion,
		`{"resourceType":"CapabilityStatement"}`:                         ErrFHIRVersion,
		`{"resourceType":"Bundle","fhirVersion":"4.0.1"}`:                ErrNotFHIR,
		`{"resourceType":"CapabilityStatement","fhirVersion":"4.0.1"`:    ErrNotFHIR,
		`{"resourceType":"CapabilityStatement","rest":"` + marker + `"}`: ErrNotFHIR,
		"<html>": ErrNotFHIR,
	} {
		c, _ := newClient(t, func(w http.ResponseWriter, _ *http.Request) { answer(w, 200, body) }, func(cfg *Config) { cfg.Batch = BatchAuto })
		_, err := c.Capability(t.Context())
		require.ErrorIs(t, err, want, body)
		_, err = c.Gather(t.Context(), []string{"Patient/1", "Patient/2"})
		require.ErrorIs(t, err, want, "a gather that needs to know fails as a whole")
	}
}

// Source: CodeSystem issue-type of HL7's package hl7.fhir.core 4.0.1 (http://hl7.org/fhir/R4/codesystem-issue-type.html).
func TestIssueTypesAreThoseOfR4(t *testing.T) {
	dir := os.Getenv("PUPILRISK_SHARED_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	raw, err := os.ReadFile(filepath.Join(dir, "fhir-r4-definitions", "CodeSystem-issue-type.json"))
	if err != nil && !slices.Contains(strings.Split(os.Getenv("PUPILRISK_REQUIRE"), ","), "shared") {
		t.Skip("the shared data folder is absent: PUPILRISK_SHARED_DATA names another")
	}
	require.NoError(t, err)
	type concept struct {
		Code    string    `json:"code"`
		Concept []concept `json:"concept"`
	}
	var system concept
	require.NoError(t, json.Unmarshal(raw, &system))
	want := map[string]bool{}
	var walk func(list []concept, transient bool)
	walk = func(list []concept, transient bool) {
		for _, c := range list {
			want[c.Code] = transient || c.Code == "transient"
			walk(c.Concept, want[c.Code])
		}
	}
	walk(system.Concept, false)
	require.Equal(t, want, issueTypes)
}
