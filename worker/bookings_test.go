package worker

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/hl7v2"
	"pupilrisk/worker/peertest"
	"pupilrisk/worker/stream"
)

// v2 is an invented HL7 v2 message about booking F-77 of the patient MRN-9: sent at the minute given, for the day of March given; what
// stands after it are further segments.
func v2(event string, minute, day int, more ...string) string {
	segments := []string{
		fmt.Sprintf(`MSH|^~\&|SCHED|EYE|PUPIL|EYE|2026030208%02d00||SIU^%s^SIU_S12|C-%d|P|2.5.1`, minute, event, minute),
		fmt.Sprintf(`SCH|P-1|F-77^EYE|||||||||^^^202603%02d0900^202603%02d0930`, day, day),
	}
	return strings.Join(append(segments, more...), "\r") + "\r"
}

const (
	v2Bob  = `PID|1||MRN-9^^^EYE^MR||Invented^Bob||19480302`
	v2Lens = "RGS|1|A\rAIS|1|A|^Cataract surgery, right eye"
)

var bobOfV2 = strings.Replace(bob, `"active"`, `"birthDate":"1948-03-02","identifier":[{"value":"MRN-9"}],"active"`, 1)

// arrive handles a message that has the given place in the stream.
func arrive(t *testing.T, w *Worker, seq uint64, message string) {
	t.Helper()
	require.NoError(t, w.handle(arrivedAs(t.Context(), seq), []byte(message), 0))
}

// A booking that only HL7 v2 knows is flagged, moved, seen by the sweep of a worker that starts anew, listed, and cancelled.
func TestBookingThatOnlyHL7v2Knows(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bobOfV2, bobTook, bobProcedure)
	w := c.worker()
	w.cfg.MLLPAddr = freeAddr(t)
	stop, err := w.serveV2(t.Context())
	require.NoError(t, err)
	defer stop()
	c.run(func() {
		c.swept(w)
		require.Contains(t, dialV2(t, w.cfg.MLLPAddr, v2("S12", 1, 9, v2Bob, v2Lens)), "MSA|AA|C-1")
		c.settled()
		require.Len(t, c.all("Flag", `"active"`), 1)
		tasks := c.all("Task", `"requested"`)
		require.NotEmpty(t, tasks)
		for _, task := range tasks {
			require.Contains(t, task, `"focus":{"type":"Appointment","identifier":{"value":"F-77"},"display":"Booking that the scheduling system knows by this identifier"}`)
			require.Contains(t, task, `"F-77.bob.right.`)
		}
		require.Contains(t, dialV2(t, w.cfg.MLLPAddr, v2("S13", 2, 11)), "MSA|AA|C-2", "neither patient nor service: those stay")
		c.settled()
		require.NotEmpty(t, c.all("Task", `"2026-03-10T16:00:00Z"`), "due the working day before the new date")
		require.Len(t, c.all("Task", `"requested"`), len(tasks))
	}, w)

	again := c.worker()
	before := c.written()
	c.run(func() { c.swept(again) }, again)
	require.Equal(t, before, c.written(), "the sweep finds it where it was")
	_, _, next := again.work.counts(clinicDay, 30*24*time.Hour)
	require.Zero(t, next)
	require.Len(t, again.outcomes.of, 1, "and counts it")

	keptNow, _, err := KeptBookings(t.Context(), c.stream, again.cfg)
	require.NoError(t, err)
	l, err := Lister{Config: again.cfg, Catalogue: testCatalogue(t), FHIR: again.fhir, Kept: keptNow, Now: c.now}.List(t.Context(), clinicDay, clinicDay.AddDate(0, 0, 14))
	require.NoError(t, err)
	require.Len(t, l.Rows, 1)
	require.Equal(t, "Appointment?identifier=F-77", l.Rows[0].Appointment)
	require.Len(t, l.Rows[0].Hazards, 1)
	require.NotEmpty(t, l.Rows[0].Prepare)

	c.run(func() {
		c.swept(again)
		c.publish("clinic.booking.hl7v2", v2("S15", 3, 11), "")
		c.settled()
	}, again)
	require.Empty(t, c.all("Flag", `"active"`))
	require.Empty(t, c.all("Task", `"requested"`))
	require.NotEmpty(t, c.all("Task", "operation-cancelled"))
}

