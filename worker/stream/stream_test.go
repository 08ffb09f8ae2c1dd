package stream_test

import (
	"context"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"pupilrisk/worker/stream"
	"pupilrisk/worker/stream/streamtest"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(publisherEnv); dir != "" {
		publishUntilKilled(dir)
	}
	goleak.VerifyTestMain(m)
}

// open opens a Stream, closed with the test.
func open(t *testing.T, cfg stream.Config) *stream.Stream {
	t.Helper()
	s, err := stream.Open(t.Context(), cfg)
	require.NoError(t, err)
	t.Cleanup(func() { closeStream(t, s) })
	return s
}

// openEmbedded opens a Stream with an embedded server on a free port, closed with the test.
func openEmbedded(t *testing.T) *stream.Stream {
	t.Helper()
	return open(t, stream.Config{StoreDir: t.TempDir(), Listen: "127.0.0.1:0"})
}

// external is the configuration of a worker at the clinic's server p.
func external(p *streamtest.Process, manage bool) stream.Config {
	return stream.Config{URL: p.URL(), TokenFile: p.TokenFile(), Manage: &manage}
}

func closeStream(t *testing.T, s *stream.Stream) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	require.NoError(t, s.Close(ctx))
}

// client connects as a publisher or an administrator would.
func client(t *testing.T, s *stream.Stream) jetstream.JetStream {
	t.Helper()
	var opts []nats.Option
	if s.TokenFile() != "" {
		token, err := os.ReadFile(s.TokenFile())
		require.NoError(t, err)
		opts = append(opts, nats.Token(string(token[:len(token)-1])))
	}
	conn, err := nats.Connect(s.URL(), opts...)
	require.NoError(t, err)
	t.Cleanup(conn.Close)
	js, err := jetstream.New(conn)
	require.NoError(t, err)
	return js
}

func publish(t *testing.T, s *stream.Stream, subject, data string) {
	t.Helper()
	_, err := s.Publish(t.Context(), subject, []byte(data), "")
	require.NoError(t, err)
}

// next reads the next booking.
func next(t *testing.T, s *stream.Stream) jetstream.Msg {
	t.Helper()
	c, err := s.Bookings(t.Context())
	require.NoError(t, err)
	m, err := c.Next(jetstream.FetchMaxWait(5 * time.Second))
	require.NoError(t, err)
	return m
}

func requireReady(t *testing.T, s *stream.Stream) {
	t.Helper()
	require.EventuallyWithT(t, func(c *assert.CollectT) {
		require.NoError(c, s.Ready())
	}, 25*time.Second, 20*time.Millisecond)
}

// requireNotReady waits until Ready says why, in these words.
func requireNotReady(t *testing.T, s *stream.Stream, why string) {
	t.Helper()
	require.EventuallyWithT(t, func(c *assert.CollectT) {
		require.ErrorContains(c, s.Ready(), why)
	}, 25*time.Second, 20*time.Millisecond)
}

// events counts what Config.OnEvent is told.
type events struct {
	mu    sync.Mutex
	count map[string]int
}

func (e *events) add(kind string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.count == nil {
		e.count = map[string]int{}
	}
	e.count[kind]++
}

func (e *events) of(kind string) int {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.count[kind]
}
