package streamtest

import (
	"context"
	"fmt"
	"io"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"
)

// Cluster is three servers in one cluster. All that they say to each other goes through links of the test's own, so that
// one can be cut off from the others; its clients stay connected to it, as they would.
type Cluster struct {
	t     testing.TB
	nodes [3]*Process
	cut   [3]sync.RWMutex // locked while that node is cut off
}

// StartCluster starts the servers with their stores below storeDir, and waits until JetStream answers. They end with the
// test.
func StartCluster(t testing.TB, storeDir string) *Cluster {
	t.Helper()
	c := &Cluster{t: t}
	var takesRoutes, routes [3]string
	for i := range takesRoutes {
		takesRoutes[i] = fmt.Sprintf("127.0.0.1:%d", FreePort(t))
	}
	for i := range routes {
		for j := range routes {
			if i != j {
				routes[i] += fmt.Sprintf("%q, ", "nats://"+c.link(i, j, takesRoutes[j]))
			}
		}
	}
	for i := range c.nodes {
		c.nodes[i] = newProcess(t, filepath.Join(storeDir, nodeName(i)))
		// Nodes tell each other of addresses, too: nobody listens at the one told here, so that no link is gone around.
		c.nodes[i].cluster = fmt.Sprintf("server_name: %s\ncluster { name: test, listen: %q, advertise: \"127.0.0.1:1\", routes: [%s] }",
			nodeName(i), takesRoutes[i], routes[i])
		c.nodes[i].start()
	}
	for _, node := range c.nodes {
		node.await()
	}
	return c
}

func nodeName(i int) string { return fmt.Sprintf("n%d", i) }

// URL names all servers.
func (c *Cluster) URL() string {
	var all []string
	for _, node := range c.nodes {
		all = append(all, node.URL())
	}
	return strings.Join(all, ",")
}

// TokenFile names the file with the token that the servers ask for.
func (c *Cluster) TokenFile() string { return c.nodes[0].TokenFile() }

// Connect connects a client of the test's own to whichever server answers, closed with the test.
func (c *Cluster) Connect() *nats.Conn {
	c.t.Helper()
	conn, err := nats.Connect(c.URL(), nats.Token(token), nats.MaxReconnects(-1), nats.ReconnectWait(100*time.Millisecond))
	require.NoError(c.t, err)
	c.t.Cleanup(conn.Close)
	return conn
}

// Leader waits until stream has a leader and two followers that hold all it holds, and returns the leader.
func (c *Cluster) Leader(stream string) (leader *Process) {
	c.t.Helper()
	conn := c.Connect()
	defer conn.Close()
	js, err := jetstream.New(conn)
	require.NoError(c.t, err)
	require.Eventually(c.t, func() bool {
		ctx, cancel := context.WithTimeout(c.t.Context(), 2*time.Second)
		defer cancel()
		stands, err := js.Stream(ctx, stream)
		if err != nil {
			return false
		}
		state := stands.CachedInfo().Cluster
		for i, node := range c.nodes {
			if state.Leader == nodeName(i) {
				leader = node
			}
		}
		current := 0
		for _, follower := range state.Replicas {
			if follower.Current && !follower.Offline {
				current++
			}
		}
		return leader != nil && current == 2
	}, 60*time.Second, 50*time.Millisecond, "stream %s has no leader with two followers", stream)
	return leader
}

// CutOff lets nothing through between one server and the others until join, or the test's end: what was under way then
// arrives late.
func (c *Cluster) CutOff(node *Process) (join func()) {
	cut := &c.cut[slices.Index(c.nodes[:], node)]
	cut.Lock()
	join = sync.OnceFunc(cut.Unlock)
	c.t.Cleanup(join)
	return join
}

// link carries what node from says to node to, which takes its routes at address, and back. It ends with the test.
func (c *Cluster) link(from, to int, address string) (listens string) {
	c.t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(c.t, err)
	var carrying sync.WaitGroup
	carrying.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", address)
			if err != nil { // the node is down
				near.Close()
				continue
			}
			for _, way := range [][2]net.Conn{{near, far}, {far, near}} {
				carrying.Go(func() {
					defer near.Close()
					defer far.Close()
					_, _ = io.Copy(held{way[1], &c.cut[from], &c.cut[to]}, way[0])
				})
			}
		}
	})
	// The servers, started after, are gone by then, and so are their ends of the connections.
	c.t.Cleanup(func() { l.Close(); carrying.Wait() })
	return l.Addr().String()
}

// held writes when neither end is cut off.
type held struct {
	net.Conn
	from, to *sync.RWMutex
}

func (h held) Write(b []byte) (int, error) {
	for _, end := range []*sync.RWMutex{h.from, h.to} {
		end.RLock()
		defer end.RUnlock()
	}
	return h.Conn.Write(b)
}
