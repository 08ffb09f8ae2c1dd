package worker

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// An alert on a metric that does not exist never fires, and one without a runbook helps nobody.
func TestAlertsNameMetricsThatExistAndHaveARunbook(t *testing.T) {
	deploy := filepath.Join("..", "deploy")
	rules, err := os.ReadFile(filepath.Join(deploy, "prometheus", "alerts.yaml"))
	require.NoError(t, err)
	runbook, err := os.ReadFile(filepath.Join(deploy, "runbook.md"))
	require.NoError(t, err)
	for _, name := range regexp.MustCompile(`pupilrisk_[a-z0-9_]+`).FindAllString(string(rules), -1) {
		require.Contains(t, metricNames, name)
	}
	alerts := regexp.MustCompile(`(?m)- alert: (\w+)$`).FindAllStringSubmatch(string(rules), -1)
	require.Greater(t, len(alerts), 15)
	for _, a := range alerts {
		require.Contains(t, string(runbook), "\n## "+a[1]+"\n")
		require.Contains(t, string(rules), "runbook.md#"+strings.ToLower(a[1])+"\n")
	}
	require.Len(t, regexp.MustCompile(`(?m)^## `).FindAllString(string(runbook), -1), len(alerts), "no entry of an alert that is gone")
}

// promtool is in Debian's package prometheus; without it the rules are not run, which .ci/run does not let pass.
func TestAlertsFireAndKeepQuiet(t *testing.T) {
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		require.NotContains(t, os.Getenv("PUPILRISK_REQUIRE"), "promtool", "promtool is absent (Debian's package prometheus)")
		t.Skip("promtool is absent (Debian's package prometheus)")
	}
	run := exec.CommandContext(t.Context(), promtool, "test", "rules", "alerts_test.yaml")
	run.Dir = filepath.Join("..", "deploy", "prometheus")
	out, err := run.CombinedOutput()
	require.NoError(t, err, string(out))
}
