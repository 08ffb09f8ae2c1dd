package worker

import (
	"bufio"
	"context"
	"fmt"
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

const siu = "MSH|^~\\&|SCHED|EYE|PUPIL|EYE|20260302080000||SIU^%s^SIU_S12|%s|P|2.5.1\rSCH|P-1|F-77^EYE\rPID|1||MRN-9^^^EYE^MR\r"

// dialV2 sends one message to the worker's MLLP listener and returns the acknowledgement.
func dialV2(t *testing.T, addr, message string) string {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	require.NoError(t, err)
	defer c.Close() //nolint:errcheck // a test's
	require.NoError(t, c.SetDeadline(time.Now().Add(20*time.Second)))
	_, err = c.Write([]byte("\x0b" + message + "\x1c\r"))
	require.NoError(t, err)
	reply, err := bufio.NewReader(c).ReadString(0x1c)
	require.NoError(t, err)
	return strings.Trim(reply, "\x0b\x1c")
}

// An HL7 v2 booking is stored before it is accepted, and ends as a Flag on the appointment and patient that the FHIR server knows
// by their identifiers; a cancellation of it ends the Tasks. What cannot be read is refused at the door or put aside.
func TestHL7v2ToFlag(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	w.cfg.MLLPAddr = freeAddr(t)
	stop, err := w.serveV2(t.Context())
	require.NoError(t, err)
	defer stop()
	booked := func(status string) string {
		return strings.Replace(booking("bob", "a1", status, "2026-03-09T09:00:00Z", "Cataract surgery, right eye"), `"id":"a1"`, `"id":"a1","identifier":[{"system":"urn:x","value":"F-77"}]`, 1)
	}
	send := func(trigger, control string) string {
		return dialV2(t, w.cfg.MLLPAddr, fmt.Sprintf(siu, trigger, control))
	}
	c.run(func() {
		c.swept(w)
		c.put(strings.Replace(bob, `"active"`, `"identifier":[{"value":"MRN-9"}],"active"`, 1), bobTook, bobProcedure, booked("booked"))
		require.Contains(t, send("S12", "1"), "MSA|AA|1")
		c.settled()
		require.Len(t, c.all("Flag", `"active"`), 1)
		c.put(booked("cancelled"))
		require.Contains(t, send("S15", "2"), "MSA|AA|2")
		c.settled()
		require.Empty(t, c.all("Flag", `"active"`))
		require.Empty(t, c.all("Task", `"requested"`))
		require.Contains(t, send("S23", "3"), "MSA|AA|3", "a slot blocked: accepted and let go")
		require.Contains(t, send("S99", "4"), "MSA|AR|4")
		require.Contains(t, dialV2(t, w.cfg.MLLPAddr, strings.Replace(fmt.Sprintf(siu, "S12", "5"), "2.5.1\r", "2.5.1||||||KLINGON\r", 1)), "MSA|AE|5")
		require.Contains(t, dialV2(t, w.cfg.MLLPAddr, "not HL7"), "MSA|AR|")
	}, w)
	require.Equal(t, 3., testutil.ToFloat64(w.metrics.v2.WithLabelValues("accepted")))
}

// Without the stream's confirmation there is no AA.
func TestHL7v2IsNotAcceptedUnlessStored(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.Contains(t, string(w.answerV2(ctx, []byte(fmt.Sprintf(siu, "S12", "1")))), "MSA|AE|1")
	require.Contains(t, string(w.answerV2(ctx, []byte(strings.Replace(fmt.Sprintf(siu, "S12", "1"), "2.5.1", "2.5.1|||AL|NE", 1)))), "MSA|CE|1")
}

// A merge looks at both records; an identifier nobody knows is waited for and then put aside.
func TestHL7v2Merge(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(`{"resourceType":"Patient","id":"new","identifier":[{"value":"NEW|1"}]}`, `{"resourceType":"Patient","id":"old","identifier":[{"value":"OLD"}]}`)
	w := c.worker()
	merge := `MSH|^~\&|SCHED|EYE|PUPIL|EYE|20260302080000||ADT^A40^ADT_A39|1|P|2.5.1` + "\r" + `PID|1||NEW\F\1` + "\rMRG|OLD\r"
	nudges, err := decodeEvent([]byte(merge), w.recordOptions())
	require.NoError(t, err)
	known, err := w.identified(t.Context(), nudges[0], 0)
	require.NoError(t, err)
	require.Equal(t, []nudge{{patients: []string{"Patient/new"}}, {patients: []string{"Patient/old"}}}, known)
	unknown := []byte(strings.NewReplacer("NEW", "X", "OLD", "Y").Replace(merge))
	require.Equal(t, "wait", settle(w.handle(t.Context(), unknown, time.Minute), 1).outcome)
	require.Equal(t, ReasonNoBooking, settle(w.handle(t.Context(), unknown, 2*bookingGrace), 1).reason)
}

func freeAddr(t *testing.T) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close() //nolint:errcheck // only its number is wanted
	return l.Addr().String()
}
