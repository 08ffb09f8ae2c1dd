package peertest

import (
	"bytes"
	"errors"
	"io"
	"os/exec"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Scheduled is an appointment with what a schedule shows beside it, by identifier value.
type Scheduled struct {
	Appointment string   `json:"appointment"`
	Flags       []string `json:"flags"` // active, of its patient
	Tasks       []string `json:"tasks"` // requested, about it
}

// Schedule lets a FHIR client of others (testdata/interop/schedule) read the appointments of [from, to) as a schedule would.
func Schedule(t testing.TB, base string, from, to time.Time) []Scheduled {
	t.Helper()
	node, dir := program(t, "schedule")
	var stderr bytes.Buffer
	cmd := exec.CommandContext(t.Context(), node, "schedule.mjs", base, from.Format(time.DateOnly), to.Format(time.DateOnly))
	cmd.Dir, cmd.Stderr = dir, &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("schedule: %v\n%s", err, stderr.Bytes())
	}
	var list []Scheduled
	for d := jsontext.NewDecoder(bytes.NewReader(out)); ; {
		var s Scheduled
		if err := json.UnmarshalDecode(d, &s); errors.Is(err, io.EOF) {
			return list
		} else if err != nil {
			t.Fatalf("schedule: %v", err)
		}
		list = append(list, s)
	}
}
