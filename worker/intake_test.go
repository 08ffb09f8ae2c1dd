package worker

import (
	"context"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
)

// A notification that reaches the rest-hook ends as a Flag; one without the secret does nothing.
func TestRestHookToFlag(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	w.cfg.WebhookAddr, w.cfg.WebhookSecretFile = "127.0.0.1:0", filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(w.cfg.WebhookSecretFile, []byte("only-in-this-test\n"), 0o600))
	handler, run := w.hook()
	server := &http.Server{Handler: handler, ReadHeaderTimeout: time.Second}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	go server.Serve(listener) //nolint:errcheck // ends with Close
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { run(ctx); close(ended) }()
	post := func(secret, body string) int {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+listener.Addr().String()+"/", strings.NewReader(body))
		require.NoError(t, err)
		r.Header.Set("Content-Type", "application/fhir+json")
		r.Header.Set("Authorization", "Bearer "+secret)
		answer, err := http.DefaultClient.Do(r)
		require.NoError(t, err)
		require.NoError(t, answer.Body.Close())
		return answer.StatusCode
	}
	c.run(func() {
		c.swept(w)
		c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
		require.Equal(t, http.StatusUnauthorized, post("wrong", notice("event-notification", "Appointment/a1")))
		require.Equal(t, http.StatusOK, post("only-in-this-test", notice("handshake", "")))
		c.settled()
		require.Empty(t, c.written())
		require.Equal(t, http.StatusOK, post("only-in-this-test", notice("event-notification", "Appointment/a1")))
		c.settled()
		require.Len(t, c.all("Flag", `"active"`), 1)
	}, w)
	cancel()
	<-ended
	require.NoError(t, server.Close())
	http.DefaultClient.CloseIdleConnections()
	require.Equal(t, 1., testutil.ToFloat64(w.metrics.webhook.WithLabelValues("unauthorized")))
	require.Equal(t, 1., testutil.ToFloat64(w.metrics.webhook.WithLabelValues("handshake")))
}

// The listener of serve: it takes its address, and ends without leaving anything behind.
func TestRestHookListens(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	stop, err := w.serveHook(t.Context())
	require.NoError(t, err)
	require.NoError(t, stop(), "off")
	w.cfg.WebhookAddr = "127.0.0.1:0"
	stop, err = w.serveHook(t.Context())
	require.NoError(t, err)
	require.NoError(t, stop())
	w.cfg.WebhookCertFile, w.cfg.WebhookKeyFile = "nowhere", "nowhere"
	_, err = w.serveHook(t.Context())
	require.ErrorAs(t, err, &ConfigError{})
}
