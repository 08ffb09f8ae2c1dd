package worker

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"testing"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
)

// One line for each record read and each resource written, with the patient as a hash that only this process can make.
func TestAuditLines(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	type line struct{ Msg, Who, Does, What, Why, Outcome, Patient string }
	heard := func(audit bool) (lines []line) {
		var out bytes.Buffer
		w := c.worker()
		w.cfg.LogAudit = audit
		w.log = slog.New(slog.NewJSONHandler(&out, &slog.HandlerOptions{ReplaceAttr: LogAttr}))
		w.audit = newAuditor(w.cfg, w.log)
		require.NoError(t, w.handle(withReason(t.Context(), "event"), []byte(`{"reference":"Patient/bob"}`), 0))
		require.NoError(t, w.Sweep(t.Context()))
		require.Error(t, w.handle(withReason(t.Context(), "event"), []byte(`{"reference":"Patient/nobody"}`), 0))
		require.NotContains(t, out.String(), "bob")
		for _, raw := range bytes.Split(bytes.TrimSpace(out.Bytes()), []byte("\n")) {
			var l line
			require.NoError(t, json.Unmarshal(raw, &l))
			if l.Msg == "audit" {
				lines = append(lines, l)
			}
		}
		return lines
	}
	require.Empty(t, heard(false))
	c.put(booking("bob", "a1", "booked", "2026-03-10T09:00:00Z", "Cataract surgery, right eye"))
	first := heard(true)
	require.Equal(t, line{"audit", "pupilrisk", "read", "record", "event", "done", first[0].Patient}, first[0])
	require.Len(t, first[0].Patient, 16)
	var wrote int
	for _, l := range first[1 : len(first)-2] {
		require.Equal(t, line{"audit", "pupilrisk", "update", "Task", "event", "done", first[0].Patient}, l)
		wrote++
	}
	require.NotZero(t, wrote)
	require.Equal(t, line{"audit", "pupilrisk", "read", "record", "sweep", "done", first[0].Patient}, first[len(first)-2])
	nobody := first[len(first)-1]
	require.NotEqual(t, first[0].Patient, nobody.Patient)
	require.Equal(t, line{"audit", "pupilrisk", "read", "record", "event", "dead-letter", nobody.Patient}, nobody)
	require.NotEqual(t, first[0].Patient, heard(true)[0].Patient, "another process, another key")
}
