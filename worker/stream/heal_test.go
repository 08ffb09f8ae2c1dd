package stream

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// buffer is a log that goroutines write.
type buffer struct {
	mu sync.Mutex
	b  strings.Builder
}

func (b *buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *buffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

// The embedded server gives up its whole store when one write fails for want of room. Under the standing connection it
// comes back, on the same port and with the same events.
func TestStoreThatWasGivenUpComesBack(t *testing.T) {
	t.Parallel()
	var log buffer
	healed := make(chan struct{}, 10)
	s, err := Open(t.Context(), Config{
		StoreDir: t.TempDir(), Listen: "127.0.0.1:0", Log: slog.New(slog.NewTextHandler(&log, nil)),
		OnEvent: func(kind string) {
			if kind == EventStore {
				healed <- struct{}{}
			}
		},
	})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close(context.Background())) }()
	url := s.URL()
	_, err = s.Publish(t.Context(), "clinic.booking.MARK", []byte("PAYLOAD"), "")
	require.NoError(t, err)
	require.NoError(t, s.server.srv.ShutdownJetStream()) // what the server does then
	_, err = s.Publish(t.Context(), "clinic.booking.MARK", nil, "")
	require.Error(t, err)

	select {
	case <-healed:
	case <-time.After(20 * time.Second):
		require.Fail(t, "the store is still given up")
	}
	require.EventuallyWithT(t, func(c *assert.CollectT) { require.NoError(c, s.Ready()) }, 10*time.Second, 10*time.Millisecond)
	require.Equal(t, url, s.URL())
	publisher, err := nats.Connect(url, nats.Token(s.server.token))
	require.NoError(t, err)
	publisher.Close()
	c, err := s.Bookings(t.Context())
	require.NoError(t, err)
	m, err := c.Next(jetstream.FetchMaxWait(5 * time.Second))
	require.NoError(t, err)
	require.Equal(t, "PAYLOAD", string(m.Data()))

	require.Contains(t, log.String(), "NATS")
	require.NotContains(t, log.String(), "MARK")
	require.NotContains(t, log.String(), "PAYLOAD")
	require.NotContains(t, log.String(), s.server.token)
}

func FuzzReadDeadLetter(f *testing.F) {
	f.Add("clinic.deadletter.unreadable", HeaderSequence, "17", HeaderFirstSeen, "2026-11-25T10:00:00.5Z")
	f.Add("clinic.deadletter.", "Clinic-Original-Nats-Msg-Id", "x", "Nats-Msg-Id", "y")
	f.Add("", "", "", HeaderDeliveries, "-1")
	f.Fuzz(func(t *testing.T, subject, name1, value1, name2, value2 string) {
		letter := readDeadLetter(&jetstream.RawStreamMsg{
			Subject: subject, Sequence: 7, Data: []byte("data"),
			Header: nats.Header{name1: {value1}, name2: {value2}},
		})
		require.EqualValues(t, 7, letter.Seq)
		require.Equal(t, 4, letter.Size)
		require.NotContains(t, letter.Header, HeaderReason)
		require.LessOrEqual(t, len(letter.Header), 2)
	})
}
