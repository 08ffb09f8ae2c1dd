package worker

import (
	"context"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream"
	"pupilrisk/worker/stream/streamtest"
)

// natsServer is a streamtest.Process or Cluster.
type natsServer interface {
	URL() string
	TokenFile() string
}

// on moves the clinic to a NATS server of its own.
func (c *clinic) on(p natsServer, manage bool) {
	c.t.Helper()
	require.NoError(c.t, c.stream.Close(c.t.Context()))
	c.stream = open(c.t, p, manage)
}

func open(t *testing.T, p natsServer, manage bool) *stream.Stream {
	t.Helper()
	s, err := stream.Open(t.Context(), stream.Config{URL: p.URL(), TokenFile: p.TokenFile(), Manage: &manage})
	require.NoError(t, err)
	return s
}

// readyIs waits until readiness says so; "" is ready.
func (c *clinic) readyIs(w *Worker, missing string) {
	c.t.Helper()
	require.Eventually(c.t, func() bool {
		now := strings.Join(w.ready(), "\n")
		return missing == "" && now == "" || missing != "" && strings.Contains(now, missing)
	}, 60*time.Second, 10*time.Millisecond, "%s", missing)
}

func (c *clinic) flagged(n int) {
	c.t.Helper()
	require.Eventually(c.t, func() bool { return len(c.all("Flag", `"active"`)) == n }, 60*time.Second, 10*time.Millisecond)
}

var eve = strings.NewReplacer("bob", "eve", `"m1"`, `"m2"`, `"a1"`, `"a2"`)

const bobsBooking = `{"resourceType":"Appointment","id":"a1","status":"booked","serviceType":[{"text":"Cataract surgery, right eye"}],"start":"2026-03-09T09:00:00Z","participant":[{"actor":{"reference":"Patient/bob"},"status":"accepted"}]}`

// NATS that is down at the start is waited for; then the bookings are swept and events handled.
func TestNATSDownAtTheStart(t *testing.T) {
	p := streamtest.StartProcess(t, t.TempDir())
	p.Kill()
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobsBooking)
	c.on(p, true)
	w := c.brisk()
	w.lookEvery = 50 * time.Millisecond
	c.run(func() {
		c.readyIs(w, "NATS is not connected")
		p.Restart()
		c.readyIs(w, "")
		c.flagged(1)
		c.put(eve.Replace(bob), eve.Replace(bobTook), eve.Replace(bobsBooking))
		c.publish("clinic.booking.x", `{"reference":"Appointment/a2"}`, "")
		c.flagged(2)
	}, w)
}

// serve runs the whole worker on a NATS server of its own until the returned function is called.
func (c *clinic) serve(p *streamtest.Process) (stop func()) {
	c.t.Helper()
	cfg := DefaultConfig()
	cfg.Mode, cfg.FHIRURL, cfg.Concurrency, cfg.HTTPAddr = Live, c.url, 4, "127.0.0.1:0"
	cfg.NATSURL, cfg.NATSTokenFile, cfg.NATSManage = p.URL(), p.TokenFile(), OptBool{Set: true, Value: true}
	ctx, cancel := context.WithCancel(c.t.Context())
	done := make(chan error, 1)
	go func() { done <- Serve(ctx, cfg, testCatalogue(c.t), "test", slog.New(slog.DiscardHandler), Reload{}) }()
	return func() {
		cancel()
		require.NoError(c.t, <-done)
	}
}

