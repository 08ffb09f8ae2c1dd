package stream_test

import (
	"context"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
	"pupilrisk/worker/stream/streamtest"
)

func TestStreamsAndConsumersAreAsPublished(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	js := client(t, s)
	clinic, err := js.Stream(t.Context(), stream.Clinic)
	require.NoError(t, err)
	c := clinic.CachedInfo().Config
	require.Equal(t, []string{"clinic.booking.>", "clinic.history.>"}, c.Subjects)
	require.Equal(t, jetstream.LimitsPolicy, c.Retention)
	require.Equal(t, jetstream.FileStorage, c.Storage)
	require.Equal(t, jetstream.DiscardNew, c.Discard)
	require.Equal(t, 14*24*time.Hour, c.MaxAge)
	require.EqualValues(t, 1<<30, c.MaxBytes)
	require.Equal(t, 10*time.Minute, c.Duplicates)

	dead, err := js.Stream(t.Context(), stream.ClinicDeadLetter)
	require.NoError(t, err)
	c = dead.CachedInfo().Config
	require.Equal(t, []string{"clinic.deadletter.>"}, c.Subjects)
	require.Equal(t, 180*24*time.Hour, c.MaxAge)
	require.EqualValues(t, 1<<30, c.MaxBytes)

	for name, filter := range map[string]string{
		"pupilrisk": "clinic.booking.>", "pupilrisk-history": "clinic.history.>",
	} {
		consumer, err := js.Consumer(t.Context(), "CLINIC", name)
		require.NoError(t, err)
		c := consumer.CachedInfo().Config
		require.Equal(t, filter, c.FilterSubject)
		require.Equal(t, jetstream.AckExplicitPolicy, c.AckPolicy)
		require.Equal(t, -1, c.MaxDeliver)
		require.Empty(t, c.BackOff)
		require.Equal(t, 30*time.Second, c.AckWait)
		require.Zero(t, c.InactiveThreshold)
	}
}

func TestWhatIsDeletedIsMadeAgainWhereWeManage(t *testing.T) {
	t.Parallel()
	var seen events
	s := open(t, stream.Config{StoreDir: t.TempDir(), Listen: "127.0.0.1:0", OnEvent: seen.add})
	js := client(t, s)
	require.Equal(t, 4, seen.of(stream.EventCreated))

	require.NoError(t, js.DeleteConsumer(t.Context(), stream.Clinic, stream.BookingsConsumer))
	publish(t, s, "clinic.booking.a", "event")
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
	defer cancel()
	_, err := s.Bookings(ctx)
	require.NoError(t, err)
	require.Equal(t, "event", string(next(t, s).Data()))

	require.NoError(t, js.DeleteStream(t.Context(), stream.Clinic))
	require.NoError(t, js.DeleteStream(t.Context(), stream.ClinicDeadLetter))
	_, err = s.History(t.Context())
	require.NoError(t, err)
	requireReady(t, s)
	publish(t, s, "clinic.booking.b", "later")
	require.Equal(t, "later", string(next(t, s).Data()))
	require.Eventually(t, func() bool { return seen.of(stream.EventCreated) == 4+1+4 }, 25*time.Second, 10*time.Millisecond)
}

// What a lane that is reading sees when its consumer goes away: an error, upon which it asks for the consumer again.
func TestReadersAreToldThatTheirConsumerIsGone(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	c, err := s.Bookings(t.Context())
	require.NoError(t, err)
	batch, err := c.Fetch(1, jetstream.FetchMaxWait(10*time.Second))
	require.NoError(t, err)
	time.Sleep(100 * time.Millisecond)
	start := time.Now()
	require.NoError(t, client(t, s).DeleteConsumer(t.Context(), stream.Clinic, stream.BookingsConsumer))
	for range batch.Messages() {
		require.Fail(t, "no event was published")
	}
	require.ErrorIs(t, batch.Error(), jetstream.ErrConsumerDeleted)
	require.Less(t, time.Since(start), 5*time.Second)
}

func TestWhatIsMissingIsNamedWhereWeDoNotManage(t *testing.T) {
	t.Parallel()
	server := streamtest.StartProcess(t, t.TempDir())
	s := open(t, external(server, false))
	require.EqualError(t, s.Ready(), "stream CLINIC is missing; stream CLINIC_DEADLETTER is missing")
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	_, err := s.Bookings(ctx)
	require.ErrorIs(t, err, context.DeadlineExceeded)
	require.ErrorContains(t, err, "consumer pupilrisk: ")
	_, err = s.Bucket(t.Context(), "CLINIC_BOOKINGS", 0)
	require.ErrorIs(t, err, jetstream.ErrBucketNotFound)

	waiting := make(chan error)
	go func() {
		_, err := s.Bookings(t.Context())
		waiting <- err
	}()
	admin, err := jetstream.New(server.Connect())
	require.NoError(t, err)
	_, err = admin.CreateStream(t.Context(), jetstream.StreamConfig{
		Name: stream.Clinic, Subjects: []string{stream.BookingSubjects, stream.HistorySubjects},
	})
	require.NoError(t, err)
	requireNotReady(t, s, "consumer pupilrisk is missing; consumer pupilrisk-history is missing; stream CLINIC_DEADLETTER is missing")

	open(t, external(server, true)) // the administrator's worker makes the rest
	require.NoError(t, <-waiting)
	requireReady(t, s)

	// Deleted again, it is not ours to make.
	require.NoError(t, admin.DeleteConsumer(t.Context(), stream.Clinic, stream.HistoryConsumer))
}

