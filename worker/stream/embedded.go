package stream

import (
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// ErrStoreInUse is returned by Open when another process, or another Stream of this one, holds the store directory.
var ErrStoreInUse = errors.New("nats.store_dir: another process is using this directory")

var errLocked = errors.New("locked")

// embeddedMaxStore bounds what JetStream may promise to its streams and buckets. A bound derived from the free disk, the
// server's default, would refuse to create them on a small one; a full disk is noticed when it comes.
const embeddedMaxStore = 16 << 30

// embedded is the NATS server inside this process. It can be started anew under a standing connection.
type embedded struct {
	opts   *server.Options
	log    *slog.Logger
	token  string // empty: nobody is asked for one
	unlock func() error
	// Known to the keeper only: since when the server is not in health, and when it was last started anew.
	ailing, healed time.Time

	mu  sync.Mutex
	srv *server.Server
}

// startEmbedded locks the store directory, makes the token at the first start, and starts the server.
func startEmbedded(cfg *Config) (*embedded, error) {
	if err := os.MkdirAll(cfg.StoreDir, 0o700); err != nil {
		return nil, fmt.Errorf("nats.store_dir: %w", err)
	}
	unlock, err := lockFile(filepath.Join(cfg.StoreDir, "lock"))
	if errors.Is(err, errLocked) {
		return nil, ErrStoreInUse
	}
	if err != nil {
		return nil, fmt.Errorf("nats.store_dir: %w", err)
	}
	e := &embedded{log: cfg.Log, unlock: unlock}
	if err := e.prepare(cfg); err != nil {
		return nil, errors.Join(err, unlock())
	}
	if err := e.start(); err != nil {
		return nil, errors.Join(err, unlock())
	}
	// A later start must come back on the port that publishers know.
	if addr, ok := e.srv.Addr().(*net.TCPAddr); ok {
		e.opts.Port = addr.Port
	}
	return e, nil
}

func (e *embedded) prepare(cfg *Config) error {
	// The directory may stand in a place with a wider mode; what the server writes below it names patients.
	jetstreamDir := filepath.Join(cfg.StoreDir, server.JetStreamStoreDir)
	if err := os.MkdirAll(jetstreamDir, 0o700); err != nil {
		return fmt.Errorf("nats.store_dir: %w", err)
	}
	if err := os.Chmod(jetstreamDir, 0o700); err != nil {
		return fmt.Errorf("nats.store_dir: %w", err)
	}
	if cfg.TokenFile != NoToken {
		token, err := ensureToken(cfg.TokenFile)
		if err != nil {
			return fmt.Errorf("nats.token_file: %w", err)
		}
		e.token = token
	}
	host, port, err := cfg.listen()
	if err != nil {
		return err
	}
	e.opts = &server.Options{
		ServerName:         "pupilrisk",
		Host:               host,
		Port:               port,
		Authorization:      e.token,
		NoSigs:             true,
		NoLog:              true,
		JetStream:          true,
		StoreDir:           cfg.StoreDir,
		JetStreamMaxMemory: 64 << 20,
		JetStreamMaxStore:  embeddedMaxStore,
		// Every acknowledged publish is on the disk; at a clinic's rate the price is not felt.
		SyncAlways: true,
	}
	if e.opts.JetStreamKey, err = storeKey(cfg.StoreDir, cfg.StoreKeyFile); err != nil {
		return err
	}
	e.opts.JetStreamCipher = server.ChaCha // of use only with a key
	if cfg.CertFile == "" {
		return nil
	}
	cert, err := tls.LoadX509KeyPair(cfg.CertFile, cfg.KeyFile)
	if err != nil {
		return fmt.Errorf("nats.tls: %w", err)
	}
	e.opts.TLS = true
	e.opts.TLSTimeout = 5
	e.opts.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{cert}}
	if cfg.CAFile != "" {
		pool := x509.NewCertPool()
		if err := addCertificates(pool, cfg.CAFile); err != nil {
			return err
		}
		e.opts.TLSVerify = true
		e.opts.TLSConfig.ClientCAs = pool
		e.opts.TLSConfig.ClientAuth = tls.RequireAndVerifyClientCert
	}
	return nil
}

// start runs the server and returns when it takes connections.
func (e *embedded) start() error {
	e.mu.Lock()
	defer e.mu.Unlock()
	srv, err := server.NewServer(e.opts.Clone())
	if err != nil {
		return fmt.Errorf("embedded NATS server: %w", err)
	}
	log := &serverLog{log: e.log}
	srv.SetLoggerV2(log, false, false, false)
	srv.Start()
	err = log.fatal()
	if err == nil && !srv.ReadyForConnections(5*time.Second) {
		err = errors.New("not ready within 5 s")
	}
	if err != nil {
		srv.Shutdown()
		srv.WaitForShutdown()
		return fmt.Errorf("embedded NATS server: %w", err)
	}
	e.srv = srv
	return nil
}

