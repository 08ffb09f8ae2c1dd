package worker

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirhttp"
	"pupilrisk/worker/fhirstore"
)

// A Flag is withdrawn only on proof: its evidence is read by id where no search gives it.
func TestWithdrawalNeedsTheEvidenceReadByID(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*clinic)
		flags  int
	}{
		"deleted": {func(c *clinic) { require.NoError(c.t, c.store.Delete("MedicationStatement/m1")) }, 0},
		"moved to another patient": {func(c *clinic) {
			c.put(`{"resourceType":"Patient","id":"eve"}`, strings.Replace(bobTook, "Patient/bob", "Patient/eve", 1))
		}, 0},
		"entered in error":          {func(c *clinic) { c.put(strings.Replace(bobTook, `"completed"`, `"entered-in-error"`, 1)) }, 0},
		"not taken after all":       {func(c *clinic) { c.put(strings.Replace(bobTook, `"completed"`, `"not-taken"`, 1)) }, 0},
		"a token refused":           {func(c *clinic) { c.store.Fault(fhirstore.Fault{Status: 401, Path: "MedicationStatement"}) }, 1},
		"an incomplete read":        {func(c *clinic) { c.store.Fault(fhirstore.Fault{Status: 500, Path: "MedicationStatement?"}) }, 1},
		"a permission lost":         {func(c *clinic) { c.store.Fault(fhirstore.Fault{Status: 403, Path: "MedicationStatement"}) }, 1},
		"found by its id alone":     {func(c *clinic) { c.store.Fault(fhirstore.Fault{Status: 403, Path: "MedicationStatement?"}) }, 1},
		"still there and unchanged": {func(*clinic) {}, 1},
	} {
		t.Run(name, func(t *testing.T) {
			clinic := newClinic(t, fhirstore.DefaultOptions())
			// Another drug keeps the list from being empty: an empty one is a reason of its own.
			clinic.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"),
				strings.NewReplacer(`"m1"`, `"m2"`, "77492", "1191", "tamsulosin", "aspirin").Replace(bobTook))
			w := clinic.worker()
			pass := func() {
				t.Helper()
				err := w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace)
				require.True(t, err == nil || fhirhttp.KindOf(err) == fhirhttp.Denied, "%v", err) // a refused token ends the pass: no proof either
			}
			pass()
			require.Len(t, clinic.all("Flag", `"active"`), 1)
			c.change(clinic)
			pass()
			require.Len(t, clinic.all("Flag", `"active"`), c.flags)
			pass()
			require.Len(t, clinic.all("Flag", `"active"`), c.flags)
		})
	}
}

// A server that forgets what was deleted answers 404: proof as well. A finding that was refuted was read as such.
func TestWithdrawalOfWhatIsForgottenOrRefuted(t *testing.T) {
	options := fhirstore.DefaultOptions()
	options.HideDeleted = true
	c := newClinic(t, options)
	found := `{"resourceType":"Condition","id":"c1","verificationStatus":{"coding":[{"code":"confirmed"}]},"subject":{"reference":"Patient/bob"},"code":{"text":"Pseudoexfoliation syndrome, right eye"}}`
	aspirin := strings.NewReplacer("77492", "1191", "tamsulosin", "aspirin").Replace(bobTook)
	c.put(bob, aspirin, bobProcedure, found, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	w := c.worker()
	active := func() int {
		t.Helper()
		require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace))
		return len(c.all("Flag", `"active"`))
	}
	first := active()
	require.NotZero(t, first)
	c.put(strings.Replace(found, "confirmed", "refuted", 1))
	require.Zero(t, active())
	c.put(found)
	require.Equal(t, first, active(), "a Flag that we ended is made active again")
	require.Len(t, c.store.All("Flag"), first)
	require.NoError(t, c.store.Delete("Condition/c1"))
	require.Zero(t, active())
}

