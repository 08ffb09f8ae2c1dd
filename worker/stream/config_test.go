package stream_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
)

func TestWrongConfigurationNamesItsKey(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	require.NoError(t, os.WriteFile(file, []byte("content"), 0o600))
	const url = "nats://127.0.0.1:1"
	for want, cfg := range map[string]stream.Config{
		"nats.store_dir: the embedded server needs a directory":                            {},
		"nats.ack_wait: 31s is not above 0 and at most 30s":                                {StoreDir: dir, AckWait: 31 * time.Second},
		"nats.max_ack_pending: -1 is negative":                                             {StoreDir: dir, MaxAckPending: -1},
		"nats.max_bytes: -1 is negative":                                                   {StoreDir: dir, MaxBytes: -1},
		"nats.replicas: 6 is not within 0 to 5":                                            {URL: url, Replicas: 6},
		"nats.replicas: the embedded server (nats.url is empty) keeps one":                 {StoreDir: dir, Replicas: 3},
		"nats.tls: cert_file and key_file belong together, one is missing":                 {StoreDir: dir, CertFile: file},
		"nats.listen: not of the form host:port":                                           {StoreDir: dir, Listen: "127.0.0.1"},
		`nats.listen: port "70000" is not a number up to 65535`:                            {StoreDir: dir, Listen: "127.0.0.1:70000"},
		"nats.token_file: off is allowed on a loopback address only":                       {StoreDir: dir, Listen: ":0", TokenFile: stream.NoToken},
		"nats.listen: beyond loopback nats.tls.cert_file and key_file are needed":          {StoreDir: dir, Listen: "0.0.0.0:0"},
		"nats.url: not a URL of the form nats://host:port":                                 {URL: "localhost"},
		`nats.url: scheme "http" is not nats, tls, ws or wss`:                              {URL: "http://localhost:4222"},
		"nats.url: holds a secret; use nats.token_file, nats.creds_file or nats.nkey_file": {URL: "nats://secret@localhost"},
		"nats: more than one of creds_file, nkey_file and token_file is set":               {URL: url, CredsFile: file, TokenFile: file},
		"nats.creds_file: open " + dir + "/none: no such file or directory":                {URL: url, CredsFile: dir + "/none"},
		"nats.tls.ca_file: no certificate in PEM in it":                                    {URL: url, CAFile: file},
		"nats.creds_file, nats.nkey_file: the embedded server (nats.url is empty) knows a token only": {
			StoreDir: dir, NKeyFile: file,
		},
	} {
		_, err := stream.Open(t.Context(), cfg)
		require.EqualError(t, err, want)
	}
	_, err := stream.Open(t.Context(), stream.Config{StoreDir: file})
	require.ErrorContains(t, err, "nats.store_dir: ")
	_, err = stream.Open(t.Context(), stream.Config{URL: url, NKeyFile: file})
	require.ErrorContains(t, err, "nats.nkey_file: ")
	_, err = stream.Open(t.Context(), stream.Config{StoreDir: dir, Listen: "127.0.0.1:0", CertFile: file, KeyFile: file})
	require.ErrorContains(t, err, "nats.tls: ")
	open(t, stream.Config{StoreDir: dir, Listen: "127.0.0.1:0"}) // the lock was given back
}
