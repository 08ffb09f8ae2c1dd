package stream

import (
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Kinds of events told to Config.OnEvent.
const (
	EventConnect      = "connect"       // first connection made
	EventReconnect    = "reconnect"     // connection made again
	EventDisconnect   = "disconnect"    // connection lost
	EventRefused      = "refused"       // an attempt to connect failed
	EventSlowConsumer = "slow-consumer" // the client dropped messages because we read too slowly
	EventPermission   = "permission"    // the server forbade a subject: the account lacks a permission
	EventCreated      = "created"       // a stream or consumer was made: events may have been lost with its predecessor
	EventRepaired     = "repaired"      // the settings of a stream or consumer were put right
	EventStore        = "store"         // the embedded server could not write its store, and was started anew
	EventOther        = "other"         // any other trouble that the client reports
)

// EventKinds lists every kind that Config.OnEvent may be told.
func EventKinds() []string {
	return []string{
		EventConnect, EventReconnect, EventDisconnect, EventRefused, EventSlowConsumer, EventPermission, EventCreated,
		EventRepaired, EventStore, EventOther,
	}
}

// Dead connections are noticed after three pings without an answer.
const pingEvery = 10 * time.Second

// connect opens the one connection of this process. It returns at once when the server cannot be reached, and goes on
// trying for ever: a clinic's server that is down, or refuses us until an administrator has been there, is a state and
// not the end of the worker.
func (s *Stream) connect() error {
	opts := []nats.Option{
		nats.Name("pupilrisk"),
		nats.MaxReconnects(-1),
		nats.RetryOnFailedConnect(true),
		nats.IgnoreAuthErrorAbort(),
		nats.ReconnectWait(500 * time.Millisecond),
		nats.ReconnectJitter(500*time.Millisecond, time.Second),
		nats.Timeout(3 * time.Second),
		nats.PingInterval(pingEvery),
		nats.MaxPingsOutstanding(2),
		nats.DrainTimeout(drainTimeout),
		nats.ConnectHandler(func(*nats.Conn) { s.connected() }),
		nats.ReconnectHandler(func(*nats.Conn) { s.connected() }),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) { s.disconnected(err) }),
		nats.ReconnectErrHandler(func(_ *nats.Conn, err error) { s.refused(err) }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { s.troubled(err) }),
		nats.ClosedHandler(func(*nats.Conn) { close(s.connClosed) }),
	}
	if s.cfg.InboxPrefix != "" {
		opts = append(opts, nats.CustomInboxPrefix(s.cfg.InboxPrefix))
	}
	url := s.cfg.URL
	if s.server != nil {
		url = "nats://in-process" // a pipe: no encryption there, whatever publishers need
		opts = append(opts, nats.InProcessServer(s.server))
		if s.server.token != "" {
			opts = append(opts, nats.Token(s.server.token))
		}
	} else {
		proof, err := s.proof()
		if err != nil {
			return err
		}
		opts = append(opts, proof...)
	}
	var err error
	if s.conn, err = nats.Connect(url, opts...); err != nil {
		return fmt.Errorf("nats.url: %w", err)
	}
	s.js, err = jetstream.New(s.conn, jetstream.WithDefaultTimeout(requestTimeout))
	return err
}

// proof is how we prove who we are to a clinic's server, and it to us. Files are read again at each connection, so that
// they can be renewed in place.
func (s *Stream) proof() ([]nats.Option, error) {
	cfg := &s.cfg
	var opts []nats.Option
	switch {
	case cfg.CredsFile != "":
		opts = append(opts, nats.UserCredentials(cfg.CredsFile))
	case cfg.NKeyFile != "":
		nkey, err := nats.NkeyOptionFromSeed(cfg.NKeyFile)
		if err != nil {
			return nil, fmt.Errorf("nats.nkey_file: %w", err)
		}
		opts = append(opts, nkey)
	case cfg.TokenFile != "":
		if _, err := readToken(cfg.TokenFile); err != nil {
			return nil, fmt.Errorf("nats.token_file: %w", err)
		}
		opts = append(opts, nats.TokenHandler(func() string {
			token, err := readToken(cfg.TokenFile)
			if err != nil {
				cfg.Log.Error("nats.token_file cannot be read", "error", err)
			}
			return token
		}))
	}
	if cfg.CertFile != "" {
		opts = append(opts, nats.ClientCert(cfg.CertFile, cfg.KeyFile))
	}
	if cfg.CAFile != "" {
		authorities := func() (*x509.CertPool, error) {
			pool, err := x509.SystemCertPool()
			if err != nil {
				pool = x509.NewCertPool()
			}
			return pool, addCertificates(pool, cfg.CAFile)
		}
		if _, err := authorities(); err != nil {
			return nil, err
		}
		opts = append(opts, nats.Secure(), func(o *nats.Options) error {
			o.RootCAsCB = authorities
			return nil
		})
	}
	return opts, nil
}

func addCertificates(pool *x509.CertPool, file string) error {
	pem, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("nats.tls.ca_file: %w", err)
	}
	if !pool.AppendCertsFromPEM(pem) {
		return errors.New("nats.tls.ca_file: no certificate in PEM in it")
	}
	return nil
}

func (s *Stream) connected() {
	kind := EventConnect
	s.mu.Lock()
	if s.everConnected {
		kind = EventReconnect
	}
	s.everConnected = true
	s.refusal = ""
	s.mu.Unlock()
	s.cfg.Log.Info("NATS connected", "first", kind == EventConnect)
	s.cfg.OnEvent(kind)
	s.look()
}

func (s *Stream) disconnected(err error) {
	if s.closing() {
		return
	}
	// What stood before says nothing about what stands after: the server may come back with an empty disk.
	s.mu.Lock()
	s.faults = []string{"NATS was connected anew and is not looked at yet"}
	s.mu.Unlock()
	s.cfg.Log.Warn("NATS connection lost", "error", errorText(err))
	s.cfg.OnEvent(EventDisconnect)
}

// refused is called for each failed attempt, and logged when the reason changes.
func (s *Stream) refused(err error) {
	if s.closing() {
		return
	}
	text := errorText(err)
	s.mu.Lock()
	changed := text != s.refusal
	s.refusal = text
	s.mu.Unlock()
	if changed {
		s.cfg.Log.Warn("NATS cannot be reached, trying on", "error", text)
	}
	s.cfg.OnEvent(EventRefused)
}

// troubled is called for what the client notices beside any call of ours.
func (s *Stream) troubled(err error) {
	kind := EventOther
	switch {
	case errors.Is(err, nats.ErrSlowConsumer):
		kind = EventSlowConsumer
	case errors.Is(err, nats.ErrPermissionViolation):
		kind = EventPermission
	}
	s.cfg.Log.Warn("NATS reports trouble", "kind", kind, "error", errorText(err))
	s.cfg.OnEvent(kind)
}

// errorText is an error of the NATS client without identifiers, on one line.
func errorText(err error) string {
	if err == nil {
		return "closed by the server"
	}
	return strings.Join(strings.Fields(withoutIdentifiers(err.Error())), " ")
}