// InProcessConn gives the worker's own connection a pipe to the server that is running now.
func (e *embedded) InProcessConn() (net.Conn, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.srv == nil {
		return nil, errors.New("embedded NATS server is stopped")
	}
	return e.srv.InProcessConn()
}

// url is where publishers connect.
func (e *embedded) url() string {
	scheme := "nats"
	if e.opts.TLSConfig != nil {
		scheme = "tls"
	}
	host := e.opts.Host
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "localhost"
	}
	return scheme + "://" + net.JoinHostPort(host, strconv.Itoa(e.opts.Port))
}

const (
	// healAfter is how long the server has to ail before it is started anew: while a stream is being deleted it is not
	// in health either.
	healAfter = 2 * time.Second
	// healEvery bounds how often it is started anew, should that not help.
	healEvery = time.Minute
)

// health says what keeps the server's store from taking events. After one failed write, on a full disk for one, the
// server never writes to that stream again, whatever room there is later, and publishers wait for an answer in vain.
func (e *embedded) health() error {
	e.mu.Lock()
	srv := e.srv
	e.mu.Unlock()
	if srv == nil {
		return errors.New("embedded NATS server: stopped")
	}
	if h := srv.Healthz(nil); h.Status != "ok" {
		return fmt.Errorf("embedded NATS server: %s", withoutIdentifiers(h.Error))
	}
	return nil
}

// heal starts the server anew if it is not in health and its directory can be written. It reports whether it did.
func (e *embedded) heal() (bool, error) {
	switch {
	case e.health() == nil:
		e.ailing = time.Time{}
		return false, nil
	case e.ailing.IsZero():
		e.ailing = time.Now()
	}
	if time.Since(e.ailing) < healAfter || time.Since(e.healed) < healEvery {
		return false, nil
	}
	if err := tryWrite(e.opts.StoreDir); err != nil {
		return false, fmt.Errorf("nats.store_dir: %w", err)
	}
	e.healed = time.Now()
	e.stopServer()
	return true, e.start()
}

// roomToRestart is what must be free before the store is opened again, so that it does not fail on the next event.
const roomToRestart = 4 << 20

func tryWrite(dir string) error {
	f, err := os.CreateTemp(dir, "room-*")
	if err != nil {
		return err
	}
	_, err = f.Write(make([]byte, roomToRestart))
	return errors.Join(err, f.Sync(), f.Close(), os.Remove(f.Name()))
}

func (e *embedded) stopServer() {
	e.mu.Lock()
	srv := e.srv
	e.srv = nil
	e.mu.Unlock()
	if srv != nil {
		srv.Shutdown()
		srv.WaitForShutdown()
	}
}

// stop ends the server, waits until its files and its port are free, and gives the directory back.
func (e *embedded) stop() error {
	e.stopServer()
	return e.unlock()
}

// ensureToken reads the token at path, or makes one that only the owner can read.
func ensureToken(path string) (string, error) {
	token, err := readToken(path)
	if !errors.Is(err, fs.ErrNotExist) {
		return token, err
	}
	token = rand.Text()
	// The name appears with the whole content in it: a crash leaves no half token.
	f, err := os.CreateTemp(filepath.Dir(path), "token-*")
	if err != nil {
		return "", err
	}
	_, err = f.WriteString(token + "\n")
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return "", errors.Join(err, os.Remove(f.Name()))
	}
	return token, nil
}

// readToken reads a token from its file, without the white space around it.
func readToken(path string) (string, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return "", err
	}
	token := strings.TrimSpace(string(b))
	if token == "" {
		return "", errors.New("the file is empty")
	}
	return token, nil
}

// serverLog passes the embedded server's warnings and errors on, without identifiers.
type serverLog struct {
	log *slog.Logger

	mu   sync.Mutex
	last error
}

func (l *serverLog) fatal() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.last
}

// Warnf implements server.Logger.
func (l *serverLog) Warnf(format string, v ...any) {
	l.log.Warn("embedded NATS server", "warning", withoutIdentifiers(fmt.Sprintf(format, v...)))
}

// Errorf implements server.Logger.
func (l *serverLog) Errorf(format string, v ...any) {
	l.log.Error("embedded NATS server", "error", withoutIdentifiers(fmt.Sprintf(format, v...)))
}

// Fatalf implements server.Logger: the server expects the process to end here, and goes on when it does not.
func (l *serverLog) Fatalf(format string, v ...any) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.last = errors.New(withoutIdentifiers(fmt.Sprintf(format, v...)))
}

// Noticef implements server.Logger.
func (l *serverLog) Noticef(string, ...any) {}

// Debugf implements server.Logger.
func (l *serverLog) Debugf(string, ...any) {}

// Tracef implements server.Logger: a trace holds payloads.
func (l *serverLog) Tracef(string, ...any) {}
