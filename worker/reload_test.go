package worker

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/fstest"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream/streamtest"
)

// lockedBuffer takes log lines while a test reads them.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// A running worker takes on another catalogue and settings; what is faulty, or needs a restart, it says and leaves.
func TestReload(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	tomorrow := strings.NewReplacer("2026-03-09T09:00:00Z", time.Now().Add(24*time.Hour).UTC().Format(time.RFC3339))
	c.put(bob, bobTook, tomorrow.Replace(bobsBooking))
	addr := net.JoinHostPort("127.0.0.1", strconv.Itoa(streamtest.FreePort(t)))
	cfg := DefaultConfig()
	cfg.Mode, cfg.FHIRURL, cfg.HTTPAddr = Live, c.url, addr
	cfg.NATSStoreDir, cfg.NATSListen = t.TempDir(), "127.0.0.1:0"

	var mu sync.Mutex
	load := func() (Config, *rules.Catalogue, error) { return cfg, testCatalogue(t), nil }
	set := func(f func() (Config, *rules.Catalogue, error)) { mu.Lock(); defer mu.Unlock(); load = f }
	asked := make(chan os.Signal, 1)
	var level slog.LevelVar
	var logged lockedBuffer
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		done <- Serve(ctx, cfg, testCatalogue(t), "test", slog.New(slog.NewTextHandler(&logged, &slog.HandlerOptions{Level: &level})), Reload{
			Asked: asked, Level: &level,
			Load: func() (Config, *rules.Catalogue, error) { mu.Lock(); defer mu.Unlock(); return load() },
		})
	}()
	metrics := func() string {
		r, err := http.Get("http://" + addr + "/metrics")
		if err != nil {
			return ""
		}
		defer r.Body.Close()
		b, _ := io.ReadAll(r.Body) // cut short: the text is not there yet
		return string(b)
	}
	shows := func(lines ...string) {
		t.Helper()
		require.Eventually(t, func() bool {
			m := metrics()
			for _, l := range lines {
				if !strings.Contains(m, l+"\n") {
					return false
				}
			}
			return true
		}, 30*time.Second, 20*time.Millisecond, "%v", lines)
	}
	c.flagged(1)
	shows("pupilrisk_config_reload_failed 0", "pupilrisk_config_last_reload_timestamp_seconds 0")

	set(func() (Config, *rules.Catalogue, error) {
		return cfg, nil, errors.New("invented: the catalogue is faulty")
	})
	asked <- syscall.SIGHUP
	shows("pupilrisk_config_reload_failed 1")
	require.Contains(t, logged.String(), "invented: the catalogue is faulty")

	set(func() (Config, *rules.Catalogue, error) {
		other := cfg
		other.FHIRURL, other.FlagMinLevel = "http://127.0.0.1:1/fhir", "high"
		return other, testCatalogue(t), nil
	})
	asked <- syscall.SIGHUP
	require.Eventually(t, func() bool { return strings.Contains(logged.String(), "needs a restart: fhir.url") }, 10*time.Second, 10*time.Millisecond)
	require.NotContains(t, logged.String(), "flag.min_level")
	require.Len(t, c.all("Flag", `"active"`), 1)

	without, err := fhirmap.LoadCatalogue(catalogue.FS, fstest.MapFS{"factors/x.yaml": {Data: []byte("- {factor: tamsulosin, off: true}\n")}})
	require.NoError(t, err)
	set(func() (Config, *rules.Catalogue, error) {
		other := cfg
		other.LogLevel = "warn"
		return other, without, nil
	})
	c.put(eve.Replace(bob), eve.Replace(bobTook), eve.Replace(tomorrow.Replace(bobsBooking)))
	asked <- syscall.SIGHUP
	shows("pupilrisk_config_reload_failed 0", `pupilrisk_build_info{catalogue="`+without.Version+`",version="test"} 1`, `pupilrisk_sweeps_total{result="done"} 2`)
	require.Equal(t, slog.LevelWarn, level.Level())
	require.Len(t, c.all("Flag", `"active"`), 1, "the worker that took over has swept, and tamsulosin is no factor of its catalogue")
	cancel()
	require.NoError(t, <-done)
}

// What a worker knows beyond the stream goes on to the one that takes over: withdrawals that were stopped stay so, and whoever asks
// the first one for a sweep gets it.
func TestReloadLosesNothingThatWasKnown(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	first, second := c.worker(), c.worker()
	first.brake.held = true
	first.setHolder(true) // as the one that swept
	first.health.fhir.Store("invented fault")
	second.inherit(first)
	require.True(t, second.brake.holds())
	require.Contains(t, strings.Join(second.ready(), "\n"), "invented fault")
	first.askSweep(t.Context())
	select {
	case <-second.sweepAsked:
	default:
		require.Fail(t, "nobody hears it")
	}
}

// A kept booking that cannot be read costs no other: it is counted, and said.
func TestKeptBookingThatCannotBeRead(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bobOfV2, bobTook, bobProcedure)
	w := c.worker()
	arrive(t, w, 1, v2("S12", 1, 9, v2Bob, v2Lens))
	kv, err := w.keptBucket(t.Context())
	require.NoError(t, err)
	_, err = kv.Put(t.Context(), bookingKey("broken"), []byte("{"))
	require.NoError(t, err)
	require.NoError(t, w.Sweep(t.Context()))
	require.Len(t, c.all("Flag", `"active"`), 1)
	require.NotZero(t, testutil.ToFloat64(w.metrics.dropped.WithLabelValues("Appointment", string(rules.DropJSON))))
	kept, unread, err := KeptBookings(t.Context(), c.stream, w.cfg)
	require.NoError(t, err)
	require.Len(t, kept, 1)
	require.Equal(t, 1, unread)
}
