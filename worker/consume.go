package worker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.opentelemetry.io/otel/trace"

	"pupilrisk/fhirmap"
	"pupilrisk/worker/fhirhttp"
)

// bookingGrace is how long a booking or patient that the record does not hold yet is waited for: the event may be faster
// than the record.
const bookingGrace = 10 * time.Minute

// settleTimeout bounds the confirmation of an acknowledgement or dead letter.
const settleTimeout = 5 * time.Second

// consumer opens one of the stream's durable consumers.
type consumer func(context.Context) (jetstream.Consumer, error)

// consume gives every message of one consumer a lane until ctx ends; then it hands back what it has not started and waits
// for what is in flight. While the FHIR server is known to be down or throttles, nothing is pulled that could not be handled.
func (w *Worker) consume(ctx context.Context, open consumer, source string, lanes chan struct{}, depth int) {
	// A lane is a goroutine that stays: a new one for each event would grow its stack anew each time.
	messages := make(chan jetstream.Msg)
	var working sync.WaitGroup
	defer working.Wait()
	defer close(messages)
	for range cap(lanes) {
		working.Go(func() {
			for m := range messages {
				w.event(context.WithoutCancel(ctx), m, source)
				<-lanes
			}
		})
	}
	for ctx.Err() == nil {
		w.untilOpen(ctx)
		c, err := open(ctx)
		if err == nil {
			err = w.pull(ctx, c, source, lanes, depth, messages)
		}
		if ctx.Err() != nil {
			return
		}
		if errors.Is(err, errHeld) {
			continue
		}
		w.log.Warn("consuming interrupted, trying again", "source", source, "error", err)
		pause(ctx, jitter(2*time.Second))
	}
}

// errHeld ends a pull because the FHIR server is down or throttles.
var errHeld = errors.New("the FHIR server is down or throttles")

// pull takes messages from one consumer until it fails, the FHIR server does, or ctx ends.
func (w *Worker) pull(ctx context.Context, c jetstream.Consumer, source string, lanes chan struct{}, depth int, to chan<- jetstream.Msg) error {
	it, err := c.Messages(jetstream.PullMaxMessages(depth), jetstream.PullExpiry(30*time.Second), jetstream.PullHeartbeat(5*time.Second))
	if err != nil {
		return fmt.Errorf("pull: %w", err)
	}
	stopped := context.AfterFunc(ctx, it.Drain)
	defer stopped()
	defer it.Stop()
	for {
		w.metrics.heartbeat.SetToCurrentTime()
		if _, held := w.fhir.Open(); held {
			handBack(it)
			return errHeld
		}
		select {
		case lanes <- struct{}{}:
		case <-ctx.Done():
			handBack(it)
			return nil
		}
		m, err := it.Next()
		if err != nil {
			<-lanes
			if errors.Is(err, jetstream.ErrNoHeartbeat) {
				w.log.Warn("no heartbeat from the stream", "source", source)
				continue
			}
			return fmt.Errorf("next message: %w", err)
		}
		if ctx.Err() != nil {
			_ = m.Nak() // else it comes again after AckWait
			<-lanes
			continue
		}
		to <- m // whoever has a place in lanes is served at once
	}
}

// handBack ends a pull and gives what was delivered and not begun back at once.
func handBack(it jetstream.MessagesContext) {
	it.Drain()
	for {
		m, err := it.Next()
		if err != nil {
			return
		}
		_ = m.Nak() // else it comes again after AckWait
	}
}

// untilOpen waits while the FHIR server is known to be down or throttling.
func (w *Worker) untilOpen(ctx context.Context) {
	for ctx.Err() == nil {
		w.metrics.heartbeat.SetToCurrentTime()
		until, held := w.fhir.Open()
		w.metrics.breakerOpen.Set(boolGauge(held))
		if !held {
			return
		}
		pause(ctx, min(max(time.Until(until), 50*time.Millisecond), time.Second))
	}
}

func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

