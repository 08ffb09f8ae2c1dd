package worker

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/fhirhttp"
	"pupilrisk/worker/mllp"
	"pupilrisk/worker/stream"
	"pupilrisk/worker/webhook"
)

// Metrics are what IT watches. Names are part of the product's outer contract; no label ever holds an identifier, every
// label value comes from a closed list, and each series stands at 0 from the start, so that its first step is seen.
type Metrics struct {
	events         *prometheus.CounterVec
	eventSeconds   *prometheus.HistogramVec
	eventAge       prometheus.Histogram
	assessments    *prometheus.CounterVec
	findings       *prometheus.CounterVec
	writes         *prometheus.CounterVec
	wouldWrite     *prometheus.CounterVec
	fhirRequests   *prometheus.CounterVec
	fhirSeconds    *prometheus.HistogramVec
	deadLetters    *prometheus.CounterVec
	notAssessed    *prometheus.GaugeVec
	incomplete     *prometheus.GaugeVec
	nextUnassessed prometheus.Gauge
	answers        *prometheus.GaugeVec
	rejections     *prometheus.GaugeVec
	dropped        *prometheus.CounterVec
	leftOut        prometheus.Counter
	unknownDrugs   *prometheus.CounterVec
	unknownService *prometheus.CounterVec
	pending        prometheus.Gauge
	ackPending     prometheus.Gauge
	redeliveries   prometheus.Counter
	breakerOpen    prometheus.Gauge
	leadTime       prometheus.Histogram
	lastEvent      prometheus.Gauge
	oldestPending  prometheus.Gauge
	heartbeat      prometheus.Gauge
	streamEvents   *prometheus.CounterVec
	conflicts      prometheus.Counter
	webhook        *prometheus.CounterVec
	mllp, v2       *prometheus.CounterVec
	withheld       prometheus.Counter

	withdrawalsStopped prometheus.Gauge
	sweeps             *prometheus.CounterVec
	lastSweep          prometheus.Gauge
	sweepHolder        prometheus.Gauge
	sweepThrough       prometheus.Gauge
	capability         *prometheus.GaugeVec
	tokenExpiry        prometheus.Gauge
	certificateExpiry  *prometheus.GaugeVec
	buildInfo          *prometheus.GaugeVec
	reloadFailed       prometheus.Gauge
	lastReload         prometheus.Gauge
}

// Closed lists of label values.
var (
	eventSources  = []string{"booking", "history", "sweep", "retry"}
	eventOutcomes = []string{"done", "retry", "wait", "dead-letter", "not-assessed"}
	stages        = []string{"read", "assess", "write", "whole"}
	resources     = []string{"Flag", "Task", "Provenance", "Device", "Appointment"}
	withins       = []string{"48h", "horizon"}

	rejectReasons = append([]string{"other"}, fhirmap.AnswerReasons...) // other: not coded, or not by our list

	capabilities = []string{"batch", "transaction", "update-as-create", "Flag", "Task", "Provenance"}
)

