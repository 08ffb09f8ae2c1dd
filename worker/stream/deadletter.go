package stream

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/textproto"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Headers of a dead letter, beside those of the original event.
const (
	HeaderReason     = "Clinic-Reason"     // why it could not be handled: the last token of its subject
	HeaderSubject    = "Clinic-Subject"    // subject of the original
	HeaderStream     = "Clinic-Stream"     // stream that held the original
	HeaderSequence   = "Clinic-Sequence"   // its sequence number there
	HeaderDeliveries = "Clinic-Deliveries" // how often it was delivered
	HeaderFirstSeen  = "Clinic-First-Seen" // when it was stored, RFC 3339
	HeaderPayload    = "Clinic-Payload"    // payloadInStream if the payload was too large to be copied
	// HeaderReplays counts, on a replayed event and on its dead letter, how often an operator sent it again.
	HeaderReplays = "Clinic-Replays"
	// headerOriginal precedes a header of the original that would mean something to the server: Nats-Msg-Id is kept as
	// Clinic-Original-Nats-Msg-Id.
	headerOriginal = "Clinic-Original-"
)

const payloadInStream = "in-stream"

// ErrNoDeadLetter is returned for a sequence number that no dead letter has, or no longer.
var ErrNoDeadLetter = errors.New("no such dead letter")

// reasonToken is what a reason may be: it becomes a token of a subject and a label of a metric.
var reasonToken = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// DeadLetter is an event that could not be handled.
type DeadLetter struct {
	Seq        uint64    // its number in CLINIC_DEADLETTER
	Time       time.Time // when it was put there
	Reason     string
	Subject    string // of the original: may hold identifiers
	Stream     string // that held the original
	Sequence   uint64 // of the original in Stream
	Deliveries uint64
	FirstSeen  time.Time   // when the original was stored
	Replays    int         // how often it was sent again before
	Header     nats.Header // of the original
	Data       []byte      // payload of the original; nil where PayloadInStream, and in lists
	Size       int         // of the payload in bytes, 0 where PayloadInStream
	InStream   bool        // the payload was too large to be copied and is, while it lasts, in Stream at Sequence
}

// DeadLetter puts m into the dead-letter stream with its payload, headers and story, and once that is confirmed ends
// its delivery. The reason is lower-case words joined by hyphens, out of a closed list and without identifiers: it
// becomes part of a subject, and the server repeats it in an advisory. After an error m is still to be handled.
func (s *Stream) DeadLetter(ctx context.Context, m jetstream.Msg, reason string) error {
	if !reasonToken.MatchString(reason) {
		return errors.New("dead letter: the reason is not lower-case words joined by hyphens")
	}
	meta, err := m.Metadata()
	if err != nil {
		return fmt.Errorf("dead letter: %w", err)
	}
	letter := nats.NewMsg("clinic.deadletter." + reason)
	letter.Data = m.Data()
	letter.Header = originalHeader(m.Headers())
	for name, value := range map[string]string{
		HeaderReason:     reason,
		HeaderSubject:    m.Subject(),
		HeaderStream:     meta.Stream,
		HeaderSequence:   strconv.FormatUint(meta.Sequence.Stream, 10),
		HeaderDeliveries: strconv.FormatUint(meta.NumDelivered, 10),
		HeaderFirstSeen:  meta.Timestamp.UTC().Format(time.RFC3339Nano),
	} {
		letter.Header.Set(name, value)
	}
	// The time keeps apart two messages with one number, where a stream was lost and made anew.
	id := fmt.Sprintf("%s-%d-%d", meta.Stream, meta.Sequence.Stream, meta.Timestamp.UnixNano())
	_, err = s.store(ctx, ClinicDeadLetter, letter, id)
	if errors.Is(err, ErrTooLarge) {
		// The original filled the server's limit and our headers do not fit beside it.
		letter.Data = nil
		letter.Header.Set(HeaderPayload, payloadInStream)
		_, err = s.store(ctx, ClinicDeadLetter, letter, id)
	}
	if err != nil {
		return fmt.Errorf("dead letter: %w", err)
	}
	if err := m.TermWithReason(reason); err != nil {
		return fmt.Errorf("dead letter: end delivery: %w", err)
	}
	return nil
}

// originalHeader is the header of an event as its dead letter keeps it. The server acts on Nats- headers, so that these
// are renamed; Clinic- headers are ours alone to write.
func originalHeader(original nats.Header) nats.Header {
	kept := nats.Header{}
	for name, values := range original {
		canonical := textproto.CanonicalMIMEHeaderKey(name)
		switch {
		case canonical == HeaderReplays:
		case strings.HasPrefix(canonical, "Clinic-"):
			continue
		case strings.HasPrefix(canonical, "Nats-"):
			name = headerOriginal + canonical
		}
		kept[name] = append(kept[name], values...)
	}
	return kept
}

