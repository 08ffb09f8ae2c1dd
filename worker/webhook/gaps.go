package webhook

import (
	"context"
	"sync"
	"time"
)

const (
	defaultWait          = 30 * time.Second
	defaultSubscriptions = 64
	// maxEarly bounds the numbers kept that came before one that is missing; beyond it a gap is fetched though it may close.
	maxEarly = 1024
	// maxNumber bounds what is taken for a count of events.
	maxNumber = 1 << 53
)

// GapsOptions say how the numbers of events are followed.
type GapsOptions struct {
	// Wait is how long a missing event may still be on its way, and the time between two attempts to fetch it; default 30 s.
	Wait time.Duration
	// Heartbeat is the period in which a subscription promised to be heard; 0 watches for no silence.
	Heartbeat time.Duration
	// Recover fetches the events from and to these numbers, both included, or what they may have been about. An error has it
	// tried again.
	Recover func(ctx context.Context, subscription string, from, to int64) error
	// Missed, if set, is told once of a subscription that was silent for longer than Heartbeat and Wait.
	Missed func(ctx context.Context, subscription string)
	// Subscriptions bounds how many are followed; default 64. Of more, those longest silent are forgotten.
	Subscriptions int
}

// Gaps follows the numbers of each subscription's events. A notification may be lost, late or sent twice
// (hl7.org/fhir/uv/subscriptions-backport, "Errors and recovery"): a number that does not come within a while is fetched.
// What happened before a subscription is first heard of is left to the sweep at the start.
//
// It knows what came to this process: requests of one subscription that are spread over several replicas look like gaps to
// each, and are fetched needlessly but without harm.
type Gaps struct {
	o       GapsOptions
	mu      sync.Mutex
	all     map[string]*followed
	changed chan struct{}
}

// followed is one subscription.
type followed struct {
	counted bool
	next    int64 // every event below it came
	total   int64 // events up to here exist
	early   map[int64]bool
	raised  time.Time // when total was last raised
	due     time.Time // when what is missing is fetched; zero: nothing is
	heard   time.Time
	missed  bool
}

// NewGaps follows nothing yet. Run must run beside it.
func NewGaps(o GapsOptions) *Gaps {
	orDefault(&o.Wait, defaultWait)
	orDefault(&o.Subscriptions, defaultSubscriptions)
	return &Gaps{o: o, all: map[string]*followed{}, changed: make(chan struct{}, 1)}
}

// Note says that an event of a subscription came.
func (g *Gaps) Note(subscription string, number int64) {
	if number < 1 || number > maxNumber {
		return
	}
	g.with(subscription, func(f *followed, now time.Time) {
		if !f.counted {
			f.count(number-1, now)
		}
		f.exists(number, now)
		switch {
		case number == f.next:
			f.next++
			f.advance()
		case number > f.next && len(f.early) < maxEarly:
			f.early[number] = true
		}
	})
}

// Heard says that a subscription was heard of, and how many events it had since its start; -1 if that was not said. Called
// for one that was just made, it begins to watch for its silence.
func (g *Gaps) Heard(subscription string, events int64) {
	g.with(subscription, func(f *followed, now time.Time) {
		f.missed = false
		switch {
		case events < 0 || events > maxNumber:
		case !f.counted:
			f.count(events, now)
		case events < f.total && (events == 0 || now.Sub(f.raised) > g.o.Wait):
			f.count(events, now) // too late to be out of order: the server counts anew
		default:
			f.exists(events, now)
		}
	})
}

func (g *Gaps) with(subscription string, do func(*followed, time.Time)) {
	now := time.Now()
	g.mu.Lock()
	defer g.mu.Unlock()
	f, ok := g.all[subscription]
	if !ok {
		g.makeRoom()
		f = &followed{next: 1}
		g.all[subscription] = f
	}
	f.heard = now
	do(f, now)
	f.settle(now.Add(g.o.Wait))
	select {
	case g.changed <- struct{}{}:
	default:
	}
}

func (g *Gaps) makeRoom() {
	for len(g.all) >= g.o.Subscriptions {
		oldest := ""
		for name, f := range g.all {
			if o, ok := g.all[oldest]; !ok || f.heard.Before(o.heard) {
				oldest = name
			}
		}
		delete(g.all, oldest)
	}
}

// count begins to follow after an event.
func (f *followed) count(events int64, now time.Time) {
	*f = followed{counted: true, next: events + 1, total: events, early: map[int64]bool{}, raised: now, heard: f.heard}
}

func (f *followed) exists(number int64, now time.Time) {
	if number > f.total {
		f.total, f.raised = number, now
	}
}

func (f *followed) advance() {
	for f.early[f.next] {
		delete(f.early, f.next)
		f.next++
	}
}

// settle says when what is missing now is due.
func (f *followed) settle(due time.Time) {
	switch {
	case f.next > f.total:
		f.due = time.Time{}
	case f.due.IsZero():
		f.due = due
	}
}

// Run fetches what is missing and tells of silence until ctx ends.
func (g *Gaps) Run(ctx context.Context) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-g.changed:
		case <-timer.C:
		}
		next := g.look(ctx, time.Now())
		timer.Stop()
		if !next.IsZero() {
			timer.Reset(time.Until(next))
		}
	}
}

// look does what is due, and says when something will be next; zero: not before something changes.
func (g *Gaps) look(ctx context.Context, now time.Time) (next time.Time) {
	type gap struct {
		subscription string
		from, to     int64
	}
	var gaps []gap
	var silent []string
	g.mu.Lock()
	soonest := func(t time.Time) {
		if next.IsZero() || t.Before(next) {
			next = t
		}
	}
	for name, f := range g.all {
		switch {
		case f.due.IsZero():
		case now.Before(f.due):
			soonest(f.due)
		default:
			to := f.total
			for f.early[to] {
				to--
			}
			gaps = append(gaps, gap{name, f.next, to})
		}
		switch until := f.heard.Add(g.o.Heartbeat + g.o.Wait); {
		case g.o.Heartbeat == 0 || f.missed:
		case now.Before(until):
			soonest(until)
		default:
			f.missed = true
			silent = append(silent, name)
		}
	}
	g.mu.Unlock()
	for _, s := range silent {
		if g.o.Missed != nil {
			g.o.Missed(ctx, s)
		}
	}
	for _, x := range gaps {
		err := g.o.Recover(ctx, x.subscription, x.from, x.to)
		soonest(g.fetched(x.subscription, x.to, err == nil))
	}
	return next
}

// fetched ends a gap, or has it tried again later; it says when to look again.
func (g *Gaps) fetched(subscription string, to int64, well bool) time.Time {
	now := time.Now()
	g.mu.Lock()
	defer g.mu.Unlock()
	f, ok := g.all[subscription]
	if !ok {
		return now
	}
	f.due = time.Time{}
	if well && f.next <= to && to <= f.total { // else it counts anew since
		f.next = to + 1
		for n := range f.early {
			if n <= to {
				delete(f.early, n)
			}
		}
		f.advance()
	}
	f.settle(now.Add(g.o.Wait))
	if f.due.IsZero() {
		return now
	}
	return f.due
}