// open are the keys, without their counts, and dates of the Flags and Tasks that stand.
func (c *clinic) open() string {
	var open []string
	for _, raw := range append(c.all("Task", `"requested"`), c.all("Flag", `"active"`)...) {
		var x struct {
			Identifier  []struct{ Value string }
			Restriction struct{ Period struct{ End string } }
		}
		require.NoError(c.t, json.Unmarshal([]byte(raw), &x, json.MatchCaseInsensitiveNames(true)))
		base := x.Identifier[0].Value
		open = append(open, base[:strings.LastIndexByte(base, '.')]+" "+x.Restriction.Period.End)
	}
	slices.Sort(open)
	return strings.Join(open, "\n")
}

// Messages in any order, any number of times, end in the same Flags and Tasks.
func TestHL7v2MessagesInAnyOrder(t *testing.T) {
	messages := []string{
		v2("S12", 1, 9, v2Bob, v2Lens), v2("S13", 2, 10), v2("S14", 3, 10, "RGS|1|U\rAIS|1|U|^Cataract surgery, left eye"), v2("S13", 3, 12),
	}
	var want string
	for i := range 6 {
		c := newClinic(t, fhirstore.DefaultOptions())
		c.put(bobOfV2, bobTook, bobProcedure)
		w := c.worker()
		order := []int{0, 1, 2, 3}
		if i > 0 {
			order = append(order, rand.N(4), rand.N(4))
			rand.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
		}
		for _, n := range order {
			err := w.handle(arrivedAs(t.Context(), uint64(n+1)), []byte(messages[n]), 0)
			if err != nil { // a move whose booking nobody has named yet
				require.Equal(t, "wait", settle(err, 1).outcome, "%v", order)
			}
		}
		if got := c.open(); i == 0 {
			want = got
			require.Contains(t, want, "F-77.bob.left.")
			require.Contains(t, want, "2026-03-11T16:00:00Z")
		} else {
			require.Equal(t, want, got, "%v", order)
		}
	}
}

// Two workers share the messages of two bookings of one patient: each booking ends with its own Tasks at its own date, and the end of one
// ends nothing of the other.
func TestHL7v2BookingsByTwoWorkers(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bobOfV2, bobTook, bobProcedure)
	left := func(s string) string {
		return strings.NewReplacer("F-77", "F-78", "P-1", "P-2", "right", "left").Replace(s)
	}
	one, other := c.worker(), c.worker()
	calm := newClinic(t, fhirstore.DefaultOptions())
	calm.put(bobOfV2, bobTook, bobProcedure)
	alone := calm.worker()
	for i, m := range []string{v2("S12", 1, 9, v2Bob, v2Lens), v2("S13", 2, 12), left(v2("S12", 1, 9, v2Bob, v2Lens)), left(v2("S13", 2, 11))} {
		arrive(t, alone, uint64(i), m)
	}
	c.run(func() {
		c.swept(one, other)
		for i := range 3 {
			c.publish("clinic.booking.a", v2("S13", 2, 12), fmt.Sprint("a", i))
			c.publish("clinic.booking.b", left(v2("S13", 2, 11)), fmt.Sprint("b", i))
			c.publish("clinic.booking.a", v2("S12", 1, 9, v2Bob, v2Lens), fmt.Sprint("c", i))
			c.publish("clinic.booking.b", left(v2("S12", 1, 9, v2Bob, v2Lens)), fmt.Sprint("d", i))
		}
		c.settled()
		require.Equal(t, calm.open(), c.open())
		c.publish("clinic.booking.a", v2("S26", 4, 12), "")
		c.settled()
	}, one, other)
	require.Len(t, c.all("Flag", `"active"`), 1)
	open := c.all("Task", `"requested"`)
	require.NotEmpty(t, open)
	for _, task := range open {
		require.Contains(t, task, `"F-78.bob.left.`)
	}
	require.NotEmpty(t, c.all("Task", `"F-77.bob.right.`))
}