// DeadLetters lists up to limit dead letters from number from upwards (0 is the first), without their payloads. Go on
// with the last one's Seq + 1.
func (s *Stream) DeadLetters(ctx context.Context, from uint64, limit int) ([]DeadLetter, error) {
	stands, err := s.deadLetterStream(ctx)
	if err != nil {
		return nil, err
	}
	var letters []DeadLetter
	for seq := max(from, 1); len(letters) < limit; {
		raw, err := stands.GetMsg(ctx, seq, jetstream.WithGetMsgSubject(DeadLetterSubjects))
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("dead letters: %w", err)
		}
		letter := readDeadLetter(raw)
		letter.Data = nil
		letters = append(letters, letter)
		seq = raw.Sequence + 1
	}
	return letters, nil
}

// GetDeadLetter reads the dead letter with number seq, its payload included, or returns ErrNoDeadLetter.
func (s *Stream) GetDeadLetter(ctx context.Context, seq uint64) (DeadLetter, error) {
	stands, err := s.deadLetterStream(ctx)
	if err != nil {
		return DeadLetter{}, err
	}
	raw, err := stands.GetMsg(ctx, seq)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return DeadLetter{}, ErrNoDeadLetter
	}
	if err != nil {
		return DeadLetter{}, fmt.Errorf("dead letter: %w", err)
	}
	letter := readDeadLetter(raw)
	if letter.InStream {
		if letter.Data, err = s.originalPayload(ctx, letter); err != nil {
			return DeadLetter{}, err
		}
	}
	return letter, nil
}

// originalPayload reads what was too large to be copied from where it still is.
func (s *Stream) originalPayload(ctx context.Context, letter DeadLetter) ([]byte, error) {
	stands, err := s.js.Stream(ctx, letter.Stream)
	if err != nil {
		return nil, fmt.Errorf("dead letter: %w", err)
	}
	raw, err := stands.GetMsg(ctx, letter.Sequence)
	if errors.Is(err, jetstream.ErrMsgNotFound) || err == nil && !raw.Time.Equal(letter.FirstSeen) {
		return nil, errors.New("dead letter: its payload was too large to be copied and is no longer in the stream")
	}
	if err != nil {
		return nil, fmt.Errorf("dead letter: %w", err)
	}
	return raw.Data, nil
}

// ReplayDeadLetter sends the original of dead letter seq through again, on its subject, and removes the dead letter once
// that is confirmed. If it cannot be handled this time either, there will be a new one. After an error both may stand,
// and a second replay does no harm: events may come twice.
func (s *Stream) ReplayDeadLetter(ctx context.Context, seq uint64) error {
	letter, err := s.GetDeadLetter(ctx, seq)
	if err != nil {
		return err
	}
	m := nats.NewMsg(letter.Subject)
	m.Data = letter.Data
	for name, values := range letter.Header {
		// A condition or an id of the first publication is not one of this.
		if !strings.HasPrefix(name, "Nats-") {
			m.Header[name] = values
		}
	}
	m.Header.Set(HeaderReplays, strconv.Itoa(letter.Replays+1))
	if _, err := s.publish(ctx, m, "replay-"+rand.Text()); err != nil {
		return fmt.Errorf("replay: %w", err)
	}
	return s.DiscardDeadLetter(ctx, seq)
}

// DiscardDeadLetter removes the dead letter with number seq for good, or returns ErrNoDeadLetter.
func (s *Stream) DiscardDeadLetter(ctx context.Context, seq uint64) error {
	stands, err := s.deadLetterStream(ctx)
	if err != nil {
		return err
	}
	if _, err := stands.GetMsg(ctx, seq); errors.Is(err, jetstream.ErrMsgNotFound) {
		return ErrNoDeadLetter
	}
	if err := stands.DeleteMsg(ctx, seq); err != nil {
		return fmt.Errorf("dead letter: %w", err)
	}
	return nil
}

func (s *Stream) deadLetterStream(ctx context.Context) (jetstream.Stream, error) {
	stands, err := s.js.Stream(ctx, ClinicDeadLetter)
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", ClinicDeadLetter, err)
	}
	return stands, nil
}

// readDeadLetter takes a stored message apart. What is not as we write it stays empty: a dead letter that an
// administrator put there by hand can still be listed and discarded.
func readDeadLetter(raw *jetstream.RawStreamMsg) DeadLetter {
	h := raw.Header
	letter := DeadLetter{
		Seq:      raw.Sequence,
		Time:     raw.Time,
		Reason:   strings.TrimPrefix(raw.Subject, "clinic.deadletter."),
		Subject:  h.Get(HeaderSubject),
		Stream:   h.Get(HeaderStream),
		InStream: h.Get(HeaderPayload) == payloadInStream,
		Data:     raw.Data,
		Size:     len(raw.Data),
		Header:   nats.Header{},
	}
	letter.Sequence, _ = strconv.ParseUint(h.Get(HeaderSequence), 10, 64)
	letter.Deliveries, _ = strconv.ParseUint(h.Get(HeaderDeliveries), 10, 64)
	letter.FirstSeen, _ = time.Parse(time.RFC3339Nano, h.Get(HeaderFirstSeen))
	letter.Replays, _ = strconv.Atoi(h.Get(HeaderReplays))
	for name, values := range h {
		original, renamed := strings.CutPrefix(name, headerOriginal)
		if renamed || !strings.HasPrefix(name, "Clinic-") && !strings.HasPrefix(name, "Nats-") {
			letter.Header[original] = values
		}
	}
	return letter
}
