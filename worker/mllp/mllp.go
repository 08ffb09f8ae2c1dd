// Package mllp listens for messages in the Minimal Lower Layer Protocol (HL7 v2): 0x0B, message, 0x1C, 0x0D.
//
// The path of a message: a connection is let in by its address, a frame is read, Answer is asked, its reply is framed and sent,
// and only then is the next frame of that connection read. Nothing here knows what a message says.
package mllp

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"slices"
	"sync"
	"time"
)

const (
	begin  = 0x0b
	end    = 0x1c
	cr     = 0x0d
	maxGap = 64 << 10 // bytes between frames before the peer is taken to speak something else
)

// Outcomes are what Observe is told. A closed list: it is a metric label.
var Outcomes = []string{Connected, Refused, Full, Message, TooLarge, Garbage, TooSlow, Broken}

const (
	Connected = "connected"
	Refused   = "peer-refused"    // an address that is not allowed
	Full      = "too-many"        // more connections than the limit
	Message   = "message"         // a frame read and answered
	TooLarge  = "too-large"       // a frame over the limit
	Garbage   = "garbage"         // bytes outside of a frame
	TooSlow   = "too-slow"        // a frame that did not come in time
	Broken    = "connection-lost" // in the middle of a frame or of its answer
)

// Options say how messages are taken. Answer is required.
type Options struct {
	// Answer is given a message and returns the reply; nil sends none.
	Answer func(ctx context.Context, message []byte) (reply []byte)
	// TooLarge is given the beginning of a frame over the limit and returns the reply, after which the connection ends.
	TooLarge func(beginning []byte) (reply []byte)
	// Limit is the size of a message in bytes; default 4 MiB.
	Limit int
	// Idle is how long a connection may be silent between frames; default 1 h. Frame is how long one frame may take to come, and
	// its answer to go; default 30 s.
	Idle, Frame time.Duration
	// Peers are the addresses that may connect; none means all.
	Peers []netip.Prefix
	// Connections is how many may be open at once; default 2,000.
	Connections int
	// Observe, if set, is told what happens, one of Outcomes.
	Observe func(outcome string)
}

// Serve takes connections until ctx ends; then what is in flight is answered and every connection closed.
func Serve(ctx context.Context, l net.Listener, o Options) error {
	orDefault(&o.Limit, 4<<20)
	orDefault(&o.Idle, time.Hour)
	orDefault(&o.Frame, 30*time.Second)
	orDefault(&o.Connections, 2000)
	if o.Observe == nil {
		o.Observe = func(string) {}
	}
	stop := context.AfterFunc(ctx, func() { _ = l.Close() })
	defer stop()
	var open sync.WaitGroup
	defer open.Wait()
	slots := make(chan struct{}, o.Connections)
	for {
		c, err := l.Accept()
		switch {
		case ctx.Err() != nil:
			if err == nil {
				_ = c.Close()
			}
			return nil
		case errors.Is(err, net.ErrClosed):
			return fmt.Errorf("mllp: %w", err)
		case err != nil: // of one connection, or of too many files: the next may do
			select {
			case <-ctx.Done():
			case <-time.After(50 * time.Millisecond):
			}
			continue
		case !o.allowed(c.RemoteAddr()):
			o.Observe(Refused)
			_ = c.Close()
			continue
		}
		select {
		case slots <- struct{}{}:
		default:
			o.Observe(Full)
			_ = c.Close()
			continue
		}
		o.Observe(Connected)
		open.Go(func() {
			defer func() { <-slots }()
			o.connection(ctx, c)
		})
	}
}

func orDefault[T comparable](v *T, def T) {
	if *v == *new(T) {
		*v = def
	}
}

func (o Options) allowed(a net.Addr) bool {
	if len(o.Peers) == 0 {
		return true
	}
	p, err := netip.ParseAddrPort(a.String())
	return err == nil && slices.ContainsFunc(o.Peers, func(x netip.Prefix) bool { return x.Contains(p.Addr().Unmap()) })
}

// connection reads and answers frames until the peer leaves, fails, or ctx ends between two frames.
func (o Options) connection(ctx context.Context, c net.Conn) {
	defer c.Close() //nolint:errcheck // nothing is left to lose
	// ctx ends the reading; a message that was read is still answered.
	waiting := context.AfterFunc(ctx, func() { _ = c.SetReadDeadline(time.Now()) })
	defer waiting()
	if t, ok := c.(*tls.Conn); ok {
		shaking, cancel := context.WithTimeout(ctx, o.Frame)
		err := t.HandshakeContext(shaking)
		cancel()
		if err != nil {
			o.Observe(Broken)
			return
		}
	}
	defer func() {
		if recover() != nil {
			o.Observe(Broken) // one message's fault is not the listener's
		}
	}()
	r := bufio.NewReaderSize(c, 4096)
	for ctx.Err() == nil {
		_ = c.SetReadDeadline(time.Now().Add(o.Idle))
		if ctx.Err() != nil {
			return
		}
		if err := o.untilFrame(r); err != nil {
			return
		}
		_ = c.SetDeadline(time.Now().Add(o.Frame))
		message, err := readFrame(r, o.Limit)
		if errors.Is(err, errTooLarge) {
			o.Observe(TooLarge)
			if o.TooLarge != nil {
				_ = writeFrame(c, o.TooLarge(message))
			}
			return
		}
		if err != nil {
			o.Observe(outcomeOf(err))
			return
		}
		reply := o.Answer(context.WithoutCancel(ctx), message)
		_ = c.SetDeadline(time.Now().Add(o.Frame))
		if err := writeFrame(c, reply); err != nil {
			o.Observe(outcomeOf(err))
			return
		}
		o.Observe(Message)
	}
}

func outcomeOf(err error) string {
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return TooSlow
	}
	return Broken
}

var errTooLarge = errors.New("mllp: a frame over the limit")

// untilFrame passes over what stands before a frame: the 0x0D of the last one, and what should not be there.
func (o Options) untilFrame(r *bufio.Reader) error {
	garbage := 0
	for {
		b, err := r.ReadByte()
		if err != nil {
			return err
		}
		switch {
		case b == begin:
			return nil
		case b == cr || b == '\n':
			continue
		}
		if garbage++; garbage == 1 {
			o.Observe(Garbage)
		} else if garbage > maxGap {
			return errors.New("mllp: no frame")
		}
	}
}

// readFrame reads what follows 0x0B up to 0x1C, which no ER7 text holds. The 0x0D after it is left: some senders leave it out and
// wait for their answer. A second 0x0B means that the sender began anew.
func readFrame(r *bufio.Reader, limit int) ([]byte, error) {
	var message []byte
	for {
		chunk, err := r.ReadSlice(end)
		message = append(message, chunk...)
		if len(message) > limit+1 {
			return message[:min(len(message), 4096)], errTooLarge
		}
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			continue
		case errors.Is(err, io.EOF):
			return nil, io.ErrUnexpectedEOF
		case err != nil:
			return nil, err
		}
		message = message[:len(message)-1]
		return message[lastBegin(message):], nil
	}
}

func lastBegin(message []byte) int { return bytes.LastIndexByte(message, begin) + 1 }

func writeFrame(w io.Writer, reply []byte) error {
	if reply == nil {
		return nil
	}
	framed := make([]byte, 0, len(reply)+3)
	framed = append(append(append(framed, begin), reply...), end, cr)
	_, err := w.Write(framed)
	return err
}
