package worker

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/nats-io/nats.go/jetstream"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/fhirhttp"
	"pupilrisk/worker/hl7v2"
	"pupilrisk/worker/stream"
)

// bookingsBucket keeps what HL7 v2 messages say of bookings (booking.…), and which bookings a patient has there (patient.…).
const bookingsBucket = "CLINIC_BOOKINGS"

const (
	// keptAfter is how long after its operation a booking is kept.
	keptAfter = 30 * 24 * time.Hour
	// clockAhead is how far a sender's clock may be ahead of ours.
	clockAhead = 24 * time.Hour
	// maxKept bounds the bookings kept of one patient; those that are over leave first.
	maxKept = 200
	// searchesAtOnce bounds the searches of one request.
	searchesAtOnce = 50
)

// v2Booking is what HL7 v2 messages say of one booking. Each element is as the newest message that spoke of it said: a message that leaves
// a field empty says nothing of it (HL7 v2 chapter 2). So messages end in the same state in any order, any number of times.
type v2Booking struct {
	ID       string             `json:"id"` // the business identifier
	Elements map[string]element `json:"elements"`
	// Patients are references of the FHIR patients whom its messages name; none while the server knows nobody of them.
	Patients []string `json:"patients,omitempty"`
	// Ruled reports that the FHIR server had an Appointment with one of its identifiers after its newest message: that one rules from
	// then on, and if it is deleted the booking is no more.
	Ruled bool `json:"ruled,omitempty"`
	// Newest is the moment of its newest message.
	Newest moment `json:"newest"`
}

// element is one element of the Appointment and when it was said.
type element struct {
	moment
	Value jsontext.Value `json:"value"`
}

// moment orders messages: by their own time, then by their arrival in the stream.
type moment struct {
	At  time.Time `json:"at"`
	Seq uint64    `json:"seq"`
}

func (m moment) before(o moment) bool {
	return cmp.Or(m.At.Compare(o.At), cmp.Compare(m.Seq, o.Seq)) < 0
}

// hear takes in what a message says, and reports whether it says anything new.
func (k *v2Booking) hear(b hl7v2.Booking, seq uint64) (news bool) {
	now := moment{b.At.UTC(), seq}
	if k.Elements == nil {
		*k = v2Booking{ID: b.ID, Elements: map[string]element{}}
	}
	for name, value := range b.Elements {
		if old, ok := k.Elements[name]; !ok || old.before(now) {
			k.Elements[name], news = element{now, value}, true
		}
	}
	if k.Newest.before(now) {
		// The same message once more is no news to the server's own Appointment.
		k.Ruled = k.Ruled && k.Newest.At.Equal(now.At)
		k.Newest, news = now, true
	}
	return news
}

// appointment is the booking as if it had been read from the FHIR server, without an id.
func (k *v2Booking) appointment(o fhirmap.Options) (fhirmap.Appointment, error) {
	// A booking of which no message gave the status is one that a change came to before all else.
	whole := map[string]any{"resourceType": "Appointment", "status": "booked"}
	var services []jsontext.Value
	for _, name := range slices.Sorted(maps.Keys(k.Elements)) {
		e := k.Elements[name]
		switch place, one := strings.CutPrefix(name, hl7v2.Services+"/"); {
		case one && place != "" && !e.before(k.Elements[hl7v2.Services].moment):
			var list []jsontext.Value
			if err := json.Unmarshal(e.Value, &list); err != nil {
				return fhirmap.Appointment{}, fmt.Errorf("kept booking: %w", err)
			}
			services = append(services, list...)
		case one || name == hl7v2.Services || name == hl7v2.People || string(e.Value) == "null":
		default:
			whole[name] = e.Value
		}
	}
	if len(services) > 0 {
		whole[hl7v2.Services] = services
	}
	raw, err := json.Marshal(whole)
	if err != nil {
		return fhirmap.Appointment{}, fmt.Errorf("kept booking: %w", err)
	}
	a, err := fhirmap.DecodeAppointment(raw, o)
	if err != nil {
		return a, fmt.Errorf("kept booking: %w", err)
	}
	a.Patients, a.BusinessID = k.Patients, cmp.Or(a.BusinessID, k.ID)
	return a, nil
}

