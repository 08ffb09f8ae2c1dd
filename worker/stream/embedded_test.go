package stream_test

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
)

func TestEmbeddedIsReadyAtOnce(t *testing.T) {
	t.Parallel()
	start := time.Now()
	dir := filepath.Join(t.TempDir(), "store")
	s := open(t, stream.Config{StoreDir: dir, Listen: "127.0.0.1:0"})
	t.Logf("ready after %s", time.Since(start))
	require.NoError(t, s.Ready())

	for path, mode := range map[string]os.FileMode{
		dir: 0o700, filepath.Join(dir, "jetstream"): 0o700, filepath.Join(dir, "token"): 0o600,
	} {
		info, err := os.Stat(path)
		require.NoError(t, err)
		require.Equal(t, mode, info.Mode().Perm(), path)
	}
	require.Equal(t, filepath.Join(dir, "token"), s.TokenFile())
}

func TestEmbeddedAsksForTheToken(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	for name, opts := range map[string][]nats.Option{
		"no token":    nil,
		"wrong token": {nats.Token("wrong")},
	} {
		_, err := nats.Connect(s.URL(), opts...)
		require.ErrorIs(t, err, nats.ErrAuthorization, name)
	}
	_, err := client(t, s).Publish(t.Context(), "clinic.booking.a", []byte("event"))
	require.NoError(t, err)
	require.Equal(t, "event", string(next(t, s).Data()))
}

func TestEmbeddedWithoutToken(t *testing.T) {
	t.Parallel()
	s := open(t, stream.Config{StoreDir: t.TempDir(), Listen: "localhost:0", TokenFile: stream.NoToken})
	require.Empty(t, s.TokenFile())
	_, err := client(t, s).Publish(t.Context(), "clinic.booking.a", nil)
	require.NoError(t, err)
}

func TestEmbeddedTakesANamedToken(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(file, []byte("given\n"), 0o600))
	s := open(t, stream.Config{StoreDir: t.TempDir(), Listen: "127.0.0.1:0", TokenFile: file})
	conn, err := nats.Connect(s.URL(), nats.Token("given"))
	require.NoError(t, err)
	conn.Close()

	require.NoError(t, os.WriteFile(file, []byte(" \n"), 0o600))
	_, err = stream.Open(t.Context(), stream.Config{StoreDir: t.TempDir(), Listen: "127.0.0.1:0", TokenFile: file})
	require.EqualError(t, err, "nats.token_file: the file is empty")
}

func TestStoreDirectoryHasOneUser(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	cfg := stream.Config{StoreDir: dir, Listen: "127.0.0.1:0"}
	first, err := stream.Open(t.Context(), cfg)
	require.NoError(t, err)
	_, err = stream.Open(t.Context(), cfg)
	require.ErrorIs(t, err, stream.ErrStoreInUse)
	require.NotContains(t, err.Error(), "\n")

	closeStream(t, first)
	open(t, cfg)
}

func TestPortInUse(t *testing.T) {
	t.Parallel()
	s := openEmbedded(t)
	start := time.Now()
	_, err := stream.Open(t.Context(), stream.Config{StoreDir: t.TempDir(), Listen: strings.TrimPrefix(s.URL(), "nats://")})
	require.ErrorContains(t, err, "address already in use")
	require.NotContains(t, err.Error(), "\n")
	require.Less(t, time.Since(start), 4*time.Second)
}

func TestRestartKeepsPortTokenAndEvents(t *testing.T) {
	t.Parallel()
	cfg := stream.Config{StoreDir: t.TempDir(), Listen: "127.0.0.1:0"}
	first, err := stream.Open(t.Context(), cfg)
	require.NoError(t, err)
	token, err := os.ReadFile(first.TokenFile())
	require.NoError(t, err)
	publish(t, first, "clinic.booking.a", "acknowledged")
	publish(t, first, "clinic.booking.b", "waiting")
	require.NoError(t, next(t, first).DoubleAck(t.Context()))
	cfg.Listen = strings.TrimPrefix(first.URL(), "nats://")
	closeStream(t, first)
	closeStream(t, first) // harmless
	require.ErrorIs(t, first.Ready(), stream.ErrClosed)

	// Closed means that the port is free.
	l, err := net.Listen("tcp", cfg.Listen)
	require.NoError(t, err)
	require.NoError(t, l.Close())

	second := open(t, cfg)
	require.NoError(t, second.Ready())
	again, err := os.ReadFile(second.TokenFile())
	require.NoError(t, err)
	require.Equal(t, token, again)
	require.Equal(t, "waiting", string(next(t, second).Data()))
}

func TestCloseWithoutTime(t *testing.T) {
	t.Parallel()
	s, err := stream.Open(t.Context(), stream.Config{StoreDir: t.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, s.Close(ctx))
	_, err = s.Publish(t.Context(), "clinic.booking.a", nil, "")
	require.ErrorIs(t, err, stream.ErrClosed)
	_, err = s.Bookings(t.Context())
	require.ErrorIs(t, err, stream.ErrClosed)
}

// publisherEnv makes the test binary a process that publishes into the store directory it names until it is killed.
const publisherEnv = "PUPILRISK_TEST_PUBLISHER"

// publishUntilKilled prints the number of each event once its publication is confirmed.
func publishUntilKilled(dir string) {
	ctx := context.Background()
	s, err := stream.Open(ctx, stream.Config{StoreDir: dir, Listen: "127.0.0.1:0"})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	for i := 0; ; i++ {
		if _, err := s.Publish(ctx, "clinic.booking.a", []byte(strconv.Itoa(i)), strconv.Itoa(i)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		fmt.Println(i)
	}
}

func TestKilledProcessLosesNoConfirmedEvent(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	worker := exec.Command(os.Args[0], "-test.run=^$")
	worker.Env = append(os.Environ(), publisherEnv+"="+dir)
	worker.Stderr = os.Stderr
	out, err := worker.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, worker.Start())
	lines := bufio.NewScanner(out)
	last := -1
	for last < 200 && lines.Scan() {
		last, err = strconv.Atoi(lines.Text())
		require.NoError(t, err)
	}
	require.NoError(t, worker.Process.Kill())
	for lines.Scan() { // what it had printed before it died
		if n, err := strconv.Atoi(lines.Text()); err == nil {
			last = n
		}
	}
	require.Error(t, worker.Wait())
	require.GreaterOrEqual(t, last, 200)

	s := open(t, stream.Config{StoreDir: dir, Listen: "127.0.0.1:0"}) // the lock died with its process
	stands, err := client(t, s).Stream(t.Context(), stream.Clinic)
	require.NoError(t, err)
	for i := range last + 1 {
		m, err := stands.GetMsg(t.Context(), uint64(i+1))
		require.NoError(t, err)
		require.Equal(t, strconv.Itoa(i), string(m.Data))
	}
}
