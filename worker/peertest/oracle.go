package peertest

import (
	"bytes"
	"errors"
	"io"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Sides says which eyes a factor puts at risk.
type Sides struct {
	Right bool `json:"right"`
	Left  bool `json:"left"`
}

// Oracle lets the second reading of the risk factors (testdata/interop/cql-oracle: CQL, by engines of others) read Bundles,
// each of one patient, and returns which eyes each factor puts at risk, by patient id and factor.
func Oracle(t testing.TB, bundles ...[]byte) map[string]map[string]Sides {
	t.Helper()
	node, dir := program(t, "cql-oracle")
	var stderr bytes.Buffer
	cmd := exec.CommandContext(t.Context(), node, "evaluate.mjs")
	cmd.Dir, cmd.Stdin, cmd.Stderr = dir, bytes.NewReader(append(bytes.Join(bundles, []byte("\n")), '\n')), &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("oracle: %v\n%s", err, stderr.Bytes())
	}
	found := map[string]map[string]Sides{}
	for d := jsontext.NewDecoder(bytes.NewReader(out)); ; {
		var line struct {
			Patient string           `json:"patient"`
			Factors map[string]Sides `json:"factors"`
		}
		if err := json.UnmarshalDecode(d, &line); errors.Is(err, io.EOF) {
			return found
		} else if err != nil {
			t.Fatalf("oracle: %v", err)
		}
		found[line.Patient] = line.Factors
	}
}

// OracleSpeed is how often per second the engines evaluate one rule over the Bundle in file, its JSON read each time.
func OracleSpeed(t testing.TB, file string) (cql, fhirpath float64) {
	t.Helper()
	node, dir := program(t, "cql-oracle")
	file, err := filepath.Abs(file)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), node, "speed.mjs", file, "2")
	cmd.Dir = dir
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("oracle: %v", err)
	}
	var speed struct {
		CQL      float64 `json:"cql"`
		FHIRPath float64 `json:"fhirpath"`
	}
	if err := json.Unmarshal(out, &speed); err != nil {
		t.Fatalf("oracle: %v", err)
	}
	return speed.CQL, speed.FHIRPath
}
