package worker

import (
	"bufio"
	"bytes"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// deployFile reads a file of deploy/.
func deployFile(t testing.TB, name ...string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(append([]string{"..", "deploy"}, name...)...))
	require.NoError(t, err)
	return string(data)
}

// unitLines are the settings of a systemd unit, each Key=Value; with all, those that are commented out too.
func unitLines(text string, all bool) (lines []string) {
	for scan := bufio.NewScanner(strings.NewReader(text)); scan.Scan(); {
		line := scan.Text()
		if all && !strings.HasPrefix(line, "# ") {
			line = strings.TrimPrefix(line, "#")
		}
		if key, _, ok := strings.Cut(line, "="); ok && !strings.ContainsAny(key, " #") {
			lines = append(lines, line)
		}
	}
	return lines
}

// The embedded stream must land where the unit's user may write, for the service and for the commands run beside it.
func TestUnitKeepsTheStreamInItsStateDirectory(t *testing.T) {
	lines := unitLines(deployFile(t, "systemd", "pupilrisk.service"), false)
	require.Contains(t, lines, "DynamicUser=yes")
	require.Contains(t, lines, "StateDirectory=pupilrisk")
	require.Contains(t, lines, "StateDirectoryMode=0700")
	const given = "/var/lib/pupilrisk" // what systemd puts into STATE_DIRECTORY for it
	t.Setenv("STATE_DIRECTORY", given)
	require.Equal(t, given, DefaultConfig().NATSStoreDir)
	example, err := LoadConfig(filepath.Join("..", "deploy", "pupilrisk.example.yaml"), nil)
	require.NoError(t, err)
	require.Equal(t, given, example.NATSStoreDir, "the commands beside the service find its token here")
}

// Each credential that is loaded is the one a key of the configuration then names, and every key is one that there is.
func TestCredentialsReachTheConfiguration(t *testing.T) {
	secrets := deployFile(t, "systemd", "pupilrisk.service.d", "secrets.conf")
	for _, all := range []bool{false, true} {
		var loaded, used, environ []string
		for _, line := range unitLines(secrets, all) {
			if credential, ok := strings.CutPrefix(line, "LoadCredential="); ok {
				name, file, _ := strings.Cut(credential, ":")
				require.True(t, strings.HasPrefix(file, "/etc/pupilrisk/"), line)
				loaded = append(loaded, name)
			}
			if variable, ok := strings.CutPrefix(line, "Environment="); ok {
				_, name, found := strings.Cut(variable, "=%d/")
				require.True(t, found, line)
				used = append(used, name)
				environ = append(environ, variable)
			}
		}
		require.Equal(t, loaded, used)
		if all {
			require.Len(t, loaded, 7)
			const key = "PUPILRISK_FHIR_KEY_FILE=%d/fhir-client-key" // in the place of the token
			require.Contains(t, environ, key)
			environ = slices.DeleteFunc(environ, func(v string) bool { return v == key })
			cfg, err := LoadConfig("", []string{key, "PUPILRISK_FHIR_URL=https://fhir.clinic.example/r4", "PUPILRISK_FHIR_CLIENT_ID=worker"})
			require.NoError(t, err)
			require.NoError(t, cfg.NeedFHIR())
			environ = append(environ, "PUPILRISK_INTAKE_WEBHOOK_TLS_CERT_FILE=cert", "PUPILRISK_INTAKE_MLLP_TLS_CERT_FILE=cert", "PUPILRISK_FHIR_TLS_CERT_FILE=cert")
		}
		cfg, err := LoadConfig(filepath.Join("..", "deploy", "pupilrisk.example.yaml"), environ)
		require.NoError(t, err)
		require.Equal(t, "%d/fhir-token", cfg.FHIRTokenFile)
	}
}

// systemd's own tools: the unit has no fault that they know, and its exposure is at most 2.0 of 10.
func TestUnitIsSoundAndHardened(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is absent")
	}
	// verify wants an executable at ExecStart: the running one stands in for it.
	self, err := os.Executable()
	require.NoError(t, err)
	dir := t.TempDir()
	unit := filepath.Join(dir, "pupilrisk.service")
	text := strings.ReplaceAll(deployFile(t, "systemd", "pupilrisk.service"), "/usr/local/bin/pupilrisk", self)
	require.NoError(t, os.WriteFile(unit, []byte(text), 0o600))
	require.NoError(t, os.Mkdir(unit+".d", 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(unit+".d", "secrets.conf"), []byte(deployFile(t, "systemd", "pupilrisk.service.d", "secrets.conf")), 0o600))
	said := func(args ...string) string {
		out, err := exec.CommandContext(t.Context(), analyze, args...).CombinedOutput()
		require.NoError(t, err, string(out))
		return string(out)
	}
	// Other units of the machine may have faults of their own.
	var ours []string
	for line := range bytes.Lines([]byte(said("verify", "--man=no", unit))) {
		if strings.Contains(string(line), "pupilrisk") {
			ours = append(ours, string(line))
		}
	}
	require.Empty(t, ours)
	if !slices.Contains(strings.Fields(said("--help")), "--offline=BOOL") {
		t.Skip("this systemd-analyze does not look at a unit file offline")
	}
	said("security", "--offline=true", "--threshold=20", "--no-pager", unit)
}

