package worker

import (
	"context"
	"errors"
	"slices"
	"sync"

	"github.com/nats-io/nats.go/jetstream"

	"pupilrisk/fhirmap"
)

// A few withdrawals are a record being corrected. Many at once are a fault: bookings that a server no longer shows, a
// permission lost, a catalogue gone wrong. More than withdrawalsFree that are over one in withdrawalsShare of the active Flags
// stop all (the contract's figures).
const (
	withdrawalsFree  = 5
	withdrawalsShare = 10
)

// brake stops withdrawals where there are too many in one sweep. It counts from the beginning of one sweep to the beginning of
// the next, what events bring as well. Once it holds, it holds until a whole sweep would have withdrawn few.
type brake struct {
	mu sync.Mutex
	// open counts the own active Flags of each patient seen in this sweep; total is their sum, before that of the last whole one.
	open          map[string]int
	total, before int
	wanted        map[string]bool // ids of the Flags to be withdrawn in this sweep
	held, shared  bool            // shared: what the bucket says, as far as is known here
}

// brakeKey says in the bucket whether withdrawals are stopped, for all replicas and beyond a restart.
const brakeKey = "brake.held"

// shareBrake makes brake and bucket agree: what has changed here since the last time goes there, else what stands there holds here. A
// bucket that says nothing was made anew, or the value's time is over.
func (w *Worker) shareBrake(ctx context.Context) {
	if w.stream == nil {
		return // a command that makes passes alone
	}
	kv, ctx, done, err := w.workKV(ctx)
	if err != nil {
		return // readiness says so
	}
	defer done()
	e, err := kv.Get(ctx, brakeKey)
	if err = w.workFault(err); err != nil && !errors.Is(err, jetstream.ErrKeyNotFound) {
		return
	}
	if held, news := w.brake.hear(err == nil && string(e.Value()) == "true", err == nil); news {
		if _, err := w.putWork(ctx, brakeKey, held, 0); err == nil {
			w.brake.told(held)
		}
	}
	w.metrics.withdrawalsStopped.Set(boolGauge(w.brake.holds()))
}

// hear takes in whether the bucket says that withdrawals are stopped, if it says anything, or reports news for it.
func (b *brake) hear(stopped, said bool) (held, news bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.held != b.shared || b.held && !said {
		return b.held, true
	}
	if b.held && !stopped { // the replica that sweeps has let go: what was counted here till then is over
		b.open, b.wanted, b.total, b.before = map[string]int{}, map[string]bool{}, 0, max(b.total, b.before)
	}
	b.held, b.shared = stopped, stopped
	return b.held, false
}

// untold reports that the bucket does not know yet what holds here.
func (b *brake) untold() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.held != b.shared
}

func (b *brake) told(held bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.shared = held
}

// begin starts a new count. whole reports that the sweep before ended well.
func (b *brake) begin(whole bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if whole {
		b.before = b.total
		b.held = b.held && tooMany(len(b.wanted), b.total)
	}
	b.open, b.wanted, b.total = map[string]int{}, map[string]bool{}, 0
}

// see counts the own active Flags of a patient.
func (b *brake) see(patient string, standing []fhirmap.Standing) {
	n := 0
	for _, s := range standing {
		if s.Type == "Flag" && s.Open() {
			n++
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.open == nil {
		b.open, b.wanted = map[string]int{}, map[string]bool{}
	}
	b.total += n - b.open[patient]
	b.open[patient] = n
}

// active is the number of own active Flags seen.
func (b *brake) active() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return max(b.total, b.before)
}

func (b *brake) holds() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.held
}

// allow decides on the withdrawals of a plan: it returns the writes that may be made, and how many were held back.
func (b *brake) allow(writes []fhirmap.Write) (kept []fhirmap.Write, withheld int) {
	if !slices.ContainsFunc(writes, func(x fhirmap.Write) bool { return x.Withdrawal }) {
		return writes, 0
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, x := range writes {
		if x.Withdrawal && x.Type == "Flag" {
			b.wanted[x.ID] = true
		}
	}
	b.held = b.held || tooMany(len(b.wanted), max(b.total, b.before))
	if !b.held {
		return writes, 0
	}
	for _, x := range writes {
		if x.Withdrawal {
			withheld++
		} else {
			kept = append(kept, x)
		}
	}
	return kept, withheld
}

func tooMany(withdrawals, active int) bool {
	return withdrawals > withdrawalsFree && withdrawals*withdrawalsShare > active
}
