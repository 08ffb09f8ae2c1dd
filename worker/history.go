package worker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
)

const (
	// seenMost bounds the patients whose last pass is remembered; forgetting them costs a pass each.
	seenMost = 100_000
	// seenAge is how old what is known of the stream may be: an older state only covers less.
	seenAge = time.Second
)

// seen remembers which events about changed records a pass came after. Many changes of one record make one pass: what was in the
// stream before the pass began tells nothing new. It compares the stream's own numbers, no clocks.
type seen struct {
	mu     sync.Mutex
	last   uint64 // an event that is in the stream for certain
	looked time.Time
	by     map[string]uint64 // patient → an event that was in the stream before the last pass began
}

// gather hands an event about a changed record back for as long as others about the same may follow it, once, and reports that.
func (w *Worker) gather(m jetstream.Msg, meta *jetstream.MsgMetadata) bool {
	wait := min(w.cfg.HistoryGather-time.Since(meta.Timestamp), w.cfg.HistoryGather)
	return meta.NumDelivered == 1 && wait > 0 && m.NakWithDelay(wait) == nil
}

// change looks at the patients whose record an event says has changed.
func (w *Worker) change(ctx context.Context, data []byte, seq uint64, age time.Duration) error {
	nudges, err := decodeEvent(data, w.recordOptions())
	if err != nil {
		return err
	}
	var errs []error
	for _, n := range nudges {
		if n.sweep || n.appointment != "" || len(n.patients) == 0 {
			errs = append(errs, w.follow(ctx, n, age))
			continue
		}
		for _, p := range n.patients {
			errs = append(errs, w.changed(ctx, p, seq, age))
		}
	}
	return errors.Join(errs...)
}

// changed makes a pass over a patient, unless one has been made since the event, or no operation of theirs is ahead: that costs
// one search. A record merged away by the change is left to the event about the merger, and to the sweep.
func (w *Worker) changed(ctx context.Context, patient string, seq uint64, age time.Duration) error {
	stored, done := w.seenSince(ctx, patient, seq)
	if done {
		return nil
	}
	has, err := w.hasOperation(ctx, patient)
	if err == nil && has {
		err = w.passAll(ctx, nudge{patients: []string{patient}}, false, age)
	}
	if err != nil {
		return err
	}
	w.seen.mu.Lock()
	defer w.seen.mu.Unlock()
	if len(w.seen.by) >= seenMost {
		clear(w.seen.by)
	}
	w.seen.by[strings.Clone(patient)] = max(stored, seq) // a part of the event
	return nil
}

// seenSince reports whether a pass over the patient came after an event, and else which event is known to be in the stream now.
func (w *Worker) seenSince(ctx context.Context, patient string, seq uint64) (stored uint64, done bool) {
	begun := time.Now()
	if w.seen.old(begun) {
		last, err := w.stream.Last(ctx)
		if err != nil {
			return 0, false
		}
		w.seen.look(last, begun)
	}
	w.seen.mu.Lock()
	defer w.seen.mu.Unlock()
	return w.seen.last, seq <= w.seen.by[patient]
}

// old reports that the stream is to be looked at again.
func (s *seen) old(now time.Time) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return now.Sub(s.looked) > seenAge
}

// look takes in what a look at the stream, begun then, has found. Where another ended meanwhile, that one stands: nobody knows
// which of two streams of the same name is the newer.
func (s *seen) look(last uint64, begun time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !begun.After(s.looked) {
		return
	}
	if last < s.last { // a stream made anew counts from the beginning
		clear(s.by)
	}
	s.last, s.looked = last, time.Now()
}

// hasOperation reports whether the record shows an operation of the patient ahead. What cannot be read, or goes on for more than
// a page, may be one.
func (w *Worker) hasOperation(ctx context.Context, patient string) (bool, error) {
	answers, err := w.fhir.Gather(ctx, []string{"Appointment?patient=" + patient + "&_count=" + pageSize})
	if err == nil {
		err = answers[0].Err
	}
	if err != nil {
		return false, fmt.Errorf("search the patient's bookings: %w", err)
	}
	page, info, dropped, err := fhirmap.Appointments(answers[0].Text, w.recordOptions())
	if err != nil {
		return false, fmt.Errorf("search the patient's bookings: %w", err)
	}
	if len(dropped) > 0 || info.Next != "" {
		return true, nil
	}
	at := w.now()
	for _, a := range page {
		what := w.services.recognise(a.Concepts)
		isAhead, _ := ahead(a.Status, a.Start, at)
		if isAhead && what != rules.IsNot && (what == rules.IsOperation || w.services.unrecognised) {
			return true, nil
		}
	}
	kept, err := w.keptOf(ctx, []string{patient}) // those that HL7 v2 alone knows
	return len(kept) > 0, err
}
