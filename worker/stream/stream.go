package stream

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// ErrClosed is returned once Close was called.
var ErrClosed = errors.New("the stream is closed")

const (
	requestTimeout = 5 * time.Second
	drainTimeout   = 5 * time.Second
	// lookEvery is how old the state that Ready tells may be, beside the time that a look takes.
	lookEvery   = 5 * time.Second
	lookTimeout = 4 * time.Second
	// leaveAfter is how long one server of several may not serve the streams before another is tried.
	leaveAfter = 5 * time.Second
)

// Stream is the worker's one connection to NATS, and the embedded server where there is one. Its methods may be called
// from several goroutines.
type Stream struct {
	cfg    Config
	server *embedded // nil: the clinic's own server
	conn   *nats.Conn
	js     jetstream.JetStream

	life       context.Context // ends with Close
	end        context.CancelFunc
	connClosed chan struct{} // closed when the connection is
	lookNow    chan struct{} // asks the keeper to look at once
	keeper     sync.WaitGroup
	closeOnce  sync.Once
	closeErr   error

	settling sync.Mutex      // one pass over what stands at a time
	compared map[string]bool // guarded by settling: streams and consumers whose settings were looked at
	answered bool            // guarded by settling: JetStream has answered, so that silence is no want of permission
	unserved time.Time       // guarded by settling: since when the server does not serve the streams; zero: it does

	mu            sync.Mutex
	everConnected bool
	refusal       string   // why the last attempt to connect failed
	faults        []string // what is wrong with what stands, as of looked
	looked        time.Time
}

// Open starts the embedded server if cfg names no other, connects, and creates or looks up streams and consumers.
//
// With the clinic's own server it returns promptly whatever the state of that server: it goes on trying in the
// background, and Ready says what is missing. With the embedded one it returns an error unless everything stands.
// Errors in cfg name the key of the configuration file.
func Open(ctx context.Context, cfg Config) (*Stream, error) {
	cfg, err := cfg.complete()
	if err != nil {
		return nil, err
	}
	s := &Stream{
		cfg:        cfg,
		connClosed: make(chan struct{}),
		lookNow:    make(chan struct{}, 1),
		compared:   map[string]bool{},
		faults:     []string{"NATS was not looked at yet"},
	}
	s.life, s.end = context.WithCancel(context.Background())
	if cfg.embedded() {
		if s.server, err = startEmbedded(&s.cfg); err != nil {
			return nil, err
		}
	}
	if err := s.connect(); err != nil {
		return nil, errors.Join(err, s.stopServer())
	}
	if s.conn.IsConnected() {
		s.settle(ctx)
	}
	s.keeper.Go(s.keep)
	if s.server != nil && cfg.manage() {
		if err := s.Ready(); err != nil {
			return nil, errors.Join(err, s.Close(ctx))
		}
	}
	return s, nil
}

// URL is where publishers reach the NATS server.
func (s *Stream) URL() string {
	if s.server != nil {
		return s.server.url()
	}
	return s.cfg.URL
}

// TokenFile names the file with the token that the server asks for, empty if it asks for none or for something else.
func (s *Stream) TokenFile() string {
	if s.cfg.TokenFile == NoToken {
		return ""
	}
	return s.cfg.TokenFile
}

// Ready says what keeps events from being taken in, on one line; nil when connection, streams and consumers stand. It
// answers from a look some five seconds old and never waits.
func (s *Stream) Ready() error {
	if s.closing() {
		return ErrClosed
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.conn.IsConnected() {
		if s.refusal != "" {
			return fmt.Errorf("NATS is not connected: %s", s.refusal)
		}
		return errors.New("NATS is not connected")
	}
	if len(s.faults) > 0 {
		return errors.New(strings.Join(s.faults, "; "))
	}
	if time.Since(s.looked) > lookEvery+2*lookTimeout {
		return errors.New("NATS was not looked at for too long") // the embedded server's disk hangs
	}
	return nil
}

// Close ends the connection in good order, stops the embedded server and waits for both, or until ctx is done, when the
// connection is cut instead. Consumers have to be drained before. Calls after the first return what it returned.
func (s *Stream) Close(ctx context.Context) error {
	s.closeOnce.Do(func() {
		s.end()
		s.keeper.Wait()
		if err := s.conn.Drain(); err != nil {
			s.conn.Close()
		}
		select {
		case <-s.connClosed:
		case <-ctx.Done():
			s.conn.Close()
			<-s.connClosed
		}
		s.closeErr = s.stopServer()
	})
	return s.closeErr
}

func (s *Stream) stopServer() error {
	if s.server == nil {
		return nil
	}
	return s.server.stop()
}

func (s *Stream) closing() bool { return s.life.Err() != nil }

// look asks the keeper for a look at what stands, now.
func (s *Stream) look() {
	select {
	case s.lookNow <- struct{}{}:
	default:
	}
}

// keep looks at what stands every lookEvery, until Close.
func (s *Stream) keep() {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-s.life.Done():
			return
		case <-tick.C:
		case <-s.lookNow:
		}
		if s.server != nil {
			s.heal()
		}
		if s.conn.IsConnected() {
			s.settle(s.life)
			s.leave()
		}
	}
}

// leave turns to another server of a cluster when this one no longer serves the streams: it may be cut off from the others, and
// the connection to it stands all the same.
func (s *Stream) leave() {
	s.settling.Lock()
	defer s.settling.Unlock()
	if s.unserved.IsZero() || time.Since(s.unserved) < leaveAfter || len(s.conn.Servers()) < 2 {
		return
	}
	s.unserved = time.Time{}
	s.cfg.Log.Warn("the NATS server does not serve the streams, trying another")
	_ = s.conn.ForceReconnect() // fails when closed
}

// heal brings the embedded server's store back after it was given up.
func (s *Stream) heal() {
	healed, err := s.server.heal()
	if err != nil {
		s.cfg.Log.Error("the embedded NATS server cannot write", "error", err)
	}
	if healed {
		s.cfg.Log.Warn("the embedded NATS server could not write and was started anew")
		s.cfg.OnEvent(EventStore)
	}
}
