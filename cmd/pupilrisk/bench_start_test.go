package main

import (
	"fmt"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream/streamtest"
)

// BenchmarkStart is how long the program takes from its start until it says that it is ready: the median, and the longest. The FHIR server is on
// loopback. Asked for: 300 ms with the clinic's own NATS, 1 s with the embedded one. Its store is a new one, or the one that the process
// before left in good order, or one with 100,000 events that a killed process left.
func BenchmarkStart(b *testing.B) {
	report := func(b *testing.B, site *site, end syscall.Signal, before func(i int)) {
		var took []float64
		for b.Loop() {
			b.StopTimer()
			before(len(took))
			b.StartTimer()
			begun := time.Now()
			process := site.serve()
			process.readyAsked(time.Millisecond)
			took = append(took, float64(time.Since(begun).Microseconds())/1000)
			b.StopTimer()
			process.kill(end)
			b.StartTimer()
		}
		b.ReportMetric(median(took), "ms-to-ready")
		b.ReportMetric(slices.Max(took), "ms-longest")
	}
	b.Run("nats=external", func(b *testing.B) {
		site := newSite(b)
		nats := streamtest.StartProcess(b, b.TempDir())
		site.connect(nats.URL(), nats.TokenFile())
		report(b, site, syscall.SIGTERM, func(int) {})
	})
	for _, store := range []string{"new", "kept", "killed"} {
		b.Run("nats=embedded/store="+store, func(b *testing.B) {
			site := newSite(b)
			dir, listen, end := b.TempDir(), freeAddr(b), syscall.SIGTERM
			plain := site.environ
			at := func(dir string) {
				site.environ = append(slices.Clone(plain), "PUPILRISK_NATS_STORE_DIR="+dir, "PUPILRISK_NATS_LISTEN="+listen)
			}
			at(dir)
			if store == "killed" {
				process := site.serve()
				process.ready()
				process.kill(syscall.SIGTERM)
				queueMany(b, dir, 100_000)
				end = syscall.SIGKILL
			}
			report(b, site, end, func(i int) {
				if store == "new" {
					at(filepath.Join(dir, fmt.Sprint(i)))
				}
			})
		})
	}
}

// queueMany adds n events to the queue in the store of an embedded NATS server that is not running, about patients of whom the record
// knows nothing. The server that writes them leaves it to the system when they reach the disk, or it would take long.
func queueMany(b *testing.B, dir string, n int) {
	b.Helper()
	srv, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, NoSigs: true, NoLog: true, JetStream: true, StoreDir: dir})
	require.NoError(b, err)
	srv.Start()
	defer srv.WaitForShutdown()
	defer srv.Shutdown()
	require.True(b, srv.ReadyForConnections(10*time.Second))
	conn, err := nats.Connect(srv.ClientURL())
	require.NoError(b, err)
	defer conn.Close()
	js, err := jetstream.New(conn)
	require.NoError(b, err)
	for i := range n {
		_, err := js.PublishAsync("clinic.booking.bench", fmt.Appendf(nil, `{"reference":"Patient/p%d"}`, i))
		require.NoError(b, err)
	}
	<-js.PublishAsyncComplete()
}
