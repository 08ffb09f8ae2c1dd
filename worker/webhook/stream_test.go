package webhook

import (
	"context"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
)

// On a real stream: a notification that is sent again is stored once, a resource that comes back to what it was is stored again,
// and what MaxBody lets through is never too large.
func TestOnTheStream(t *testing.T) {
	nats, err := stream.Open(t.Context(), stream.Config{StoreDir: t.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	defer func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		require.NoError(t, nats.Close(ctx))
	}()
	var duplicates []bool
	h := newHook(Options{Publish: func(ctx context.Context, id string, body []byte) error {
		duplicate, err := nats.Publish(ctx, "clinic.booking.webhook", body, id)
		duplicates = append(duplicates, duplicate)
		return err
	}})
	s := serve(t, h)
	notified, unversioned := notification("event-notification", "7", event("7", "Appointment/a1")), `{"resourceType":"Appointment","id":"a1"}`
	largest := make([]byte, defaultMaxBody-len(unversioned)-len(`"x":"",`))
	for i := range largest {
		largest[i] = 'x'
	}
	for _, body := range []string{notified, notified, unversioned, unversioned, `{"x":"` + string(largest) + `",` + unversioned[1:]} {
		a, _ := do(t, s, request(t, "POST", s.URL, fhirJSON, body))
		require.Equal(t, http.StatusOK, a.StatusCode)
	}
	require.Equal(t, []bool{false, true, false, false, false}, duplicates)
	// The server counts a message a moment after it has confirmed it.
	require.Eventually(t, func() bool {
		pending, err := nats.Pending(t.Context())
		return err == nil && pending.Pending == 4
	}, 10*time.Second, 10*time.Millisecond)
}