func boolGauge(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// event handles one message and settles it.
func (w *Worker) event(ctx context.Context, m jetstream.Msg, source string) {
	begun := time.Now()
	if source == "booking" {
		w.busy.Add(1)
		defer w.busy.Add(-1)
	}
	meta, err := m.Metadata()
	if err != nil {
		w.log.Error("message without metadata", "error", err)
		_ = m.Nak() // else it comes again after AckWait
		return
	}
	expected := uint64(1)
	if source == "history" {
		if w.gather(m, meta) {
			return
		}
		expected = 2
	}
	if meta.NumDelivered > expected {
		w.metrics.redeliveries.Inc()
	}
	stopProgress := w.progress(m)
	ctx, traced := w.startEvent(withReason(arrivedAs(ctx, meta.Sequence.Stream), "event"), source, trace.SpanKindConsumer, m.Headers())
	err = w.limited(ctx, func(ctx context.Context) error {
		age := w.now().Sub(meta.Timestamp)
		if source == "history" {
			return w.change(ctx, m.Data(), meta.Sequence.Stream, age)
		}
		return w.handle(ctx, m.Data(), age)
	})
	d := w.settle(err)
	if d.outcome == "retry" {
		d = settle(err, w.attempt(ctx, meta))
	}
	if d.outcome == "not-assessed" {
		// Its operations are recorded as not assessed, and a timer and the sweep go on trying: the queue goes on.
		err = errors.Join(err, w.giveUp(ctx, m.Data()))
		if errors.Is(err, errNotRecorded) {
			d = disposition{outcome: "retry", delay: backoff(maxAttempts)}
		}
	}
	stopProgress()
	if meta.NumDelivered > expected && (d.outcome == "done" || d.outcome == "not-assessed") {
		w.removeWork(ctx, eventKey(meta)) // its count of attempts
	}
	w.finish(ctx, m, meta.Sequence.Stream, d, source, err)
	traced(d.outcome)
	w.metrics.events.WithLabelValues(source, d.outcome).Inc()
	w.metrics.eventSeconds.WithLabelValues("whole").Observe(time.Since(begun).Seconds())
	w.metrics.eventAge.Observe(w.now().Sub(meta.Timestamp).Seconds())
	w.metrics.lastEvent.SetToCurrentTime()
}

// waitsFor says what an event waits for.
func waitsFor(cause error) string {
	var y *notYetError
	switch {
	case errors.As(cause, &y):
		return "event waits for its booking or patient to be in the record"
	case errors.Is(cause, context.Canceled):
		return "event is handed back"
	}
	return "event waits for the FHIR server"
}

var errTooLong = errors.New("it took too long")

// limited bounds one piece of work. It sets no deadline: a request that NATS never answers, because the server went away, would wait
// for that instead of its own few seconds.
func (w *Worker) limited(ctx context.Context, do func(context.Context) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	defer time.AfterFunc(w.eventTimeout, func() { cancel(errTooLong) }).Stop()
	err := do(ctx)
	if err != nil && errors.Is(context.Cause(ctx), errTooLong) {
		return errTooLong // an attempt that failed, and not one that was interrupted
	}
	return err
}

// progress tells the stream, every third of AckWait until it is stopped, that the message is being worked on.
func (w *Worker) progress(m jetstream.Msg) (stop func()) {
	var mu sync.Mutex
	var timer *time.Timer
	stopped := false
	mu.Lock()
	defer mu.Unlock()
	timer = time.AfterFunc(w.ackWait/3, func() {
		mu.Lock()
		defer mu.Unlock()
		if !stopped {
			_ = m.InProgress() // if it fails the message comes again, and the pass is harmless
			timer.Reset(w.ackWait / 3)
		}
	})
	return func() {
		mu.Lock()
		defer mu.Unlock()
		stopped = true
		timer.Stop()
	}
}

// finish tells the stream what becomes of a message. If telling fails, the message comes again, and its pass changes nothing.
func (w *Worker) finish(ctx context.Context, m jetstream.Msg, seq uint64, d disposition, source string, cause error) {
	// A server that went away answers no acknowledgement: the lane must not wait for it.
	ctx, cancel := context.WithTimeout(ctx, settleTimeout)
	defer cancel()
	var err error
	switch d.outcome {
	case "done", "not-assessed":
		err = m.DoubleAck(ctx)
	case "dead-letter":
		if err = w.stream.DeadLetter(ctx, m, string(d.reason)); err == nil {
			w.metrics.deadLetters.WithLabelValues(string(d.reason)).Inc()
		} else {
			err = errors.Join(err, m.NakWithDelay(backoff(1)))
		}
	default:
		err = m.NakWithDelay(d.delay)
	}
	if err == nil && cause == nil && !w.log.Enabled(ctx, slog.LevelDebug) {
		return
	}
	log := w.log.With("source", source, "stream_seq", seq, "outcome", d.outcome)
	switch {
	case err != nil:
		log.Warn("event not settled, it comes again", "error", err, "cause", cause)
	case cause == nil:
		log.Debug("event handled")
	case d.outcome == "wait":
		log.Info(waitsFor(cause), "delay", d.delay.Round(time.Millisecond).String(), "cause", cause)
	case d.outcome == "dead-letter":
		log.Error("event put aside as a dead letter", "reason", string(d.reason), "cause", cause)
	case d.outcome == "not-assessed":
		log.Error("operation not assessed, trying goes on", "cause", cause)
	default:
		log.Warn("event is tried again", "delay", d.delay.Round(time.Millisecond).String(), "cause", cause)
	}
}

// handle looks at every patient that an event nudges to. age is how long ago it arrived.
func (w *Worker) handle(ctx context.Context, data []byte, age time.Duration) error {
	nudges, err := decodeEvent(data, w.recordOptions())
	if err != nil {
		return err
	}
	var errs []error
	for _, n := range nudges {
		errs = append(errs, w.follow(ctx, n, age))
	}
	return gathered(errs)
}

// follow looks where one nudge points.
func (w *Worker) follow(ctx context.Context, n nudge, age time.Duration) (err error) {
	switch {
	case n.sweep:
		w.askSweep(ctx)
		return nil
	case len(n.bookingIDs)+len(n.patientIDs) > 0:
		known, err := w.identified(ctx, n, age)
		if err != nil {
			return err
		}
		var errs []error
		for _, k := range known {
			errs = append(errs, w.follow(ctx, k, age))
		}
		return gathered(errs)
	case len(n.patients) == 0:
		if n, err = w.whose(ctx, n, age); err != nil {
			return err
		}
	}
	return w.passAll(ctx, n, false, age)
}

// identified finds the bookings and patients whose identifiers an HL7 v2 message names. The assigning authority is left out of
// the search: its name in v2 need not be the system in FHIR, and looking at one patient more does no harm.
func (w *Worker) identified(ctx context.Context, n nudge, age time.Duration) ([]nudge, error) {
	var paths []string
	for _, id := range n.bookingIDs {
		paths = append(paths, appointmentsWith(identifierValue(id)))
	}
	for _, id := range n.patientIDs {
		paths = append(paths, patientsWith(id))
	}
	answers, err := w.fhir.Gather(ctx, paths)
	if err != nil {
		return nil, fmt.Errorf("search by identifier: %w", err)
	}
	var out []nudge
	var patients []string
	booked := false
	byID := map[string][]candidate{}
	for i, a := range answers {
		if i >= len(n.bookingIDs) {
			id := n.patientIDs[i-len(n.bookingIDs)]
			if byID[id], err = w.candidates(a); err != nil {
				return nil, err
			}
			for _, c := range byID[id] {
				patients = appendNew(patients, []string{c.reference})
			}
			continue
		}
		if a.Err != nil {
			return nil, fmt.Errorf("search by identifier: %w", a.Err)
		}
		ids, err := fhirmap.IDs("Appointment", a.Body)
		if err != nil {
			return nil, fmt.Errorf("search by identifier: %w", err)
		}
		for _, ref := range ids {
			booked = true
			out = append(out, nudge{appointment: ref})
		}
	}
	known := booked || len(patients) > 0
	if n.message != nil {
		whose, err := w.hear(ctx, n, byID)
		if err != nil {
			return nil, err
		}
		patients = appendNew(patients, whose)
		known = booked || len(whose) > 0
	}
	for _, p := range patients {
		out = append(out, nudge{patients: []string{p}})
	}
	switch {
	case known:
		return out, nil
	case age < bookingGrace:
		return nil, &notYetError{"what the message names is not in the record yet", age}
	case n.message != nil && len(n.patientIDs) > 0 && len(patients) == 0:
		return nil, permanent(ReasonNoPatient, "the record does not know the patient of the booking")
	default:
		return nil, permanent(ReasonNoBooking, "the record knows no booking and no patient that the message names")
	}
}

// identifierValue is the value of an identifier as a search of any system takes it
// (hl7.org/fhir/R4/search.html, escaping search parameters).
func identifierValue(v string) string {
	return url.QueryEscape(strings.NewReplacer(`\`, `\\`, `,`, `\,`, `|`, `\|`, `$`, `\$`).Replace(v))
}

// passAll looks at every patient of a nudge, and at those whom its booking turns out to concern as well.
func (w *Worker) passAll(ctx context.Context, n nudge, lastTry bool, age time.Duration) error {
	var errs []error
	patients := slices.Clone(n.patients)
	for i := 0; i < len(patients); i++ {
		others, err := w.pass(ctx, patients[i], n, lastTry)
		var perm *permanentError
		if errors.As(err, &perm) && perm.reason == ReasonNoPatient && age < bookingGrace {
			err = &notYetError{"the patient is not in the record yet", age}
		}
		errs = append(errs, err)
		patients = appendNew(patients, others)
	}
	return gathered(errs)
}

// whose finds the patients of a booking that the event names by reference only: its own, and those of our Tasks about it,
// who may be others since the booking was changed.
func (w *Worker) whose(ctx context.Context, n nudge, age time.Duration) (nudge, error) {
	answers, err := w.fhir.Gather(ctx, []string{n.appointment, tasksAbout(n.appointment)})
	if err != nil {
		return n, fmt.Errorf("read the booking: %w", err)
	}
	booking, tasks := answers[0], answers[1]
	switch {
	case booking.Err == nil:
		a, err := fhirmap.DecodeAppointment(booking.Body, w.recordOptions())
		if err != nil {
			return n, fmt.Errorf("read the booking: %w", err)
		}
		n.patients, n.eye = a.Patients, a.Eye
	case fhirhttp.KindOf(booking.Err) != fhirhttp.Gone:
		return n, fmt.Errorf("read the booking: %w", booking.Err)
	}
	switch kind := fhirhttp.KindOf(tasks.Err); {
	case tasks.Err != nil && kind != fhirhttp.Denied && kind != fhirhttp.Refused && kind != fhirhttp.Gone:
		return n, fmt.Errorf("search tasks of the booking: %w", tasks.Err)
	case tasks.Err == nil:
		more, err := fhirmap.TaskPatients(w.writer.Names, tasks.Body)
		if err != nil {
			return n, fmt.Errorf("read own tasks of the booking: %w", err)
		}
		n.patients = appendNew(n.patients, more)
	}
	if len(n.patients) == 0 && booking.Status != 410 {
		if age < bookingGrace {
			return n, &notYetError{"the booking is not in the record yet, or names no patient", age}
		}
		return n, permanent(ReasonNoBooking, "the booking is not in the record, or names no patient")
	}
	return n, nil
}

func appendNew(to, more []string) []string {
	for _, m := range more {
		if !slices.Contains(to, m) {
			to = append(to, m)
		}
	}
	return to
}

// giveUp makes one last pass in which lost pages become gaps, so that the operation stands as not assessed with a Task to
// assess it by hand; and it is tried afresh while the operation is ahead.
func (w *Worker) giveUp(ctx context.Context, data []byte) error {
	nudges, err := decodeEvent(data, w.recordOptions())
	if err != nil {
		return err
	}
	var errs []error
	for _, n := range nudges {
		_, err := w.giveUpOn(ctx, n, data)
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// giveUpOn reports whether it is known whose record the nudge is about.
func (w *Worker) giveUpOn(ctx context.Context, n nudge, event []byte) (resolved bool, err error) {
	if n.sweep {
		w.askSweep(ctx)
		return true, nil
	}
	if len(n.bookingIDs)+len(n.patientIDs) > 0 {
		var found []nudge
		err := w.limited(ctx, func(ctx context.Context) (err error) {
			found, err = w.identified(ctx, n, bookingGrace)
			return err
		})
		if err != nil {
			return false, errors.Join(err, w.tryAgain(ctx, n, maxAttempts, event))
		}
		var errs []error
		for _, k := range found {
			_, err := w.giveUpOn(ctx, k, nil)
			errs = append(errs, err)
		}
		return true, errors.Join(errs...)
	}
	err = w.limited(ctx, func(ctx context.Context) (err error) {
		if len(n.patients) == 0 {
			if n, err = w.whose(ctx, n, 0); err != nil {
				return err
			}
		}
		return w.passAll(ctx, n, true, 0)
	})
	if err != nil {
		for _, p := range n.patients {
			w.fail(ctx, unfinished{Patient: p, Operation: id(n.appointment)})
		}
	}
	return len(n.patients) > 0, errors.Join(err, w.tryAgain(ctx, n, maxAttempts, event))
}

// onceLog logs each message once: a degradation is news only the first time.
type onceLog struct {
	mu   sync.Mutex
	seen map[string]bool
}

func (o *onceLog) log(l *slog.Logger, level slog.Level, msg string, args ...any) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.seen == nil {
		o.seen = map[string]bool{}
	}
	if !o.seen[msg] {
		o.seen[msg] = true
		l.Log(context.Background(), level, msg, args...)
	}
}
