package worker

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"testing"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/peertest"
)

// One Bundle of 60 records, from its JSON text: every factor of the catalogue assessed by us, beside one rule (tamsulosin
// ever) evaluated by two engines of others, cql-execution and fhirpath, in the same run. Needs PUPILRISK_INTEROP=1.
func BenchmarkAssessBundleBesideOthers(b *testing.B) {
	m := newPatientMaker(b)
	var entries [][]byte
	for n := range 40 {
		bundle := m.bundle(n)
		i, j := bytes.Index(bundle, []byte(`{"resource":{"resourceType":"Appointment"`)), bytes.LastIndex(bundle, []byte(`]}`))
		rest := bundle[i:j]
		entries = append(entries, rest[bytes.Index(rest, []byte(`},{"resource":`))+2:])
	}
	records := bytes.Split(bytes.Join(entries, []byte(",")), []byte(`,{"resource":`))
	require.Greater(b, len(records), 60)
	patient := []byte(`{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Patient","id":"p"}},{"resource":{"resourceType":"Appointment","id":"op","status":"booked",` +
		`"start":"2026-12-01T09:00:00Z","serviceType":[{"text":"Cataract surgery"}],"participant":[{"actor":{"reference":"Patient/p"},"status":"accepted"}]}},`)
	body := append(append(patient, bytes.Join(records[:60], []byte(`,{"resource":`))...), `]}`...)
	for n := range 40 {
		body = bytes.ReplaceAll(body, fmtPatient(n), []byte(`"Patient/p"`))
	}
	file := filepath.Join(b.TempDir(), "bundle.json")
	require.NoError(b, os.WriteFile(file, body, 0o600))
	cql, fhirpath := peertest.OracleSpeed(b, file)
	defer debug.SetGCPercent(debug.SetGCPercent(AssessGCPercent)) // as the command does
	o := offline(b)
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		if err := o.Read(bytes.NewReader(body), func(Result) error { return nil }); err != nil {
			b.Fatal(err)
		}
	}
	rate := float64(b.N) / b.Elapsed().Seconds()
	b.ReportMetric(rate, "bundles/s")
	b.ReportMetric(rate/cql, "times-cql")
	b.ReportMetric(rate/fhirpath, "times-fhirpath")
}

func fmtPatient(n int) []byte { return fmt.Appendf(nil, `"Patient/invented-%d"`, n) }