// people are the patients whom the newest message that named any names.
func (k *v2Booking) people() (out []hl7v2.Person) {
	_ = json.Unmarshal(k.Elements[hl7v2.People].Value, &out) // written by us; nobody, where none was named
	return out
}

func bookingKey(id string) string     { return "booking." + shadowKey(id) }
func keptByKey(patient string) string { return "patient." + shadowKey(patient) }

// keptBucket opens the bucket; nil without an error where it is missing and not ours to create.
func (w *Worker) keptBucket(ctx context.Context) (jetstream.KeyValue, error) {
	kv, err := w.bucket(ctx, bookingsBucket, 0)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		w.once.log(w.log, slog.LevelWarn, "the bucket "+bookingsBucket+" is missing: bookings that only HL7 v2 knows are not assessed")
		return nil, nil
	}
	return kv, err
}

// getKept reads one value of the bucket; found is false where there is none.
func getKept[T any](ctx context.Context, kv jetstream.KeyValue, key string) (v T, revision uint64, err error) {
	ctx, cancel := context.WithTimeout(ctx, bucketTimeout)
	defer cancel()
	e, err := kv.Get(ctx, key)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return v, 0, nil
	}
	if err != nil {
		return v, 0, fmt.Errorf("read a kept booking: %w", err)
	}
	if err := json.Unmarshal(e.Value(), &v); err != nil {
		return v, 0, errors.New("a kept booking cannot be read")
	}
	return v, e.Revision(), nil
}

// mendKept changes one value of the bucket, anew where somebody else did meanwhile. What mend leaves empty is deleted.
func mendKept[T any](ctx context.Context, kv jetstream.KeyValue, key string, mend func(*T) (changed, empty bool)) (T, error) {
	for {
		v, revision, err := getKept[T](ctx, kv, key)
		if err != nil {
			return v, err
		}
		changed, empty := mend(&v)
		if !changed {
			return v, nil
		}
		raw, err := json.Marshal(v)
		if err != nil {
			return v, fmt.Errorf("keep a booking: %w", err)
		}
		switch {
		case empty:
			err = kv.Purge(ctx, key, jetstream.LastRevision(revision))
		case revision == 0:
			_, err = kv.Create(ctx, key, raw)
		default:
			_, err = kv.Update(ctx, key, raw, revision)
		}
		if err == nil {
			return v, nil
		}
		if !errors.Is(err, jetstream.ErrKeyExists) {
			return v, fmt.Errorf("keep a booking: %w", err)
		}
	}
}

type arrivalKey struct{}

// arrivedAs notes the place of an event in the stream, by which messages of one moment are ordered.
func arrivedAs(ctx context.Context, seq uint64) context.Context {
	return context.WithValue(ctx, arrivalKey{}, seq)
}

// hear keeps what a message says of a booking, and tells whose it is, now and before. Nobody means that the FHIR server knows no patient
// whom the message names, and the operation counts as not assessed; or that there is no bucket to keep it in.
func (w *Worker) hear(ctx context.Context, n nudge, byID map[string][]candidate) (whose []string, err error) {
	b, ok := n.message.Booking(hl7v2.Options{Zone: w.cfg.Zone(), Service: w.cfg.V2Service})
	if !ok { // a booking without a name: the patients are looked at
		for _, id := range n.patientIDs {
			for _, c := range byID[id] {
				whose = appendNew(whose, []string{c.reference})
			}
		}
		return whose, nil
	}
	kv, err := w.keptBucket(ctx)
	if err != nil {
		return nil, err
	}
	if kv == nil {
		return nil, nil
	}
	if b.At.After(w.now().Add(clockAhead)) {
		b.At = time.Time{} // of a clock that is wrong: its messages are ordered by their arrival, and before all others
	}
	var people []hl7v2.Person
	_ = json.Unmarshal(b.Elements[hl7v2.People], &people) // written by us; nobody, where none is named
	seq, _ := ctx.Value(arrivalKey{}).(uint64)
	k, concerned, err := w.remember(ctx, kv, b, seq, resolve(people, byID))
	if err != nil {
		w.forget(bookingsBucket)
		return nil, err
	}
	if len(k.Patients) == 0 {
		w.countUnassessed(ctx, k)
		return nil, nil
	}
	w.known(ctx, unfinished{Operation: k.ID})
	return concerned, nil
}

