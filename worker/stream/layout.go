package stream

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Names that publishers, operators and replicas rely on (contract, NATS).
const (
	Clinic             = "CLINIC"            // stream of the clinic's events
	ClinicDeadLetter   = "CLINIC_DEADLETTER" // stream of events that could not be handled
	BookingsConsumer   = "pupilrisk"         // durable consumer of bookings
	HistoryConsumer    = "pupilrisk-history" // durable consumer of changed records
	BookingSubjects    = "clinic.booking.>"
	HistorySubjects    = "clinic.history.>"
	DeadLetterSubjects = "clinic.deadletter.>"
)

const (
	clinicAge     = 14 * 24 * time.Hour
	deadLetterAge = 180 * 24 * time.Hour
	// duplicateWindow is how long a publisher may repeat an event with one Nats-Msg-Id and have it stored once.
	duplicateWindow = 10 * time.Minute
	// headroom below the server's default of 1 MiB for a message leaves a dead letter room for our headers.
	maxEventBytes = 1<<20 - 16<<10
)

// streams is what should stand, the consumers of each stream with it.
func (c *Config) streams() []wanted {
	replicas := max(c.Replicas, 1)
	return []wanted{
		{
			stream: jetstream.StreamConfig{
				Name:        Clinic,
				Description: "bookings and changed records, for pupilrisk",
				Subjects:    []string{BookingSubjects, HistorySubjects},
				Retention:   jetstream.LimitsPolicy,
				Storage:     jetstream.FileStorage,
				Discard:     jetstream.DiscardNew, // a full stream refuses, it never forgets
				MaxAge:      clinicAge,
				MaxBytes:    c.MaxBytes,
				MaxMsgSize:  maxEventBytes,
				Duplicates:  duplicateWindow,
				Replicas:    replicas,
			},
			consumers: []jetstream.ConsumerConfig{
				c.consumer(BookingsConsumer, BookingSubjects),
				c.consumer(HistoryConsumer, HistorySubjects),
			},
		},
		{
			stream: jetstream.StreamConfig{
				Name:        ClinicDeadLetter,
				Description: "events that pupilrisk could not handle",
				Subjects:    []string{DeadLetterSubjects},
				Retention:   jetstream.LimitsPolicy,
				Storage:     jetstream.FileStorage,
				// If it refused when full, what it refuses would stay unacknowledged in CLINIC until it holds up the
				// bookings. It is as large as CLINIC, which keeps each original for 14 days in any case.
				Discard:    jetstream.DiscardOld,
				MaxAge:     deadLetterAge,
				MaxBytes:   c.MaxBytes,
				Duplicates: duplicateWindow,
				Replicas:   replicas,
			},
		},
	}
}

func (c *Config) consumer(name, subjects string) jetstream.ConsumerConfig {
	return jetstream.ConsumerConfig{
		Durable:       name,
		FilterSubject: subjects,
		AckPolicy:     jetstream.AckExplicitPolicy,
		DeliverPolicy: jetstream.DeliverAllPolicy,
		AckWait:       c.AckWait,
		// The worker counts attempts and paces them with NakWithDelay. A BackOff here would replace AckWait and distort
		// those delays, and a limit of deliveries would leave an event in the stream that nobody ever sees again.
		MaxDeliver:    -1,
		MaxAckPending: c.MaxAckPending,
	}
}

// wanted is one stream as it should stand, with its consumers.
type wanted struct {
	stream    jetstream.StreamConfig
	consumers []jetstream.ConsumerConfig
}

// settle compares what stands with what should, and remembers what is wrong for Ready. Where it manages, it creates what
// is missing, and repairs settings that differ when it sees a stream or consumer for the first time; only then, so that
// replicas with unlike configurations do not undo each other's work for ever.
func (s *Stream) settle(ctx context.Context) {
	s.settling.Lock()
	defer s.settling.Unlock()
	ctx, cancel := context.WithTimeout(ctx, lookTimeout)
	defer cancel()
	var faults []string
	if s.server != nil {
		if err := s.server.health(); err != nil {
			faults = append(faults, err.Error())
		}
	}
	for _, w := range s.cfg.streams() {
		faults = append(faults, s.settleStream(ctx, w)...)
	}
	if s.closing() {
		return
	}
	s.mu.Lock()
	changed := !slices.Equal(faults, s.faults)
	s.faults, s.looked = faults, time.Now()
	s.mu.Unlock()
	switch {
	case !changed:
	case len(faults) == 0:
		s.cfg.Log.Info("NATS streams and consumers stand")
	default:
		s.cfg.Log.Warn("NATS streams and consumers are not as they should be", "faults", faults)
	}
}

