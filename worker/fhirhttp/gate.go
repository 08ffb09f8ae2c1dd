package fhirhttp

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"
)

const (
	// longestQuiet bounds what a Retry-After can ask for.
	longestQuiet = 5 * time.Minute
	// patience is how long a request waits out a throttled server before its caller is told instead.
	patience = 2 * time.Second
	// A throttled server that names no time, and a server that is down, get quiet that doubles up to these.
	firstQuiet           = time.Second
	longestThrottleQuiet = time.Minute
	longestBreakerQuiet  = 30 * time.Second
	// probeWait is what the others are told to wait while a probe is out.
	probeWait = time.Second

	// The breaker opens after five failures in a row that mean "the server is down" (no connection, no answer, garbage). A 500
	// that the server explains in FHIR weighs a quarter of that: a few records that the server chokes on, met by several lanes
	// at once, must not stop all the others, but a server that answers nothing else is down as well.
	hardWeight, weakWeight, breakAt = 4, 1, 20
)

// verdict is what one request taught about the server.
type verdict uint8

const (
	unknown verdict = iota // cancelled before it could tell
	up                     // an answer, whatever it said
	slowDown
	failing // an explained 500
	down
)

func verdictOf(err error) verdict {
	if err == nil {
		return up
	}
	e, ok := errors.AsType[*Error](err)
	switch {
	case !ok, e.Status == 0 && e.kind != Unavailable: // cancelled, or never sent
		return unknown
	case e.kind == Throttled:
		return slowDown
	case e.kind == Unavailable && e.weak:
		return failing
	case e.kind == Unavailable:
		return down
	}
	return up
}

// gate is what all lanes share towards one server: a bound on requests at once, the quiet that a throttling server asked for,
// and a breaker that holds everything back while the server is down and then lets one probe through.
type gate struct {
	slots chan struct{}
	log   *slog.Logger

	mu sync.Mutex
	// Throttling: one window of quiet after the other; throttleStep counts windows in a row, not refused requests.
	quietUntil   time.Time
	throttleStep int
	// Breaker.
	score       int
	broken      bool
	fault       error // what opened it, or what its last probe met
	probing     bool
	brokenUntil time.Time
	breakerStep int
}

func newGate(atOnce int, log *slog.Logger) *gate {
	return &gate{slots: make(chan struct{}, atOnce), log: log}
}

// pass is the right to send one request.
type pass struct {
	started time.Time
	probe   bool
	gate    *gate
	held    bool
}

// release gives the slot back, so that the next request can go out while this one's answer is still being read through.
func (p *pass) release() {
	if p.held {
		p.held = false
		<-p.gate.slots
	}
}

// enter waits for a slot and for the end of a short quiet. It returns at once with an *Error while the breaker is open or a
// longer quiet lasts.
func (g *gate) enter(ctx context.Context, operation string) (*pass, error) {
	for {
		if err := g.waitOut(ctx, operation); err != nil {
			return nil, err
		}
		select {
		case g.slots <- struct{}{}:
		case <-ctx.Done():
			return nil, contextError(ctx, operation)
		}
		// The state may have changed while this request queued.
		if p := g.admit(); p != nil {
			return p, nil
		}
		<-g.slots
	}
}

func (g *gate) waitOut(ctx context.Context, operation string) error {
	for {
		g.mu.Lock()
		wait, broken := g.shut(time.Now())
		fault := g.fault
		g.mu.Unlock()
		switch {
		case wait <= 0:
			return nil
		case broken:
			return &Error{Operation: operation, RetryAfter: wait, kind: Unavailable, err: fmt.Errorf("%w: %v", ErrOpen, fault)}
		case wait > patience:
			return &Error{Operation: operation, RetryAfter: wait, kind: Throttled}
		}
		t := time.NewTimer(wait)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return contextError(ctx, operation)
		}
	}
}

// shut says for how long nobody may start, and whether the breaker is why.
func (g *gate) shut(now time.Time) (wait time.Duration, broken bool) {
	if g.broken {
		if wait = g.brokenUntil.Sub(now); wait > 0 {
			return wait, true
		}
		if g.probing {
			return probeWait, true
		}
	}
	return max(g.quietUntil.Sub(now), 0), false
}

func (g *gate) admit() *pass {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := time.Now()
	if wait, _ := g.shut(now); wait > 0 {
		return nil
	}
	g.probing = g.broken
	return &pass{started: now, probe: g.broken, gate: g, held: true}
}

// leave takes the verdict of a request, and the error it came from, into account and gives the slot back if it is still held.
func (g *gate) leave(p *pass, v verdict, retryAfter time.Duration, err error) {
	p.release()
	g.mu.Lock()
	defer g.mu.Unlock()
	now := time.Now()
	switch v {
	case slowDown:
		g.quiet(p.started, now, retryAfter)
	case up:
		if !p.started.Before(g.quietUntil) {
			g.throttleStep = 0
		}
	}
	// While the breaker is open only the probe counts: what others bring was sent before it opened.
	if p.probe {
		g.probing = false
		switch v {
		case up, slowDown:
			g.broken, g.score, g.breakerStep = false, 0, 0
			g.log.Info("fhir server answers again")
		case failing, down:
			g.open(now, err)
		}
		return
	}
	if g.broken {
		return
	}
	switch v {
	case up, slowDown:
		g.score = 0
	case failing:
		g.score += weakWeight
	case down:
		g.score += hardWeight
	}
	if g.score >= breakAt {
		g.open(now, err)
	}
}

// quiet starts or lengthens the window in which nobody starts. Refusals of requests sent before the window ended belong to the
// same burst: they may lengthen it when the server named a time, but they do not make the back-off grow.
func (g *gate) quiet(started, now time.Time, retryAfter time.Duration) {
	if !started.Before(g.quietUntil) {
		g.throttleStep++
		if retryAfter <= 0 {
			retryAfter = backOff(g.throttleStep, longestThrottleQuiet)
		}
	}
	if until := now.Add(min(retryAfter, longestQuiet)); until.After(g.quietUntil) {
		g.quietUntil = until
	}
}

func (g *gate) open(now time.Time, err error) {
	g.breakerStep++
	wait := backOff(g.breakerStep, longestBreakerQuiet)
	if !g.broken {
		g.log.Warn("fhir server is down, requests are held back", "reason", err.Error())
	}
	g.broken, g.brokenUntil, g.fault = true, now.Add(wait), err
}

// until is the time before which nobody should start; open is false when requests may go out.
func (g *gate) until() (until time.Time, open bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := time.Now()
	wait, _ := g.shut(now)
	if wait <= 0 {
		return time.Time{}, false
	}
	return now.Add(wait), true
}

// backOff doubles from firstQuiet with each step up to longest, less up to a quarter so that replicas do not march in step.
func backOff(step int, longest time.Duration) time.Duration {
	d := longest
	if step < 16 {
		d = min(firstQuiet<<(step-1), longest)
	}
	return d - rand.N(d/4)
}

// contextError keeps a cancellation as it is and makes a caller's deadline an Error like any other time-out.
func contextError(ctx context.Context, operation string) error {
	if err := ctx.Err(); !errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return &Error{Operation: operation, kind: Unavailable, err: context.DeadlineExceeded}
}

// throttled is told when entries of a batch were refused for the pace while the batch itself was answered.
func (g *gate) throttled() {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := time.Now()
	g.quiet(now, now, 0)
}