// What NATS loses, the sweep finds: an empty disk, the stream deleted, or all of it.
func TestNATSLosesWhatItHeld(t *testing.T) {
	remove := func(ctx context.Context, js jetstream.JetStream, names ...string) error {
		for _, n := range names {
			if err := js.DeleteStream(ctx, n); err != nil {
				return err
			}
		}
		return nil
	}
	for name, lose := range map[string]func(*streamtest.Process, jetstream.JetStream) error{
		"its disk": func(p *streamtest.Process, _ jetstream.JetStream) error {
			p.Stop()
			p.LoseDisk()
			p.Restart()
			return nil
		},
		"the stream": func(_ *streamtest.Process, js jetstream.JetStream) error {
			return remove(t.Context(), js, stream.Clinic)
		},
		"stream and bucket": func(_ *streamtest.Process, js jetstream.JetStream) error {
			return remove(t.Context(), js, stream.Clinic, "KV_"+workBucket)
		},
	} {
		t.Run(name, func(t *testing.T) {
			p := streamtest.StartProcess(t, t.TempDir())
			c := newClinic(t, fhirstore.DefaultOptions())
			// The worker's times are the real ones here.
			tomorrow := strings.NewReplacer("2026-03-09T09:00:00Z", time.Now().Add(24*time.Hour).UTC().Format(time.RFC3339))
			c.put(bob, bobTook, tomorrow.Replace(bobsBooking))
			stop := c.serve(p)
			defer stop()
			c.flagged(1)
			nc := p.Connect()
			defer nc.Close()
			js, err := jetstream.New(nc)
			require.NoError(t, err)
			// The first sweep is past tomorrow now: without another it does not find Eve.
			c.put(eve.Replace(bob), eve.Replace(bobTook), eve.Replace(tomorrow.Replace(bobsBooking)))
			require.NoError(t, lose(p, js))
			c.flagged(2)
		})
	}
}

// Where the worker does not manage, it says what is missing, and goes on when somebody has put it back.
func TestWhatIsMissingIsSaidAndWaitedFor(t *testing.T) {
	p := streamtest.StartProcess(t, t.TempDir())
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobsBooking)
	c.on(p, false)
	w := c.brisk()
	w.lookEvery, w.cfg.SweepHorizon = 50*time.Millisecond, 0
	c.run(func() {
		c.readyIs(w, "stream CLINIC is missing")
		c.readyIs(w, workBucket)
		admin := open(t, p, true)
		require.Eventually(t, func() bool { return admin.Ready() == nil }, 30*time.Second, 10*time.Millisecond)
		_, err := admin.Bucket(t.Context(), workBucket, workTTL)
		require.NoError(t, err)
		require.NoError(t, admin.Close(t.Context()))
		c.readyIs(w, "")
		c.publish("clinic.booking.x", `{"reference":"Appointment/a1"}`, "")
		c.settled()
		c.flagged(1)
	}, w)
}

// A consumer deleted under the worker is made anew, and delivers what it had not.
func TestConsumerDeletedUnderTheWorker(t *testing.T) {
	p := streamtest.StartProcess(t, t.TempDir())
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobsBooking)
	c.on(p, true)
	w := c.worker()
	w.cfg.SweepHorizon = 0
	c.run(func() {
		c.readyIs(w, "")
		nc := p.Connect()
		defer nc.Close()
		js, err := jetstream.New(nc)
		require.NoError(t, err)
		require.NoError(t, js.DeleteConsumer(t.Context(), stream.Clinic, stream.BookingsConsumer))
		_, err = js.Publish(t.Context(), "clinic.booking.x", []byte(`{"reference":"Appointment/a1"}`))
		require.NoError(t, err)
		c.flagged(1)
	}, w)
}

// A second worker on one store directory refuses to start.
func TestStoreDirectoryOfTwoWorkers(t *testing.T) {
	dir := t.TempDir()
	first, err := stream.Open(t.Context(), stream.Config{StoreDir: dir, Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	defer func() { require.NoError(t, first.Close(context.Background())) }()
	cfg := DefaultConfig()
	cfg.FHIRURL, cfg.NATSStoreDir, cfg.NATSListen, cfg.HTTPAddr = "http://127.0.0.1:1/fhir", dir, "127.0.0.1:0", "127.0.0.1:0"
	require.ErrorIs(t, Serve(t.Context(), cfg, testCatalogue(t), "test", slog.New(slog.DiscardHandler), Reload{}), stream.ErrStoreInUse)
}