func (s *Stream) settleStream(ctx context.Context, w wanted) (faults []string) {
	what := "stream " + w.stream.Name
	stands, err := s.js.Stream(ctx, w.stream.Name)
	if fault := s.serves(stands, err); fault != "" {
		return []string{what + " " + fault}
	}
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		for _, c := range w.consumers { // gone with their stream
			s.compared["consumer "+c.Durable] = false
		}
		s.compared[what] = false
	}
	switch {
	case err == nil:
		if fault := s.settleStreamConfig(ctx, stands.CachedInfo().Config, w.stream); fault != "" {
			faults = append(faults, what+" "+fault)
		}
		s.compared[what] = len(faults) == 0
	case !s.cfg.manage():
		return []string{what + " is missing"}
	default:
		if _, err := s.js.CreateStream(ctx, w.stream); err != nil {
			return []string{what + " cannot be created: " + requestError(err)}
		}
		s.note(EventCreated, what)
		s.compared[what] = true
	}
	for _, c := range w.consumers {
		what := "consumer " + c.Durable
		fault := s.settleConsumer(ctx, w.stream.Name, c)
		if fault != "" {
			faults = append(faults, what+" "+fault)
		}
		s.compared[what] = fault == ""
	}
	return faults
}

// serves says why a stream that was looked up is not served, "" if it is, and notes since when no stream is.
func (s *Stream) serves(stands jetstream.Stream, err error) (fault string) {
	var refusal *jetstream.APIError
	if err == nil || errors.As(err, &refusal) {
		s.answered = true
	}
	switch {
	case err == nil && !hasMajority(stands.CachedInfo().Cluster):
		fault = "is without most of its replicas, or their leader"
	case err != nil && !errors.Is(err, jetstream.ErrStreamNotFound):
		fault = "cannot be looked up: " + requestError(err)
	default:
		s.unserved = time.Time{}
		return ""
	}
	if s.answered && s.unserved.IsZero() {
		s.unserved = time.Now()
	}
	return fault
}

// hasMajority reports whether a stream has a leader that hears from enough of its followers to store anything. A server that is
// cut off from the others answers all the same, some ten seconds even as if it led.
func hasMajority(c *jetstream.ClusterInfo) bool {
	switch {
	case c == nil || len(c.Replicas) == 0:
		return true
	case c.Leader == "":
		return false
	}
	heard := 1
	for _, follower := range c.Replicas {
		if !follower.Offline && follower.Active < lookEvery {
			heard++
		}
	}
	return 2*heard > len(c.Replicas)+1
}

// settleStreamConfig repairs have, or says what is wrong with it and cannot be repaired. What an administrator set
// beyond what we own, and limits wider than ours, stay.
func (s *Stream) settleStreamConfig(ctx context.Context, have, want jetstream.StreamConfig) (fault string) {
	switch {
	case have.Retention != want.Retention:
		return "does not retain by limits; it has to be made anew by hand"
	case s.compared["stream "+want.Name]:
		return ""
	}
	log := s.cfg.Log.With("stream", want.Name)
	mend := have
	if !sameSet(have.Subjects, want.Subjects) {
		mend.Subjects = want.Subjects
	}
	mend.Discard = want.Discard
	mend.MaxAge = wider(have.MaxAge, want.MaxAge)
	mend.MaxBytes = wider(have.MaxBytes, want.MaxBytes)
	mend.MaxMsgs, mend.MaxMsgsPerSubject = -1, -1
	mend.Duplicates = max(have.Duplicates, want.Duplicates)
	if s.cfg.Replicas > have.Replicas {
		mend.Replicas = s.cfg.Replicas
	}
	if have.Storage != want.Storage {
		log.Warn("stream is not kept in files: a restart of NATS loses events")
	}
	if mend.MaxAge != want.MaxAge || mend.MaxBytes != want.MaxBytes {
		log.Warn("stream retains more than it would if it were made now; that stays",
			"max_age", mend.MaxAge, "usual_max_age", want.MaxAge, "max_bytes", mend.MaxBytes, "usual_max_bytes", want.MaxBytes)
	}
	differs := streamDifferences(have, mend)
	switch {
	case len(differs) == 0:
		return ""
	case !s.cfg.manage() && slices.Contains(differs, "subjects"):
		return "does not take exactly the subjects it should"
	case !s.cfg.manage():
		log.Warn("stream differs from what it should be", "settings", differs)
		return ""
	}
	if _, err := s.js.UpdateStream(ctx, mend); err != nil {
		return "cannot be repaired: " + requestError(err)
	}
	s.note(EventRepaired, "stream "+want.Name, "settings", differs)
	return ""
}

func streamDifferences(have, mend jetstream.StreamConfig) (names []string) {
	for _, d := range []struct {
		name    string
		differs bool
	}{
		{"subjects", !sameSet(have.Subjects, mend.Subjects)},
		{"discard", have.Discard != mend.Discard},
		{"max_age", have.MaxAge != mend.MaxAge},
		{"max_bytes", have.MaxBytes != mend.MaxBytes},
		{"max_msgs", have.MaxMsgs != mend.MaxMsgs},
		{"max_msgs_per_subject", have.MaxMsgsPerSubject != mend.MaxMsgsPerSubject},
		{"duplicate_window", have.Duplicates != mend.Duplicates},
		{"num_replicas", have.Replicas != mend.Replicas},
	} {
		if d.differs {
			names = append(names, d.name)
		}
	}
	return names
}

