package worker

import (
	"context"
	"errors"
	"strings"
	"sync"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/nats-io/nats.go/jetstream"
)

// Keys of the sweep in the bucket.
const (
	sweepKey = "sweep.holder" // who sweeps, and how far it is
	askedKey = "sweep.asked"  // written anew each time somebody asks for a sweep
)

// sweepLease is how long a holder may be silent before another replica takes its place. No clocks are compared: the others see
// that the entry stands still.
const sweepLease = 30 * time.Second

// sweepState is what the replicas share about the sweep.
type sweepState struct {
	Holder string `json:"holder,omitzero"` // a process; empty: nobody
	// With is what is swept with: a replica with another program, catalogue or mode begins anew.
	With    string    `json:"with"`
	Begun   time.Time `json:"begun,omitzero"`   // when the sweep that is on began; zero: none is
	Through time.Time `json:"through,omitzero"` // what starts before that time has been looked at
}

// sweepHold is the right to sweep.
type sweepHold struct {
	rev   uint64 // of the entry; 0: taken without the bucket, which is away
	mu    sync.Mutex
	state sweepState
}

// begin says where to begin: where the former holder was, if that is no older than the interval, else two days back.
func (h *sweepHold) begin(at time.Time, every time.Duration) (from time.Time, resumed bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if s := h.state; !s.Begun.IsZero() && at.Sub(s.Begun) < every && !s.Through.IsZero() {
		return s.Through, true
	}
	h.state.Begun, h.state.Through = at, time.Time{}
	return at.Add(-sweepBack), false
}

// note keeps how far the sweep is; it is written with the next renewal.
func (h *sweepHold) note(through time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.state.Through = through
}

func (h *sweepHold) end() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.state.Begun, h.state.Through = time.Time{}, time.Time{}
}

func (h *sweepHold) now() sweepState {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.state
}

// takeSweep waits until nobody sweeps, or whoever did has been silent for the lease time, and takes its place; nil when ctx ends.
// While the bucket cannot be reached for that long, every replica sweeps by itself: better twice than not at all, and passes may
// be made twice.
func (w *Worker) takeSweep(ctx context.Context) *sweepHold {
	var seen uint64
	still := time.Now() // since when the entry stands still
	for ctx.Err() == nil {
		state, rev, err := w.readSweep(ctx)
		if err == nil && rev != seen {
			seen, still = rev, time.Now()
		}
		silent := time.Since(still) > w.sweepLease
		switch {
		case err != nil && silent:
			w.once.log(w.log, 4, "the bucket that replicas share cannot be reached: sweeping without it", "error", err)
			w.setHolder(true)
			return &sweepHold{}
		case err != nil:
		case state.Holder == "" || state.Holder == w.process || silent:
			if with := w.sweepsWith(); state.With != with {
				state = sweepState{With: with}
			}
			state.Holder = w.process
			if rev, err = w.writeSweep(ctx, state, rev); err == nil {
				w.log.Info("this replica sweeps from now on", "resumes", !state.Through.IsZero())
				w.setHolder(true)
				return &sweepHold{rev: rev, state: state}
			}
		default:
			w.setHolder(false)
		}
		select {
		case <-ctx.Done():
		case <-w.sweepNow:
			w.askSweep(ctx)
		case <-time.After(jitter(w.sweepLease / 6)):
		}
	}
	return nil
}

// renewSweep shows the others that this replica is alive, and how far it is, until ctx ends, when it leaves the place. It lets go
// when another has taken it.
func (w *Worker) renewSweep(ctx context.Context, let context.CancelFunc, h *sweepHold) {
	renewed := time.Now()
	for ctx.Err() == nil {
		pause(ctx, w.sweepLease/3)
		if h.rev == 0 {
			if _, _, err := w.readSweep(ctx); err == nil {
				let() // now it can be shared
			}
			continue
		}
		state := h.now()
		if ctx.Err() != nil {
			state.Holder = ""
		}
		rev, err := w.writeSweep(ctx, state, h.rev)
		switch {
		case err == nil:
			h.rev, renewed = rev, time.Now()
		case errors.Is(err, jetstream.ErrKeyExists), time.Since(renewed) > w.sweepLease:
			let()
		}
	}
}

func (w *Worker) setHolder(yes bool) {
	w.sweeps.Store(yes)
	w.metrics.sweepHolder.Set(boolGauge(yes))
}

// sweepsWith names what decides the results.
func (w *Worker) sweepsWith() string {
	return strings.Join([]string{w.version, w.catalogue.Version, string(w.cfg.Mode)}, " ")
}

func (w *Worker) readSweep(ctx context.Context) (s sweepState, rev uint64, err error) {
	kv, ctx, done, err := w.workKV(ctx)
	if err != nil {
		return s, 0, err
	}
	defer done()
	e, err := kv.Get(ctx, sweepKey)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return s, 0, nil
	}
	if err != nil {
		return s, 0, w.workFault(err)
	}
	if json.Unmarshal(e.Value(), &s) != nil {
		s = sweepState{} // of another version: nobody holds it
	}
	return s, e.Revision(), nil
}

// writeSweep writes the entry over one revision of it, 0 being none.
func (w *Worker) writeSweep(ctx context.Context, s sweepState, over uint64) (rev uint64, err error) {
	if over > 0 {
		return w.putWork(ctx, sweepKey, s, over)
	}
	kv, ctx, done, err := w.workKV(ctx)
	if err != nil {
		return 0, err
	}
	defer done()
	body, err := json.Marshal(s)
	if err != nil {
		return 0, err
	}
	rev, err = kv.Create(ctx, sweepKey, body)
	return rev, w.workFault(err)
}

// askSweep asks whoever sweeps for a sweep, once however many ask.
func (w *Worker) askSweep(ctx context.Context) {
	if !w.sweeps.Load() {
		if _, err := w.putWork(ctx, askedKey, true, 0); err == nil {
			return
		}
	}
	select {
	case w.sweepAsked <- struct{}{}:
	default:
	}
}

// askedRevision changes when another replica asks for a sweep.
func (w *Worker) askedRevision(ctx context.Context) uint64 {
	kv, ctx, done, err := w.workKV(ctx)
	if err != nil {
		return 0
	}
	defer done()
	e, err := kv.Get(ctx, askedKey)
	if err != nil {
		_ = w.workFault(err)
		return 0
	}
	return e.Revision()
}
