package stream_test

import (
	"errors"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
	"pupilrisk/worker/stream/streamtest"
)

// read reads bookings as a lane does, going on over missing heartbeats and asking for the consumer again after any other
// error, until the test is over.
func read(t *testing.T, s *stream.Stream) <-chan string {
	t.Helper()
	read := make(chan string, 100)
	done := make(chan struct{})
	ctx := t.Context()
	go func() {
		defer close(done)
		for {
			c, err := s.Bookings(ctx)
			if err != nil {
				return
			}
			it, err := c.Messages(jetstream.PullMaxMessages(8), jetstream.PullExpiry(10*time.Second), jetstream.PullHeartbeat(time.Second))
			if err != nil {
				continue
			}
			for {
				m, err := it.Next(jetstream.NextContext(ctx))
				if errors.Is(err, jetstream.ErrNoHeartbeat) {
					continue
				}
				if err != nil {
					t.Log("reading interrupted: ", err)
					break
				}
				read <- string(m.Data())
				_ = m.Ack()
			}
			it.Stop()
		}
	}()
	t.Cleanup(func() { <-done })
	return read
}

func requireRead(t *testing.T, read <-chan string, want string) {
	t.Helper()
	for {
		select {
		case got := <-read:
			if got == want {
				return
			}
		case <-time.After(25 * time.Second):
			require.Fail(t, "the event is not read", want)
		}
	}
}

// A lane reads on, whatever happened to the server and to its consumer.
func TestReadingGoesOn(t *testing.T) {
	t.Parallel()
	p := streamtest.StartProcess(t, t.TempDir())
	s := open(t, external(p, true))
	admin, err := jetstream.New(p.Connect())
	require.NoError(t, err)
	got := read(t, s)
	for _, step := range []struct {
		name string
		do   func()
	}{
		{"undisturbed", func() {}},
		{"consumer deleted", func() {
			require.NoError(t, admin.DeleteConsumer(t.Context(), stream.Clinic, stream.BookingsConsumer))
		}},
		{"stream deleted", func() { require.NoError(t, admin.DeleteStream(t.Context(), stream.Clinic)) }},
		{"killed", func() { p.Kill(); p.Restart() }},
		{"disk lost", func() { p.Kill(); p.LoseDisk(); p.Restart() }},
		{"away for longer than two heartbeats", func() { p.Kill(); time.Sleep(4 * time.Second); p.Restart() }},
	} {
		step.do()
		start := time.Now()
		require.Eventually(t, func() bool {
			_, err := s.Publish(t.Context(), "clinic.booking.a", []byte(step.name), step.name)
			return err == nil
		}, 60*time.Second, 50*time.Millisecond, step.name)
		requireRead(t, got, step.name)
		t.Logf("%s: read on after %s", step.name, time.Since(start))
	}
}