// A message that another worker handles between this one's reading and its writing is not overwritten.
func TestHL7v2MessageWhileAnotherIsDecidedOn(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bobOfV2, bobTook, bobProcedure)
	w, other := c.worker(), c.worker()
	looks := 0
	w.now = func() time.Time {
		if looks++; looks == 2 { // the first is the message's, the second comes when all is read
			require.Empty(t, c.written())
			arrive(t, other, 2, v2("S13", 2, 11))
		}
		return clinicDay
	}
	arrive(t, w, 1, v2("S12", 1, 9, v2Bob, v2Lens))
	require.Greater(t, looks, 2)
	got := c.open()
	require.NoError(t, other.Sweep(t.Context()))
	require.Equal(t, c.open(), got)
	require.Contains(t, got, "2026-03-10T16:00:00Z")
}

// What is kept of a booking is the same whatever the order of its messages.
func TestKeptBookingIsTheSameInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		type said struct {
			b   hl7v2.Booking
			seq uint64
		}
		var all []said
		for i := range rapid.IntRange(1, 6).Draw(t, "messages") {
			b := hl7v2.Booking{ID: "F", At: clinicDay.Add(time.Duration(rapid.IntRange(0, 2).Draw(t, "minute")) * time.Minute), Elements: map[string]jsontext.Value{}}
			for _, name := range []string{"status", "start", "comment", "serviceType", "serviceType/AI/1/1/AIS"} {
				if rapid.Bool().Draw(t, name) {
					b.Elements[name] = jsontext.Value(fmt.Sprintf(`"%d"`, i))
				}
			}
			all = append(all, said{b, uint64(i)})
		}
		var one, other v2Booking
		for _, s := range all {
			one.hear(s.b, s.seq)
		}
		for _, s := range rapid.Permutation(append(all, all...)).Draw(t, "order") {
			other.hear(s.b, s.seq)
		}
		require.Equal(t, one, other)
		require.False(t, other.hear(all[0].b, all[0].seq), "once more is no news")
	})
}

// A booking that the FHIR server comes to know keeps its Tasks, which then point to the Appointment; from then on the server rules, even
// if it deletes the Appointment.
func TestRecordRulesOnceItKnowsTheBooking(t *testing.T) {
	for name, system := range map[string]string{"a system of the site": "urn:x", "none": ""} {
		t.Run(name, func(t *testing.T) {
			c := newClinic(t, fhirstore.DefaultOptions())
			c.put(bobOfV2, bobTook, bobProcedure)
			w := c.worker()
			w.cfg.OperationIdentifier = system
			arrive(t, w, 1, v2("S12", 1, 9, v2Bob, v2Lens))
			tasks := len(c.all("Task", `"requested"`))
			require.NotZero(t, tasks)

			appointment := strings.Replace(booking("bob", "a1", "booked", "2026-03-12T09:00:00Z", "Cataract surgery, right eye"), `"id":"a1"`, `"id":"a1","identifier":[{"system":"urn:x","value":"F-77"}]`, 1)
			c.put(appointment)
			require.NoError(t, w.Sweep(t.Context()))
			require.Len(t, c.store.All("Task"), tasks, "the same Tasks")
			require.Len(t, c.all("Task", `"focus":{"reference":"Appointment/a1"}`), tasks)
			require.NotEmpty(t, c.all("Task", `"2026-03-11T16:00:00Z"`), "the server's date")

			arrive(t, w, 2, v2("S13", 2, 10))
			require.NotEmpty(t, c.all("Task", `"2026-03-11T16:00:00Z"`), "not that of the message")
			require.Len(t, c.store.All("Task"), tasks)

			require.NoError(t, c.store.Delete("Appointment/a1"))
			arrive(t, w, 3, v2("S13", 2, 10)) // sent once more
			require.NoError(t, w.Sweep(t.Context()))
			require.Empty(t, c.all("Task", `"requested"`))
			require.Empty(t, c.all("Flag", `"active"`))
		})
	}
}

