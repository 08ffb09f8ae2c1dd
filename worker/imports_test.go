package worker

import (
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Dependencies point one way: cmd → worker → fhirmap → rules; rules knows no FHIR, network or clock-driven package, and
// fhirmap does no I/O.
func TestDependenciesPointOneWay(t *testing.T) {
	imports := func(pkg string) []string {
		out, err := exec.Command("go", "list", "-f", `{{join .Imports "\n"}}`, pkg).Output()
		require.NoError(t, err)
		return strings.Fields(string(out))
	}
	own := func(list []string) []string {
		return slices.DeleteFunc(list, func(p string) bool { return !strings.HasPrefix(p, "pupilrisk/") })
	}
	outside := func(list []string) []string {
		return slices.DeleteFunc(list, func(p string) bool { return !strings.Contains(strings.Split(p, "/")[0], ".") })
	}
	rulesImports := imports("pupilrisk/rules")
	require.Empty(t, own(slices.Clone(rulesImports)))
	for _, p := range outside(slices.Clone(rulesImports)) {
		require.True(t, strings.HasPrefix(p, "github.com/goccy/go-yaml") || strings.HasPrefix(p, "golang.org/x/text/"), p)
	}
	mapImports := imports("pupilrisk/fhirmap")
	for _, p := range own(slices.Clone(mapImports)) {
		require.Equal(t, "pupilrisk/rules", p)
	}
	for _, p := range slices.Concat(rulesImports, mapImports) {
		require.NotContains(t, []string{"os", "net", "net/http", "log/slog", "os/exec", "syscall"}, p)
	}
	all, err := exec.Command("go", "list", "pupilrisk/worker/...").Output()
	require.NoError(t, err)
	for _, pkg := range strings.Fields(string(all)) {
		for _, p := range imports(pkg) {
			require.False(t, strings.HasPrefix(p, "pupilrisk/cmd"), pkg)
		}
	}
}
