package worker

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/nats-io/nats.go/jetstream"
	"go.opentelemetry.io/otel/trace"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/stream"
)

// workBucket holds what outlives a process and all replicas share: the operations ahead that are not assessed or not wholly, what
// is to be tried again, how often an event has failed, who sweeps, and whether withdrawals are stopped. Its keys are hashes; its values name patients.
const workBucket = "CLINIC_WORK"

const (
	// workTTL ends what nobody keeps up; what still stands is written again after workRefresh, by the sweep or by its next try.
	workTTL     = 30 * 24 * time.Hour
	workRefresh = 7 * 24 * time.Hour
	// workEvery is how often the bucket is looked at: for what is due, and for what other replicas have put there.
	workEvery = 10 * time.Second
	// laterCap is the longest pause between two tries of what was given up; in between the sweep comes by.
	laterCap = 2 * time.Hour
)

// Kinds of keys in the bucket.
const (
	operationKeys = "operation." // an unfinished operation
	againKeys     = "again."     // what is tried again
	eventKeys     = "event."     // how often an event has failed
)

// unfinished is an operation ahead that is not assessed, or not from a whole record.
type unfinished struct {
	Patient     string    `json:"patient"`
	Operation   string    `json:"operation"`
	Start       time.Time `json:"start,omitzero"` // zero: not known
	NotAssessed bool      `json:"notAssessed,omitzero"`
}

func (u unfinished) key() string { return hashKey(operationKeys, u.Patient, u.Operation) }

// again is what an event or the sweep pointed to and could not be read: it is tried again until it can, or is over.
type again struct {
	Patients    []string  `json:"patients,omitempty"`
	Appointment string    `json:"appointment,omitzero"`
	BookingIDs  []string  `json:"bookingIds,omitempty"`
	PatientIDs  []string  `json:"patientIds,omitempty"`
	Event       []byte    `json:"event,omitempty"` // the HL7 v2 message itself, while nobody has taken it in
	Seq         uint64    `json:"seq,omitzero"`    // its place in the stream
	Tries       int       `json:"tries"`
	Due         time.Time `json:"due"`
	Begun       time.Time `json:"begun"`
	Until       time.Time `json:"until,omitzero"` // the last operation it is about is over; zero: not known
}

func (a again) nudge(o fhirmap.Options) nudge {
	if len(a.Event) > 0 {
		if n, err := decodeEvent(a.Event, o); err == nil && len(n) == 1 { // as it was before
			return n[0]
		}
	}
	return nudge{patients: a.Patients, appointment: a.Appointment, bookingIDs: a.BookingIDs, patientIDs: a.PatientIDs}
}

func (a again) key() string {
	parts := slices.Concat(a.Patients, []string{a.Appointment}, a.BookingIDs, []string{""}, a.PatientIDs)
	return hashKey(againKeys, append(parts, strconv.FormatUint(a.Seq, 10))...)
}

// hashKey hides identifiers from the names of the bucket's keys.
func hashKey(kind string, parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return kind + hex.EncodeToString(sum[:16])
}

// work is this process's copy of the bucket.
type work struct {
	mu         sync.Mutex
	operations map[string]held[unfinished]
	again      map[string]held[again]
}

// held is a value with the bucket's revision of it; 0 is one that the bucket has not taken yet.
type held[T any] struct {
	value T
	rev   uint64
	at    time.Time
}

func newWork() *work {
	return &work{operations: map[string]held[unfinished]{}, again: map[string]held[again]{}}
}

// counts says how many operations ahead are not assessed or incomplete within a time, and when the first of those not assessed
// starts. An operation whose start is not known counts as near.
func (k *work) counts(at time.Time, within time.Duration) (notAssessed, incomplete int, next time.Time) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, o := range k.operations {
		u := o.value
		if !u.Start.IsZero() && (at.After(u.Start.Add(overAfter)) || u.Start.After(at.Add(within))) {
			continue
		}
		incomplete++
		if !u.NotAssessed {
			continue
		}
		notAssessed++
		if !u.Start.IsZero() && (next.IsZero() || u.Start.Before(next)) {
			next = u.Start
		}
	}
	for _, a := range k.again {
		if a.value.Tries >= maxAttempts && len(a.value.Patients) == 0 { // nobody knows yet whose it is
			incomplete++
			notAssessed++
		}
	}
	return notAssessed, incomplete, next
}

// over is when the last unfinished operation of some patients is over, zero if that is not known.
func (k *work) over(patients []string) (until time.Time) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for _, o := range k.operations {
		if !slices.Contains(patients, o.value.Patient) {
			continue
		}
		if o.value.Start.IsZero() {
			return time.Time{}
		}
		if end := o.value.Start.Add(overAfter); end.After(until) {
			until = end
		}
	}
	return until
}

