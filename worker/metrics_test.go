package worker

import (
	"slices"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"
)

// metricNames are part of the product's outer contract: a name that goes, or changes its labels, breaks somebody's alert.
var metricNames = map[string]string{
	"pupilrisk_events_total": "outcome source", "pupilrisk_event_seconds": "stage", "pupilrisk_event_age_seconds": "",
	"pupilrisk_assessments_total": "outcome", "pupilrisk_findings_total": "factor hazard level", "pupilrisk_writes_total": "change resource",
	"pupilrisk_would_write_total": "change resource", "pupilrisk_fhir_requests_total": "code operation", "pupilrisk_fhir_request_seconds": "operation",
	"pupilrisk_dead_letters_total": "reason", "pupilrisk_not_assessed": "within", "pupilrisk_incomplete": "within",
	"pupilrisk_next_unassessed_operation_timestamp_seconds": "", "pupilrisk_entries_dropped_total": "reason resource_type",
	"pupilrisk_unrecognised_medications_total": "system", "pupilrisk_unrecognised_services_total": "system", "pupilrisk_stream_pending": "",
	"pupilrisk_stream_ack_pending": "", "pupilrisk_redeliveries_total": "", "pupilrisk_breaker_open": "", "pupilrisk_lead_time_seconds": "",
	"pupilrisk_last_event_timestamp_seconds": "", "pupilrisk_oldest_pending_timestamp_seconds": "", "pupilrisk_heartbeat_timestamp_seconds": "",
	"pupilrisk_mode_info": "mode", "pupilrisk_build_info": "catalogue version",
	// Beyond the contract.
	"pupilrisk_bookings_left_out_total":        "",
	"pupilrisk_stream_connection_events_total": "kind", "pupilrisk_write_conflicts_total": "", "pupilrisk_webhook_requests_total": "outcome", "pupilrisk_mllp_events_total": "outcome", "pupilrisk_hl7v2_acknowledgements_total": "answer", "pupilrisk_withdrawals_withheld_total": "", "pupilrisk_withdrawals_stopped": "", "pupilrisk_sweeps_total": "result",
	"pupilrisk_task_answers": "preparation status", "pupilrisk_task_rejections": "reason",
	"pupilrisk_last_sweep_timestamp_seconds": "", "pupilrisk_fhir_capability": "what",
	"pupilrisk_token_expiry_timestamp_seconds": "", "pupilrisk_certificate_expiry_timestamp_seconds": "certificate",
	"pupilrisk_config_reload_failed": "", "pupilrisk_config_last_reload_timestamp_seconds": "", "pupilrisk_sweep_holder": "", "pupilrisk_sweep_through_timestamp_seconds": "",
}

// eachSeries gathers all metrics and hands out every series: the family's name and help, the label names, the value.
func eachSeries(t *testing.T, each func(name, help string, labels []string, value float64)) {
	t.Helper()
	reg := prometheus.NewRegistry()
	cat := testCatalogue(t)
	NewMetrics(reg, "test", cat.Version, Shadow, cat)
	problems, err := testutil.GatherAndLint(reg)
	require.NoError(t, err)
	require.Empty(t, problems)
	families, err := reg.Gather()
	require.NoError(t, err)
	for _, f := range families {
		for _, m := range f.GetMetric() {
			var labels []string
			for _, l := range m.GetLabel() {
				labels = append(labels, l.GetName())
			}
			slices.Sort(labels)
			each(f.GetName(), f.GetHelp(), labels, m.GetCounter().GetValue()+m.GetGauge().GetValue()+float64(m.GetHistogram().GetSampleCount()))
		}
	}
}

func TestMetricNamesAndLabelsAreTheContract(t *testing.T) {
	got := map[string]string{}
	eachSeries(t, func(name, help string, labels []string, _ float64) {
		require.NotEmpty(t, help, name)
		got[name] = strings.Join(labels, " ")
	})
	require.Equal(t, metricNames, got, "every series stands from the start, so every family is gathered")
}

func TestEverySeriesStartsAtZero(t *testing.T) {
	eachSeries(t, func(name, _ string, _ []string, value float64) {
		if !strings.HasSuffix(name, "_info") {
			require.Zero(t, value, name)
		}
	})
}
