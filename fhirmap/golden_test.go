package fhirmap

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
)

var update = flag.Bool("update", false, "write the golden files anew")

// Invented patients, and what is read of them. The expected files are for a person to read: one line for each entry.
func TestInventedPatients(t *testing.T) {
	for _, file := range files(t, filepath.Join("testdata", "patients", "*.json")) {
		name := strings.TrimSuffix(filepath.Base(file), ".json")
		t.Run(name, func(t *testing.T) {
			r := NewRecord("Patient/p1", Options{})
			p, err := r.AddPage("", read(t, file))
			require.NoError(t, err)
			for _, ref := range r.Unresolved() {
				r.Lost(ref)
			}
			got := fmt.Sprintf("page: next %t, incomplete %t\n%s", p.Next != "", p.Incomplete, printed(r.History()))
			golden := strings.TrimSuffix(file, ".json") + ".txt"
			if *update {
				require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
			}
			require.Equal(t, string(read(t, golden)), got)
		})
	}
}

// printed is a history as text.
func printed(h rules.History) string {
	var b strings.Builder
	names := func(title string, all []rules.Concept) {
		for _, c := range all {
			fmt.Fprintf(&b, "    %s: %s", title, c.Text)
			for _, k := range c.Codes {
				fmt.Fprintf(&b, " [%s %s %s]", k.System, k.Code, k.Display)
			}
			b.WriteString("\n")
		}
	}
	for _, e := range h.Entries {
		fmt.Fprintf(&b, "%s %s: %s, %s, %s", e.Reference, e.Part, e.Kind, []string{"counts", "asks", "void"}[e.Standing], e.Eye)
		for _, x := range []struct {
			is   bool
			text string
		}{
			{e.EyeConflict, ", sides contradict"},
			{e.Ended, ", over"},
			{e.Restricted, ", restricted"},
			{e.Status != "", ", status " + e.Status},
			{e.Start.Known(), ", from " + e.Start.Text},
			{e.End.Known(), ", to " + e.End.Text},
			{e.Recorded.Known(), ", recorded " + e.Recorded.Text},
			{e.Note != "", ", note " + e.Note},
		} {
			if x.is {
				b.WriteString(x.text)
			}
		}
		if e.Amount != nil {
			fmt.Fprintf(&b, ", amount %s%g %s", e.Amount.Comparator, e.Amount.Value, e.Amount.Unit)
		}
		b.WriteString("\n")
		names("is", e.Concepts)
		names("with", e.Qualifiers)
	}
	for _, d := range h.Dropped {
		fmt.Fprintf(&b, "dropped: %s, %s, %q\n", d.Type, d.Reason, d.Name)
	}
	if h.NoMedication {
		b.WriteString("says that no drug is taken\n")
	}
	return b.String()
}
