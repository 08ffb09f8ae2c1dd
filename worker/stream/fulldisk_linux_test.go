package stream_test

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
)

// A full disk under the embedded server: what was confirmed stays, what comes is not confirmed, Ready says so, and with
// room on the disk it goes on by itself.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	disk := t.TempDir()
	if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, "size=24m"); err != nil {
		t.Skipf("a small disk cannot be mounted here: %v", err)
	}
	t.Cleanup(func() { require.NoError(t, syscall.Unmount(disk, 0)) })
	ballast := filepath.Join(disk, "ballast")
	require.NoError(t, os.WriteFile(ballast, make([]byte, 16<<20), 0o600))

	var seen events
	s := open(t, stream.Config{StoreDir: filepath.Join(disk, "store"), Listen: "127.0.0.1:0", OnEvent: seen.add})
	event := bytes.Repeat([]byte("x"), 500_000)
	stored := uint64(0)
	for ; stored < 50; stored++ {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		_, err := s.Publish(ctx, "clinic.booking.a", event, "")
		cancel()
		if err != nil {
			break
		}
	}
	require.Less(t, stored, uint64(50))
	require.Positive(t, stored)
	requireNotReady(t, s, "no space left on device")
	require.Zero(t, seen.of(stream.EventStore))

	require.NoError(t, os.Remove(ballast))
	requireReady(t, s)
	require.Equal(t, 1, seen.of(stream.EventStore))
	publish(t, s, "clinic.booking.a", "after")
	requirePending(t, s, stored+1)
	require.Len(t, next(t, s).Data(), len(event))
}
