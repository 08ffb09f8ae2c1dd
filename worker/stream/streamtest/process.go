// Package streamtest runs a NATS server as a process of its own for tests: one that can be killed at any instruction,
// and started again on what it left on the disk.
package streamtest

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"
)

const token = "token-for-tests-only"

// Process is a NATS server with JetStream, its store written through at every message. It asks for a token.
type Process struct {
	t         testing.TB
	storeDir  string
	tokenFile string
	port      int
	cluster   string    // settings of a node of a Cluster
	cmd       *exec.Cmd // nil while it is down
}

// StartProcess starts a server with its store in storeDir, and waits until JetStream answers. It ends with the test.
func StartProcess(t testing.TB, storeDir string) *Process {
	t.Helper()
	p := newProcess(t, storeDir)
	p.Restart()
	return p
}

func newProcess(t testing.TB, storeDir string) *Process {
	t.Helper()
	p := &Process{t: t, storeDir: storeDir, tokenFile: filepath.Join(t.TempDir(), "token"), port: FreePort(t)}
	require.NoError(t, os.WriteFile(p.tokenFile, []byte(token+"\n"), 0o600))
	t.Cleanup(p.Kill)
	return p
}

// URL is where the server listens, the same after a restart.
func (p *Process) URL() string { return fmt.Sprintf("nats://127.0.0.1:%d", p.port) }

// TokenFile names the file with the token that the server asks for.
func (p *Process) TokenFile() string { return p.tokenFile }

// Connect connects a client of the test's own, closed with the test.
func (p *Process) Connect() *nats.Conn {
	p.t.Helper()
	conn, err := nats.Connect(p.URL(), nats.Token(token))
	require.NoError(p.t, err)
	p.t.Cleanup(conn.Close)
	return conn
}

// Kill ends the server as a power cut would (SIGKILL) and waits until it is gone. It may be called when it is down.
func (p *Process) Kill() { p.end(syscall.SIGKILL) }

// Stop ends the server in good order (SIGTERM) and waits until it is gone.
func (p *Process) Stop() { p.end(syscall.SIGTERM) }

// Pause holds the server as a network does that swallows everything (SIGSTOP); Resume lets it go on.
func (p *Process) Pause() { _ = p.cmd.Process.Signal(syscall.SIGSTOP) }

// Resume ends a Pause.
func (p *Process) Resume() { _ = p.cmd.Process.Signal(syscall.SIGCONT) }

// LoseDisk empties the store directory of a server that is down.
func (p *Process) LoseDisk() {
	p.t.Helper()
	require.Nil(p.t, p.cmd, "the server is running")
	require.NoError(p.t, os.RemoveAll(filepath.Join(p.storeDir, server.JetStreamStoreDir)))
}

// Restart starts the server, that is down, on the same port and store, and waits until JetStream answers.
func (p *Process) Restart() {
	p.t.Helper()
	p.start()
	p.await()
}

func (p *Process) start() {
	p.t.Helper()
	require.Nil(p.t, p.cmd, "the server is running")
	config := filepath.Join(p.t.TempDir(), "nats.conf")
	require.NoError(p.t, os.WriteFile(config, fmt.Appendf(nil, `
listen: "127.0.0.1:%d"
authorization { token: %q }
jetstream { store_dir: %q, sync_interval: always, max_mem: 64MB, max_file: 4GB }
%s
`, p.port, token, p.storeDir, p.cluster), 0o600))
	p.cmd = exec.Command(binary(p.t), "-c", config)
	require.NoError(p.t, p.cmd.Start())
}

func (p *Process) await() {
	p.t.Helper()
	require.Eventually(p.t, p.answers, 20*time.Second, 20*time.Millisecond, "the NATS server does not come up")
}

func (p *Process) answers() bool {
	conn, err := nats.Connect(p.URL(), nats.Token(token), nats.Timeout(time.Second))
	if err != nil {
		return false
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		return false
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	_, err = js.AccountInfo(ctx)
	return err == nil
}

func (p *Process) end(sig syscall.Signal) {
	if p.cmd == nil {
		return
	}
	_ = p.cmd.Process.Signal(sig)
	_ = p.cmd.Wait()
	p.cmd = nil
}

// FreePort is a port that nobody listens on now, outside the range from which systems take ports for connections: a server that comes
// back to it after a while finds it free.
func FreePort(t testing.TB) int {
	t.Helper()
	for range 1000 {
		port := 20000 + rand.IntN(12000)
		if l, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(port))); err == nil {
			_ = l.Close()
			return port
		}
	}
	t.Fatal("no free port")
	return 0
}

// build links the server out of the module's own dependency, once per version, into the user's cache.
var build = sync.OnceValues(func() (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		cache = os.TempDir()
	}
	dir := filepath.Join(cache, "pupilrisk-test")
	name := filepath.Join(dir, "nats-server-"+server.VERSION)
	if _, err := os.Stat(name); err == nil {
		return name, nil
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", err
	}
	// Tests of several packages may build at once: each its own file, and the name appears with all of it.
	own := name + "." + strconv.Itoa(os.Getpid())
	out, err := exec.Command("go", "build", "-o", own, "github.com/nats-io/nats-server/v2").CombinedOutput()
	if err != nil {
		return "", errors.Join(err, errors.New(string(out)))
	}
	return name, os.Rename(own, name)
})

func binary(t testing.TB) string {
	t.Helper()
	name, err := build()
	require.NoError(t, err, "build the NATS server")
	return name
}
