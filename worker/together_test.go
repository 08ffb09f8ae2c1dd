package worker

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirhttp"
	"pupilrisk/worker/fhirstore"
)

// Twenty workers on one patient at once, fifty rounds, with ids of ours and with ids of the server's: one Flag for each key,
// always, whatever happens to the booking and the record in between.
// Without the interop suite it is five rounds.
func TestTwentyWorkersOnOnePatient(t *testing.T) {
	rounds := 5
	if os.Getenv("PUPILRISK_INTEROP") != "" {
		rounds = 50
	}
	for name, set := range map[string]func(*fhirstore.Options){
		"ids of ours":         func(*fhirstore.Options) {},
		"ids of the server's": func(o *fhirstore.Options) { o.UpdateCreate = false },
		"single writes":       func(o *fhirstore.Options) { o.Transaction = false },
	} {
		t.Run(name, func(t *testing.T) {
			options := fhirstore.DefaultOptions()
			set(&options)
			c := newClinic(t, options)
			c.put(bob, bobTook, bobProcedure)
			var workers []*Worker
			for range 20 {
				workers = append(workers, c.worker())
			}
			for round := range rounds {
				status, eye := "booked", "right"
				if round%5 == 4 {
					status = "cancelled"
				}
				if round%7 == 6 {
					eye = "left"
				}
				c.put(booking("bob", "a1", status, "2026-03-09T09:00:00Z", "Cataract surgery, "+eye+" eye"))
				if round == 3 {
					c.put(strings.NewReplacer(`"m1"`, `"m2"`, "77492", "721773", "tamsulosin", "silodosin").Replace(bobTook))
				}
				var all sync.WaitGroup
				errs := make([]error, len(workers))
				for i, w := range workers {
					all.Go(func() { errs[i] = w.handle(t.Context(), []byte(`{"reference":"Appointment/a1"}`), bookingGrace) })
				}
				all.Wait()
				for _, err := range errs {
					if err != nil && settle(err, 1).outcome != "retry" {
						require.NoError(t, err)
					}
				}
				// Who lost every race comes again, as the stream would bring it.
				require.NoError(t, workers[round%len(workers)].handle(t.Context(), []byte(`{"reference":"Appointment/a1"}`), bookingGrace))
				require.Equal(t, status == "booked", len(c.all("Flag", `"active"`)) == 1, "round %d", round)
				require.Empty(t, twice(t, c), "round %d", round)
				require.Empty(t, withoutProvenance(t, c), "round %d", round)
			}
		})
	}
}

// twice are the identifiers that more than one Flag or Task carries.
func twice(t *testing.T, c *clinic) (out []string) {
	seen := map[string]bool{}
	for _, raw := range c.written() {
		var r struct {
			Identifier []struct{ System, Value string }
		}
		require.NoError(t, json.Unmarshal([]byte(raw), &r))
		for _, id := range r.Identifier {
			key := fmt.Sprint(id.System, "|", id.Value)
			if seen[key] {
				out = append(out, key)
			}
			seen[key] = true
		}
	}
	return out
}

// Two workers find nothing at an id; the first creates, and a person answers before the second has written: the answer stands.
func TestCreationWritesOverNothing(t *testing.T) {
	for name, o := range map[string]func(*fhirstore.Options){
		"in a transaction": func(*fhirstore.Options) {},
		"one by one":       func(o *fhirstore.Options) { o.Transaction = false },
	} {
		t.Run(name, func(t *testing.T) {
			options := fhirstore.DefaultOptions()
			o(&options)
			c := newClinic(t, options)
			c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
			w := c.worker()
			early, err := w.read(t.Context(), "Patient/bob", nudge{appointment: "Appointment/a1"}, false)
			require.NoError(t, err)
			require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}, appointment: "Appointment/a1"}, false, bookingGrace))
			for ref := range c.written() {
				typ, _, _ := strings.Cut(ref, "/")
				require.NoError(t, c.store.Edit(ref, func(m map[string]any) { m["status"] = map[string]string{"Flag": "inactive", "Task": "completed"}[typ] }))
			}
			before := c.written()
			require.Equal(t, fhirhttp.Conflict, fhirhttp.KindOf(w.bring(t.Context(), early)))
			require.Equal(t, before, c.written())
		})
	}
}
