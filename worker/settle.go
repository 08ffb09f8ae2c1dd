package worker

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"time"

	"pupilrisk/worker/fhirhttp"
)

// Reason says why an event can never be handled. A closed list: it is a metric label and the dead letter's subject.
type Reason string

const (
	ReasonUnreadable  Reason = "unreadable"          // the payload is none that we know
	ReasonUnsupported Reason = "unsupported"         // known, but not handled by this version
	ReasonNoBooking   Reason = "unknown-appointment" // the booking is not in the record after the grace time
	ReasonNoPatient   Reason = "unknown-patient"     // the patient is not in the record after the grace time
	ReasonRefused     Reason = "refused"             // the server refuses the write for good
)

var reasons = []Reason{ReasonUnreadable, ReasonUnsupported, ReasonNoBooking, ReasonNoPatient, ReasonRefused}

// permanentError is a fault that no retry mends.
type permanentError struct {
	reason Reason
	text   string
	err    error
}

func permanent(r Reason, text string) error { return &permanentError{reason: r, text: text} }

func (e *permanentError) Error() string { return string(e.reason) + ": " + e.text }
func (e *permanentError) Unwrap() error { return e.err }

// notYetError is that the record does not hold something that it may hold soon: the event may be faster. It is waited for, and that is
// no attempt.
type notYetError struct {
	text string
	age  time.Duration // of the event: the longer it has waited, the longer it waits
}

func (e *notYetError) Error() string { return e.text }

// disposition is what becomes of an event.
type disposition struct {
	outcome string // of eventOutcomes
	delay   time.Duration
	reason  Reason
}

const (
	// maxAttempts is how often a patient's own fault is tried before the operation is recorded as not assessed and the
	// event is let go, so that no bad record holds the queue.
	maxAttempts = 8
	retryFirst  = 2 * time.Second
	retryCap    = 5 * time.Minute
	waitCap     = 30 * time.Second
)

// settle is the one place that turns the result of an event into what becomes of it. attempt counts from 1. A shutdown
// and a server that is down are no attempts.
func settle(err error, attempt int) disposition {
	var several faults
	var p *permanentError
	var f *fhirhttp.Error
	var y *notYetError
	switch {
	case err == nil:
		return disposition{outcome: "done"}
	case errors.As(err, &several):
		return several.settle(attempt)
	case errors.As(err, &p):
		return disposition{outcome: "dead-letter", reason: p.reason}
	case errors.Is(err, context.Canceled):
		return disposition{outcome: "wait"}
	case errors.As(err, &y):
		return disposition{outcome: "wait", delay: jitter(min(max(y.age, retryFirst), waitCap))}
	case errors.As(err, &f) && (f.Kind() == fhirhttp.Throttled || f.RetryAfter > 0):
		return disposition{outcome: "wait", delay: jitter(min(max(f.RetryAfter, time.Second), waitCap))}
	case attempt >= maxAttempts:
		return disposition{outcome: "not-assessed"}
	default:
		return disposition{outcome: "retry", delay: backoff(attempt)}
	}
}

// faults are what went wrong with several patients of one event. Each is a fault by itself: what is wrong for good with one must not
// let go of another.
type faults []error

// gathered is the faults among some results, nil where there are none.
func gathered(errs []error) error {
	errs = slices.DeleteFunc(errs, func(err error) bool { return err == nil })
	if len(errs) == 0 {
		return nil
	}
	return faults(errs)
}

func (f faults) Error() string   { return errors.Join(f...).Error() }
func (f faults) Unwrap() []error { return f }

// settle tries all of them again while one can be mended; only what is wrong for good with every one is put aside.
func (f faults) settle(attempt int) (worst disposition) {
	rank := func(d disposition) int {
		return slices.Index([]string{"done", "dead-letter", "wait", "not-assessed", "retry"}, d.outcome)
	}
	for _, err := range f {
		if d := settle(err, attempt); worst.outcome == "" || rank(d) > rank(worst) {
			worst = d
		}
	}
	return worst
}

// settle is what becomes of a first attempt. While the FHIR server is held to be down its faults are nobody's attempts, whatever
// they look like.
func (w *Worker) settle(err error) disposition {
	d := settle(err, 1)
	if until, held := w.fhir.Open(); held && d.outcome == "retry" {
		return disposition{outcome: "wait", delay: jitter(min(max(time.Until(until), time.Second), waitCap))}
	}
	return d
}

// backoff grows with the attempt and is jittered, so that what failed together does not come back together.
func backoff(attempt int) time.Duration {
	return jitter(min(retryFirst<<min(attempt-1, 16), retryCap))
}

func jitter(d time.Duration) time.Duration {
	return d/2 + rand.N(d/2+1)
}