// remember takes a message about a booking into the bucket. found are the FHIR patients whom it names. concerned are those and whoever had
// the booking before.
func (w *Worker) remember(ctx context.Context, kv jetstream.KeyValue, b hl7v2.Booking, seq uint64, found []string) (k v2Booking, concerned []string, err error) {
	said := moment{b.At.UTC(), seq}
	k, err = mendKept(ctx, kv, bookingKey(b.ID), func(k *v2Booking) (changed, empty bool) {
		concerned = slices.Clone(k.Patients)
		changed = k.hear(b, seq)
		names := k.Elements[hl7v2.People].moment == said
		if names && !slices.Equal(k.Patients, found) {
			k.Patients, changed = found, true
		}
		return changed, false
	})
	if err != nil {
		return k, nil, err
	}
	concerned = appendNew(concerned, k.Patients)
	return k, concerned, w.index(ctx, kv, k)
}

// index notes a booking with each of its patients. Where that is one too many, one that can be spared leaves.
func (w *Worker) index(ctx context.Context, kv jetstream.KeyValue, k v2Booking) error {
	for _, p := range k.Patients {
		var missed bool
		var fault error
		_, err := mendKept(ctx, kv, keptByKey(p), func(list *[]string) (changed, empty bool) {
			missed, fault = false, nil
			if slices.Contains(*list, k.ID) {
				return false, false
			}
			*list = append(*list, k.ID)
			if len(*list) > maxKept {
				var i int
				i, missed, fault = w.spare(ctx, kv, *list)
				*list = slices.Delete(*list, i, i+1)
			}
			return fault == nil, false
		})
		if err := errors.Join(fault, err); err != nil {
			return err
		}
		if missed {
			w.metrics.leftOut.Inc()
			w.once.log(w.log, slog.LevelWarn, "a patient has more bookings ahead that only HL7 v2 knows than are kept; the oldest is not looked at any more")
		}
	}
	return nil
}

// spare is the place of the booking that can be spared most easily: the first that is over, cancelled or the server's own, else the oldest,
// and then an operation may be missed.
func (w *Worker) spare(ctx context.Context, kv jetstream.KeyValue, ids []string) (i int, missed bool, err error) {
	for i, id := range ids {
		k, revision, err := getKept[v2Booking](ctx, kv, bookingKey(id))
		if err != nil {
			return 0, false, err
		}
		a, err := k.appointment(w.recordOptions())
		if err != nil {
			continue // it may be ahead, and must not keep the new one out
		}
		if booked, _ := ahead(a.Status, a.Start, w.now()); !booked || k.Ruled || revision == 0 {
			return i, false, nil
		}
	}
	return 0, true, nil
}

// keptOf are the bookings kept of some patients, among them those that have been given to others since.
func (w *Worker) keptOf(ctx context.Context, patients []string) (out []v2Booking, err error) {
	kv, err := w.keptBucket(ctx)
	if err != nil || kv == nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			w.forget(bookingsBucket)
		}
	}()
	var ids []string
	for _, p := range patients {
		list, _, err := getKept[[]string](ctx, kv, keptByKey(p))
		if err != nil {
			return nil, err
		}
		ids = appendNew(ids, list)
	}
	for _, id := range ids {
		k, revision, err := getKept[v2Booking](ctx, kv, bookingKey(id))
		if err != nil {
			return nil, err
		}
		if revision != 0 {
			out = append(out, k)
		}
	}
	return out, nil
}

// allKept reads every booking of the bucket; unread are those that cannot be.
func allKept(ctx context.Context, kv jetstream.KeyValue) (out []v2Booking, unread int, err error) {
	err = stream.EachValue(ctx, kv, []string{"booking.*"}, 6*bucketTimeout, func(e jetstream.KeyValueEntry) {
		if e.Operation() != jetstream.KeyValuePut {
			return
		}
		k := v2Booking{}
		if json.Unmarshal(e.Value(), &k) != nil {
			unread++
			return
		}
		out = append(out, k)
	})
	if err != nil {
		return nil, 0, fmt.Errorf("read the kept bookings: %w", err)
	}
	return out, unread, nil
}

