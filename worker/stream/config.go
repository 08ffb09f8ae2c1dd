package stream

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// NoToken as Config.TokenFile lets everybody connect to the embedded server; it is allowed on a loopback address only.
const NoToken = "off"

// maxAckWait bounds how long an event that was in flight at a crash stays unseen: 40 s after the restart it must be
// handled (contract, NATS).
const maxAckWait = 30 * time.Second

// Config says which NATS server the worker uses and what it may do there. The zero value with a StoreDir is an embedded
// server on a port of the system's choice.
type Config struct {
	// URL of the clinic's NATS server or servers, separated by commas; empty starts the embedded one. It holds no
	// secrets: those come from the files below.
	URL string
	// CredsFile, NKeyFile and TokenFile prove who we are; at most one is set. For the embedded server TokenFile is the
	// token that it asks for, made at the first start if there is none: empty is <StoreDir>/token, NoToken is none.
	CredsFile, NKeyFile, TokenFile string
	// CAFile holds certificate authorities in PEM, added to the system's; CertFile and KeyFile are our own certificate.
	// For the embedded server CertFile and KeyFile are the listener's, and a CAFile asks publishers for a certificate
	// signed by one of its authorities.
	CAFile, CertFile, KeyFile string
	// InboxPrefix replaces _INBOX as the first tokens of reply subjects, so that an account can be kept from reading
	// the replies to others.
	InboxPrefix string

	// Manage permits to create and repair streams, consumers and buckets. Nil is true for the embedded server and
	// false for any other.
	Manage *bool

	// StoreDir is where the embedded server keeps its streams, its lock and its token. Events name patients: a
	// directory made here has mode 0700.
	StoreDir string
	// StoreKeyFile holds the key that the embedded server's store is encrypted with; empty: it is not.
	StoreKeyFile string
	// Listen is the address that the embedded server takes publishers on: host:port, port 0 or -1 for a free one.
	// Empty is 127.0.0.1:4222. Beyond loopback a token and a certificate are compulsory.
	Listen string

	// AckWait is how long the server waits for an acknowledgement, or a sign of progress, before it delivers an event
	// again: above 0 and at most 30 s, which is also the default.
	AckWait time.Duration
	// MaxAckPending bounds the events delivered and not acknowledged over all replicas, those handed back for later
	// included; 0 is 8192. What one replica holds is bounded by its pull requests, so that this can be generous: too
	// small, events that wait for their next attempt would hold up the queue.
	MaxAckPending int
	// MaxBytes is the size of the stream CLINIC, above which it refuses events; 0 is 1 GiB.
	MaxBytes int64
	// Replicas of the streams and buckets in a NATS cluster, 1 to 5; 0 is 1 at creation, and afterwards what stands.
	Replicas int

	// Log takes what an operator should know; nil is silence.
	Log *slog.Logger
	// OnEvent, if set, is told each kind of event as it happens: one of EventKinds. It must not block.
	OnEvent func(kind string)
}

// embedded reports whether the NATS server is part of this process.
func (c *Config) embedded() bool { return c.URL == "" }

// manage reports whether streams, consumers and buckets are ours to create and repair.
func (c *Config) manage() bool {
	if c.Manage != nil {
		return *c.Manage
	}
	return c.embedded()
}

// complete checks c and fills in the defaults. Errors start with the key of the configuration file that is at fault.
func (c Config) complete() (Config, error) {
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.OnEvent == nil {
		c.OnEvent = func(string) {}
	}
	if c.AckWait == 0 {
		c.AckWait = maxAckWait
	}
	if c.AckWait < 0 || c.AckWait > maxAckWait {
		return c, fmt.Errorf("nats.ack_wait: %s is not above 0 and at most %s", c.AckWait, maxAckWait)
	}
	if c.MaxAckPending == 0 {
		c.MaxAckPending = 8192
	}
	if c.MaxAckPending < 0 {
		return c, fmt.Errorf("nats.max_ack_pending: %d is negative", c.MaxAckPending)
	}
	if c.MaxBytes == 0 {
		c.MaxBytes = 1 << 30
	}
	if c.MaxBytes < 0 {
		return c, fmt.Errorf("nats.max_bytes: %d is negative", c.MaxBytes)
	}
	if c.Replicas < 0 || c.Replicas > 5 {
		return c, fmt.Errorf("nats.replicas: %d is not within 0 to 5", c.Replicas)
	}
	if (c.CertFile == "") != (c.KeyFile == "") {
		return c, errors.New("nats.tls: cert_file and key_file belong together, one is missing")
	}
	if c.embedded() {
		return c.completeEmbedded()
	}
	return c.completeExternal()
}

func (c Config) completeExternal() (Config, error) {
	for _, one := range strings.Split(c.URL, ",") {
		u, err := url.Parse(strings.TrimSpace(one))
		if err != nil || u.Host == "" {
			return c, errors.New("nats.url: not a URL of the form nats://host:port")
		}
		if u.User != nil {
			return c, errors.New("nats.url: holds a secret; use nats.token_file, nats.creds_file or nats.nkey_file")
		}
		switch u.Scheme {
		case "nats", "tls", "ws", "wss":
		default:
			return c, fmt.Errorf("nats.url: scheme %q is not nats, tls, ws or wss", u.Scheme)
		}
	}
	if c.TokenFile == NoToken {
		c.TokenFile = ""
	}
	proofs := 0
	for _, f := range []struct{ key, name string }{
		{"nats.creds_file", c.CredsFile},
		{"nats.nkey_file", c.NKeyFile},
		{"nats.token_file", c.TokenFile},
	} {
		if f.name == "" {
			continue
		}
		proofs++
		if _, err := os.ReadFile(f.name); err != nil {
			return c, fmt.Errorf("%s: %w", f.key, err)
		}
	}
	if proofs > 1 {
		return c, errors.New("nats: more than one of creds_file, nkey_file and token_file is set")
	}
	return c, nil
}

func (c Config) completeEmbedded() (Config, error) {
	if c.StoreDir == "" {
		return c, errors.New("nats.store_dir: the embedded server needs a directory")
	}
	if c.CredsFile != "" || c.NKeyFile != "" {
		return c, errors.New("nats.creds_file, nats.nkey_file: the embedded server (nats.url is empty) knows a token only")
	}
	if c.Replicas > 1 {
		return c, errors.New("nats.replicas: the embedded server (nats.url is empty) keeps one")
	}
	if c.Listen == "" {
		c.Listen = "127.0.0.1:4222"
	}
	host, _, err := c.listen()
	if err != nil {
		return c, err
	}
	if c.TokenFile == "" {
		c.TokenFile = filepath.Join(c.StoreDir, "token")
	}
	if !loopback(host) {
		if c.TokenFile == NoToken {
			return c, errors.New("nats.token_file: off is allowed on a loopback address only")
		}
		if c.CertFile == "" {
			return c, errors.New("nats.listen: beyond loopback nats.tls.cert_file and key_file are needed")
		}
	}
	return c, nil
}

// listen splits c.Listen; the port is -1 where the system may choose one.
func (c *Config) listen() (host string, port int, err error) {
	host, p, err := net.SplitHostPort(c.Listen)
	if err != nil {
		return "", 0, errors.New("nats.listen: not of the form host:port")
	}
	port, err = strconv.Atoi(p)
	if err != nil || port < -1 || port > 65535 {
		return "", 0, fmt.Errorf("nats.listen: port %q is not a number up to 65535", p)
	}
	if port == 0 {
		port = -1
	}
	return host, port, nil
}

// loopback reports whether host can be reached from this machine only. A name other than localhost is not trusted.
func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}