// NewMetrics makes all metrics and registers them.
func NewMetrics(reg prometheus.Registerer, version, catalogue string, mode Mode, cat *rules.Catalogue) *Metrics {
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		c := prometheus.NewCounterVec(prometheus.CounterOpts{Name: "pupilrisk_" + name, Help: help}, labels)
		reg.MustRegister(c)
		return c
	}
	gauge := func(name, help string, labels ...string) *prometheus.GaugeVec {
		g := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "pupilrisk_" + name, Help: help}, labels)
		reg.MustRegister(g)
		return g
	}
	one := func(name, help string) prometheus.Gauge { return gauge(name, help).WithLabelValues() }
	// Classic buckets for every hospital's Prometheus, native ones for those that read them.
	histogram := func(name, help string, buckets []float64, labels ...string) *prometheus.HistogramVec {
		h := prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "pupilrisk_" + name, Help: help, Buckets: buckets,
			NativeHistogramBucketFactor: 1.1, NativeHistogramMaxBucketNumber: 100, NativeHistogramMinResetDuration: time.Hour,
		}, labels)
		reg.MustRegister(h)
		return h
	}
	fast := []float64{.005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30}
	slow := []float64{1, 5, 30, 60, 300, 1800, 7200, 86400}
	days := []float64{3600, 6 * 3600, 86400, 2 * 86400, 3 * 86400, 7 * 86400, 14 * 86400, 30 * 86400, 90 * 86400}
	m := &Metrics{
		events:         counter("events_total", "Events handled, by source and outcome.", "source", "outcome"),
		eventSeconds:   histogram("event_seconds", "Time spent on one event, by stage.", fast, "stage"),
		eventAge:       histogram("event_age_seconds", "Time from an event's arrival in the stream to its being settled.", slow).WithLabelValues().(prometheus.Histogram),
		assessments:    counter("assessments_total", "Assessments whose result changed, by outcome.", "outcome"),
		findings:       counter("findings_total", "Findings of assessments whose result changed.", "hazard", "factor", "level"),
		writes:         counter("writes_total", "Resources written to the FHIR server.", "resource", "change"),
		wouldWrite:     counter("would_write_total", "Resources that shadow mode would have written.", "resource", "change"),
		fhirRequests:   counter("fhir_requests_total", "Requests to the FHIR server, by operation and status code.", "operation", "code"),
		fhirSeconds:    histogram("fhir_request_seconds", "Time of requests to the FHIR server.", fast, "operation"),
		deadLetters:    counter("dead_letters_total", "Events put aside because they can never be handled, by reason.", "reason"),
		notAssessed:    gauge("not_assessed", "Booked operations that could not be assessed, by how near they are.", "within"),
		incomplete:     gauge("incomplete", "Booked operations whose assessment is incomplete, by how near they are.", "within"),
		nextUnassessed: one("next_unassessed_operation_timestamp_seconds", "Start of the next operation that is not assessed; 0 = none."),
		answers:        gauge("task_answers", "Tasks of operations ahead that a person took or answered, by what is asked and the status given.", "preparation", "status"),
		rejections:     gauge("task_rejections", "Tasks of operations ahead that a person rejected, by the coded reason.", "reason"),
		dropped:        counter("entries_dropped_total", "Entries of records left out because they could not be read.", "resource_type", "reason"),
		leftOut:        counter("bookings_left_out_total", "Bookings ahead that only HL7 v2 knows, left out because their patient has too many.").WithLabelValues(),
		unknownDrugs:   counter("unrecognised_medications_total", "Drugs that neither code nor name identifies, by code system.", "system"),
		unknownService: counter("unrecognised_services_total", "Appointments that no rule recognises as a lens operation or as none.", "system"),
		pending:        one("stream_pending", "Events in the stream that wait for a worker."),
		ackPending:     one("stream_ack_pending", "Events given to a worker and not yet acknowledged."),
		redeliveries:   counter("redeliveries_total", "Events that were delivered more than once.").WithLabelValues(),
		breakerOpen:    one("breaker_open", "1 while requests to the FHIR server are held back because it fails or throttles."),
		leadTime:       histogram("lead_time_seconds", "Time from the first flag to the operation.", days).WithLabelValues().(prometheus.Histogram),
		lastEvent:      one("last_event_timestamp_seconds", "When an event was last settled; 0 = never."),
		oldestPending:  one("oldest_pending_timestamp_seconds", "When the oldest event that still waits arrived; 0 = none."),
		heartbeat:      one("heartbeat_timestamp_seconds", "When the consuming loop last went round."),
		streamEvents:   counter("stream_connection_events_total", "Changes of the connection to the stream.", "kind"),
		webhook:        counter("webhook_requests_total", "Requests to the rest-hook, by outcome.", "outcome"),
		mllp:           counter("mllp_events_total", "What happened at the MLLP listener.", "outcome"),
		v2:             counter("hl7v2_acknowledgements_total", "HL7 v2 messages answered, by answer.", "answer"),
		conflicts:      counter("write_conflicts_total", "Writes refused because the record had changed; each is decided anew.").WithLabelValues(),
		sweeps:         counter("sweeps_total", "Sweeps over the booked operations, by result.", "result"),
		lastSweep:      one("last_sweep_timestamp_seconds", "When a sweep last ended well; 0 = never."),
		sweepHolder:    one("sweep_holder", "1 on the replica that sweeps; only there are not_assessed and incomplete set."),
		sweepThrough:   one("sweep_through_timestamp_seconds", "While a sweep is on: bookings that start before have been looked at; 0 = none is on."),
		reloadFailed:   one("config_reload_failed", "1 while the configuration last asked for could not be taken on."),
		lastReload:     one("config_last_reload_timestamp_seconds", "When another configuration was last taken on while running; 0 = never."),
		withheld:       counter("withdrawals_withheld_total", "Withdrawals of flags not made because there were too many in one sweep.").WithLabelValues(),

		withdrawalsStopped: one("withdrawals_stopped", "1 while no flag is withdrawn because there were too many in one sweep."),

		capability: gauge("fhir_capability", "1 where the FHIR server offers what the worker would like to use.", "what"),

		tokenExpiry:       one("token_expiry_timestamp_seconds", "When the token for the FHIR server that is now held ends; 0 = none is held."),
		certificateExpiry: gauge("certificate_expiry_timestamp_seconds", "When a certificate of ours ends; 0 = none is configured, or it cannot be read.", "certificate"),
	}
	m.zero(cat)
	gauge("mode_info", "1 for the mode that is on.", "mode").WithLabelValues(string(mode)).Set(1)
	m.buildInfo = gauge("build_info", "Versions of software and catalogue.", "version", "catalogue")
	m.buildInfo.WithLabelValues(version, catalogue).Set(1)
	return m
}

