package mllp

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"pgregory.net/rapid"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// door is a listener on loopback that answers each message with itself.
type door struct {
	addr string
	mu   sync.Mutex
	seen map[string]int
}

func open(t testing.TB, o Options) *door {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	d := &door{addr: l.Addr().String(), seen: map[string]int{}}
	if o.Answer == nil {
		o.Answer = func(_ context.Context, m []byte) []byte { return append([]byte("re:"), m...) }
	}
	o.Observe = func(s string) { d.mu.Lock(); d.seen[s]++; d.mu.Unlock() }
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error)
	go func() { ended <- Serve(ctx, l, o) }()
	t.Cleanup(func() { cancel(); require.NoError(t, <-ended) })
	return d
}

func (d *door) count(outcome string) int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.seen[outcome]
}

func (d *door) dial(t testing.TB) net.Conn {
	c, err := net.Dial("tcp", d.addr)
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Close() })
	require.NoError(t, c.SetDeadline(time.Now().Add(20*time.Second)))
	return c
}

func frame(m string) string { return "\x0b" + m + "\x1c\r" }

// replies reads n frames.
func replies(t testing.TB, c net.Conn, n int) (out []string) {
	r := bufio.NewReader(c)
	for range n {
		s, err := r.ReadString(cr)
		for err == nil && !strings.HasSuffix(s, "\x1c\r") {
			var more string
			more, err = r.ReadString(cr)
			s += more
		}
		require.NoError(t, err)
		out = append(out, strings.Trim(s, "\x0b\x1c\r"))
	}
	return out
}

func TestFramings(t *testing.T) {
	d := open(t, Options{})
	for name, c := range map[string]struct {
		in   string
		want []string
	}{
		"one":                  {frame("a\rb"), []string{"re:a\rb"}},
		"two in one go":        {frame("a") + frame("b"), []string{"re:a", "re:b"}},
		"garbage around":       {"xx" + frame("a") + "\n\nyy" + frame("b"), []string{"re:a", "re:b"}},
		"no return at the end": {"\x0ba\x1c", []string{"re:a"}},
		"begun anew":           {"\x0bhalf\x0bwhole\x1c\r", []string{"re:whole"}},
		"larger than a buffer": {frame(strings.Repeat("x", 10_000)), []string{"re:" + strings.Repeat("x", 10_000)}},
		"empty":                {frame(""), []string{"re:"}},
	} {
		t.Run(name, func(t *testing.T) {
			conn := d.dial(t)
			_, err := io.WriteString(conn, c.in)
			require.NoError(t, err)
			require.Equal(t, c.want, replies(t, conn, len(c.want)))
		})
	}
	require.NotZero(t, d.count(Garbage))
}

// However a sender's bytes are cut, its messages arrive whole and in order.
func TestSplitFrames(t *testing.T) {
	d := open(t, Options{})
	rapid.Check(t, func(rt *rapid.T) {
		messages := rapid.SliceOfN(rapid.StringMatching(`[a-z\r|]{0,40}[a-z]`), 1, 5).Draw(rt, "messages")
		var stream string
		var want []string
		for _, m := range messages {
			stream += frame(m)
			want = append(want, "re:"+m)
		}
		conn := d.dial(t)
		for len(stream) > 0 {
			n := rapid.IntRange(1, len(stream)).Draw(rt, "cut")
			_, err := io.WriteString(conn, stream[:n])
			require.NoError(t, err)
			stream = stream[n:]
		}
		require.Equal(t, want, replies(t, conn, len(want)))
		require.NoError(t, conn.Close())
	})
}

func TestTooLargeIsAnsweredAndTheConnectionEnds(t *testing.T) {
	d := open(t, Options{Limit: 5000, TooLarge: func(b []byte) []byte { return []byte(fmt.Sprint("too large: ", string(b[:3]))) }})
	conn := d.dial(t)
	_, err := io.WriteString(conn, "\x0bMSH"+strings.Repeat("x", 9000))
	require.NoError(t, err)
	require.Equal(t, []string{"too large: MSH"}, replies(t, conn, 1))
	_, err = conn.Read(make([]byte, 1))
	require.Error(t, err)
	require.Equal(t, 1, d.count(TooLarge))
	require.Equal(t, "re:"+strings.Repeat("y", 5000), func() string {
		c := d.dial(t)
		_, err := io.WriteString(c, frame(strings.Repeat("y", 5000)))
		require.NoError(t, err)
		return replies(t, c, 1)[0]
	}(), "just the limit")
}

func TestWhoIsNotLetIn(t *testing.T) {
	d := open(t, Options{Peers: []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8")}})
	_, err := d.dial(t).Read(make([]byte, 1))
	require.Error(t, err)
	require.Equal(t, 1, d.count(Refused))

	d = open(t, Options{Peers: []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")}, Connections: 1})
	first := d.dial(t)
	_, err = io.WriteString(first, frame("a"))
	require.NoError(t, err)
	require.Equal(t, []string{"re:a"}, replies(t, first, 1))
	_, err = d.dial(t).Read(make([]byte, 1))
	require.Error(t, err)
	require.Equal(t, 1, d.count(Full))
}

func TestSlowSenderIsCutAndAnIdleOneIsNot(t *testing.T) {
	d := open(t, Options{Frame: 50 * time.Millisecond})
	slow := d.dial(t)
	idle := d.dial(t)
	_, err := io.WriteString(slow, "\x0bhalf")
	require.NoError(t, err)
	_, err = slow.Read(make([]byte, 1))
	require.ErrorIs(t, err, io.EOF)
	require.Equal(t, 1, d.count(TooSlow))
	_, err = io.WriteString(idle, frame("a"))
	require.NoError(t, err)
	require.Equal(t, []string{"re:a"}, replies(t, idle, 1))
}

func TestAPanicEndsOneConnectionOnly(t *testing.T) {
	d := open(t, Options{Answer: func(_ context.Context, m []byte) []byte {
		if string(m) == "boom" {
			panic("boom")
		}
		return m
	}})
	bad, good := d.dial(t), d.dial(t)
	_, err := io.WriteString(bad, frame("boom"))
	require.NoError(t, err)
	_, err = bad.Read(make([]byte, 1))
	require.Error(t, err)
	_, err = io.WriteString(good, frame("a"))
	require.NoError(t, err)
	require.Equal(t, []string{"a"}, replies(t, good, 1))
}

// A thousand senders that are connected and say nothing hold nobody up; the end of the listener ends them all (goleak).
func TestAThousandIdleConnections(t *testing.T) {
	d := open(t, Options{})
	for range 1000 {
		d.dial(t)
	}
	conn := d.dial(t)
	_, err := io.WriteString(conn, frame("a"))
	require.NoError(t, err)
	require.Equal(t, []string{"re:a"}, replies(t, conn, 1))
}

func FuzzFrames(f *testing.F) {
	f.Add([]byte("xx\x0ba\rb\x1c\r\x0b\x0bc\x1c"))
	f.Fuzz(func(t *testing.T, in []byte) {
		const limit = 1000
		o := Options{Observe: func(string) {}}
		r := bufio.NewReaderSize(bytes.NewReader(in), 16)
		for o.untilFrame(r) == nil {
			m, err := readFrame(r, limit)
			if err != nil {
				return
			}
			if len(m) > limit || bytes.IndexByte(m, begin) >= 0 || bytes.IndexByte(m, end) >= 0 {
				t.Fatalf("a frame of %d bytes that holds a frame", len(m))
			}
		}
	})
}
