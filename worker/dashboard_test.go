package worker_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/rules/catalogue"
	"pupilrisk/worker"
	"pupilrisk/worker/demo"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream"
)

// dashboard is what the tests read of Grafana's model.
type dashboard struct {
	Panels     []panel
	Templating struct{ List []struct{ Name string } }
}

type panel struct {
	ID                       int
	Type, Title, Description string
	Datasource               struct{ UID string }
	FieldConfig              struct{ Defaults struct{ Unit string } }
	Targets                  []struct{ RefID, Expr string }
}

func readDashboard(t *testing.T) dashboard {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "deploy", "grafana", "pupilrisk.json"))
	require.NoError(t, err)
	var d dashboard
	require.NoError(t, json.Unmarshal(data, &d, json.MatchCaseInsensitiveNames(true)))
	return d
}

// A panel on a metric that does not exist shows nothing, which looks like peace.
func TestDashboardPanelsAreExplainedAndNameMetricsThatExist(t *testing.T) {
	d := readDashboard(t)
	var variables, rows []string
	for _, v := range d.Templating.List {
		variables = append(variables, v.Name)
	}
	require.Equal(t, []string{"datasource", "job", "instance"}, variables)
	ids := map[int]bool{}
	metric := regexp.MustCompile(`[a-z_]+[a-z0-9_]*\{[^}]*\}`)
	ours := regexp.MustCompile(`(pupilrisk|go|process)_[a-z0-9_]+`)
	for _, p := range d.Panels {
		require.False(t, ids[p.ID], "panel ids are unique")
		ids[p.ID] = true
		require.NotEmpty(t, p.Title)
		if p.Type == "row" {
			rows = append(rows, p.Title)
			continue
		}
		require.NotEmpty(t, p.Description, p.Title)
		require.NotEmpty(t, p.FieldConfig.Defaults.Unit, p.Title)
		require.Equal(t, "${datasource}", p.Datasource.UID, p.Title)
		require.NotEmpty(t, p.Targets, p.Title)
		for _, q := range p.Targets {
			selectors := metric.FindAllString(q.Expr, -1)
			require.NotEmpty(t, selectors, q.Expr)
			require.Len(t, ours.FindAllString(q.Expr, -1), len(selectors), "each metric has a selector: %s", q.Expr)
			for _, s := range selectors {
				name, labels, _ := strings.Cut(s, "{")
				require.Contains(t, labels, `job=~"$job", instance=~"$instance"`, q.Expr)
				if strings.HasPrefix(name, "go_") || strings.HasPrefix(name, "process_") {
					continue
				}
				require.Contains(t, worker.MetricNames, strings.TrimSuffix(name, "_bucket"), q.Expr)
			}
		}
	}
	require.Equal(t, []string{"Is the clinic covered?", "Events", "FHIR", "Findings", "Runtime"}, rows)
}

// Debian's Prometheus scrapes the demo, first before its worker has begun, as every worker starts: each query of the
// dashboard must then have an answer, and real faults must fire their alerts. Without Prometheus nothing is asked, which
// .ci/run does not let pass.
func TestDashboardAndAlertsOverTheDemo(t *testing.T) {
	program, err := exec.LookPath("prometheus")
	if err != nil {
		require.NotContains(t, os.Getenv("PUPILRISK_REQUIRE"), "promtool", "prometheus is absent (Debian's package prometheus)")
		t.Skip("prometheus is absent (Debian's package prometheus)")
	}
	cat, err := fhirmap.LoadCatalogue(catalogue.FS)
	require.NoError(t, err)
	atRest := prometheus.NewRegistry()
	atRest.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	worker.NewMetrics(atRest, "test", cat.Version, worker.Live, cat)
	var handler atomic.Pointer[http.Handler]
	serve := func(h http.Handler) { handler.Store(&h) }
	serve(promhttp.HandlerFor(atRest, promhttp.HandlerOpts{}))
	target := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { (*handler.Load()).ServeHTTP(w, r) }))
	t.Cleanup(target.Close)
	p := startPrometheus(t, program, strings.TrimPrefix(target.URL, "http://"))
	p.eventually(`count_over_time(pupilrisk_build_info[5m]) >= 2`)

	run, err := demo.Start(t.Context(), cat, "test", slog.New(slog.DiscardHandler), time.Now)
	require.NoError(t, err)
	t.Cleanup(func() {
		closing, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		require.NoError(t, run.Close(closing))
	})
	waiting, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	require.NoError(t, run.Handled(waiting))
	serve(run.Worker.Handler(run.Gather))
	p.eventually(`sum(increase(pupilrisk_events_total[5m])) > 0 and sum(pupilrisk_stream_pending) == 0 and min(pupilrisk_heartbeat_timestamp_seconds) > 0`)

	requirePanels(t, p)
	requireAlerts(t, p, run, func() { serve(http.NotFoundHandler()) })
}

