package worker

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestConfigFaultsAreOneLineWithKeyAndPlace(t *testing.T) {
	for name, c := range map[string]struct {
		file    string
		environ []string
		want    string
	}{
		"unknown key":          {file: "mode: live\nfhir:\n  ur: http://x/fhir\n", want: "FILE:3: fhir.ur: unknown key"},
		"key of another level": {file: "url: http://x/fhir\n", want: "FILE:1: url: unknown key; did you mean fhir.url?"},
		"bad mode":             {file: "mode: on\n", want: `FILE:1: mode: "on" is none of shadow, live`},
		"bad switch":           {environ: []string{"PUPILRISK_LOG_AUDIT=never"}, want: "environment PUPILRISK_LOG_AUDIT: log.audit: wants true or false"},
		"bad duration":         {file: "sweep:\n  horizon: ninety\n", want: "FILE:2: sweep.horizon: wants a duration such as 90d, 6h or 30s"},
		"too frequent sweep":   {file: "sweep:\n  every: 1s\n", want: "FILE:2: sweep.every: wants at least 1m"},
		"evening at no time":   {file: "sweep:\n  evening: 25:00\n", want: "FILE:2: sweep.evening: wants a time of day such as 18:00, or off"},
		"list for a value":     {file: "timezone: [a, b]\n", want: "FILE:1: timezone: wants one value, not a list"},
		"no value":             {file: "mode:\n", want: "FILE:1: mode: has no value"},
		"bad holiday":          {file: "holidays: [12-25, Christmas]\n", want: "FILE:1: holidays: wants days such as 2026-12-25, or 12-25 for every year"},
		"bad zone":             {file: "timezone: Mars/Olympus\n", want: "FILE:1: timezone: no such time zone"},
		"secret in the URL":    {file: "fhir: {url: 'https://me:secret@x/fhir'}\n", want: "FILE:1: fhir.url: wants an http or https address without user, password or query"},
		"two kinds of token":   {file: "fhir: {token_file: a, client_id: b, key_file: c}\n", want: "FILE:1: fhir.token_file: a token from a file, or fhir.client_id with fhir.key_file, not both"},
		"client without a key": {file: "fhir:\n  client_id: b\n", want: "FILE:2: fhir.client_id: needs fhir.key_file"},
		"endpoint, no client":  {file: "fhir: {token_url: 'https://a/b'}\n", want: "FILE:1: fhir.token_url: needs fhir.client_id and fhir.key_file"},
		"endpoint without TLS": {file: "fhir: {client_id: b, key_file: c, token_url: 'http://a.example/'}\n", want: "FILE:1: fhir.token_url: wants https"},
		"secret in endpoint":   {file: "fhir: {client_id: b, key_file: c, token_url: 'https://me:secret@x/'}\n", want: "FILE:1: fhir.token_url: wants an address without user"},
		"not YAML":             {file: "mode: [\n", want: "FILE: not YAML:"},
		"environment unknown":  {environ: []string{"PUPILRISK_FHIR_ULR=x"}, want: "environment: PUPILRISK_FHIR_ULR: unknown key"},
		"environment bad":      {environ: []string{"PUPILRISK_CONCURRENCY=0"}, want: "environment PUPILRISK_CONCURRENCY: concurrency: wants 1 to 1024"},
		"webhook open to all":  {environ: []string{"PUPILRISK_INTAKE_WEBHOOK_ADDR=127.0.0.1:8443"}, want: "environment PUPILRISK_INTAKE_WEBHOOK_ADDR: intake.webhook.addr: needs intake.webhook.secret_file"},
		"webhook without TLS":  {file: "intake: {webhook: {addr: ':8443', secret_file: f}}\n", want: "FILE:1: intake.webhook.addr: without TLS only a loopback address"},
		"webhook half of TLS":  {file: "intake: {webhook: {addr: ':8443', secret_file: f, tls: {cert_file: c}}}\n", want: "FILE:1: intake.webhook.addr: needs both"},
		"transaction of one":   {file: "fhir:\n  transaction_limit: 1\n", want: "FILE:2: fhir.transaction_limit: wants 0 for none, or at least 2"},
		"neither yes nor no":   {file: "fhir:\n  post_search: maybe\n", want: "FILE:2: fhir.post_search: wants true or false"},
		"endpoint of no kind":  {file: "tracing: {endpoint: '127.0.0.1:4318'}\n", want: "FILE:1: tracing.endpoint: wants an http or https address without user"},
		"secret for traces":    {file: "tracing:\n  endpoint: https://me:secret@x\n", want: "FILE:2: tracing.endpoint: wants an http or https address without user"},
		"ratio of no number":   {environ: []string{"PUPILRISK_TRACING_RATIO=half"}, want: "environment PUPILRISK_TRACING_RATIO: tracing.ratio: wants a number"},
		"ratio of too much":    {environ: []string{"PUPILRISK_TRACING_RATIO=1.5"}, want: "environment PUPILRISK_TRACING_RATIO: tracing.ratio: wants 0 to 1"},
		"ratio that is none":   {environ: []string{"PUPILRISK_TRACING_RATIO=NaN"}, want: "environment PUPILRISK_TRACING_RATIO: tracing.ratio: wants 0 to 1"},
		"code without system":  {file: "operations:\n  match:\n    codes: [X1]\n", want: "FILE:3: operations.match.codes: wants system|code"},
	} {
		t.Run(name, func(t *testing.T) {
			file := ""
			if c.file != "" {
				file = filepath.Join(t.TempDir(), "c.yaml")
				require.NoError(t, os.WriteFile(file, []byte(c.file), 0o600))
			}
			_, err := LoadConfig(file, c.environ)
			require.Error(t, err)
			text := err.Error()
			if file != "" {
				text = strings.ReplaceAll(text, file, "FILE")
			}
			require.NotContains(t, text, "me:secret")
			require.NotContains(t, text, "\n", "one line")
			require.True(t, strings.HasPrefix(text, c.want), text)
		})
	}
}

func TestConfigEnvironmentOverFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "c.yaml")
	require.NoError(t, os.WriteFile(file, []byte("mode: shadow\nfhir:\n  url: http://a/fhir\n  base_aliases: [http://b/fhir, http://c/fhir]\nsweep: {horizon: 30d}\nnats: {manage: true}\n"), 0o600))
	c, err := LoadConfig(file, []string{"PUPILRISK_MODE=live", "PUPILRISK_HISTORY_REQUIRED=Condition, Procedure", "HOME=/nowhere"})
	require.NoError(t, err)
	require.Equal(t, Live, c.Mode)
	require.Equal(t, "http://a/fhir", c.FHIRURL)
	require.Equal(t, []string{"http://b/fhir", "http://c/fhir"}, c.FHIRAliases)
	require.Equal(t, 30*24*time.Hour, c.SweepHorizon)
	require.Equal(t, OptBool{Set: true, Value: true}, c.NATSManage)
	require.Equal(t, [][]string{{"Condition"}, {"Procedure"}}, c.settings().Required)
}

func TestConfigDefaultsAreValidAndShadow(t *testing.T) {
	c, err := LoadConfig("", nil)
	require.NoError(t, err)
	require.Equal(t, Shadow, c.Mode)
	require.ErrorContains(t, c.NeedFHIR(), "fhir.url: is required (or PUPILRISK_FHIR_URL)")
	c.FHIRURL, c.FHIRClientKey = "https://fhir.clinic.example", "key"
	require.ErrorContains(t, c.NeedFHIR(), "fhir.key_file: needs fhir.client_id")
}

// What is shown is what is used, also where a key is left to others.
func TestEffectiveIsWhatIsUsed(t *testing.T) {
	for name, x := range map[string]struct {
		environ []string
		want    []Setting
	}{
		"embedded": {[]string{"PUPILRISK_NATS_STORE_DIR=/s"}, []Setting{
			{"nats.inbox_prefix", "_INBOX", "default", false}, {"nats.token_file", "/s/token", "default", true}, {"nats.manage", "true", "default", false},
		}},
		"embedded, for all": {[]string{"PUPILRISK_NATS_TOKEN_FILE=off"}, []Setting{
			{"nats.token_file", "off", "environment PUPILRISK_NATS_TOKEN_FILE", false},
		}},
		"external": {[]string{"PUPILRISK_NATS_URL=nats://n:4222", "PUPILRISK_NATS_INBOX_PREFIX="}, []Setting{
			{"nats.inbox_prefix", "_INBOX", "environment PUPILRISK_NATS_INBOX_PREFIX", false},
			{"nats.token_file", "", "default", false},
			{"nats.manage", "false", "default", false},
		}},
		"set": {[]string{"PUPILRISK_NATS_INBOX_PREFIX=_I", "PUPILRISK_NATS_TOKEN_FILE=/t", "PUPILRISK_NATS_MANAGE=false"}, []Setting{
			{"nats.inbox_prefix", "_I", "environment PUPILRISK_NATS_INBOX_PREFIX", false},
			{"nats.token_file", "/t", "environment PUPILRISK_NATS_TOKEN_FILE", true},
			{"nats.manage", "false", "environment PUPILRISK_NATS_MANAGE", false},
		}},
	} {
		t.Run(name, func(t *testing.T) {
			c, err := LoadConfig("", x.environ)
			require.NoError(t, err)
			require.Subset(t, c.Effective(), x.want)
		})
	}
}

// Every key of the configuration is explained in the README, and the README names no key that there is not.
func TestREADMENamesEveryKey(t *testing.T) {
	text, err := os.ReadFile("../README.md")
	require.NoError(t, err)
	for _, k := range Keys() {
		require.Contains(t, string(text), "`"+k+"`")
	}
}

// The example that operators start from is a valid configuration.
func TestExampleConfiguration(t *testing.T) {
	c, err := LoadConfig(filepath.Join("..", "deploy", "pupilrisk.example.yaml"), nil)
	require.NoError(t, err)
	require.NoError(t, c.NeedFHIR())
	require.Equal(t, Shadow, c.Mode)
}