// A Flag whose strong evidence is proven not to stand does not live on by what was weighed and found too weak for one.
func TestWithdrawalWhereOnlyWeakEvidenceIsLeft(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	found := func(id, side, status string) string {
		return `{"resourceType":"Condition","id":"` + id + `","verificationStatus":{"coding":[{"code":"` + status + `"}]},"subject":{"reference":"Patient/bob"},"code":{"text":"Pseudoexfoliation syndrome, ` + side + ` eye"}}`
	}
	aspirin := strings.NewReplacer("77492", "1191", "tamsulosin", "aspirin").Replace(bobTook)
	c.put(bob, aspirin, bobProcedure, found("c1", "left", "confirmed"), found("c2", "right", "confirmed"),
		booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, left eye"))
	w := c.worker()
	pass := func() []string {
		t.Helper()
		require.NoError(t, w.passAll(t.Context(), nudge{patients: []string{"Patient/bob"}}, true, bookingGrace))
		return c.all("Flag", `"active"`)
	}
	flags := pass()
	require.Len(t, flags, 1)
	require.Contains(t, flags[0], "Condition/c2", "the other eye is part of the evidence")
	c.store.Fault(fhirstore.Fault{Status: 403, Path: "Condition"})
	require.Len(t, pass(), 1, "what was not read is no proof")
	c.store.ClearFaults()
	c.put(found("c1", "left", "refuted"))
	require.Empty(t, pass())
}

// More than five withdrawals that are over a tenth of the active Flags stop them all, and people are told.
func TestTooManyWithdrawalsStopAll(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	nameless := func(n int) *strings.Replacer {
		return strings.NewReplacer("bob", fmt.Sprintf("p%d", n), `"m1"`, fmt.Sprintf(`"m%d"`, n), `"x1"`, fmt.Sprintf(`"x%d"`, n))
	}
	for n := range 10 {
		c.put(nameless(n).Replace(bob), nameless(n).Replace(bobTook), nameless(n).Replace(bobProcedure),
			booking(fmt.Sprintf("p%d", n), fmt.Sprintf("a%d", n), "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	}
	w := c.worker()
	require.NoError(t, w.Sweep(t.Context()))
	w.brake.begin(true)
	require.Len(t, c.all("Flag", `"active"`), 10)
	require.NotContains(t, strings.Join(w.warnings(t.Context()), "\n"), "withdrawn")

	// A server upgrade that loses the drug history, say.
	for n := range 10 {
		require.NoError(t, c.store.Delete(fmt.Sprintf("MedicationStatement/m%d", n)))
	}
	require.NoError(t, w.Sweep(t.Context()))
	require.Len(t, c.all("Flag", `"active"`), 5, "five, and no more")
	require.Contains(t, strings.Join(w.warnings(t.Context()), "\n"), "too many flags would be withdrawn at once")
	require.Equal(t, 1., testutil.ToFloat64(w.metrics.withdrawalsStopped))
	require.NotZero(t, testutil.ToFloat64(w.metrics.withheld))
	other := c.worker()
	other.shareBrake(t.Context())
	require.True(t, other.brake.holds(), "the bucket knows at once")

	w.brake.begin(true)
	require.NoError(t, w.Sweep(t.Context()))
	require.Len(t, c.all("Flag", `"active"`), 5, "nor five more at the next sweep")

	for n := range 10 {
		c.put(nameless(n).Replace(bobTook))
	}
	w.brake.begin(true)
	require.NoError(t, w.Sweep(t.Context()))
	require.Len(t, c.all("Flag", `"active"`), 10, "back with the record")
	w.brake.begin(true)
	require.False(t, w.brake.holds(), "a whole sweep that withdraws nothing lets go")
}

// That withdrawals are stopped holds for all replicas and beyond a restart, until the one that sweeps lets go.
func TestStoppedWithdrawalsAreShared(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	sweeps, other := c.worker(), c.worker()
	other.brake.held = true
	other.shareBrake(t.Context())
	sweeps.shareBrake(t.Context())
	require.True(t, sweeps.brake.holds())
	require.Equal(t, 1., testutil.ToFloat64(sweeps.metrics.withdrawalsStopped))

	kv, err := other.bucket(t.Context(), workBucket, workTTL)
	require.NoError(t, err)
	require.NoError(t, kv.Purge(t.Context(), brakeKey))
	other.shareBrake(t.Context())
	require.True(t, other.brake.holds(), "a bucket that was lost lets nothing go")
	again := c.worker()
	c.run(func() { c.swept(again) }, again)
	require.True(t, again.brake.holds(), "read at the start")

	other.brake.wanted = map[string]bool{"a": true}
	sweeps.brake.begin(true)
	sweeps.shareBrake(t.Context())
	other.shareBrake(t.Context())
	require.False(t, other.brake.holds())
	require.Empty(t, other.brake.wanted)
}

// Withdrawals that bookings explain are a clinic's daily life and brake nothing.
func TestOperationsDoneBrakeNothing(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	of := func(n int, status string) string {
		return booking(fmt.Sprintf("p%d", n), fmt.Sprintf("a%d", n), status, "2026-03-02T09:00:00Z", "Cataract surgery, right eye")
	}
	for n := range 8 {
		r := strings.NewReplacer("bob", fmt.Sprintf("p%d", n), `"m1"`, fmt.Sprintf(`"m%d"`, n), `"x1"`, fmt.Sprintf(`"x%d"`, n))
		c.put(r.Replace(bob), r.Replace(bobTook), r.Replace(bobProcedure), of(n, "booked"))
	}
	w := c.worker()
	require.NoError(t, w.Sweep(t.Context()))
	for n := range 8 {
		c.put(of(n, "fulfilled"))
	}
	w.brake.begin(true)
	require.NoError(t, w.Sweep(t.Context()))
	require.Empty(t, c.all("Flag", `"active"`))
	require.False(t, w.brake.holds())
}

// Going back to shadow mode leaves live Flags in the schedule: readiness says so.
func TestShadowWithOwnFlagsActiveIsSaid(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	require.NoError(t, c.worker().Sweep(t.Context()))
	c.mode = Shadow
	w := c.worker()
	require.Empty(t, w.warnings(t.Context()))
	require.NoError(t, w.Sweep(t.Context()))
	require.Contains(t, w.warnings(t.Context()), "warning: shadow mode writes nothing, and 1 flags that live mode wrote are still active")
	require.Zero(t, testutil.ToFloat64(w.metrics.wouldWrite.WithLabelValues("Flag", "create")), "it stands already")
	require.Zero(t, testutil.ToFloat64(w.metrics.wouldWrite.WithLabelValues("Flag", "end")))

	w.lookOnce(t.Context())
	server := httptest.NewServer(w.Handler(prometheus.NewRegistry()))
	defer server.Close()
	answer, err := http.Get(server.URL + "/readyz")
	require.NoError(t, err)
	body, err := io.ReadAll(answer.Body)
	require.NoError(t, answer.Body.Close())
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, answer.StatusCode)
	require.Contains(t, string(body), "ready\nwarning: shadow mode")
}

// Bookings deleted or moved without any event: the sweep comes by our own Flags and Tasks, and ends what nobody is booked for.
func TestSweepComesByOurOwnFlagsAndTasks(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	w := c.worker()
	require.NoError(t, w.Sweep(t.Context()))
	require.Len(t, c.all("Flag", `"active"`), 1)
	require.NotEmpty(t, c.all("Task", `"requested"`))

	c.put(booking("bob", "a1", "booked", "2027-03-09T09:00:00Z", "Cataract surgery, right eye"))
	require.NoError(t, w.Sweep(t.Context()))
	require.Len(t, c.all("Flag", `"active"`), 1, "moved beyond the horizon: still booked")
	require.NotEmpty(t, c.all("Task", `"end":"2027-03-0`), "and its Tasks have moved with it")

	require.NoError(t, c.store.Delete("Appointment/a1"))
	require.NoError(t, w.Sweep(t.Context()))
	require.Empty(t, c.all("Flag", `"active"`))
	require.Empty(t, c.all("Task", `"requested"`))
}

// The way back: what nobody touched is ended with the reason, what a person changed stands, and a second run finds nothing.
func TestWithdrawTakesBackWhatNobodyTouched(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	of := func(who string) *strings.Replacer {
		return strings.NewReplacer("bob", who, `"m1"`, `"m-`+who+`"`, `"x1"`, `"x-`+who+`"`)
	}
	for _, who := range []string{"bob", "eve"} {
		c.put(of(who).Replace(bob), of(who).Replace(bobTook), of(who).Replace(bobProcedure), booking(who, "a-"+who, "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"))
	}
	w := c.worker()
	require.NoError(t, w.Sweep(t.Context()))
	open := func() (flags, tasks int) { return len(c.all("Flag", `"active"`)), len(c.all("Task", `"requested"`)) }
	flags, tasks := open()
	require.Equal(t, 2, flags)
	held := c.all("Flag", `"Patient/eve"`)[0]
	c.put(strings.Replace(held, "EXPECT", "seen by me: EXPECT", 1))

	withdraw := func(x Withdrawal) Withdrawn {
		t.Helper()
		x.Pause = time.Nanosecond
		done, err := w.Withdraw(t.Context(), x)
		require.NoError(t, err)
		return done
	}
	require.Zero(t, withdraw(Withdrawal{Factor: "silodosin"}).Flags)
	require.Zero(t, withdraw(Withdrawal{Catalogue: "of another year"}).Flags)
	require.Zero(t, withdraw(Withdrawal{Since: time.Now().Add(time.Hour)}).Flags)
	require.Equal(t, Withdrawn{Flags: 1, Tasks: tasks, Touched: 1}, withdraw(Withdrawal{DryRun: true}))
	after, _ := open()
	require.Equal(t, 2, after, "a dry run writes nothing")

	require.Equal(t, 1, withdraw(Withdrawal{Factor: "tamsulosin", Catalogue: w.catalogue.Version}).Flags)
	require.Equal(t, tasks, len(c.all("Task", "taken-back"))+withdraw(Withdrawal{}).Tasks)
	require.Equal(t, Withdrawn{Touched: 1}, withdraw(Withdrawal{}), "and a second run finds nothing left")
	require.Len(t, c.all("Flag", "taken-back"), 1)
	require.Len(t, c.all("Flag", "seen by me"), 1)
	left, requested := open()
	require.Equal(t, 1, left)
	require.Zero(t, requested)
	require.Greater(t, len(c.store.All("Provenance")), 2)
}
