package fhirhttp

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
)

// Bearer gives the token that a request carries. Any number of goroutines call it at once.
type Bearer interface {
	// Token is the current one; "" sends none.
	Token(ctx context.Context) (string, error)
	// Renew is called with a token that the server refused and returns the one to try next, the same if there is none.
	Renew(ctx context.Context, refused string) (string, error)
}

// noToken is a server that asks for none.
type noToken struct{}

func (noToken) Token(context.Context) (string, error)         { return "", nil }
func (noToken) Renew(context.Context, string) (string, error) { return "", nil }

// largestToken is far above any bearer token, to keep a wrong file out of a header.
const largestToken = 64 << 10

// tokenFile is a static bearer token in a file that somebody else may renew.
type tokenFile struct {
	path string
	log  *slog.Logger

	mu   sync.Mutex
	seen os.FileInfo
	held string
}

// openTokenFile reads the token for the first time.
func openTokenFile(path string, log *slog.Logger) (*tokenFile, error) {
	t := &tokenFile{path: path, log: log}
	if err := t.read(); err != nil {
		return nil, fmt.Errorf("fhir.token_file: %w", err)
	}
	return t, nil
}

// Token looks at the file's time, size and identity, and reads it again when one of them changed. A file that is unreadable
// for a moment, as while it is replaced, leaves the token that was read last.
func (t *tokenFile) Token(context.Context) (string, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now, err := os.Stat(t.path)
	if err != nil || (os.SameFile(now, t.seen) && now.ModTime().Equal(t.seen.ModTime()) && now.Size() == t.seen.Size()) {
		return t.held, nil
	}
	if err := t.read(); err != nil {
		t.log.Warn("fhir token file not readable, the last token is used", "reason", err.Error())
	}
	return t.held, nil
}

// Renew reads the file again, whatever its time.
func (t *tokenFile) Renew(context.Context, string) (string, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := t.read(); err != nil {
		t.log.Warn("fhir token file not readable, the last token is used", "reason", err.Error())
	}
	return t.held, nil
}

func (t *tokenFile) read() error {
	info, err := os.Stat(t.path)
	if err != nil {
		return err
	}
	if info.Size() > largestToken {
		return fmt.Errorf("larger than %d bytes", largestToken)
	}
	b, err := os.ReadFile(t.path)
	if err != nil {
		return err
	}
	b = bytes.TrimSpace(b)
	if len(b) == 0 {
		return errors.New("empty")
	}
	if bytes.ContainsFunc(b, func(r rune) bool { return r <= ' ' || r >= 0x7f }) {
		return errors.New("holds a character that a token cannot")
	}
	t.seen, t.held = info, string(b)
	return nil
}