func (s *Stream) settleConsumer(ctx context.Context, stream string, want jetstream.ConsumerConfig) (fault string) {
	stands, err := s.js.Consumer(ctx, stream, want.Durable)
	switch {
	case err == nil:
		return s.settleConsumerConfig(ctx, stream, stands.CachedInfo().Config, want)
	case errors.Is(err, jetstream.ErrNotPullConsumer):
		return "is a push consumer; it has to be made anew by hand"
	case !errors.Is(err, jetstream.ErrConsumerNotFound):
		return "cannot be looked up: " + requestError(err)
	case !s.cfg.manage():
		return "is missing"
	}
	if _, err := s.js.CreateConsumer(ctx, stream, want); err != nil {
		return "cannot be created: " + requestError(err)
	}
	s.note(EventCreated, "consumer "+want.Durable)
	return ""
}

// settleConsumerConfig repairs have, or says what is wrong with it and is not ours to repair.
func (s *Stream) settleConsumerConfig(ctx context.Context, stream string, have, want jetstream.ConsumerConfig) string {
	switch {
	case have.AckPolicy != want.AckPolicy:
		return "does not ask for an acknowledgement of each event; it has to be made anew by hand"
	case s.compared["consumer "+want.Durable]:
		return ""
	}
	mend := have
	mend.FilterSubject, mend.FilterSubjects = want.FilterSubject, nil
	mend.AckWait = want.AckWait
	mend.BackOff = nil
	mend.MaxDeliver = want.MaxDeliver
	mend.MaxAckPending = want.MaxAckPending
	mend.HeadersOnly = false
	mend.InactiveThreshold = 0
	var differs []string
	for _, d := range []struct {
		name    string
		differs bool
	}{
		{"filter_subject", have.FilterSubject != mend.FilterSubject || len(have.FilterSubjects) > 0},
		{"ack_wait", have.AckWait != mend.AckWait},
		{"backoff", len(have.BackOff) > 0},
		{"max_deliver", have.MaxDeliver != mend.MaxDeliver},
		{"max_ack_pending", have.MaxAckPending != mend.MaxAckPending},
		{"headers_only", have.HeadersOnly},
		{"inactive_threshold", have.InactiveThreshold != 0},
	} {
		if d.differs {
			differs = append(differs, d.name)
		}
	}
	switch {
	case len(differs) == 0:
		return ""
	case !s.cfg.manage() && (slices.Contains(differs, "filter_subject") || have.HeadersOnly):
		return "does not deliver the events it should"
	case !s.cfg.manage():
		s.cfg.Log.Warn("consumer differs from what it should be", "consumer", want.Durable, "settings", differs)
		return ""
	}
	if _, err := s.js.UpdateConsumer(ctx, stream, mend); err != nil {
		return "cannot be repaired: " + requestError(err)
	}
	s.note(EventRepaired, "consumer "+want.Durable, "settings", differs)
	return ""
}

// note tells the log and the metrics that something was created or repaired.
func (s *Stream) note(kind, what string, args ...any) {
	s.cfg.Log.Info("NATS "+what+" "+kind, args...)
	s.cfg.OnEvent(kind)
}

// wider is the limit that retains more; 0 and below stand for no limit.
func wider[T ~int64](have, want T) T {
	if have <= 0 {
		return have
	}
	return max(have, want)
}

func sameSet(a, b []string) bool {
	a, b = slices.Clone(a), slices.Clone(b)
	slices.Sort(a)
	slices.Sort(b)
	return slices.Equal(a, b)
}

// requestError says for an operator why a request to JetStream failed. A server that forbids one does not answer it.
func requestError(err error) string {
	switch {
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, nats.ErrTimeout):
		return "no answer, or no permission"
	case errors.Is(err, nats.ErrNoResponders), errors.Is(err, jetstream.ErrJetStreamNotEnabled):
		return "JetStream is not running"
	default:
		return errorText(err)
	}
}

// Bookings is the consumer of bookings. While it does not exist, or NATS is away, Bookings waits until it does or ctx is
// done, when the error says what is missing.
//
// A consumer that is deleted while it is read from fails with jetstream.ErrConsumerDeleted or nats.ErrNoResponders and
// does not come back by itself: ask for it again. An acknowledgement, even a confirmed one, is forgotten by a NATS server
// that is killed within moments of it, and its event delivered again.
func (s *Stream) Bookings(ctx context.Context) (jetstream.Consumer, error) {
	return s.awaitConsumer(ctx, BookingsConsumer)
}

// History is the consumer of changed records; it waits as Bookings does.
func (s *Stream) History(ctx context.Context) (jetstream.Consumer, error) {
	return s.awaitConsumer(ctx, HistoryConsumer)
}

func (s *Stream) awaitConsumer(ctx context.Context, name string) (jetstream.Consumer, error) {
	for wait := 50 * time.Millisecond; ; wait = min(2*wait, 2*time.Second) {
		c, err := s.js.Consumer(ctx, Clinic, name)
		if err == nil {
			return c, nil
		}
		s.look()
		select {
		case <-s.life.Done():
			return nil, ErrClosed
		case <-ctx.Done():
			return nil, fmt.Errorf("consumer %s: %s: %w", name, requestError(err), ctx.Err())
		case <-time.After(wait):
		}
	}
}
