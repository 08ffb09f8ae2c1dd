package worker

import (
	"net/http"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/peertest"
)

const theirLink = `"supportingInformation":[{"reference":"DocumentReference/letter","display":"their letter"}],`

func (c *clinic) appointment(id string) string {
	c.t.Helper()
	raw, ok := c.store.Get("Appointment/" + id)
	require.True(c.t, ok)
	return string(raw)
}

// Off by default: no Appointment is ever written.
func TestAppointmentsAreNotTouchedByDefault(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	require.NoError(t, c.worker().Sweep(t.Context()))
	require.Len(t, c.all("Flag", `"active"`), 1)
	require.Contains(t, c.appointment("a1"), `"versionId":"1"`)
}

// The link comes with the Flag and goes with it, and leaves everything else of the appointment as it stands, byte for byte.
func TestFlagIsLinkedInItsAppointments(t *testing.T) {
	for name, ids := range map[string]bool{"ids of ours": true, "ids of the server's": false} {
		t.Run(name, func(t *testing.T) {
			options := fhirstore.DefaultOptions()
			options.UpdateCreate = ids
			c := newClinic(t, options)
			c.set = func(cfg *Config) { cfg.FlagLinkAppointment = true }
			other := func(s string) string {
				return strings.Replace(s, `"status"`, theirLink+`"unknownOfTheirs":{"a":  1.50},"status"`, 1)
			}
			right := booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye")
			c.put(bob, bobTook, bobProcedure, other(right), booking("bob", "a2", "booked", "2026-03-19T09:00:00Z", "Cataract surgery, left eye"),
				booking("bob", "a3", "booked", "2026-03-20T09:00:00Z", "Dermatology"))
			w := c.worker()
			pass := func() {
				t.Helper()
				require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace))
			}
			flagOf := func(eye string) string { return `{"reference":"Flag/` + standingOf(t, c.all("Flag", eye)[0]).ID + `"}` }
			pass()
			linked := c.appointment("a1")
			require.Contains(t, linked, `"supportingInformation":[{"display":"their letter","reference":"DocumentReference/letter"},`+flagOf("RIGHT eye")+`]`)
			require.Contains(t, linked, `"unknownOfTheirs":{"a":  1.50}`)
			require.Contains(t, c.appointment("a2"), `"supportingInformation":[`+flagOf("LEFT eye")+`]`)
			require.NotContains(t, c.appointment("a3"), "supportingInformation")
			pass()
			require.Equal(t, linked, c.appointment("a1"), "nothing to change is no write")
			require.Equal(t, 2., testutil.ToFloat64(w.metrics.writes.WithLabelValues("Appointment", "update")))

			c.put(strings.Replace(linked, `"booked"`, `"cancelled"`, 1))
			pass()
			require.Contains(t, c.appointment("a1"), `their letter`)
			require.NotContains(t, c.appointment("a1"), "Flag/")
			require.Contains(t, c.appointment("a2"), "Flag/")
		})
	}
}

// Somebody writes the appointment between our reading and our patch: read again, and decide again.
func TestLinkThatCameTooLateIsDecidedAnew(t *testing.T) {
	for _, status := range []int{409, 412, 422} {
		c := newClinic(t, fhirstore.DefaultOptions())
		c.set = func(cfg *Config) { cfg.FlagLinkAppointment = true }
		c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
		c.store.Fault(fhirstore.Fault{Interaction: "patch", Status: status, Times: 1})
		w := c.worker()
		require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace))
		require.Contains(t, c.appointment("a1"), "Flag/")
		require.Equal(t, 1., testutil.ToFloat64(w.metrics.conflicts))
	}
}

// A booking given to another patient loses the link to the first one's Flag; a scheduler that takes no patch loses nothing else.
func TestLinkOfAnotherPatientAndRefusedLinks(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.set = func(cfg *Config) { cfg.FlagLinkAppointment = true }
	first := booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye")
	c.put(bob, bobTook, bobProcedure, strings.ReplaceAll(bob, "bob", "eve"), first)
	w := c.worker()
	require.NoError(t, w.handle(t.Context(), []byte(first), 0))
	require.Contains(t, c.appointment("a1"), "Flag/")
	c.put(strings.Replace(c.appointment("a1"), "Patient/bob", "Patient/eve", 1))
	require.NoError(t, w.handle(t.Context(), []byte(first), 0))
	require.NotContains(t, c.appointment("a1"), "Flag/")

	for _, status := range []int{400, 403, 405} {
		c := newClinic(t, fhirstore.DefaultOptions())
		c.set = func(cfg *Config) { cfg.FlagLinkAppointment = true }
		c.put(bob, bobTook, bobProcedure, first)
		c.store.Fault(fhirstore.Fault{Interaction: "patch", Status: status, Times: 1})
		w := c.worker()
		require.NoError(t, w.handle(t.Context(), []byte(first), 0))
		require.Len(t, c.all("Flag", `"active"`), 1)
		require.NotContains(t, c.appointment("a1"), "Flag/")
		require.NoError(t, w.handle(t.Context(), []byte(first), 0))
		require.Contains(t, c.appointment("a1"), "Flag/", "the next pass tries again")
	}
}

// The same on a FHIR server that nobody here wrote: its own JSON Patch takes ours, and refuses one for an older version.
func TestInteropFlagIsLinkedInItsAppointment(t *testing.T) {
	peer := peertest.Server(t, peertest.Options{})
	c := newClinic(t, fhirstore.DefaultOptions())
	c.url = peer.Base
	c.set = func(cfg *Config) { cfg.FlagLinkAppointment = true }
	booked := strings.Replace(booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"), `"status"`, theirLink+`"status"`, 1)
	peer.Put(t, []byte(bob), []byte(bobTook), []byte(bobProcedure), []byte(booked))
	w := c.worker()
	appointment := func() string {
		t.Helper()
		require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace))
		return string(peer.All(t, "Appointment")[0])
	}
	linked := appointment()
	require.Contains(t, linked, `"reference":"Flag/`)
	require.Contains(t, linked, `their letter`)
	require.Equal(t, linked, appointment(), "the second pass writes nothing")

	old, err := fhirmap.LinkPatch([]byte(booked[:len(booked)-1]+`,"meta":{"versionId":"of-yesterday"}}`), nil, []string{"Flag/x"})
	require.NoError(t, err)
	_, err = w.fhir.Write(t.Context(), http.MethodPatch, "Appointment/a1", old, "", "")
	require.Error(t, err)

	peer.Put(t, []byte(strings.Replace(linked, `"booked"`, `"cancelled"`, 1)))
	ended := appointment()
	require.NotContains(t, ended, `Flag/`)
	require.Contains(t, ended, `their letter`)
}