func TestForeignSettingsThatCannotWorkAreNamed(t *testing.T) {
	t.Parallel()
	server := streamtest.StartProcess(t, t.TempDir())
	admin, err := jetstream.New(server.Connect())
	require.NoError(t, err)
	for _, cfg := range []jetstream.StreamConfig{
		{Name: stream.Clinic, Subjects: []string{"clinic.booking.>"}},
		{Name: stream.ClinicDeadLetter, Subjects: []string{"clinic.deadletter.>"}, Retention: jetstream.WorkQueuePolicy},
	} {
		_, err = admin.CreateStream(t.Context(), cfg)
		require.NoError(t, err)
	}
	for _, cfg := range []jetstream.ConsumerConfig{
		{Durable: stream.BookingsConsumer, AckPolicy: jetstream.AckNonePolicy},
		{Durable: stream.HistoryConsumer, AckPolicy: jetstream.AckExplicitPolicy},
	} {
		_, err = admin.CreateConsumer(t.Context(), stream.Clinic, cfg)
		require.NoError(t, err)
	}
	s := open(t, external(server, false))
	require.EqualError(t, s.Ready(), "stream CLINIC does not take exactly the subjects it should; "+
		"consumer pupilrisk does not ask for an acknowledgement of each event; it has to be made anew by hand; "+
		"consumer pupilrisk-history does not deliver the events it should; "+
		"stream CLINIC_DEADLETTER does not retain by limits; it has to be made anew by hand")
}

func TestSettingsAreRepairedAndRetentionIsNeverLowered(t *testing.T) {
	t.Parallel()
	server := streamtest.StartProcess(t, t.TempDir())
	admin, err := jetstream.New(server.Connect())
	require.NoError(t, err)
	_, err = admin.CreateStream(t.Context(), jetstream.StreamConfig{
		Name: stream.Clinic, Description: "theirs", Subjects: []string{"clinic.booking.>", "clinic.other"},
		Discard: jetstream.DiscardOld, MaxAge: 365 * 24 * time.Hour, MaxBytes: 1000, MaxMsgs: 5, Duplicates: time.Minute,
		Metadata: map[string]string{"owner": "them"},
	})
	require.NoError(t, err)
	_, err = admin.CreateConsumer(t.Context(), stream.Clinic, jetstream.ConsumerConfig{
		Durable: stream.BookingsConsumer, FilterSubject: "clinic.other", AckPolicy: jetstream.AckExplicitPolicy,
		AckWait: time.Hour, MaxDeliver: 3, BackOff: []time.Duration{time.Second, time.Minute}, MaxAckPending: 1,
		InactiveThreshold: time.Hour,
	})
	require.NoError(t, err)
	_, err = admin.Publish(t.Context(), "clinic.booking.a", []byte("kept"))
	require.NoError(t, err)

	var seen events
	cfg := external(server, true)
	cfg.OnEvent, cfg.AckWait = seen.add, 20*time.Second
	s := open(t, cfg)
	require.NoError(t, s.Ready())
	require.Equal(t, 2, seen.of(stream.EventRepaired))

	clinic, err := admin.Stream(t.Context(), stream.Clinic)
	require.NoError(t, err)
	have := clinic.CachedInfo().Config
	require.ElementsMatch(t, []string{"clinic.booking.>", "clinic.history.>"}, have.Subjects)
	require.Equal(t, jetstream.DiscardNew, have.Discard)
	require.Equal(t, 365*24*time.Hour, have.MaxAge)
	require.EqualValues(t, 1<<30, have.MaxBytes)
	require.EqualValues(t, -1, have.MaxMsgs)
	require.Equal(t, 10*time.Minute, have.Duplicates)
	require.Equal(t, "theirs", have.Description)
	require.Equal(t, "them", have.Metadata["owner"])

	c, err := admin.Consumer(t.Context(), stream.Clinic, stream.BookingsConsumer)
	require.NoError(t, err)
	got := c.CachedInfo().Config
	require.Equal(t, "clinic.booking.>", got.FilterSubject)
	require.Equal(t, 20*time.Second, got.AckWait)
	require.Equal(t, -1, got.MaxDeliver)
	require.Empty(t, got.BackOff)
	require.Equal(t, 8192, got.MaxAckPending)
	require.Zero(t, got.InactiveThreshold)
	require.Equal(t, "kept", string(next(t, s).Data()))

	// A replica with another configuration changes it once; they do not take turns.
	cfg.AckWait = 10 * time.Second
	open(t, cfg)
	time.Sleep(6 * time.Second)
	c, err = admin.Consumer(t.Context(), stream.Clinic, stream.BookingsConsumer)
	require.NoError(t, err)
	require.Equal(t, 10*time.Second, c.CachedInfo().Config.AckWait)
	require.Equal(t, 2+2, seen.of(stream.EventRepaired))
}
