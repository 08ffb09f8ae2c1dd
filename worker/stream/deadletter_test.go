package stream_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
)

func TestDeadLetterTellsTheStoryOfItsEvent(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	js := client(t, s)
	m := nats.NewMsg("clinic.booking.site.4711")
	m.Data = []byte("not an event")
	m.Header.Set("Traceparent", "00-1-2-03")
	m.Header.Add("Source", "one")
	m.Header.Add("Source", "two")
	m.Header.Set("Clinic-Reason", "forged")
	// These mean something to the server: repeated on the dead letter they would have it refused.
	_, err := js.PublishMsg(t.Context(), m, jetstream.WithMsgID("first-id"), jetstream.WithExpectStream(stream.Clinic),
		jetstream.WithExpectLastSequence(0))
	require.NoError(t, err)

	require.NoError(t, next(t, s).Nak())
	event := next(t, s)
	meta, err := event.Metadata()
	require.NoError(t, err)
	before := time.Now().Add(-time.Second)
	require.NoError(t, s.DeadLetter(t.Context(), event, "unreadable"))

	letters, err := s.DeadLetters(t.Context(), 0, 10)
	require.NoError(t, err)
	require.Len(t, letters, 1)
	require.Nil(t, letters[0].Data, "a list holds no payloads")
	letter, err := s.GetDeadLetter(t.Context(), letters[0].Seq)
	require.NoError(t, err)
	require.WithinRange(t, letter.Time, before, time.Now())
	require.WithinDuration(t, meta.Timestamp, letter.FirstSeen, 0)
	letter.Time, letter.FirstSeen = time.Time{}, time.Time{}
	require.Equal(t, stream.DeadLetter{
		Seq:        1,
		Reason:     "unreadable",
		Subject:    "clinic.booking.site.4711",
		Stream:     stream.Clinic,
		Sequence:   1,
		Deliveries: 2,
		Header: nats.Header{
			"Traceparent":                 {"00-1-2-03"},
			"Source":                      {"one", "two"},
			"Nats-Msg-Id":                 {"first-id"},
			"Nats-Expected-Stream":        {stream.Clinic},
			"Nats-Expected-Last-Sequence": {"0"},
		},
		Data: []byte("not an event"),
		Size: 12,
	}, letter)

	// On the wire, for whoever reads the stream with other means.
	stands, err := js.Stream(t.Context(), stream.ClinicDeadLetter)
	require.NoError(t, err)
	raw, err := stands.GetMsg(t.Context(), 1)
	require.NoError(t, err)
	require.Equal(t, "clinic.deadletter.unreadable", raw.Subject)
	require.Equal(t, "not an event", string(raw.Data))
	require.Equal(t, []string{"unreadable"}, raw.Header[stream.HeaderReason])
	require.Equal(t, "first-id", raw.Header.Get("Clinic-Original-Nats-Msg-Id"))
	require.Equal(t, fmt.Sprintf("CLINIC-1-%d", meta.Timestamp.UnixNano()), raw.Header.Get(nats.MsgIdHdr))

	require.Eventually(t, func() bool { // the end of delivery is not confirmed
		p, err := s.Pending(t.Context())
		return err == nil && p == stream.Pending{}
	}, 5*time.Second, 10*time.Millisecond)
}

func TestDeadLetterOfOneEventIsKeptOnce(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	publish(t, s, "clinic.booking.a", "event")
	m := next(t, s)
	require.NoError(t, s.DeadLetter(t.Context(), m, "unreadable"))
	// Its end of delivery was lost, and another replica has it.
	err := s.DeadLetter(t.Context(), m, "unreadable")
	require.ErrorIs(t, err, jetstream.ErrMsgAlreadyAckd)
	letters, err := s.DeadLetters(t.Context(), 0, 10)
	require.NoError(t, err)
	require.Len(t, letters, 1)
}

func TestDeadLetterThatIsNotStoredKeepsItsEvent(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	publish(t, s, "clinic.booking.a", "event")
	m := next(t, s)
	for _, reason := range []string{"", "Too Loud", "a.b", "*", "-", "ends-"} {
		require.Error(t, s.DeadLetter(t.Context(), m, reason))
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, s.DeadLetter(ctx, m, "unreadable"), context.Canceled)
	p, err := s.Pending(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, p.AckPending)
	require.NoError(t, s.DeadLetter(t.Context(), m, "unreadable"))
}