// A table that names a test as its proof must name one that there is.
func TestNamedTestsExist(t *testing.T) {
	there := map[string]bool{}
	require.NoError(t, filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		text, err := os.ReadFile(path)
		for _, m := range regexp.MustCompile(`(?m)^func (Test\w+|Fuzz\w+)\(`).FindAllSubmatch(text, -1) {
			there[string(m[1])] = true
		}
		return err
	}))
	for _, guide := range []string{"faults.md", "threat-model.md"} {
		named := regexp.MustCompile("`(Test\\w+|Fuzz\\w+)`").FindAllStringSubmatch(deployFile(t, guide), -1)
		require.Greater(t, len(named), 15, guide)
		for _, m := range named {
			require.True(t, there[m[1]], "%s: %s", guide, m[1])
		}
	}
	// Every metric and alert that the guides speak of is one that there is.
	alerts := deployFile(t, "prometheus", "alerts.yaml")
	for _, guide := range []string{"faults.md", "threat-model.md", "runbook.md", "README.md"} {
		text := deployFile(t, guide)
		for _, name := range regexp.MustCompile(`\bpupilrisk_[a-z0-9_]+`).FindAllString(text, -1) {
			require.Contains(t, metricNames, name, guide)
		}
		for _, alert := range regexp.MustCompile(`\bPupilrisk\w+`).FindAllString(text, -1) {
			require.Contains(t, alerts, "alert: "+alert+"\n", guide)
		}
	}
}

// What the guides of deploy/ point at is there, and everything there is pointed at by one of them.
func TestGuidesNameWhatIsThere(t *testing.T) {
	deploy := filepath.Join("..", "deploy")
	pointed := ""
	for _, guide := range []string{"README.md", "nats/README.md", "threat-model.md", "faults.md", "runbook.md", "CHANGELOG.md"} {
		text := deployFile(t, guide)
		pointed += text
		for _, m := range regexp.MustCompile(`\]\(([^)#]+)\)`).FindAllStringSubmatch(text, -1) {
			require.FileExists(t, filepath.Join(deploy, filepath.Dir(guide), m[1]), guide)
		}
		for _, m := range regexp.MustCompile(`\bdeploy/[a-zA-Z0-9_./-]+[a-zA-Z0-9]`).FindAllString(text, -1) {
			_, err := os.Stat(filepath.Join("..", m))
			require.NoError(t, err, guide)
		}
	}
	entries, err := os.ReadDir(deploy)
	require.NoError(t, err)
	for _, e := range entries {
		if e.Name() != "README.md" {
			require.Contains(t, pointed, e.Name())
		}
	}
	// A heading that a link jumps to is there.
	readme := deployFile(t, "README.md")
	for _, m := range regexp.MustCompile(`\]\(#([a-z-]+)\)`).FindAllStringSubmatch(readme, -1) {
		require.Contains(t, strings.ToLower(strings.ReplaceAll(readme, " ", "-")), "##-"+m[1]+"\n")
	}
}

// Whoever approves the catalogue reads the changes: each version of it stands under the clinical rules of one.
func TestChangesNameTheCatalogue(t *testing.T) {
	_, section, found := strings.Cut(deployFile(t, "CHANGELOG.md"), "\n### Clinical rules\n")
	require.True(t, found)
	section, _, _ = strings.Cut(section, "\n### ")
	require.Contains(t, section, "Catalogue "+testCatalogue(t).Version, "the first section names the catalogue that is built in")
}

// Each module that is linked stands in the list of licences, and no other.
func TestLicencesNameWhatIsLinked(t *testing.T) {
	list := exec.CommandContext(t.Context(), "go", "list", "-deps", "-f", "{{with .Module}}{{.Path}}{{end}}", "./cmd/pupilrisk")
	list.Dir = ".."
	out, err := list.Output()
	require.NoError(t, err)
	linked := slices.Compact(slices.Sorted(slices.Values(strings.Fields(string(out)))))
	text, err := os.ReadFile(filepath.Join("..", "deploy", "licences.md"))
	require.NoError(t, err)
	var named []string
	for _, row := range regexp.MustCompile(`(?m)^\| ([^ ]+\.[^ ]+) \| (?:Apache-2\.0|BSD-3-Clause|BSD-2-Clause|MIT|ISC) \|$`).FindAllStringSubmatch(string(text), -1) {
		named = append(named, row[1])
	}
	require.Equal(t, slices.DeleteFunc(linked, func(m string) bool { return m == "pupilrisk" }), named)
}
