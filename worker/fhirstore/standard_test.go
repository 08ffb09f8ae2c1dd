package fhirstore

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"
)

// sharedData is the folder of the official examples and definitions; without it the test is skipped, or fails where
// PUPILRISK_REQUIRE asks for it.
func sharedData(t *testing.T) string {
	t.Helper()
	dir := os.Getenv("PUPILRISK_SHARED_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	if _, err := os.Stat(dir); err != nil {
		if strings.Contains(os.Getenv("PUPILRISK_REQUIRE"), "shared") {
			t.Fatal("the shared test data is required and not there")
		}
		t.Skip("the shared test data is not there; PUPILRISK_SHARED_DATA names its folder")
	}
	return dir
}

// Source: the SearchParameter definitions of package hl7.fhir.core 4.0.1.
func TestParametersAreTheStandards(t *testing.T) {
	type definition struct {
		Code       string   `json:"code"`
		Type       string   `json:"type"`
		Base       []string `json:"base"`
		Expression string   `json:"expression"`
	}
	files, err := filepath.Glob(filepath.Join(sharedData(t), "fhir-r4-definitions", "SearchParameter-*.json"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	standard := map[string]definition{}
	complete := map[string]bool{} // types whose own definitions are in the folder
	for _, file := range files {
		raw, err := os.ReadFile(file)
		require.NoError(t, err)
		var d definition
		require.NoError(t, json.Unmarshal(raw, &d), file)
		for _, base := range d.Base {
			standard[base+"."+d.Code] = d
		}
		if len(d.Base) == 1 {
			complete[d.Base[0]] = true
		}
	}
	checked := 0
	for typ, ps := range parameters {
		for _, p := range ps {
			d, ok := standard[typ+"."+p.name]
			if !ok {
				require.False(t, complete[typ], "%s.%s is no parameter of the standard", typ, p.name)
				continue
			}
			checked++
			require.Equal(t, d.Type, string(p.kind), "%s.%s", typ, p.name)
			for _, path := range p.paths {
				require.Contains(t, d.Expression, typ+"."+strings.TrimSuffix(path, "[x]"), "%s.%s", typ, p.name)
			}
			if p.target != "" && p.name != "patient" {
				require.Contains(t, d.Expression, "resolve() is "+p.target, "%s.%s", typ, p.name)
			}
		}
	}
	require.Greater(t, checked, 100)
}

// Every official example can be stored, comes back as it was and is found again by the patient it is about.
// Source: package hl7.fhir.r4.examples 4.0.1.
func TestOfficialExamples(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(sharedData(t), "fhir-r4-examples", "*", "*.json"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	c := start(t, DefaultOptions())
	about := 0
	for _, file := range files {
		raw, err := os.ReadFile(file)
		require.NoError(t, err)
		d, err := parseDocument(raw)
		require.NoError(t, err, file)
		require.Equal(t, 201, c.do("PUT", d.typ+"/"+d.id, string(raw)).status, file)
		require.Equal(t, string(normalised(raw)), string(normalised([]byte(c.get(d.typ+"/"+d.id).body))), file)

		for _, patient := range patientsOf(t, raw) {
			about++
			b := c.get(d.typ + "?_count=200&patient=" + patient).bundle(t)
			require.Contains(t, b.ids(), d.typ+"/"+d.id, "%s by %s", file, patient)
			b = c.get(d.typ + "?patient=" + patient + "&_id=" + d.id).bundle(t)
			require.Equal(t, []string{d.typ + "/" + d.id}, b.ids())
		}
	}
	require.Greater(t, about, 200)
	for typ := range c.store.types {
		require.Equal(t, 200, c.get(typ+"?_summary=count").status)
	}
}

// patientsOf reads the patients of a resource with structs of its own, apart from the paths of the parameters.
func patientsOf(t *testing.T, raw []byte) []string {
	t.Helper()
	type ref struct {
		Reference string `json:"reference"`
	}
	var r struct {
		ResourceType string `json:"resourceType"`
		Patient      ref    `json:"patient"`
		For          ref    `json:"for"`
	}
	require.NoError(t, json.Unmarshal(raw, &r))
	refs := []ref{r.Patient, r.For}
	switch r.ResourceType {
	case "Appointment":
		var a struct {
			Participant []struct {
				Actor ref `json:"actor"`
			} `json:"participant"`
		}
		require.NoError(t, json.Unmarshal(raw, &a))
		for _, p := range a.Participant {
			refs = append(refs, p.Actor)
		}
	case "Provenance":
		var p struct {
			Target []ref `json:"target"`
		}
		require.NoError(t, json.Unmarshal(raw, &p))
		refs = append(refs, p.Target...)
	default:
		var s struct {
			Subject ref `json:"subject"`
		}
		if json.Unmarshal(raw, &s) == nil { // subject is something else in a few types
			refs = append(refs, s.Subject)
		}
	}
	var out []string
	for _, x := range refs {
		if strings.HasPrefix(x.Reference, "Patient/") {
			out = append(out, x.Reference)
		}
	}
	return out
}
