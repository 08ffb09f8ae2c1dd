package peertest

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Validate fails the test when a resource is not valid FHIR R4 in the eyes of either validator, or breaks one of our own
// rules in testdata/interop/validate. The resources of a Bundle are checked too. Each call starts the validators anew
// (about a second), so pass many resources at once.
func Validate(t testing.TB, resources ...[]byte) {
	t.Helper()
	var lines strings.Builder
	for _, p := range problems(t, resources) {
		fmt.Fprintf(&lines, "\n  resource %d (%s), by %s: %s", p.resource, p.resourceType, p.by, p.text)
	}
	if lines.Len() > 0 {
		t.Fatalf("not valid FHIR R4:%s", &lines)
	}
}

// problem is one error of one resource.
type problem struct {
	resource     int // counted from 0; a Bundle counts for itself and then for each of its resources
	resourceType string
	by           string // fhir, medplum or own
	text         string // begins with the path
}

// problems returns what is wrong with the resources; warnings are left out.
func problems(t testing.TB, resources [][]byte) []problem {
	t.Helper()
	node, dir := program(t, "validate")

	var input bytes.Buffer
	for i, r := range resources {
		line := jsontext.Value(slices.Clone(r))
		if err := line.Compact(); err != nil {
			t.Fatalf("resource %d is not JSON: %v", i, err)
		}
		input.Write(line)
		input.WriteByte('\n')
	}
	var stderr bytes.Buffer
	cmd := exec.CommandContext(t.Context(), node, "validate.mjs")
	cmd.Dir = dir
	cmd.Stdin = &input
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatalf("validators: %v", err)
	}

	var found []problem
	checked := 0
	for decoder := jsontext.NewDecoder(bytes.NewReader(out)); ; checked++ {
		var verdict struct {
			Type     string `json:"type"`
			Index    int    `json:"index"`
			Problems []struct {
				By       string `json:"by"`
				Severity string `json:"severity"`
				Text     string `json:"text"`
			} `json:"problems"`
		}
		if err := json.UnmarshalDecode(decoder, &verdict); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatalf("validators: %v", err)
		}
		for _, p := range verdict.Problems {
			if p.Severity == "error" {
				found = append(found, problem{verdict.Index, verdict.Type, p.By, p.Text})
			}
		}
	}
	// They exit with 1 for a bad resource and also when they break down.
	if len(found) == 0 && (err != nil || checked < len(resources)) {
		t.Fatalf("validators broke down after %d of %d resources\n%s", checked, len(resources), stderr.Bytes())
	}
	return found
}
