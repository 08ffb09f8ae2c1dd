package stream_test

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
)

func TestPublishTellsDuplicates(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	for _, want := range []bool{false, true, true} {
		duplicate, err := s.Publish(t.Context(), "clinic.booking.a", []byte("once"), "id")
		require.NoError(t, err)
		require.Equal(t, want, duplicate)
	}
	duplicate, err := s.Publish(t.Context(), "clinic.booking.a", []byte("other"), "other id")
	require.NoError(t, err)
	require.False(t, duplicate)
	requirePending(t, s, 2)
}

// requirePending waits until so many events are pending: the server counts them beside its confirmations.
func requirePending(t *testing.T, s *stream.Stream, want uint64) (p stream.Pending) {
	t.Helper()
	require.EventuallyWithT(t, func(c *assert.CollectT) {
		var err error
		p, err = s.Pending(t.Context())
		require.NoError(c, err)
		require.Equal(c, want, p.Pending)
	}, 5*time.Second, 10*time.Millisecond)
	return p
}

func TestPublishRefusesOtherSubjects(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	for _, subject := range []string{
		"", "clinic", "clinic.booking", "clinic.booking.", "clinic.booking.*", "clinic.booking.>", "clinic.booking.a b",
		"clinic.booking..a", "clinic.deadletter.x", "$JS.API.STREAM.DELETE.CLINIC", "clinic.bookings.a",
	} {
		_, err := s.Publish(t.Context(), subject, nil, "")
		require.ErrorIs(t, err, stream.ErrSubject, subject)
	}
}

func TestFullStreamRefusesAndForgetsNothing(t *testing.T) {
	t.Parallel()
	s := open(t, stream.Config{StoreDir: t.TempDir(), Listen: "127.0.0.1:0", MaxBytes: 20_000})
	stored := 0
	var err error
	for ; stored < 100; stored++ {
		if _, err = s.Publish(t.Context(), "clinic.booking.a", bytes.Repeat([]byte("x"), 1000), ""); err != nil {
			break
		}
	}
	require.ErrorIs(t, err, stream.ErrFull)
	stands, err := client(t, s).Stream(t.Context(), stream.Clinic)
	require.NoError(t, err)
	state := stands.CachedInfo().State
	require.EqualValues(t, 1, state.FirstSeq)
	require.EqualValues(t, stored, state.Msgs)
	require.Greater(t, stored, 10)
}

func TestTooLargeEventIsRefused(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	for _, size := range []int{1<<20 - 1000, 2 << 20} {
		_, err := s.Publish(t.Context(), "clinic.booking.a", []byte(strings.Repeat("x", size)), "")
		require.ErrorIs(t, err, stream.ErrTooLarge, size)
	}
}

func TestPendingIsWhatIsNotAcknowledged(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	p, err := s.Pending(t.Context())
	require.NoError(t, err)
	require.Equal(t, stream.Pending{}, p)

	before := time.Now().Add(-time.Second)
	publish(t, s, "clinic.booking.a", "first")
	time.Sleep(20 * time.Millisecond)
	publish(t, s, "clinic.booking.b", "second")
	publish(t, s, "clinic.history.c", "third")
	p = requirePending(t, s, 3)
	oldest := p.OldestPending
	require.WithinRange(t, oldest, before, time.Now())

	first, second := next(t, s), next(t, s)
	require.NoError(t, second.DoubleAck(t.Context()))
	p, err = s.Pending(t.Context())
	require.NoError(t, err)
	require.EqualValues(t, 1, p.Pending)
	require.Equal(t, 1, p.AckPending)
	require.Zero(t, p.Redelivered)
	require.Equal(t, oldest, p.OldestPending, "the first event is the one that waits")

	require.NoError(t, first.Nak())
	again := next(t, s)
	p, err = s.Pending(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, p.Redelivered)

	require.NoError(t, again.DoubleAck(t.Context()))
	p, err = s.Pending(t.Context())
	require.NoError(t, err)
	require.True(t, p.OldestPending.After(oldest), "now it is the changed record that waits")
	c, err := s.History(t.Context())
	require.NoError(t, err)
	m, err := c.Next()
	require.NoError(t, err)
	require.NoError(t, m.DoubleAck(t.Context()))
	p, err = s.Pending(t.Context())
	require.NoError(t, err)
	require.Equal(t, stream.Pending{}, p)
}

func TestBucketForgetsAfterItsTime(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	kv, err := s.Bucket(t.Context(), "CLINIC_BOOKINGS", 0)
	require.NoError(t, err)
	_, err = kv.PutString(t.Context(), "k", "v")
	require.NoError(t, err)

	kv, err = s.Bucket(t.Context(), "CLINIC_BOOKINGS", time.Hour)
	require.NoError(t, err)
	status, err := kv.Status(t.Context())
	require.NoError(t, err)
	require.Equal(t, time.Hour, status.TTL())
	entry, err := kv.Get(t.Context(), "k")
	require.NoError(t, err)
	require.Equal(t, "v", string(entry.Value()))
}
