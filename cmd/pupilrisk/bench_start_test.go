package main

import (
	"fmt"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream/streamtest"
)

// BenchmarkStart is how long the program takes from its start until it says that it is ready: the median of ten starts, and the
// longest of them. The FHIR server is on loopback. Asked for: 300 ms with the clinic's own NATS, 1 s with the embedded one.
func BenchmarkStart(b *testing.B) {
	const starts = 10
	report := func(b *testing.B, site *site, before func(i int)) {
		var took []float64
		for i := range starts {
			before(i)
			begun := time.Now()
			process := site.serve()
			process.readyAsked(time.Millisecond)
			took = append(took, float64(time.Since(begun).Microseconds())/1000)
			process.kill(syscall.SIGTERM)
			require.Zero(b, process.code, process.log.String())
		}
		b.ReportMetric(0, "ns/op") // several starts are no operation
		b.ReportMetric(median(took), "ms-to-ready")
		b.ReportMetric(slices.Max(took), "ms-longest")
	}
	b.Run("nats=external", func(b *testing.B) {
		site := newSite(b)
		nats := streamtest.StartProcess(b, b.TempDir())
		site.connect(nats.URL(), nats.TokenFile())
		report(b, site, func(int) {})
	})
	for _, store := range []string{"new", "kept"} {
		b.Run("nats=embedded/store="+store, func(b *testing.B) {
			site := newSite(b)
			dir := b.TempDir()
			plain := site.environ
			report(b, site, func(i int) {
				at := filepath.Join(dir, "nats")
				if store == "new" {
					at += fmt.Sprint(i)
				}
				site.environ = append(slices.Clone(plain), "PUPILRISK_NATS_STORE_DIR="+at, "PUPILRISK_NATS_LISTEN=127.0.0.1:0")
			})
		})
	}
}