// due are the keys of what is to be tried now, the longest due first.
func (k *work) due(now time.Time) (keys []string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for key, a := range k.again {
		if !a.value.Due.After(now) {
			keys = append(keys, key)
		}
	}
	slices.SortFunc(keys, func(x, y string) int { return k.again[x].value.Due.Compare(k.again[y].value.Due) })
	return keys
}

// change is a difference between what the bucket holds of a patient and what it should.
type change struct {
	put    []unfinished
	remove []string
}

// compare finds what is to be put and removed so that the bucket holds what a pass over a patient, under any id of the chain,
// has found. At once this process's copy holds it.
func (k *work) compare(chain []string, results []rules.Assessment) (c change) {
	k.mu.Lock()
	defer k.mu.Unlock()
	want := map[string]bool{}
	for _, a := range results {
		if a.Complete && a.Outcome != rules.NotAssessed {
			continue
		}
		u := unfinished{Patient: a.Patient, Operation: a.Operation.Key, Start: a.Operation.Start, NotAssessed: a.Outcome == rules.NotAssessed}
		want[u.key()] = true
		if old, ok := k.operations[u.key()]; ok && old.rev > 0 && same(old.value, u) && time.Since(old.at) < workRefresh {
			continue
		}
		k.operations[u.key()] = held[unfinished]{value: u, at: time.Now()}
		c.put = append(c.put, u)
	}
	for key, o := range k.operations {
		if slices.Contains(chain, o.value.Patient) && !want[key] {
			delete(k.operations, key)
			c.remove = append(c.remove, key)
		}
	}
	return c
}

func same(a, b unfinished) bool {
	return a.Patient == b.Patient && a.Operation == b.Operation && a.Start.Equal(b.Start) && a.NotAssessed == b.NotAssessed
}

// replace takes over what the bucket held at revision last. What this process knows beyond that stays, and is returned to be put:
// the bucket could not take it, or was made anew since.
func (k *work) replace(operations map[string]held[unfinished], agains map[string]held[again], last uint64) (u []unfinished, a []again) {
	k.mu.Lock()
	defer k.mu.Unlock()
	beyond := func(rev uint64, at time.Time) bool { return (rev == 0 || rev > last) && time.Since(at) < workTTL }
	for key, o := range k.operations {
		if beyond(o.rev, o.at) {
			operations[key] = o
			u = append(u, o.value)
		}
	}
	for key, o := range k.again {
		if beyond(o.rev, o.at) {
			agains[key] = o
			a = append(a, o.value)
		}
	}
	k.operations, k.again = operations, agains
	return u, a
}

// keepUnfinished makes the bucket say what a pass has found. A bucket that cannot be written now is written by the next look.
func (w *Worker) keepUnfinished(ctx context.Context, chain []string, results []rules.Assessment) {
	c := w.work.compare(chain, results)
	for _, u := range c.put {
		w.putUnfinished(ctx, u)
	}
	for _, key := range c.remove {
		w.removeWork(ctx, key)
	}
}

// fail records that an operation could not be assessed at all.
func (w *Worker) fail(ctx context.Context, u unfinished) {
	u.NotAssessed = true
	w.work.mu.Lock()
	w.work.operations[u.key()] = held[unfinished]{value: u, at: time.Now()}
	w.work.mu.Unlock()
	w.putUnfinished(ctx, u)
}

// known records that an operation is unfinished no more.
func (w *Worker) known(ctx context.Context, u unfinished) {
	w.work.mu.Lock()
	_, ok := w.work.operations[u.key()]
	delete(w.work.operations, u.key())
	w.work.mu.Unlock()
	if ok {
		w.removeWork(ctx, u.key())
	}
}

func (w *Worker) putUnfinished(ctx context.Context, u unfinished) {
	rev, err := w.putWork(ctx, u.key(), u, 0)
	if err != nil {
		w.once.log(w.log, slog.LevelWarn, "what is not assessed cannot be kept in the bucket now; this process remembers it", "error", err)
		return
	}
	w.work.mu.Lock()
	defer w.work.mu.Unlock()
	if o, ok := w.work.operations[u.key()]; ok && o.rev < rev && same(o.value, u) {
		o.rev = rev
		w.work.operations[u.key()] = o
	}
}