// A patient whom the FHIR server does not know is waited for; then the message is put aside, the operation counts as not assessed, and a
// sweep finds the patient who has come since.
func TestHL7v2BookingOfAnUnknownPatient(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	message := []byte(v2("S12", 1, 9, v2Bob, v2Lens))
	require.Equal(t, "wait", settle(w.handle(t.Context(), message, time.Minute), 1).outcome)
	d := settle(w.handle(t.Context(), message, 2*bookingGrace), 1)
	require.Equal(t, ReasonNoPatient, d.reason)
	notAssessed, _, _ := w.work.counts(clinicDay, 30*24*time.Hour)
	require.Equal(t, 1, notAssessed)
	again := c.worker()
	for range 2 {
		require.NoError(t, again.Sweep(t.Context()))
		notAssessed, _, next := again.work.counts(clinicDay, 30*24*time.Hour)
		require.Equal(t, 1, notAssessed)
		require.Equal(t, time.Date(2026, 3, 9, 9, 0, 0, 0, time.UTC), next)
	}
	c.put(bobOfV2, bobTook, bobProcedure)
	require.NoError(t, again.Sweep(t.Context()))
	notAssessed, _, _ = again.work.counts(clinicDay, 30*24*time.Hour)
	require.Zero(t, notAssessed)
	require.Len(t, c.all("Flag", `"active"`), 1)
	arrive(t, w, 1, string(message))
	notAssessed, _, _ = w.work.counts(clinicDay, 30*24*time.Hour)
	require.Zero(t, notAssessed, "nor where the message comes again")
}

// The cancellation of a booking of nobody we know ends its being counted.
func TestHL7v2CancellationForAnUnknownPatient(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	for i, message := range []string{v2("S12", 1, 9, v2Bob, v2Lens), v2("S15", 2, 9)} {
		require.Error(t, w.handle(arrivedAs(t.Context(), uint64(i)), []byte(message), 2*bookingGrace))
		notAssessed, _, _ := w.work.counts(clinicDay, 30*24*time.Hour)
		require.Equal(t, 1-i, notAssessed)
	}
}

// A message whose patient the server knows under other identifiers only, about a booking that the server has: that one rules.
func TestHL7v2PatientUnderAnotherIdentifier(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bob, bobTook, bobProcedure, strings.Replace(booking("bob", "a1", "booked", "2026-03-12T09:00:00Z", "Cataract surgery, right eye"), `"id":"a1"`, `"id":"a1","identifier":[{"value":"F-77"}]`, 1))
	w := c.worker()
	arrive(t, w, 1, v2("S12", 1, 9, v2Bob, v2Lens))
	require.Len(t, c.all("Flag", `"active"`), 1)
	require.NoError(t, w.Sweep(t.Context()))
	notAssessed, _, _ := w.work.counts(clinicDay, 30*24*time.Hour)
	require.Zero(t, notAssessed)
}

// A message that names a patient whom nobody knows ends nothing of the one who had the booking: whose it is, is not known.
func TestHL7v2BookingGivenToNobodyWeKnow(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bobOfV2, bobTook, bobProcedure)
	w := c.worker()
	arrive(t, w, 1, v2("S12", 1, 9, v2Bob, v2Lens))
	before := c.open()
	err := w.handle(arrivedAs(t.Context(), 2), []byte(v2("S14", 2, 9, strings.Replace(v2Bob, "MRN-9", "MRN-0", 1))), 0)
	require.Equal(t, "wait", settle(err, 1).outcome)
	require.NoError(t, w.handle(t.Context(), []byte(`{"reference":"Patient/bob"}`), 0))
	require.Equal(t, before, c.open())
}

// The end of one of two bookings of the same eye ends its own Tasks.
func TestTwoKeptBookingsOfOneEye(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bobOfV2, bobTook, bobProcedure)
	w := c.worker()
	second := func(s string) string { return strings.NewReplacer("F-77", "F-78", "P-1", "P-2").Replace(s) }
	arrive(t, w, 1, v2("S12", 1, 9, v2Bob, v2Lens))
	before := c.open()
	arrive(t, w, 2, second(v2("S12", 2, 23, v2Bob, v2Lens)))
	require.NotEqual(t, before, c.open())
	arrive(t, w, 3, second(v2("S17", 3, 23)))
	require.Equal(t, before, c.open())
}

// Where the site's identifier proves that the server's Appointment is another patient's, that ends the booking of the first.
func TestRecordGivesTheBookingToAnother(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bobOfV2, bobTook, bobProcedure, strings.NewReplacer("bob", "eve", "MRN-9", "MRN-8").Replace(bobOfV2))
	w := c.worker()
	w.cfg.OperationIdentifier = "urn:x"
	arrive(t, w, 1, v2("S12", 1, 9, v2Bob, v2Lens))
	require.Len(t, c.all("Flag", `"active"`), 1)
	c.put(strings.Replace(booking("eve", "a1", "booked", "2026-03-12T09:00:00Z", "Cataract surgery, right eye"), `"id":"a1"`, `"id":"a1","identifier":[{"system":"urn:x","value":"F-77"}]`, 1))
	require.NoError(t, w.Sweep(t.Context()))
	require.Empty(t, c.all("Flag", `"active"`))
	require.NotEmpty(t, c.all("Task", "operation-of-another"))
}

