package stream

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

var (
	// ErrFull is returned when a stream or bucket is at its size, or the server at its store's: nothing was stored.
	ErrFull = errors.New("NATS is full")
	// ErrSubject is returned for a subject that is none of CLINIC's, or not one at all.
	ErrSubject = errors.New("not a subject under clinic.booking or clinic.history")
	// ErrTooLarge is returned for an event that the stream or the server does not take because of its size.
	ErrTooLarge = errors.New("the event is too large for NATS")
)

// Codes of the server that the client library has no error for (nats-server, server/errors.json).
const (
	codeNoResources         jetstream.ErrorCode = 10023
	codeStorageResources    jetstream.ErrorCode = 10047
	codeStreamStoreFailed   jetstream.ErrorCode = 10077
	codeStreamMsgExceedsMax jetstream.ErrorCode = 10054
)

// Publish sends an event to the stream CLINIC and returns when the server confirmed that it is stored. An event with a
// msgID that was stored within the last ten minutes is a duplicate, and not stored again. When the error is none of this
// package's, the event may be stored or not: publish it again, with the same msgID.
func (s *Stream) Publish(ctx context.Context, subject string, data []byte, msgID string) (duplicate bool, err error) {
	m := nats.NewMsg(subject)
	m.Data = data
	return s.publish(ctx, m, msgID)
}

func (s *Stream) publish(ctx context.Context, m *nats.Msg, msgID string) (duplicate bool, err error) {
	if !clinicSubject(m.Subject) {
		return false, ErrSubject
	}
	return s.store(ctx, Clinic, m, msgID)
}

// store publishes m to be kept by stream, and no other, and waits for the confirmation.
func (s *Stream) store(ctx context.Context, stream string, m *nats.Msg, msgID string) (duplicate bool, err error) {
	if s.closing() {
		return false, ErrClosed
	}
	opts := []jetstream.PublishOpt{jetstream.WithExpectStream(stream)}
	if msgID != "" {
		opts = append(opts, jetstream.WithMsgID(msgID))
	}
	ack, err := s.js.PublishMsg(ctx, m, opts...)
	if err != nil {
		return false, fmt.Errorf("publish to stream %s: %w", stream, storeError(err))
	}
	return ack.Duplicate, nil
}

// storeError puts this package's errors in the place of those that a caller has to tell apart.
func storeError(err error) error {
	var api *jetstream.APIError
	switch {
	case errors.Is(err, nats.ErrMaxPayload):
		return ErrTooLarge
	case errors.Is(err, nats.ErrBadSubject), errors.Is(err, jetstream.ErrInvalidSubject):
		return ErrSubject
	case !errors.As(err, &api):
		return err
	}
	switch api.ErrorCode {
	case codeNoResources, codeStorageResources, codeStreamStoreFailed:
		return ErrFull
	case codeStreamMsgExceedsMax:
		return ErrTooLarge
	}
	return err
}

// clinicSubject reports whether the stream CLINIC stores subject.
func clinicSubject(subject string) bool {
	rest, ok := strings.CutPrefix(subject, "clinic.booking.")
	if !ok {
		rest, ok = strings.CutPrefix(subject, "clinic.history.")
	}
	return ok && !strings.ContainsAny(rest, "*> \t\r\n") &&
		!strings.HasPrefix(rest, ".") && !strings.HasSuffix(rest, ".") && !strings.Contains(rest, "..") && rest != ""
}
