package worker

// MetricNames is the golden list, for tests that need packages which import this one.
var MetricNames = metricNames