// catalogue is told that another catalogue is in use.
func (m *Metrics) catalogue(version string, cat *rules.Catalogue) {
	m.zero(cat)
	m.buildInfo.Reset()
	m.buildInfo.WithLabelValues(version, cat.Version).Set(1)
}

// zero creates every series of the closed lists.
func (m *Metrics) zero(cat *rules.Catalogue) {
	for _, s := range eventSources {
		for _, o := range eventOutcomes {
			m.events.WithLabelValues(s, o)
		}
	}
	for _, s := range stages {
		m.eventSeconds.WithLabelValues(s)
	}
	for _, o := range rules.Outcomes {
		m.assessments.WithLabelValues(string(o))
	}
	for _, f := range cat.Factors {
		for _, l := range []rules.Level{rules.Low, rules.Moderate, rules.High} {
			m.findings.WithLabelValues(string(f.Hazard), f.ID, l.String())
		}
	}
	for _, r := range resources {
		for _, c := range fhirmap.Changes {
			m.writes.WithLabelValues(r, string(c))
			m.wouldWrite.WithLabelValues(r, string(c))
		}
	}
	for _, o := range fhirhttp.Operations {
		m.fhirSeconds.WithLabelValues(o)
		for _, code := range fhirhttp.Codes {
			m.fhirRequests.WithLabelValues(o, code)
		}
	}
	for _, r := range reasons {
		m.deadLetters.WithLabelValues(string(r))
	}
	for _, o := range mllp.Outcomes {
		m.mllp.WithLabelValues(o)
	}
	for _, a := range []string{"accepted", "failed", "rejected"} {
		m.v2.WithLabelValues(a)
	}
	for _, o := range webhook.Outcomes() {
		m.webhook.WithLabelValues(o)
	}
	for _, w := range withins {
		m.notAssessed.WithLabelValues(w)
		m.incomplete.WithLabelValues(w)
	}
	for _, t := range append([]string{"Appointment", "other"}, historyTypes...) {
		for _, r := range rules.DropReasons {
			m.dropped.WithLabelValues(t, string(r))
		}
	}
	for _, p := range cat.Preparations {
		for _, s := range answerStatuses {
			m.answers.WithLabelValues(p.Code, s)
		}
	}
	for _, r := range rejectReasons {
		m.rejections.WithLabelValues(r)
	}
	for _, s := range rules.MedicationSystems {
		m.unknownDrugs.WithLabelValues(s)
	}
	for _, s := range []string{"text", "coded"} {
		m.unknownService.WithLabelValues(s)
	}
	for _, k := range stream.EventKinds() {
		m.streamEvents.WithLabelValues(k)
	}
	for _, r := range []string{"done", "failed"} {
		m.sweeps.WithLabelValues(r)
	}
	for c := range (Config{}).certificates() {
		m.certificateExpiry.WithLabelValues(c)
	}
	for _, c := range capabilities {
		m.capability.WithLabelValues(c)
	}
}
