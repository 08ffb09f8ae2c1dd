package worker

import (
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirstore"
)

// A worker stopped between any two single writes, on a server without transactions: the next pass ends where an undisturbed one
// does, with a Provenance for each thing written, and the one after writes nothing.
func TestStoppedBetweenSingleWritesLosesNoProvenance(t *testing.T) {
	steps := []string{
		booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"),
		booking("bob", "a1", "booked", "2026-03-11T09:00:00Z", "Cataract surgery, right eye"),
		booking("bob", "a1", "cancelled", "2026-03-11T09:00:00Z", "Cataract surgery, right eye"),
	}
	chosen := regexp.MustCompile(`"(\w+/)?chosen-[^"]*"`)
	shared := newClinic(t, fhirstore.DefaultOptions())
	for _, ids := range []bool{true, false} {
		// live runs the steps and disturbs the step given in its n-th write.
		live := func(t *testing.T, disturbed, n int, late bool) (states []map[string]string, hit bool) {
			options := fhirstore.DefaultOptions()
			options.Transaction, options.UpdateCreate = false, ids
			options.NewID = func() string { return "chosen-" + uuid.NewString() }
			at := clinicDay
			store := fhirstore.New(options)
			server := httptest.NewServer(store)
			defer server.Close()
			c := &clinic{t: t, store: store, url: server.URL + "/fhir", stream: shared.stream, mode: Live, now: func() time.Time { return at }}
			c.put(bob, bobTook, bobProcedure)
			pass := func(w *Worker) error {
				return w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace)
			}
			worker := func() *Worker {
				w := c.worker()
				w.cfg.FHIRDevice = "Device/d"
				return w
			}
			w := worker()
			for i, step := range steps {
				at = at.Add(time.Hour)
				c.put(step)
				if i == disturbed {
					for _, method := range []string{"update", "create"} {
						c.store.Fault(fhirstore.Fault{Interaction: method, After: n, Status: 503, Late: late})
					}
					hit = pass(worker()) != nil
					c.store.ClearFaults()
				}
				require.NoError(t, pass(w))
				require.Empty(t, withoutProvenance(t, c))
				c.store.ResetRequests()
				require.NoError(t, pass(w))
				for _, r := range c.store.Requests() {
					require.False(t, r.Method != "GET" && (strings.HasPrefix(r.Path, "Flag") || strings.HasPrefix(r.Path, "Task") || strings.HasPrefix(r.Path, "Provenance")),
						"nothing is left to write: %s %s", r.Method, r.Path)
				}
				state := map[string]string{}
				for _, raw := range c.written() {
					s := standingOf(t, raw)
					state[fmt.Sprint(s.Type, s.Base, s.N)] = chosen.ReplaceAllString(raw, `"$1"`)
				}
				states = append(states, state)
			}
			return states, hit
		}
		want, _ := live(t, -1, 0, false)
		for step := range steps {
			for _, late := range []bool{false, true} {
				n, hit := 0, true
				for ; hit; n++ {
					var got []map[string]string
					got, hit = live(t, step, n, late)
					require.Equal(t, want, got, "ids of ours %t, step %d, write %d, late %t", ids, step, n, late)
				}
				require.Greater(t, n, 3, "Flag, Task and Provenance are disturbed, each in its turn")
			}
		}
	}
}

// withoutProvenance are the Flags and Tasks of ours whose last write by us has none.
func withoutProvenance(t *testing.T, c *clinic) (out []string) {
	recorded := fhirmap.Recorded{}
	for _, raw := range c.store.All("Provenance") {
		page, err := json.Marshal(map[string]any{"resourceType": "Bundle", "entry": []any{map[string]any{"resource": json.RawMessage(raw)}}})
		require.NoError(t, err)
		_, err = recorded.Add(page)
		require.NoError(t, err)
	}
	for ref, raw := range c.written() {
		s := standingOf(t, raw)
		if !strings.Contains(strings.Join(recorded[ref], " "), s.Written) {
			out = append(out, ref)
		}
	}
	return out
}

func standingOf(t *testing.T, raw string) fhirmap.Standing {
	s, ours, err := fhirmap.ParseStanding(fhirmap.Names{Canonical: fhirmap.DefaultCanonical}, []byte(raw))
	require.NoError(t, err)
	require.True(t, ours)
	return s
}

// A server with transactions is asked for no Provenance.
func TestTransactionsNeedNoRepair(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	w := c.worker()
	for range 2 {
		require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace))
	}
	require.Empty(t, withoutProvenance(t, c))
	for _, r := range c.store.Requests() {
		require.False(t, r.Path == "Provenance" && r.Interaction == "search-type")
	}
}