// A message that gives the booking to another patient ends what stood for the first.
func TestHL7v2BookingGivenToAnother(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	eve := strings.NewReplacer("bob", "eve", "MRN-9", "MRN-8").Replace(bobOfV2)
	c.put(bobOfV2, bobTook, bobProcedure, eve)
	w := c.worker()
	arrive(t, w, 1, v2("S12", 1, 9, v2Bob, v2Lens))
	require.Len(t, c.all("Flag", `"active"`), 1)
	arrive(t, w, 2, v2("S14", 2, 9, strings.Replace(v2Bob, "MRN-9", "MRN-8", 1)))
	require.Empty(t, c.all("Flag", `"active"`))
	require.NotEmpty(t, c.all("Task", "operation-of-another"))
	for _, task := range c.all("Task", `"requested"`) {
		require.Contains(t, task, "Patient/eve")
	}
}

// Two patients may have the same number in different systems: the day of birth tells them apart.
func TestWhoAMessageNames(t *testing.T) {
	byID := map[string][]candidate{"1": {{"Patient/a", "1948-03-02"}, {"Patient/b", "1950-01-01"}}, "2": {{"Patient/c", ""}}}
	for name, c := range map[string]struct {
		people []hl7v2.Person
		want   []string
	}{
		"born that day":        {[]hl7v2.Person{{IDs: []string{"1"}, Born: "1948-03-02"}}, []string{"Patient/a"}},
		"born another day":     {[]hl7v2.Person{{IDs: []string{"1"}, Born: "1999-01-01"}}, []string{"Patient/a", "Patient/b"}},
		"no day":               {[]hl7v2.Person{{IDs: []string{"1"}}}, []string{"Patient/a", "Patient/b"}},
		"one, of another day":  {[]hl7v2.Person{{IDs: []string{"2"}, Born: "1948-03-02"}}, []string{"Patient/c"}},
		"two people":           {[]hl7v2.Person{{IDs: []string{"2"}}, {IDs: []string{"1"}, Born: "1950-01-01"}}, []string{"Patient/b", "Patient/c"}},
		"nobody whom we know":  {[]hl7v2.Person{{IDs: []string{"3"}}}, nil},
		"nobody in particular": {nil, nil},
	} {
		require.Equal(t, c.want, resolve(c.people, byID), name)
	}
}

// Where the bucket is lost, nothing is withdrawn on that ground until the operation is long over. Bookings that are over are forgotten.
func TestLostAndForgottenBookings(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	at := clinicDay
	c.now = func() time.Time { return at }
	c.put(bobOfV2, bobTook, bobProcedure)
	w := c.worker()
	arrive(t, w, 1, v2("S12", 1, 9, v2Bob, v2Lens))
	kv, err := w.keptBucket(t.Context())
	require.NoError(t, err)
	k, _, err := getKept[v2Booking](t.Context(), kv, bookingKey("F-77"))
	require.NoError(t, err)
	require.NoError(t, w.drop(t.Context(), kv, k))
	before := c.written()
	require.NoError(t, w.Sweep(t.Context()))
	require.Equal(t, before, c.written())
	at = at.AddDate(0, 0, 60)
	require.NoError(t, w.Sweep(t.Context()))
	require.Empty(t, c.all("Task", `"requested"`))
	require.Empty(t, c.all("Flag", `"active"`))

	at = clinicDay
	arrive(t, w, 2, v2("S12", 2, 9, v2Bob, v2Lens))
	require.NotEmpty(t, c.all("Task", `"requested"`), "needed again")
	at = at.AddDate(0, 0, 9)
	require.NoError(t, w.Sweep(t.Context()))
	require.Empty(t, c.all("Task", `"requested"`), "over")
	all, _, err := allKept(t.Context(), kv)
	require.NoError(t, err)
	require.Len(t, all, 1)
	at = at.AddDate(0, 0, 30)
	require.NoError(t, w.Sweep(t.Context()))
	all, _, err = allKept(t.Context(), kv)
	require.NoError(t, err)
	require.Empty(t, all)
	mine, err := w.keptOf(t.Context(), []string{"Patient/bob"})
	require.NoError(t, err)
	require.Empty(t, mine)
}

