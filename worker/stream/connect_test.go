package stream_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nkeys"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
	"pupilrisk/worker/stream/streamtest"
)

func TestServerThatIsDownAtOpen(t *testing.T) {
	t.Parallel()
	p := streamtest.StartProcess(t, t.TempDir())
	p.Kill()
	var seen events
	cfg := external(p, true)
	cfg.OnEvent = seen.add
	start := time.Now()
	s := open(t, cfg)
	require.Less(t, time.Since(start), 2*time.Second)
	requireNotReady(t, s, "NATS is not connected: ")
	_, err := s.Publish(t.Context(), "clinic.booking.a", nil, "")
	require.Error(t, err)

	p.Restart()
	c, err := s.Bookings(t.Context())
	require.NoError(t, err)
	require.NotNil(t, c)
	requireReady(t, s)
	require.Equal(t, 1, seen.of(stream.EventConnect))
	require.Zero(t, seen.of(stream.EventReconnect))
	require.Positive(t, seen.of(stream.EventRefused))
}

func TestServerKilledKeepsConfirmedEvents(t *testing.T) {
	t.Parallel()
	p := streamtest.StartProcess(t, t.TempDir())
	var seen events
	cfg := external(p, true)
	cfg.OnEvent = seen.add
	s := open(t, cfg)
	for range 50 {
		publish(t, s, "clinic.booking.a", "event")
	}
	acknowledged := next(t, s)
	require.NoError(t, acknowledged.DoubleAck(t.Context()))
	p.Kill()
	requireNotReady(t, s, "NATS is not connected")
	p.Restart()
	requireReady(t, s)
	require.Equal(t, 1, seen.of(stream.EventDisconnect))
	require.Equal(t, 1, seen.of(stream.EventReconnect))
	require.Equal(t, 4, seen.of(stream.EventCreated), "nothing had to be made again")
	// An acknowledgement is kept in memory for a moment even where it was confirmed: killed within it, the server
	// delivers that event again. None is lost.
	pending, err := s.Pending(t.Context())
	require.NoError(t, err)
	require.Contains(t, []int{49, 50}, int(pending.Pending)+pending.AckPending)
	require.Equal(t, "event", string(next(t, s).Data()))
}

func TestServerThatLostItsDisk(t *testing.T) {
	t.Parallel()
	p := streamtest.StartProcess(t, t.TempDir())
	var seen events
	cfg := external(p, true)
	cfg.OnEvent = seen.add
	s := open(t, cfg)
	publish(t, s, "clinic.booking.a", "lost")
	require.NoError(t, s.DeadLetter(t.Context(), next(t, s), "unreadable"))
	p.Stop()
	p.LoseDisk()
	p.Restart()
	requireReady(t, s)
	require.Equal(t, 8, seen.of(stream.EventCreated), "the worker is told, and sweeps")
	// The numbers of the stream start again: a new event with the number of a dead one is not taken for it.
	publish(t, s, "clinic.booking.a", "new")
	require.NoError(t, s.DeadLetter(t.Context(), next(t, s), "unreadable"))
	letters, err := s.DeadLetters(t.Context(), 0, 10)
	require.NoError(t, err)
	require.Len(t, letters, 1)
}

func TestServerThatDoesNotAnswer(t *testing.T) {
	t.Parallel()
	p := streamtest.StartProcess(t, t.TempDir())
	s := open(t, external(p, true))
	require.NoError(t, s.Ready())
	p.Pause()
	start := time.Now()
	requireNotReady(t, s, "no answer")
	t.Logf("noticed after %s", time.Since(start))
	p.Resume()
	requireReady(t, s)
}

func TestTokenIsReadAgain(t *testing.T) {
	t.Parallel()
	p := streamtest.StartProcess(t, t.TempDir())
	cfg := external(p, true)
	good, err := os.ReadFile(cfg.TokenFile)
	require.NoError(t, err)
	cfg.TokenFile = filepath.Join(t.TempDir(), "renewed")
	require.NoError(t, os.WriteFile(cfg.TokenFile, []byte("wrong"), 0o600))
	s := open(t, cfg)
	requireNotReady(t, s, "Authorization Violation")
	require.NoError(t, os.WriteFile(cfg.TokenFile, good, 0o600))
	requireReady(t, s)
}