// unreadBookings says that kept bookings cannot be read: each is somebody's operation.
func (w *Worker) unreadBookings(n int) {
	if n == 0 {
		return
	}
	w.metrics.dropped.WithLabelValues("Appointment", string(rules.DropJSON)).Add(float64(n))
	w.log.Error("bookings kept in "+bookingsBucket+" cannot be read; their operations are not assessed", "bookings", n)
}

// keptBookings adds to a reading the bookings that HL7 v2 alone knows. One whose identifier an Appointment of the server has is that
// Appointment.
func (w *Worker) keptBookings(ctx context.Context, r *reading) error {
	all, err := w.keptOf(ctx, r.chain)
	if err != nil {
		return err
	}
	r.heard = heard(all)
	known := map[string]bool{}
	for _, a := range r.record.Appointments() {
		for _, id := range a.Identifiers {
			known[id] = true
		}
	}
	for _, k := range all {
		a, err := k.appointment(w.recordOptions())
		if err != nil {
			return err
		}
		ruled := slices.ContainsFunc(a.Identifiers, func(id string) bool { return known[id] })
		if !ruled {
			if ruled, err = w.givenAway(ctx, r, a); err != nil {
				return err
			}
		}
		for _, id := range append(a.Identifiers, a.BusinessID) {
			known[id] = true
		}
		switch {
		case ruled && !k.Ruled:
			if err := w.rule(ctx, k); err != nil {
				return err
			}
		case ruled, k.Ruled:
		case len(k.Patients) == 0:
			r.bookingsWhole = false // whose it is now, nobody knows
		default:
			r.kept = append(r.kept, a)
		}
	}
	// A Task about a booking that is not kept any more, although it should be: nothing is withdrawn on that ground.
	for _, s := range r.standing {
		if s.Type == "Task" && s.Open() && s.FocusID != "" && !known[s.FocusID] {
			due, err := time.Parse(time.RFC3339, s.Due)
			if err == nil && w.now().After(due.Add(keptAfter)) {
				r.kept = append(r.kept, fhirmap.Appointment{Status: "fulfilled", BusinessID: s.FocusID, Patients: r.chain})
				continue
			}
			r.bookingsWhole = false
		}
	}
	return nil
}

func heard(all []v2Booking) map[string]moment {
	out := map[string]moment{}
	for _, k := range all {
		out[k.ID] = k.Newest
	}
	return out
}

// errHeard is that a message about a booking came while its patient was decided on: what was written may be older than it.
var errHeard = errors.New("a booking was changed meanwhile")

// heardMeanwhile looks for such a message. A resource that is created is not guarded by a version, so two workers who decided on
// different messages could leave the older decision.
func (w *Worker) heardMeanwhile(ctx context.Context, r *reading) error {
	if len(r.heard) == 0 {
		return nil
	}
	all, err := w.keptOf(ctx, r.chain)
	if err == nil && !maps.Equal(heard(all), r.heard) {
		err = errHeard
	}
	return err
}

// givenAway looks whether the server has the booking as another patient's. Only an identifier of the site's own system proves that;
// the Appointment is put into the record, where it is that of another.
func (w *Worker) givenAway(ctx context.Context, r *reading, a fhirmap.Appointment) (bool, error) {
	if w.cfg.OperationIdentifier == "" {
		return false, nil
	}
	answers, err := w.fhir.Gather(ctx, []string{appointmentsWith(identifierValue(w.cfg.OperationIdentifier) + "%7C" + identifierValue(a.BusinessID))})
	if err == nil {
		err = answers[0].Err
	}
	if k := fhirhttp.KindOf(err); k == fhirhttp.Denied || k == fhirhttp.Refused || k == fhirhttp.Gone {
		return false, nil // a server that does not search by identifier
	}
	if err != nil {
		return false, fmt.Errorf("search by identifier: %w", err)
	}
	if _, err := r.record.AddText("Appointment", answers[0].Text); err != nil {
		return false, fmt.Errorf("search by identifier: %w", err)
	}
	return slices.ContainsFunc(r.record.Appointments(), func(x fhirmap.Appointment) bool { return x.BusinessID == a.BusinessID }), nil
}