// Where a patient has more bookings than are kept, those leave first that need not be looked at; one that should be is counted and logged.
func TestMoreBookingsOfOnePatientThanAreKept(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	w := c.worker()
	var logged bytes.Buffer
	w.log = slog.New(slog.NewTextHandler(&logged, nil))
	kv, err := w.keptBucket(t.Context())
	require.NoError(t, err)
	var want []string
	hear := func(n int, status string, day int, leaves string) {
		t.Helper()
		b := hl7v2.Booking{ID: fmt.Sprint("F-", n), At: clinicDay, Elements: map[string]jsontext.Value{
			"status": jsontext.Value(`"` + status + `"`), "start": jsontext.Value(fmt.Sprintf(`"2026-03-%02dT07:00:00Z"`, day)),
			hl7v2.People: jsontext.Value("[]"),
		}}
		_, _, err := w.remember(t.Context(), kv, b, uint64(n+1), []string{"Patient/bob"})
		require.NoError(t, err)
		want = slices.DeleteFunc(append(want, b.ID), func(id string) bool { return id == leaves })
	}
	for n := range maxKept {
		switch n {
		case 50:
			hear(n, "cancelled", 9, "")
		case 120:
			hear(n, "booked", 1, "") // more than a day ago
		default:
			hear(n, "booked", 9, "")
		}
	}
	ruled, _, err := getKept[v2Booking](t.Context(), kv, bookingKey("F-130"))
	require.NoError(t, err)
	require.NoError(t, w.rule(t.Context(), ruled))

	_, err = mendKept(t.Context(), kv, bookingKey("F-3"), func(k *v2Booking) (changed, empty bool) { // one that nobody can read now
		status := k.Elements["status"]
		status.Value = jsontext.Value(`"no-such-status"`)
		k.Elements["status"] = status
		return true, false
	})
	require.NoError(t, err)
	hear(200, "booked", 9, "F-50")
	hear(201, "booked", 9, "F-120")
	hear(202, "booked", 9, "F-130")
	hear(203, "cancelled", 9, "F-203")
	require.Zero(t, testutil.ToFloat64(w.metrics.leftOut))
	require.Empty(t, logged.String())
	hear(204, "booked", 9, "F-0")
	hear(205, "booked", 9, "F-1")
	require.Equal(t, 2., testutil.ToFloat64(w.metrics.leftOut))
	require.Equal(t, 1, strings.Count(logged.String(), "a patient has more bookings ahead"))
	list, _, err := getKept[[]string](t.Context(), kv, keptByKey("Patient/bob"))
	require.NoError(t, err)
	require.Equal(t, want, list)
	require.Len(t, list, maxKept)
}

// A sender whose clock is far ahead does not shut out everybody after it.
func TestClockThatIsAhead(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bobOfV2, bobTook, bobProcedure)
	w := c.worker()
	arrive(t, w, 1, strings.Replace(v2("S12", 1, 9, v2Bob, v2Lens), "20260302", "20990302", 1))
	require.NotEmpty(t, c.all("Task", `"requested"`))
	arrive(t, w, 2, v2("S15", 2, 9))
	require.Empty(t, c.all("Task", `"requested"`))
}

