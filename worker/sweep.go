package worker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"sync"
	"time"

	"go.opentelemetry.io/otel/trace"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/fhirhttp"
)

const (
	// sweepBack is how far before now the sweep begins, so that operations that have ended are closed.
	sweepBack = 48 * time.Hour
	// sweepStep is how much of the horizon is looked at before the progress is noted.
	sweepStep = 24 * time.Hour
	// sweepRetry is the pause after a sweep that did not end well.
	sweepRetry = time.Minute
	// sweepPace is the least time from one patient of the sweep to the next.
	sweepPace = 20 * time.Millisecond
)

// sweepLoop sweeps while this replica is the one that does.
func (w *Worker) sweepLoop(ctx context.Context) {
	for ctx.Err() == nil {
		h := w.takeSweep(ctx)
		if h == nil {
			return
		}
		held, let := context.WithCancel(ctx)
		var renewing sync.WaitGroup
		renewing.Go(func() { w.renewSweep(held, let, h) })
		w.sweepWhile(held, h)
		let()
		renewing.Wait()
		w.metrics.sweepThrough.Set(0)
	}
}

// sweepWhile sweeps at once, at every interval, in the evening, and when asked to, until ctx ends. A sweep that fails is tried
// again soon.
func (w *Worker) sweepWhile(ctx context.Context, h *sweepHold) {
	whole, looked := false, w.now()
	for ctx.Err() == nil {
		select {
		case <-w.sweepNow: // this sweep is the one asked for
		case <-w.sweepAsked:
		default:
		}
		asked := w.askedRevision(ctx)
		w.brake.begin(whole)
		w.metrics.withdrawalsStopped.Set(boolGauge(w.brake.holds()))
		resumed, err := w.sweepOn(ctx, h)
		if ctx.Err() != nil {
			return
		}
		whole = err == nil && !resumed
		next := w.cfg.SweepEvery
		switch {
		case err != nil:
			next = min(sweepRetry, next)
			w.log.Warn("sweep incomplete, trying again", "in", next.String(), "error", err)
		case resumed:
			next = 0 // what the former holder did may be older than what changed since
		default:
			w.metrics.lastSweep.SetToCurrentTime()
		}
		w.metrics.sweeps.WithLabelValues(sweepResult(err)).Inc()
		w.gauges()
		if !resumed {
			select {
			case w.swept <- struct{}{}:
			default:
			}
		}
		looked = w.untilNextSweep(ctx, next, asked, looked)
	}
}

func sweepResult(err error) string {
	if err != nil {
		return "failed"
	}
	return "done"
}

// untilNextSweep waits for the interval, or for somebody who asks for a sweep out of turn. Meanwhile it sweeps tomorrow's list in
// the evening. looked is when the clinic's clock was last looked at, so that no evening passes unseen, however the clock jumps.
func (w *Worker) untilNextSweep(ctx context.Context, d time.Duration, asked uint64, looked time.Time) time.Time {
	t := time.NewTimer(d)
	defer t.Stop()
	tick := time.NewTicker(w.sweepLease / 3)
	defer tick.Stop()
	for {
		now := w.now()
		if evening := w.cfg.nextEvening(looked); !evening.IsZero() && !evening.After(now) {
			err := w.sweepTomorrow(ctx, now)
			if ctx.Err() != nil {
				return looked
			}
			w.metrics.sweeps.WithLabelValues(sweepResult(err)).Inc()
			if err != nil {
				w.log.Warn("evening sweep incomplete; the next sweep is a whole one", "error", err)
				return now
			}
		}
		looked = now
		select {
		case <-ctx.Done():
			return looked
		case <-t.C:
			return looked
		case <-w.sweepNow:
			return looked
		case <-w.sweepAsked:
			return looked
		case <-tick.C:
			if w.askedRevision(ctx) != asked {
				return looked
			}
		}
	}
}

// nextEvening is when the clinic's clock next shows the time of the evening sweep, after at; zero if there is none.
func (c *Config) nextEvening(at time.Time) time.Time {
	clock, err := time.Parse("15:04", c.SweepEvening)
	if err != nil {
		return time.Time{} // off
	}
	local := at.In(c.Zone())
	for day := local.Day(); ; day++ {
		if t := time.Date(local.Year(), local.Month(), day, clock.Hour(), clock.Minute(), 0, 0, c.Zone()); t.After(at) {
			return t
		}
	}
}

// sweepTomorrow looks at the patients of tomorrow's list, by the clinic's clock.
func (w *Worker) sweepTomorrow(ctx context.Context, at time.Time) error {
	local := at.In(w.cfg.Zone())
	day := func(n int) time.Time {
		return time.Date(local.Year(), local.Month(), local.Day()+n, 0, 0, 0, 0, w.cfg.Zone())
	}
	w.log.Info("evening sweep begins")
	s := sweep{Worker: w, seen: map[string]bool{}}
	err := errors.Join(s.between(ctx, day(1), day(2)), s.kept(ctx, day(1), day(2)))
	w.log.Info("evening sweep ends", "patients", len(s.seen), "failed", s.failed)
	return err
}

