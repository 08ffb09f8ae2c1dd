package demo

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream"
	"pupilrisk/worker/stream/streamtest"
)

// A nats-server of its own is killed, and killed again, while two workers handle the clinic's events: nothing that was
// confirmed is lost, and nothing stands twice.
func TestNATSServerKilledInBetween(t *testing.T) {
	now := time.Date(2026, 11, 23, 7, 0, 0, 0, time.Local)
	clinic, err := NewClinic(now, time.Local)
	require.NoError(t, err)
	once, base := storeOf(t, clinic, fhirstore.DefaultOptions())
	newSite(t, base, now).work(1, clinic.Events)

	process := streamtest.StartProcess(t, t.TempDir())
	store, base := storeOf(t, clinic, fhirstore.DefaultOptions())
	store.Fault(fhirstore.Fault{Delay: 20 * time.Millisecond}) // so that there is an in between
	manage := true
	nats, err := stream.Open(t.Context(), stream.Config{URL: process.URL(), TokenFile: process.TokenFile(), Manage: &manage})
	require.NoError(t, err)
	t.Cleanup(func() {
		closing, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		require.NoError(t, nats.Close(closing))
	})
	require.Eventually(t, func() bool { return nats.Ready() == nil }, 20*time.Second, 20*time.Millisecond)
	s := newSite(t, base, now)
	s.stream = nats
	go func() {
		for range 2 {
			time.Sleep(150 * time.Millisecond)
			process.Kill()
			process.Restart()
		}
	}()
	s.work(2, clinic.Events)
	require.Equal(t, written(once), written(store))
}
