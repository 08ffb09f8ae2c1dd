package stream_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"pupilrisk/worker/stream"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// openEmbedded opens a Stream with an embedded server on a free port, closed with the test.
func openEmbedded(t *testing.T, change ...func(*stream.Config)) *stream.Stream {
	t.Helper()
	cfg := stream.Config{StoreDir: t.TempDir(), Listen: "127.0.0.1:0"}
	for _, c := range change {
		c(&cfg)
	}
	s, err := stream.Open(t.Context(), cfg)
	require.NoError(t, err)
	t.Cleanup(func() { closeStream(t, s) })
	return s
}

func closeStream(t *testing.T, s *stream.Stream) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	require.NoError(t, s.Close(ctx))
}

func TestEmbeddedIsReadyAtOnce(t *testing.T) {
	start := time.Now()
	s := openEmbedded(t)
	t.Logf("ready after %s", time.Since(start))
	require.NoError(t, s.Ready())
	info, err := os.Stat(s.TokenFile())
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	require.Equal(t, "token", filepath.Base(s.TokenFile()))
}