// sweepOn goes on with the sweep that a former holder began, else begins one.
func (w *Worker) sweepOn(ctx context.Context, h *sweepHold) (resumed bool, err error) {
	from, resumed := h.begin(w.now(), w.cfg.SweepEvery)
	err = w.sweepFrom(ctx, from, func(through time.Time) {
		h.note(through)
		w.metrics.sweepThrough.Set(timestamp(through))
	})
	if ctx.Err() == nil {
		h.end() // one that failed is begun anew
		w.metrics.sweepThrough.Set(0)
	}
	return resumed, err
}

// Sweep looks at every patient with an appointment from two days ago to the horizon, and at every patient with a Flag or open
// Task of ours whatever became of the appointment, with no event at all. Each patient is the same pass as for an event. A
// patient who cannot be assessed now is recorded and tried again, and makes no sweep fail; bookings that cannot be listed do.
func (w *Worker) Sweep(ctx context.Context) error {
	return w.sweepFrom(ctx, w.now().Add(-sweepBack), func(time.Time) {})
}

// sweepFrom sweeps what starts from a time on, and notes how far it has come.
func (w *Worker) sweepFrom(ctx context.Context, from time.Time, note func(through time.Time)) error {
	w.log.Info("sweep begins")
	s := sweep{Worker: w, seen: map[string]bool{}}
	var errs []error
	end := w.now().Add(w.cfg.SweepHorizon)
	for step := from; step.Before(end) && ctx.Err() == nil; step = step.Add(sweepStep) {
		to := step.Add(sweepStep)
		if to.After(end) {
			to = end
		}
		if err := s.between(ctx, step, to); err != nil {
			errs = append(errs, err) // the other days are swept all the same
			continue
		}
		note(to)
	}
	if ctx.Err() == nil {
		errs = append(errs, s.kept(ctx, w.now().Add(-sweepBack), end), s.own(ctx))
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	w.log.Info("sweep ends", "patients", len(s.seen), "failed", s.failed)
	return errors.Join(errs...)
}

// sweep is one going over patients.
type sweep struct {
	*Worker
	mu     sync.Mutex
	seen   map[string]bool // patients
	failed int
}

// between looks at every patient with an appointment that starts in [from, to).
func (s *sweep) between(ctx context.Context, from, to time.Time) error {
	patients, err := s.booked(ctx, from, to)
	if err != nil {
		return err
	}
	s.each(ctx, patients)
	return ctx.Err()
}

// kept looks at every patient with a booking that only HL7 v2 messages tell of, which starts in [from, to) or has no date.
func (s *sweep) kept(ctx context.Context, from, to time.Time) error {
	nudges, err := s.keptBooked(ctx, from, to)
	var patients []bookedPatient
	for _, n := range nudges {
		for _, p := range n.patients {
			patients = append(patients, bookedPatient{patient: p})
		}
	}
	s.each(ctx, patients)
	return err
}

// own looks at every patient with an active Flag or open Task of ours.
func (s *sweep) own(ctx context.Context) error {
	var patients []bookedPatient
	err := s.standing(ctx, func(x fhirmap.Standing) { patients = append(patients, bookedPatient{patient: x.Subject}) })
	s.each(ctx, patients)
	return err
}

// each looks at the patients not seen before, on lanes of the sweep's own, and waits for all. It goes slowly, and while the
// bookings' lanes are all busy it waits: events have the first claim on the FHIR server.
func (s *sweep) each(ctx context.Context, patients []bookedPatient) {
	var inFlight sync.WaitGroup
	defer inFlight.Wait()
	for _, p := range patients {
		if s.seen[p.patient] {
			continue
		}
		s.seen[p.patient] = true
		s.untilOpen(ctx)
		s.yield(ctx)
		select {
		case s.sweepLanes <- struct{}{}:
		case <-ctx.Done():
		}
		if ctx.Err() != nil {
			return
		}
		inFlight.Go(func() {
			defer func() { <-s.sweepLanes }()
			s.patient(ctx, p)
		})
	}
}

// yield waits while events need every lane, but not for ever.
func (w *Worker) yield(ctx context.Context) {
	pause(ctx, sweepPace)
	for range 20 {
		if w.busy.Load() < int64(cap(w.lanes)) || ctx.Err() != nil {
			return
		}
		pause(ctx, 50*time.Millisecond)
	}
}

// patient brings one patient to what the record says. What fails is tried again by the timer; what can never be done stands as
// not assessed.
func (s *sweep) patient(ctx context.Context, p bookedPatient) {
	n := nudge{patients: []string{p.patient}}
	ctx, traced := s.startEvent(ctx, "sweep", trace.SpanKindInternal, nil)
	var d disposition
	defer func() { traced(d.outcome) }()
	var err error
	for try := 1; try <= maxAttempts; try++ {
		err = s.limited(ctx, func(ctx context.Context) error { return s.passAll(ctx, n, false, bookingGrace) })
		if d = s.settle(err); d.outcome != "wait" || ctx.Err() != nil {
			break
		}
		pause(ctx, d.delay)
		s.untilOpen(ctx)
	}
	if ctx.Err() != nil {
		return // the next holder looks at the patient again
	}
	s.metrics.events.WithLabelValues("sweep", d.outcome).Inc()
	if err == nil {
		return
	}
	s.mu.Lock()
	s.failed++
	s.mu.Unlock()
	s.log.Warn("patient not brought up to date by the sweep", "outcome", d.outcome, "error", err)
	if d.outcome != "dead-letter" {
		if err := s.tryAgain(ctx, n, 1, nil); err != nil {
			s.log.Warn("left to the next sweep", "error", err)
		}
		return
	}
	for _, o := range p.operations {
		s.fail(ctx, o)
	}
}

// standing hands out our active Flags and open Tasks, whoever's. What it could not read is an error beside what it could: the
// booked operations are swept all the same.
func (w *Worker) standing(ctx context.Context, each func(fhirmap.Standing)) error {
	capability, err := w.fhir.Capability(ctx)
	if err != nil {
		return fmt.Errorf("read the server's capability: %w", err)
	}
	open := map[string]url.Values{
		"Flag": {"identifier": {w.writer.Names.FlagSystem() + "|"}}, // R4 searches Flags by no status
		"Task": {"status": {"requested,received,accepted,ready,in-progress,on-hold,draft"}, "identifier": {w.writer.Names.TaskSystem() + "|"}},
	}
	for _, typ := range ownTypes {
		if !offered(capability, typ) {
			continue
		}
		query := open[typ]
		query.Set("_count", pageSize)
		// A server that does not know a parameter gives more than was asked for, and what is not ours is passed over.
		next := typ + "?" + query.Encode()
		pageErr := w.fhir.Pages(ctx, next, func(a fhirhttp.Answer) (string, error) {
			found, next, err := fhirmap.OpenStanding(w.writer.Names, a.Body)
			for _, s := range found {
				each(s)
			}
			return next, err
		})
		if pageErr != nil {
			err = errors.Join(err, fmt.Errorf("search own %ss: %w", typ, pageErr))
		}
	}
	return err
}

// bookedPatient is a patient with an appointment, and the operations ahead among them.
type bookedPatient struct {
	patient    string
	operations []unfinished
}

// booked lists each patient with an appointment that starts in [from, to), in the order of the first.
func (w *Worker) booked(ctx context.Context, from, to time.Time) ([]bookedPatient, error) {
	appointments, dropped, err := Appointments(ctx, w.fhir, w.recordOptions(), from, to)
	if err != nil {
		return nil, err
	}
	for _, d := range dropped {
		w.metrics.dropped.WithLabelValues(droppedType(d.Type), string(d.Reason)).Inc()
	}
	if len(dropped) > 0 {
		w.log.Error("bookings that cannot be read; their operations are not assessed", "bookings", len(dropped))
	}
	at := w.now()
	place := map[string]int{}
	var out []bookedPatient
	for _, a := range appointments {
		operation := w.services.recognise(a.Concepts) == rules.IsOperation
		if len(a.Patients) == 0 && operation {
			w.metrics.dropped.WithLabelValues("Appointment", string(rules.DropPatient)).Inc()
			w.once.log(w.log, slog.LevelError, "a lens operation is booked for nobody whom this server names; if its references are absolute, fhir.base_aliases may lack an address")
		}
		for _, p := range a.Patients {
			i, ok := place[p]
			if !ok {
				i = len(out)
				place[p] = i
				out = append(out, bookedPatient{patient: p})
			}
			if isAhead, _ := ahead(a.Status, a.Start, at); operation && isAhead {
				out[i].operations = append(out[i].operations, unfinished{Patient: p, Operation: a.ID, Start: a.Start})
			}
		}
	}
	return out, nil
}

// Appointments reads every appointment that starts in [from, to), of any status, to the last page. A page that cannot be
// read as a whole is an error: nobody on it may be missed. A single booking that cannot be read is in dropped.
func Appointments(ctx context.Context, c *fhirhttp.Client, o fhirmap.Options, from, to time.Time) (out []fhirmap.Appointment, dropped []rules.Dropped, err error) {
	query := url.Values{"date": {"ge" + from.UTC().Format(time.RFC3339), "lt" + to.UTC().Format(time.RFC3339)}, "_count": {pageSize}}
	answers, err := c.Gather(ctx, []string{"Appointment?" + query.Encode()})
	if err != nil {
		return nil, nil, fmt.Errorf("search the bookings: %w", err)
	}
	if answers[0].Err != nil {
		return nil, nil, fmt.Errorf("search the bookings: %w", answers[0].Err)
	}
	add := func(a fhirhttp.Answer) (string, error) {
		defer a.Text.Free()
		page, info, bad, err := fhirmap.Appointments(a.Text, o)
		if err != nil {
			return "", fmt.Errorf("page of bookings: %w", err)
		}
		out, dropped = append(out, page...), append(dropped, bad...)
		return info.Next, nil
	}
	next, err := add(answers[0])
	if err != nil || next == "" {
		return out, dropped, err
	}
	if err := c.Pages(ctx, next, add); err != nil {
		return nil, nil, fmt.Errorf("search the bookings: %w", err)
	}
	return out, dropped, nil
}
