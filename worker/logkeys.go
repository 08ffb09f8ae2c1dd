package worker

import (
	"log/slog"
	"slices"
)

// logKeys are the keys that a log line may have: each was looked at and cannot hold anything about a patient (patient is the hash of an
// audit line). Texts of errors are of
// ours alone: see the rule in DEVELOPERS.md and the tests of privacy.
var logKeys = []string{
	slog.TimeKey, slog.LevelKey, slog.MessageKey,
	"addr", "again_in", "bookings", "bucket", "catalogue", "cause", "consumer", "delay", "does", "error", "failed", "faults", "first", "http", "in", "key", "kind",
	"lanes", "max_age", "max_bytes", "message", "mode", "nats", "outcome", "patient", "patients", "peers", "reason", "replicas", "resumes", "settings", "source",
	"status", "stream", "stream_seq", "timezone", "tls", "ttl", "usual_max_age", "usual_max_bytes", "usual_replicas", "usual_ttl", "warning", "what", "who", "why",
}

// LogAttr is for slog.HandlerOptions.ReplaceAttr: an attribute whose key nobody has allowed keeps its key and loses its value.
func LogAttr(_ []string, a slog.Attr) slog.Attr {
	if !slices.Contains(logKeys, a.Key) {
		a.Value = slog.StringValue("withheld: this key is not on the list of keys that may be logged")
	}
	return a
}