// rule notes that the server's own Appointment rules.
func (w *Worker) rule(ctx context.Context, k v2Booking) error {
	kv, err := w.keptBucket(ctx)
	if err != nil || kv == nil {
		return err
	}
	_, err = mendKept(ctx, kv, bookingKey(k.ID), func(now *v2Booking) (changed, empty bool) {
		changed = now.Newest == k.Newest && !now.Ruled // a newer message is judged by its own pass
		now.Ruled = now.Ruled || changed
		return changed, false
	})
	return err
}

// keptBooked is the part of the sweep that the bucket gives: one nudge for each patient with a kept booking that starts in [from, to),
// or without a date. Whose a booking is, is looked up anew; where the server knows nobody, its operation counts as not assessed. What is
// long over is forgotten.
func (w *Worker) keptBooked(ctx context.Context, from, to time.Time) ([]nudge, error) {
	kv, err := w.keptBucket(ctx)
	if err != nil || kv == nil {
		return nil, err
	}
	all, unread, err := allKept(ctx, kv)
	if err != nil {
		w.forget(bookingsBucket)
		return nil, err
	}
	var ahead []v2Booking
	defer func() { w.unreadBookings(unread) }()
	for _, k := range all {
		a, err := k.appointment(w.recordOptions())
		if err != nil {
			unread++
			w.fail(ctx, unfinished{Operation: k.ID})
			continue
		}
		over := a.Start
		if over.IsZero() {
			over = k.Newest.At
		}
		if k.Ruled || w.now().After(over.Add(overAfter)) {
			w.known(ctx, unfinished{Operation: k.ID})
		}
		switch {
		case w.now().After(over.Add(keptAfter)):
			err = w.drop(ctx, kv, k)
		case !k.Ruled && (a.Start.IsZero() || !a.Start.Before(from) && a.Start.Before(to)):
			ahead = append(ahead, k)
		}
		if err != nil {
			return nil, err
		}
	}
	var out []nudge
	for some := range slices.Chunk(ahead, searchesAtOnce) {
		nudges, err := w.whoseKept(ctx, kv, some)
		if err != nil {
			return nil, err
		}
		out = append(out, nudges...)
	}
	return out, nil
}

// drop forgets a booking.
func (w *Worker) drop(ctx context.Context, kv jetstream.KeyValue, k v2Booking) error {
	w.known(ctx, unfinished{Operation: k.ID})
	for _, p := range k.Patients {
		if _, err := mendKept(ctx, kv, keptByKey(p), func(list *[]string) (changed, empty bool) {
			before := len(*list)
			*list = slices.DeleteFunc(*list, func(id string) bool { return id == k.ID })
			return len(*list) != before, len(*list) == 0
		}); err != nil {
			return err
		}
	}
	_, err := mendKept(ctx, kv, bookingKey(k.ID), func(now *v2Booking) (changed, empty bool) { return now.Newest == k.Newest && now.ID != "", true })
	return err
}

// whoseKept looks up whose some kept bookings are.
func (w *Worker) whoseKept(ctx context.Context, kv jetstream.KeyValue, some []v2Booking) ([]nudge, error) {
	var ids []string
	for _, k := range some {
		for _, p := range k.people() {
			ids = appendNew(ids, p.IDs)
		}
	}
	byID, err := w.patientsBy(ctx, ids)
	if err != nil {
		return nil, err
	}
	var out []nudge
	for _, k := range some {
		found := resolve(k.people(), byID)
		if len(found) == 0 {
			if err := w.nobodys(ctx, k); err != nil {
				return nil, err
			}
			continue
		}
		w.known(ctx, unfinished{Operation: k.ID})
		if !slices.Equal(found, k.Patients) {
			if k, err = mendKept(ctx, kv, bookingKey(k.ID), func(now *v2Booking) (changed, empty bool) {
				changed = now.Newest == k.Newest
				if changed {
					now.Patients = found
				}
				return changed, false
			}); err != nil {
				return nil, err
			}
			if err := w.index(ctx, kv, k); err != nil {
				return nil, err
			}
		}
		for _, p := range found {
			out = append(out, nudge{patients: []string{p}})
		}
	}
	return out, nil
}

