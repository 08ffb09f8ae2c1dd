package peertest

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// verdict stands in for a test and keeps how it was ended first.
type verdict struct {
	testing.TB
	ended string
	text  string
}

func (v *verdict) end(how, format string, args []any) {
	if v.ended == "" {
		v.ended, v.text = how, fmt.Sprintf(format, args...)
	}
}

func (v *verdict) Helper()                           {}
func (v *verdict) Skipf(format string, args ...any)  { v.end("skipped", format, args) }
func (v *verdict) Fatalf(format string, args ...any) { v.end("failed", format, args) }

func TestSwitch(t *testing.T) {
	for _, tc := range []struct {
		name, interop, required string
		want                    string
	}{
		{"nobody asked", "", "", "skipped"},
		{"switched off", "0", "", "skipped"},
		{"switched on", "1", "", ""},
		{"required", "", "interop,shared", ""},
		{"required beats off", "0", "shared,interop", ""},
		{"something else is required", "", "shared", "skipped"},
		{"a longer word is not ours", "", "interoperability", "skipped"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Setenv("PUPILRISK_INTEROP", tc.interop)
			t.Setenv("PUPILRISK_REQUIRE", tc.required)
			v := &verdict{TB: t}
			requireEnabled(v)
			require.Equal(t, tc.want, v.ended)
			if v.ended == "skipped" {
				require.Contains(t, v.text, "PUPILRISK_INTEROP=1")
			}
		})
	}
}

func TestMissingPart(t *testing.T) {
	for required, want := range map[string]string{"": "skipped", "interop": "failed"} {
		t.Setenv("PUPILRISK_REQUIRE", required)
		v := &verdict{TB: t}
		skipOrFail(v, "%s is missing", "node")
		require.Equal(t, want, v.ended)
		require.Contains(t, v.text, "node is missing")
	}
}

func TestInstalled(t *testing.T) {
	dir := t.TempDir()
	want := map[string]string{"node_modules/a": "1.0.0", "node_modules/b": "2.0.0"}
	require.False(t, installed(dir, want), "no node_modules at all")

	require.NoError(t, os.Mkdir(filepath.Join(dir, "node_modules"), 0o755))
	list := filepath.Join(dir, "node_modules", ".package-lock.json")
	require.NoError(t, os.WriteFile(list, []byte(`{"packages":{"node_modules/a":{"version":"1.0.0"}}}`), 0o644))
	require.False(t, installed(dir, want), "one package is missing")

	require.NoError(t, os.WriteFile(list, []byte(`{"packages":{"node_modules/a":{"version":"1.0.0"},"node_modules/b":{"version":"1.9.0"}}}`), 0o644))
	require.False(t, installed(dir, want), "one package is old")

	require.NoError(t, os.WriteFile(list, []byte(`{"packages":{"node_modules/a":{"version":"1.0.0"},"node_modules/b":{"version":"2.0.0"}}}`), 0o644))
	require.True(t, installed(dir, want))
}

// The lock files must work with any registry, so they name none.
func TestLockFilesNameNoHost(t *testing.T) {
	root, err := moduleRoot()
	require.NoError(t, err)
	files, err := filepath.Glob(filepath.Join(root, "testdata", "interop", "*", "package-lock.json"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		raw, err := os.ReadFile(file)
		require.NoError(t, err)
		require.NotContains(t, string(raw), "://", file)
		require.NotContains(t, string(raw), `"resolved"`, file)
	}
}