// requirePanels asks every query of the dashboard.
func requirePanels(t *testing.T, p prometheusServer) {
	t.Helper()
	variables := strings.NewReplacer("$job", "pupil.*", "$instance", ".*", "$__rate_interval", "5m")
	for _, panel := range readDashboard(t).Panels {
		for _, q := range panel.Targets {
			values, err := p.query(variables.Replace(q.Expr))
			require.NoError(t, err, panel.Title)
			require.NotEmpty(t, values, "%s: %s", panel.Title, q.Expr)
			require.False(t, slices.ContainsFunc(values, math.IsNaN), "%s: %s: %v", panel.Title, q.Expr, values)
		}
	}
}

// requireAlerts breaks one thing after the other and waits for the alert of each; down ends the metrics' being served.
func requireAlerts(t *testing.T, p prometheusServer, run *demo.Run, down func()) {
	t.Helper()
	publisher, err := stream.Open(t.Context(), stream.Config{URL: run.NATSURL, TokenFile: run.Token})
	require.NoError(t, err)
	t.Cleanup(func() {
		closing, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		require.NoError(t, publisher.Close(closing))
	})
	events := func(payload string) {
		for i := range 20 {
			_, err := publisher.Publish(t.Context(), "clinic.booking.new", fmt.Appendf(nil, payload, i), "")
			require.NoError(t, err)
		}
	}
	for _, x := range []struct {
		alert string
		fault func()
	}{
		{"PupilriskDeadLetters", func() { events("no event, %d") }},
		{"PupilriskFHIRRefused", func() {
			run.Store.Fault(fhirstore.Fault{Status: http.StatusForbidden})
			events(`{"reference":"Appointment/a%d"}`)
		}},
		{"PupilriskFHIRHeld", func() {
			run.Store.ClearFaults()
			run.Store.Fault(fhirstore.Fault{Status: http.StatusServiceUnavailable})
			events(`{"reference":"Appointment/b%d"}`)
		}},
		{"PupilriskDown", down},
	} {
		firing := fmt.Sprintf(`ALERTS{alertname=%q, alertstate="firing"}`, x.alert)
		before, err := p.query(firing)
		require.NoError(t, err)
		require.Empty(t, before, "%s fires without cause", x.alert)
		x.fault()
		p.eventually(firing)
	}
	run.Store.ClearFaults()
}

// prometheusServer is a Prometheus of its own, ended with the test.
type prometheusServer struct {
	t   *testing.T
	url string
}

func startPrometheus(t *testing.T, program, target string) prometheusServer {
	t.Helper()
	dir := t.TempDir()
	// The alert rules as they are, but for how long a fault must last.
	rules, err := os.ReadFile(filepath.Join("..", "deploy", "prometheus", "alerts.yaml"))
	require.NoError(t, err)
	rules = regexp.MustCompile(`(?m)^( +for: ).*$`).ReplaceAll(rules, []byte("${1}0s"))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "alerts.yaml"), rules, 0o600))
	config := filepath.Join(dir, "prometheus.yml")
	require.NoError(t, os.WriteFile(config, fmt.Appendf(nil, `
global: {scrape_interval: 1s, evaluation_interval: 1s}
rule_files: [alerts.yaml]
scrape_configs: [{job_name: pupilrisk, static_configs: [{targets: [%q]}]}]
`, target), 0o600))
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address := listener.Addr().String()
	require.NoError(t, listener.Close())
	var said bytes.Buffer
	cmd := exec.Command(program, "--config.file="+config, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+address)
	cmd.Stderr = &said
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		http.DefaultClient.CloseIdleConnections()
		if t.Failed() {
			t.Log(said.String())
		}
	})
	return prometheusServer{t: t, url: "http://" + address}
}

// query is the value of each series of the answer.
func (p prometheusServer) query(expr string) ([]float64, error) {
	request, err := http.NewRequestWithContext(p.t.Context(), http.MethodGet, p.url+"/api/v1/query?query="+url.QueryEscape(expr), nil)
	if err != nil {
		return nil, err
	}
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		return nil, err
	}
	defer answer.Body.Close()
	var body struct {
		Error string
		Data  struct {
			Result []struct{ Value [2]any }
		}
	}
	if err := json.UnmarshalRead(answer.Body, &body, json.MatchCaseInsensitiveNames(true)); err != nil {
		return nil, err
	}
	if body.Error != "" {
		return nil, fmt.Errorf("%s: %s", expr, body.Error)
	}
	var values []float64
	for _, r := range body.Data.Result {
		text, _ := r.Value[1].(string)
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return nil, err
		}
		values = append(values, v)
	}
	return values, nil
}

// eventually waits until expr, a condition, holds.
func (p prometheusServer) eventually(expr string) {
	p.t.Helper()
	require.Eventually(p.t, func() bool {
		values, err := p.query(expr)
		return err == nil && len(values) > 0
	}, 2*time.Minute, 100*time.Millisecond, expr)
}