// nobodys looks at a kept booking of whose patient the server knows nothing: it is the server's own, under another identifier of the
// patient, or its operation is not assessed.
func (w *Worker) nobodys(ctx context.Context, k v2Booking) error {
	a, err := k.appointment(w.recordOptions())
	if err != nil {
		return err
	}
	var paths []string
	for _, id := range a.Identifiers {
		paths = append(paths, appointmentsWith(identifierValue(id)))
	}
	answers, err := w.fhir.Gather(ctx, paths)
	if err != nil {
		return fmt.Errorf("search by identifier: %w", err)
	}
	for _, answer := range answers {
		if answer.Err != nil {
			return fmt.Errorf("search by identifier: %w", answer.Err)
		}
		found, err := fhirmap.IDs("Appointment", answer.Body)
		if err != nil {
			return fmt.Errorf("search by identifier: %w", err)
		}
		if len(found) > 0 {
			w.known(ctx, unfinished{Operation: k.ID})
			return nil
		}
	}
	w.countUnassessed(ctx, k)
	return nil
}

// countUnassessed counts a kept booking whose patient the server does not know as an operation that is not assessed, while it is ahead.
func (w *Worker) countUnassessed(ctx context.Context, k v2Booking) {
	a, err := k.appointment(w.recordOptions())
	booked, _ := ahead(a.Status, a.Start, w.now())
	what := w.services.recognise(a.Concepts)
	if err != nil || booked && (what == rules.IsOperation || what != rules.IsNot && w.services.unrecognised) {
		w.fail(ctx, unfinished{Operation: k.ID, Start: a.Start})
	} else {
		w.known(ctx, unfinished{Operation: k.ID})
	}
}

// candidate is a patient of the FHIR server who has an identifier.
type candidate struct{ reference, born string }

// patientsBy finds the patients who have each of some identifiers, whatever its system.
func (w *Worker) patientsBy(ctx context.Context, ids []string) (map[string][]candidate, error) {
	out := map[string][]candidate{}
	for some := range slices.Chunk(ids, searchesAtOnce) {
		var paths []string
		for _, id := range some {
			paths = append(paths, patientsWith(id))
		}
		answers, err := w.fhir.Gather(ctx, paths)
		if err != nil {
			return nil, fmt.Errorf("search by identifier: %w", err)
		}
		for i, a := range answers {
			if out[some[i]], err = w.candidates(a); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

func appointmentsWith(token string) string {
	return "Appointment?identifier=" + token + "&_count=" + pageSize
}

func patientsWith(id string) string {
	return "Patient?identifier=" + identifierValue(id) + "&_count=" + pageSize
}

func (w *Worker) candidates(a fhirhttp.Answer) (out []candidate, err error) {
	if a.Err != nil {
		return nil, fmt.Errorf("search by identifier: %w", a.Err)
	}
	born, err := fhirmap.Born(a.Body, w.recordOptions())
	if err != nil {
		return nil, fmt.Errorf("search by identifier: %w", err)
	}
	for _, ref := range slices.Sorted(maps.Keys(born)) {
		out = append(out, candidate{ref, born[ref]})
	}
	return out, nil
}

// resolve finds who the people of a message are. An identifier without its system may be that of several: then those count who were born
// on the day that the message gives, if there are any.
func resolve(people []hl7v2.Person, byID map[string][]candidate) (out []string) {
	for _, p := range people {
		var all, sameDay []string
		for _, id := range p.IDs {
			for _, c := range byID[id] {
				all = appendNew(all, []string{c.reference})
				if p.Born != "" && c.born == p.Born {
					sameDay = appendNew(sameDay, []string{c.reference})
				}
			}
		}
		if len(all) > 1 && len(sameDay) > 0 {
			all = sameDay
		}
		out = appendNew(out, all)
	}
	slices.Sort(out)
	return out
}

// KeptBookings are the bookings that HL7 v2 alone knows, as a running worker keeps them.
func KeptBookings(ctx context.Context, s *stream.Stream, cfg Config) (out []fhirmap.Appointment, unread int, err error) {
	kv, err := s.Bucket(ctx, bookingsBucket, 0)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, err
	}
	all, unread, err := allKept(ctx, kv)
	if err != nil {
		return nil, 0, err
	}
	o := cfg.recordOptions()
	for _, k := range all {
		a, err := k.appointment(o)
		if err != nil {
			unread++
			continue
		}
		if !k.Ruled {
			out = append(out, a)
		}
	}
	return out, unread, nil
}
