package stream

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Pending is the work that waits in the stream CLINIC, over both consumers and all replicas.
type Pending struct {
	Pending     uint64 // events not delivered yet
	AckPending  int    // events delivered and not acknowledged, those handed back for later included
	Redelivered int    // those among them that were delivered more than once
	// OldestPending is when the oldest event that is not acknowledged was stored; zero if there is none.
	OldestPending time.Time
}

// Pending asks the server for the work that waits. With an error the numbers are not to be used.
func (s *Stream) Pending(ctx context.Context) (Pending, error) {
	var p Pending
	for _, name := range []string{BookingsConsumer, HistoryConsumer} {
		c, err := s.js.Consumer(ctx, Clinic, name)
		if err != nil {
			return Pending{}, fmt.Errorf("consumer %s: %w", name, err)
		}
		info := c.CachedInfo()
		p.Pending += info.NumPending
		p.AckPending += info.NumAckPending
		p.Redelivered += info.NumRedelivered
		if info.NumPending == 0 && info.NumAckPending == 0 {
			continue
		}
		oldest, err := s.firstAfter(ctx, info.AckFloor.Stream, info.Config.FilterSubject)
		if err != nil {
			return Pending{}, err
		}
		if p.OldestPending.IsZero() || !oldest.IsZero() && oldest.Before(p.OldestPending) {
			p.OldestPending = oldest
		}
	}
	return p, nil
}

// firstAfter is when the first message above sequence seq on one of subjects was stored, zero if there is none: it was
// acknowledged, or ran out of age, since its consumer was looked at.
func (s *Stream) firstAfter(ctx context.Context, seq uint64, subjects string) (time.Time, error) {
	stands, err := s.js.Stream(ctx, Clinic)
	if err != nil {
		return time.Time{}, fmt.Errorf("stream %s: %w", Clinic, err)
	}
	m, err := stands.GetMsg(ctx, seq+1, jetstream.WithGetMsgSubject(subjects))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return time.Time{}, nil
	}
	if err != nil {
		return time.Time{}, fmt.Errorf("stream %s: %w", Clinic, err)
	}
	return m.Time, nil
}

// Last is the number of the newest event in the stream CLINIC, 0 if there was none.
func (s *Stream) Last(ctx context.Context) (uint64, error) {
	stands, err := s.js.Stream(ctx, Clinic)
	if err != nil {
		return 0, fmt.Errorf("stream %s: %w", Clinic, err)
	}
	return stands.CachedInfo().State.LastSeq, nil
}
