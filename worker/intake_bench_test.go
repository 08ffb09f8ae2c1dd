package worker

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/stream"
)

// BenchmarkMLLP is an HL7 v2 message from its sender to the acknowledgement, which says that the stream has it: each sender waits for its
// answer before it sends again. of-raw is its ratio to publishing the same messages to the same stream, in the same run.
func BenchmarkMLLP(b *testing.B) {
	s, err := stream.Open(b.Context(), stream.Config{StoreDir: b.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(b, err)
	defer func() { require.NoError(b, s.Close(context.Background())) }()
	cat := testCatalogue(b)
	cfg := DefaultConfig()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(b, err)
	cfg.MLLPAddr = listener.Addr().String()
	require.NoError(b, listener.Close())
	w := New(Parts{Config: cfg, Catalogue: cat, Stream: s, Metrics: NewMetrics(prometheus.NewRegistry(), "bench", cat.Version, Shadow, cat)})
	stop, err := w.serveV2(b.Context())
	require.NoError(b, err)
	defer stop()
	message := func(i int) string { return fmt.Sprintf(siu, "S12", strconv.Itoa(i)) }
	sent := 0 // every message once, or the stream takes it for a duplicate
	for _, senders := range []int{1, 64} {
		b.Run("senders="+strconv.Itoa(senders), func(b *testing.B) {
			connections := make(chan net.Conn, senders)
			for range senders {
				c, err := net.Dial("tcp", cfg.MLLPAddr)
				require.NoError(b, err)
				defer c.Close() //nolint:errcheck // nothing is left to send
				require.NoError(b, c.SetDeadline(time.Now().Add(5*time.Minute)))
				connections <- c
			}
			publish := func(i int) {
				if _, err := s.Publish(b.Context(), v2Subject, []byte(message(i)), strconv.Itoa(i)); err != nil {
					b.Error(err)
				}
			}
			send := func(i int) {
				c := <-connections
				defer func() { connections <- c }()
				if _, err := c.Write([]byte("\x0b" + message(i) + "\x1c\r")); err != nil {
					b.Error(err)
					return
				}
				reply, err := bufio.NewReader(c).ReadString(0x1c)
				if err != nil || !strings.Contains(reply, "MSA|AA|"+strconv.Itoa(i)+"\r") {
					b.Errorf("%q, %v", reply, err)
				}
			}
			// In turns, so that what else the machine does strikes both.
			const turns = 8
			n := max(b.N/turns, senders)
			var raw, ours float64 // seconds
			for range turns {
				for took, job := range map[*float64]func(int){&raw: publish, &ours: send} {
					first := sent
					sent += n
					*took += float64(n) / rate(senders, n, func(i int) { job(first + i) })
				}
			}
			b.ReportMetric(float64(turns*n)/ours, "messages/s")
			b.ReportMetric(raw/ours, "of-raw")
		})
	}
}