func TestReplaySendsTheOriginalAgain(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	m := nats.NewMsg("clinic.booking.a")
	m.Data = []byte("event")
	m.Header.Set("Traceparent", "00-1-2-03")
	_, err := client(t, s).PublishMsg(t.Context(), m, jetstream.WithMsgID("id"), jetstream.WithExpectLastSequence(0))
	require.NoError(t, err)

	for replay := range 3 {
		event := next(t, s)
		require.Equal(t, "event", string(event.Data()))
		require.Equal(t, "clinic.booking.a", event.Subject())
		require.Equal(t, "00-1-2-03", event.Headers().Get("Traceparent"))
		if replay > 0 {
			require.Equal(t, fmt.Sprint(replay), event.Headers().Get(stream.HeaderReplays))
			require.NotEqual(t, "id", event.Headers().Get(nats.MsgIdHdr))
		}
		require.NoError(t, s.DeadLetter(t.Context(), event, "unreadable"))
		letters, err := s.DeadLetters(t.Context(), 0, 10)
		require.NoError(t, err)
		require.Len(t, letters, 1, "a replayed letter is gone, a new one came")
		require.Equal(t, replay, letters[0].Replays)
		require.NoError(t, s.ReplayDeadLetter(t.Context(), letters[0].Seq))
		require.ErrorIs(t, s.ReplayDeadLetter(t.Context(), letters[0].Seq), stream.ErrNoDeadLetter)
	}
}

func TestDeadLettersAreListedFromANumberOn(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	letters, err := s.DeadLetters(t.Context(), 0, 10)
	require.NoError(t, err)
	require.Empty(t, letters)
	for i := range 5 {
		publish(t, s, "clinic.booking.a", strings.Repeat("x", i))
		require.NoError(t, s.DeadLetter(t.Context(), next(t, s), "unreadable"))
	}
	require.NoError(t, s.DiscardDeadLetter(t.Context(), 2))
	require.ErrorIs(t, s.DiscardDeadLetter(t.Context(), 2), stream.ErrNoDeadLetter)
	_, err = s.GetDeadLetter(t.Context(), 2)
	require.ErrorIs(t, err, stream.ErrNoDeadLetter)

	var seen []uint64
	for from := uint64(0); ; {
		page, err := s.DeadLetters(t.Context(), from, 2)
		require.NoError(t, err)
		if len(page) == 0 {
			break
		}
		for _, l := range page {
			require.EqualValues(t, l.Seq-1, l.Size)
			seen = append(seen, l.Seq)
		}
		from = page[len(page)-1].Seq + 1
	}
	require.Equal(t, []uint64{1, 3, 4, 5}, seen)
}

// A stream that an administrator made takes events up to the server's own limit, beside which our headers do not fit.
func TestDeadLetterOfTheLargestEvent(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	js := client(t, s)
	stands, err := js.Stream(t.Context(), stream.Clinic)
	require.NoError(t, err)
	cfg := stands.CachedInfo().Config
	cfg.MaxMsgSize = -1
	_, err = js.UpdateStream(t.Context(), cfg)
	require.NoError(t, err)
	payload := strings.Repeat("x", 1<<20-200)
	_, err = js.Publish(t.Context(), "clinic.booking.a", []byte(payload))
	require.NoError(t, err)

	require.NoError(t, s.DeadLetter(t.Context(), next(t, s), "unreadable"))
	letter, err := s.GetDeadLetter(t.Context(), 1)
	require.NoError(t, err)
	require.True(t, letter.InStream)
	require.True(t, payload == string(letter.Data))
	_, err = stands.GetMsg(t.Context(), 1)
	require.NoError(t, err)

	require.NoError(t, stands.DeleteMsg(t.Context(), 1))
	_, err = s.GetDeadLetter(t.Context(), 1)
	require.ErrorContains(t, err, "no longer in the stream")
}