// TestPermissions holds the package comment to its word: an account with these permissions and no others can work.
func TestPermissions(t *testing.T) {
	t.Parallel()
	worker, workerSeed := nkey(t)
	admin, adminSeed := nkey(t)
	opts := &server.Options{
		Host: "127.0.0.1", Port: -1, NoSigs: true, NoLog: true, JetStream: true, StoreDir: t.TempDir(),
		Nkeys: []*server.NkeyUser{
			{Nkey: admin},
			{Nkey: worker, Permissions: &server.Permissions{
				Publish: &server.SubjectPermission{Allow: []string{
					"$JS.API.STREAM.INFO.CLINIC", "$JS.API.STREAM.INFO.CLINIC_DEADLETTER", "$JS.API.CONSUMER.INFO.CLINIC.>",
					"$JS.API.CONSUMER.MSG.NEXT.CLINIC.>", "$JS.ACK.CLINIC.>", "$JS.API.STREAM.MSG.GET.CLINIC",
					"clinic.deadletter.>", "$JS.API.STREAM.INFO.KV_B", "$JS.API.DIRECT.GET.KV_B.>", "$KV.B.>",
					"$JS.API.CONSUMER.CREATE.KV_B.>", "$JS.API.CONSUMER.DELETE.KV_B.>", "$JS.FC.>",
				}},
				Subscribe: &server.SubjectPermission{Allow: []string{"_INBOX_worker.>"}},
			}},
		},
	}
	srv, err := server.NewServer(opts)
	require.NoError(t, err)
	srv.Start()
	t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	manage := true
	adminsOwn := open(t, stream.Config{URL: srv.ClientURL(), NKeyFile: adminSeed, Manage: &manage})
	_, err = adminsOwn.Bucket(t.Context(), "B", time.Hour)
	require.NoError(t, err)

	var seen events
	s := open(t, stream.Config{URL: srv.ClientURL(), NKeyFile: workerSeed, InboxPrefix: "_INBOX_worker", OnEvent: seen.add})
	require.NoError(t, s.Ready())
	publish(t, adminsOwn, "clinic.booking.a", "event")
	publish(t, adminsOwn, "clinic.booking.a", "event")
	first, second := next(t, s), next(t, s)
	require.NoError(t, first.InProgress())
	_, err = s.Pending(t.Context())
	require.NoError(t, err)
	require.NoError(t, first.DoubleAck(t.Context()))
	require.NoError(t, s.DeadLetter(t.Context(), second, "unreadable"))
	kv, err := s.Bucket(t.Context(), "B", time.Hour)
	require.NoError(t, err)
	rev, err := kv.Create(t.Context(), "k", []byte("v"))
	require.NoError(t, err)
	_, err = kv.Update(t.Context(), "k", []byte("w"), rev)
	require.NoError(t, err)
	_, err = kv.Get(t.Context(), "k")
	require.NoError(t, err)
	watch, err := kv.WatchAll(t.Context())
	require.NoError(t, err)
	require.Equal(t, "w", string((<-watch.Updates()).Value()))
	require.Nil(t, <-watch.Updates())
	require.NoError(t, watch.Stop())
	require.NoError(t, kv.Delete(t.Context(), "k"))
	require.Zero(t, seen.of(stream.EventPermission))

	_, err = s.Publish(t.Context(), "clinic.booking.secret", nil, "")
	require.Error(t, err)
	require.NotContains(t, err.Error(), "secret")
	require.Eventually(t, func() bool { return seen.of(stream.EventPermission) > 0 }, 5*time.Second, 10*time.Millisecond)
}

// nkey makes a key; seed names the file with its secret half.
func nkey(t *testing.T) (public, seed string) {
	t.Helper()
	pair, err := nkeys.CreateUser()
	require.NoError(t, err)
	public, err = pair.PublicKey()
	require.NoError(t, err)
	secret, err := pair.Seed()
	require.NoError(t, err)
	seed = filepath.Join(t.TempDir(), "seed")
	require.NoError(t, os.WriteFile(seed, secret, 0o600))
	return public, seed
}

func TestTwoReplicasShareTheConsumers(t *testing.T) {
	t.Parallel()
	p := streamtest.StartProcess(t, t.TempDir())
	a, b := open(t, external(p, true)), open(t, external(p, true))
	publish(t, a, "clinic.booking.a", "1")
	publish(t, b, "clinic.booking.b", "2")
	first, second := next(t, a), next(t, b)
	require.ElementsMatch(t, []string{"1", "2"}, []string{string(first.Data()), string(second.Data())})
	require.NoError(t, first.DoubleAck(t.Context()))
	require.NoError(t, second.DoubleAck(t.Context()))
}

// A server that is cut off from its cluster goes on answering, and can store nothing: that is said, and another is turned to.
func TestServerCutOffFromItsCluster(t *testing.T) {
	if testing.Short() {
		t.Skip("waits for elections")
	}
	t.Parallel()
	cluster := streamtest.StartCluster(t, t.TempDir())
	cfg := stream.Config{URL: cluster.URL(), TokenFile: cluster.TokenFile(), Manage: new(true), Replicas: 3}
	requireReady(t, open(t, cfg))
	requireBucketRaised(t, cfg)
	leader := cluster.Leader(stream.Clinic)
	var seen events
	cfg.URL, cfg.OnEvent = leader.URL(), seen.add // it tells of the others
	s := open(t, cfg)
	requireReady(t, s)
	defer cluster.CutOff(leader)()
	requireNotReady(t, s, "stream CLINIC")
	require.Eventually(t, func() bool { return s.Ready() == nil }, 60*time.Second, 50*time.Millisecond)
	require.Positive(t, seen.of(stream.EventReconnect))
	publish(t, s, "clinic.booking.a", "event")
}

// requireBucketRaised sees that a bucket of one replica gets those that are configured, and keeps them.
func requireBucketRaised(t *testing.T, cfg stream.Config) {
	t.Helper()
	one := cfg
	one.Replicas = 0
	for _, step := range []struct {
		cfg  stream.Config
		want int
	}{{one, 1}, {cfg, 3}, {one, 3}} {
		bucket, err := open(t, step.cfg).Bucket(t.Context(), "RAISED", 0)
		require.NoError(t, err)
		status, err := bucket.Status(t.Context())
		require.NoError(t, err)
		require.Equal(t, step.want, status.Config().Replicas)
	}
}