// putWork writes a value, with a revision only over that one.
func (w *Worker) putWork(ctx context.Context, key string, value any, over uint64) (rev uint64, err error) {
	kv, ctx, done, err := w.workKV(ctx)
	if err != nil {
		return 0, err
	}
	defer done()
	body, err := json.Marshal(value)
	if err != nil {
		return 0, fmt.Errorf("bucket %s: %w", workBucket, err)
	}
	if over > 0 {
		rev, err = kv.Update(ctx, key, body, over)
	} else {
		rev, err = kv.Put(ctx, key, body)
	}
	return rev, w.workFault(err)
}

func (w *Worker) removeWork(ctx context.Context, key string) {
	kv, ctx, done, err := w.workKV(ctx)
	if err != nil {
		return // the next pass over the patient removes it
	}
	defer done()
	_ = w.workFault(kv.Delete(ctx, key))
}

// workKV opens the bucket. What is to be remembered does not depend on whether the pass that found it ran out of time.
func (w *Worker) workKV(ctx context.Context) (jetstream.KeyValue, context.Context, func(), error) {
	ctx, done := context.WithTimeout(context.WithoutCancel(ctx), settleTimeout)
	kv, err := w.bucket(ctx, workBucket, workTTL)
	if err != nil {
		done()
		return nil, nil, nil, err
	}
	return kv, ctx, done, nil
}

// workFault has the bucket opened anew after a failure that is not about a key: it may have been deleted under us.
func (w *Worker) workFault(err error) error {
	if err == nil || errors.Is(err, jetstream.ErrKeyNotFound) || errors.Is(err, jetstream.ErrKeyExists) {
		return err
	}
	w.forget(workBucket)
	return fmt.Errorf("bucket %s: %w", workBucket, err)
}

// attempt is the number of an event's attempt that failed, over all workers and restarts.
func (w *Worker) attempt(ctx context.Context, meta *jetstream.MsgMetadata) int {
	failed := 1
	kv, ctx, done, kvErr := w.workKV(ctx)
	if kvErr != nil {
		return int(min(meta.NumDelivered, maxAttempts))
	}
	defer done()
	key := eventKey(meta)
	if meta.NumDelivered > 1 {
		e, err := kv.Get(ctx, key)
		if kvErr = w.workFault(err); err == nil {
			before, _ := strconv.Atoi(string(e.Value())) // what cannot be read counts from the beginning
			failed += before
		}
	}
	if kvErr == nil || errors.Is(kvErr, jetstream.ErrKeyNotFound) {
		_, err := kv.PutString(ctx, key, strconv.Itoa(failed))
		kvErr = w.workFault(err)
	}
	if kvErr != nil { // deliveries include the waiting: sooner not assessed than never
		return int(min(meta.NumDelivered, maxAttempts))
	}
	return failed
}

// eventKey names one event; the time tells it from one of the same number in a stream made anew.
func eventKey(meta *jetstream.MsgMetadata) string {
	return hashKey(eventKeys, strconv.FormatUint(meta.Sequence.Stream, 10), meta.Timestamp.UTC().Format(time.RFC3339Nano))
}

// errNotRecorded is that of an event which may not be let go, because nothing would come back to it.
var errNotRecorded = errors.New("not recorded in the bucket")

// tryAgain has a nudge followed again later, after so many failed tries. With errNotRecorded it is not. event is where it came from.
func (w *Worker) tryAgain(ctx context.Context, n nudge, tries int, event []byte) error {
	now := time.Now()
	a := again{
		Patients: n.patients, Appointment: n.appointment, BookingIDs: n.bookingIDs, PatientIDs: n.patientIDs,
		Tries: tries, Due: now.Add(later(tries)), Begun: now, Until: w.work.over(n.patients),
	}
	if n.message != nil {
		a.Event = event
		a.Seq, _ = ctx.Value(arrivalKey{}).(uint64)
	}
	key := a.key()
	w.work.mu.Lock()
	old, ok := w.work.again[key]
	w.work.mu.Unlock()
	if ok && old.value.Tries >= tries {
		return nil
	}
	rev, err := w.putWork(ctx, key, a, 0)
	if err != nil {
		return fmt.Errorf("%w: %w", errNotRecorded, err)
	}
	w.keepAgain(key, a, rev)
	return nil
}

func (w *Worker) keepAgain(key string, a again, rev uint64) {
	w.work.mu.Lock()
	defer w.work.mu.Unlock()
	w.work.again[key] = held[again]{value: a, rev: rev, at: time.Now()}
}

// later is the pause before the next try; it goes on growing beyond that of an event.
func later(tries int) time.Duration {
	return jitter(min(retryFirst<<min(tries-1, 16), laterCap))
}

