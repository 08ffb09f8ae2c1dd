package worker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"sync"
	"time"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/worker/fhirhttp"
)

const (
	// sweepBack is how far before now the sweep begins, so that operations that have ended are closed.
	sweepBack = 48 * time.Hour
	// sweepRetry is the pause after a sweep that did not end well.
	sweepRetry = time.Minute
)

// sweepLoop sweeps at the start and at every interval; a sweep that fails is tried again soon.
func (w *Worker) sweepLoop(ctx context.Context) {
	whole := false
	for ctx.Err() == nil {
		select {
		case <-w.sweepNow: // this sweep is the one asked for
		case <-w.sweepAsked:
		default:
		}
		w.brake.begin(whole)
		w.metrics.withdrawalsStopped.Set(boolGauge(w.brake.holds()))
		err := w.Sweep(ctx)
		whole = err == nil
		next := w.cfg.SweepEvery
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			w.metrics.sweeps.WithLabelValues("failed").Inc()
			next = min(sweepRetry, next)
			w.log.Warn("sweep incomplete, trying again", "in", next.String(), "error", err)
		default:
			w.metrics.sweeps.WithLabelValues("done").Inc()
			w.metrics.lastSweep.SetToCurrentTime()
		}
		w.gauges()
		select {
		case w.swept <- struct{}{}:
		default:
		}
		w.untilNextSweep(ctx, next)
	}
}

// untilNextSweep waits for the interval, or for somebody who asks for a sweep out of turn.
func (w *Worker) untilNextSweep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	case <-w.sweepNow:
	case <-w.sweepAsked:
	}
}

// askSweep asks for a sweep, once however many ask.
func (w *Worker) askSweep() {
	select {
	case w.sweepAsked <- struct{}{}:
	default:
	}
}

// Sweep looks at every patient with an appointment from two days ago to the horizon, and at every patient with a Flag or open
// Task of ours whatever became of the appointment, with no event at all. Each patient is the same pass as for an event.
func (w *Worker) Sweep(ctx context.Context) error {
	at := w.now()
	nudges, err := w.booked(ctx, at.Add(-sweepBack), at.Add(w.cfg.SweepHorizon))
	if err != nil {
		return err
	}
	kept, unkept := w.keptBooked(ctx, at.Add(-sweepBack), at.Add(w.cfg.SweepHorizon))
	seen := map[string]bool{}
	for _, n := range nudges {
		seen[n.patients[0]] = true
	}
	for _, n := range kept {
		if p := n.patients[0]; !seen[p] {
			seen[p] = true
			nudges = append(nudges, n)
		}
	}
	unread := w.standing(ctx, func(s fhirmap.Standing) {
		if !seen[s.Subject] {
			seen[s.Subject] = true
			nudges = append(nudges, nudge{patients: []string{s.Subject}})
		}
	})
	w.log.Info("sweep begins", "patients", len(nudges))
	var mu sync.Mutex
	var errs []error
	var inFlight sync.WaitGroup
	for _, n := range nudges {
		w.untilOpen(ctx)
		select {
		case w.sweepLanes <- struct{}{}:
		case <-ctx.Done():
		}
		if ctx.Err() != nil {
			break
		}
		inFlight.Add(1)
		go func() {
			defer inFlight.Done()
			defer func() { <-w.sweepLanes }()
			ctx, cancel := context.WithTimeout(ctx, w.eventTimeout)
			defer cancel()
			outcome := "done"
			if err := w.passAll(ctx, n, false, bookingGrace); err != nil {
				outcome = settle(err, 1).outcome
				mu.Lock()
				errs = append(errs, err)
				mu.Unlock()
				if outcome == "retry" {
					w.retryLater(n)
				}
			}
			w.metrics.events.WithLabelValues("sweep", outcome).Inc()
		}()
	}
	inFlight.Wait()
	if err := ctx.Err(); err != nil {
		return err
	}
	w.log.Info("sweep ends", "patients", len(nudges), "failed", len(errs))
	if err := errors.Join(unread, unkept); err != nil {
		return err
	}
	if len(errs) > 0 {
		return fmt.Errorf("%d of %d patients: first: %w", len(errs), len(nudges), errs[0])
	}
	return nil
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

// booked lists one nudge for each patient with an appointment that starts in [from, to).
func (w *Worker) booked(ctx context.Context, from, to time.Time) ([]nudge, error) {
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
	seen := map[string]bool{}
	var out []nudge
	for _, a := range appointments {
		if len(a.Patients) == 0 && w.services.recognise(a.Concepts) == rules.IsOperation {
			w.metrics.dropped.WithLabelValues("Appointment", string(rules.DropPatient)).Inc()
			w.once.log(w.log, slog.LevelError, "a lens operation is booked for nobody whom this server names; if its references are absolute, fhir.base_aliases may lack an address")
		}
		for _, p := range a.Patients {
			if !seen[p] {
				seen[p] = true
				out = append(out, nudge{patients: []string{p}})
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
	add := func(body []byte) (string, error) {
		page, info, bad, err := fhirmap.Appointments(body, o)
		if err != nil {
			return "", fmt.Errorf("page of bookings: %w", err)
		}
		out, dropped = append(out, page...), append(dropped, bad...)
		return info.Next, nil
	}
	next, err := add(answers[0].Body)
	if err != nil || next == "" {
		return out, dropped, err
	}
	if err := c.Pages(ctx, next, func(a fhirhttp.Answer) (string, error) { return add(a.Body) }); err != nil {
		return nil, nil, fmt.Errorf("search the bookings: %w", err)
	}
	return out, dropped, nil
}

// retryLater looks at a patient again, whose record could not be read, until it can or the operation is over.
func (w *Worker) retryLater(n nudge) {
	select {
	case w.retries <- n:
	default: // the sweep will come to it
	}
}

// retryLoop tries again, one at a time and ever more slowly, what was given up.
func (w *Worker) retryLoop(ctx context.Context) {
	type later struct {
		nudge
		tries int
		at    time.Time
	}
	var waiting []later
	tick := time.NewTicker(retryFirst)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case n := <-w.retries:
			waiting = append(waiting, later{nudge: n, at: time.Now().Add(backoff(maxAttempts))})
			continue
		case <-tick.C:
		}
		var still []later
		for _, l := range waiting {
			if ctx.Err() != nil {
				return
			}
			if time.Now().Before(l.at) {
				still = append(still, l)
				continue
			}
			err := w.follow(ctx, l.nudge, bookingGrace)
			outcome := settle(err, 1).outcome
			w.metrics.events.WithLabelValues("retry", outcome).Inc()
			if (outcome == "retry" || outcome == "wait") && l.tries < maxAttempts {
				l.tries++
				l.at = time.Now().Add(backoff(maxAttempts + l.tries))
				still = append(still, l)
			}
		}
		waiting = still
	}
}
