package stream_test

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
)

// holds reports that a file below dir contains text.
func holds(t *testing.T, dir, text string) (found bool) {
	t.Helper()
	require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		found = found || bytes.Contains(b, []byte(text))
		return err
	}))
	return found
}

// With a key nothing in the store can be read without it, also what stood there before; and no store is begun anew because
// the key is missing or wrong.
func TestStoreIsEncrypted(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	key, other, short := filepath.Join(t.TempDir(), "key"), filepath.Join(t.TempDir(), "other"), filepath.Join(t.TempDir(), "short")
	for file, content := range map[string]string{key: "00112233445566778899aabbccddeeff\n", other: "ffeeddccbbaa99887766554433221100\n", short: "secret\n"} {
		require.NoError(t, os.WriteFile(file, []byte(content), 0o600))
	}
	with := func(file string) stream.Config {
		return stream.Config{StoreDir: dir, Listen: "127.0.0.1:0", StoreKeyFile: file}
	}
	begin := func(file string) *stream.Stream {
		s, err := stream.Open(t.Context(), with(file))
		require.NoError(t, err)
		return s
	}
	s := begin("")
	publish(t, s, "clinic.booking.a", "invented-marker-before")
	closeStream(t, s)
	require.True(t, holds(t, dir, "invented-marker-before"), "the test sees what is not encrypted")

	s = begin(key)
	publish(t, s, "clinic.booking.b", "invented-marker-after")
	closeStream(t, s)
	require.False(t, holds(t, dir, "invented-marker"))

	for file, want := range map[string]string{
		"": "nats.store_key_file: missing, and what is in nats.store_dir is encrypted", other: "nats.store_key_file: not the key that nats.store_dir is encrypted with",
		short: "nats.store_key_file: wants at least 32 characters, from `openssl rand -hex 32` say",
	} {
		_, err := stream.Open(t.Context(), with(file))
		require.EqualError(t, err, want)
	}
	s = begin(key)
	defer closeStream(t, s)
	for _, want := range []string{"invented-marker-before", "invented-marker-after"} {
		m := next(t, s)
		require.Equal(t, want, string(m.Data()))
		require.NoError(t, m.Ack())
	}
}