// retryLoop looks at the bucket and tries again, one at a time and ever more slowly, what is due.
func (w *Worker) retryLoop(ctx context.Context) {
	for ctx.Err() == nil {
		if err := w.refreshWork(ctx); err != nil && ctx.Err() == nil {
			w.once.log(w.log, slog.LevelWarn, "what other replicas have not assessed cannot be read now", "error", err)
		}
		for _, key := range w.work.due(time.Now()) {
			w.untilOpen(ctx)
			if ctx.Err() != nil {
				return
			}
			w.retry(ctx, key)
		}
		pause(ctx, w.workEvery)
	}
}

// refreshWork reads the whole bucket, and puts there what could not be put before.
func (w *Worker) refreshWork(ctx context.Context) error {
	kv, ctx, done, err := w.workKV(ctx)
	if err != nil {
		return err
	}
	defer done()
	operations, agains, last := map[string]held[unfinished]{}, map[string]held[again]{}, uint64(0)
	err = stream.EachValue(ctx, kv, []string{operationKeys + "*", againKeys + "*"}, 6*bucketTimeout, func(e jetstream.KeyValueEntry) {
		last = max(last, e.Revision())
		if e.Operation() != jetstream.KeyValuePut {
			return
		}
		// A value that cannot be read is one of another version: it ends with its time.
		if strings.HasPrefix(e.Key(), operationKeys) {
			if o := (held[unfinished]{rev: e.Revision(), at: e.Created()}); json.Unmarshal(e.Value(), &o.value) == nil {
				operations[e.Key()] = o
			}
		} else if a := (held[again]{rev: e.Revision(), at: e.Created()}); json.Unmarshal(e.Value(), &a.value) == nil {
			agains[e.Key()] = a
		}
	})
	if err != nil {
		return w.workFault(err)
	}
	lost, lostAgain := w.work.replace(operations, agains, last)
	for _, u := range lost {
		w.putUnfinished(ctx, u)
	}
	for _, a := range lostAgain {
		rev, err := w.putWork(ctx, a.key(), a, 0)
		if err != nil {
			return err
		}
		w.keepAgain(a.key(), a, rev)
	}
	return nil
}

// retry takes one entry, so that no other replica does, and follows its nudge again.
func (w *Worker) retry(ctx context.Context, key string) {
	w.work.mu.Lock()
	entry, ok := w.work.again[key]
	w.work.mu.Unlock()
	if !ok {
		return
	}
	a := entry.value
	if over := !a.Until.IsZero() && w.now().After(a.Until); over || time.Since(a.Begun) > w.cfg.SweepHorizon {
		w.endAgain(ctx, key)
		return
	}
	a.Tries++
	a.Due = time.Now().Add(later(a.Tries))
	rev, err := w.putWork(ctx, key, a, entry.rev)
	if err != nil {
		w.work.mu.Lock()
		delete(w.work.again, key) // another replica has it, or the next look brings it back
		w.work.mu.Unlock()
		return
	}
	w.keepAgain(key, a, rev)
	ctx, traced := w.startEvent(arrivedAs(ctx, a.Seq), "retry", trace.SpanKindInternal, nil)
	err = w.limited(ctx, func(ctx context.Context) error { return w.follow(ctx, a.nudge(w.recordOptions()), bookingGrace) })
	d := w.settle(err)
	if d.outcome == "retry" {
		d = settle(err, a.Tries)
	}
	defer traced(d.outcome)
	w.metrics.events.WithLabelValues("retry", d.outcome).Inc()
	switch d.outcome {
	case "done":
		w.endAgain(ctx, key)
	case "dead-letter":
		w.log.Error("what was tried again can never be handled", "reason", string(d.reason), "error", err)
		w.endAgain(ctx, key)
	case "wait": // no try
		a.Tries--
		a.Due = time.Now().Add(max(d.delay, time.Second))
		if rev, err := w.putWork(ctx, key, a, rev); err == nil {
			w.keepAgain(key, a, rev)
		}
	case "not-assessed":
		resolved, err := w.giveUpOn(ctx, a.nudge(w.recordOptions()), a.Event)
		if err != nil {
			w.log.Warn("still not assessed", "error", err)
		}
		if resolved && len(a.Patients) == 0 && !errors.Is(err, errNotRecorded) {
			w.endAgain(ctx, key) // now it is known whose it is, and they are tried again
		}
	}
}

func (w *Worker) endAgain(ctx context.Context, key string) {
	w.work.mu.Lock()
	delete(w.work.again, key)
	w.work.mu.Unlock()
	w.removeWork(ctx, key)
}