// Where the bucket is missing and not ours to create, bookings that the server knows go on as before, and others are put aside.
func TestWithoutABucketForBookings(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bobOfV2, bobTook, bobProcedure)
	w := c.worker()
	dir, manage := t.TempDir(), false
	owner, err := stream.Open(t.Context(), stream.Config{StoreDir: dir, Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	w.stream, err = stream.Open(t.Context(), stream.Config{URL: owner.URL(), TokenFile: filepath.Join(dir, "token"), Manage: &manage})
	require.NoError(t, err)
	t.Cleanup(func() {
		require.NoError(t, w.stream.Close(context.Background()))
		require.NoError(t, owner.Close(context.Background()))
	})
	require.Equal(t, ReasonNoBooking, settle(w.handle(t.Context(), []byte(v2("S12", 1, 9, v2Bob, v2Lens)), 2*bookingGrace), 1).reason)
	c.put(strings.Replace(booking("bob", "a1", "booked", "2026-03-12T09:00:00Z", "Cataract surgery, right eye"), `"id":"a1"`, `"id":"a1","identifier":[{"value":"F-77"}]`, 1))
	arrive(t, w, 1, v2("S12", 1, 9, v2Bob, v2Lens))
	require.Len(t, c.all("Flag", `"active"`), 1)
}

// A history event about a patient whose booking only HL7 v2 knows finds that booking.
func TestHistoryEventFindsAKeptBooking(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bobOfV2, bobProcedure)
	w := c.worker()
	arrive(t, w, 1, v2("S12", 1, 9, v2Bob, v2Lens))
	require.Empty(t, c.all("Flag", `"active"`))
	c.put(bobTook)
	require.NoError(t, w.handle(t.Context(), []byte(`{"reference":"Patient/bob"}`), 0))
	require.Len(t, c.all("Flag", `"active"`), 1)
}

// What a kept booking is as an Appointment.
func TestKeptBookingAsAnAppointment(t *testing.T) {
	london, err := time.LoadLocation("Europe/London")
	require.NoError(t, err)
	m, err := hl7v2.Parse([]byte(v2("S14", 1, 31, v2Bob, v2Lens)))
	require.NoError(t, err)
	b, ok := m.Booking(hl7v2.Options{Zone: london, Service: DefaultConfig().V2Service})
	require.True(t, ok)
	var k v2Booking
	require.True(t, k.hear(b, 1))
	a, err := k.appointment(fhirmap.Options{Zone: london})
	require.NoError(t, err)
	require.Equal(t, "booked", a.Status, "no message has said otherwise")
	require.True(t, a.Start.Equal(time.Date(2026, 3, 31, 8, 0, 0, 0, time.UTC)), "summer time of the clinic")
	require.Equal(t, []string{"P-1", "F-77"}, a.Identifiers)
	require.Equal(t, "F-77", a.BusinessID)
	require.Equal(t, "right", a.Eye.String())
	require.Equal(t, "Cataract surgery, right eye", a.Service)
}

// Two HL7 v2 clients that nobody here wrote book and cancel; each reads our acknowledgements.
func TestInteropHL7v2Clients(t *testing.T) {
	for _, client := range peertest.HL7v2Clients {
		t.Run(client, func(t *testing.T) {
			c := newClinic(t, fhirstore.DefaultOptions())
			c.put(bobOfV2, bobTook, bobProcedure)
			w := c.worker()
			w.cfg.MLLPAddr = freeAddr(t)
			stop, err := w.serveV2(t.Context())
			require.NoError(t, err)
			defer stop()
			c.run(func() {
				c.swept(w)
				require.Equal(t, []peertest.Acknowledged{{Code: "AA", Control: "C-1"}, {Code: "AR", Control: "C-2"}},
					peertest.SendHL7v2(t, client, w.cfg.MLLPAddr, v2("S12", 1, 9, v2Bob, v2Lens), v2("S99", 2, 9)))
				c.settled()
				require.Len(t, c.all("Flag", `"active"`), 1)
				peertest.Validate(t, slices.Concat(c.store.All("Flag"), c.store.All("Task"), c.store.All("Provenance"))...)
				require.Equal(t, []peertest.Acknowledged{{Code: "AA", Control: "C-3"}}, peertest.SendHL7v2(t, client, w.cfg.MLLPAddr, v2("S15", 3, 9)))
				c.settled()
				require.Empty(t, c.all("Flag", `"active"`))
			}, w)
		})
	}
}

// A change of the record of somebody whose booking HL7 v2 alone knows is looked at, as any other.
func TestChangeOfARecordWithAKeptBooking(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	c.put(bobOfV2, bobProcedure)
	w := c.worker()
	ahead, err := w.hasOperation(t.Context(), "Patient/bob")
	require.NoError(t, err)
	require.False(t, ahead)
	arrive(t, w, 1, v2("S12", 1, 9, v2Bob, v2Lens))
	ahead, err = w.hasOperation(t.Context(), "Patient/bob")
	require.NoError(t, err)
	require.True(t, ahead)
}
