package worker

import (
	"context"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream"
	"pupilrisk/worker/stream/streamtest"
)

// Two workers on a cluster of three, streams and buckets in three replicas. While bookings come, the server that leads the stream
// is killed, and later the one that leads then is cut off from the others: every booking is stored once and ends in its Flags.
func TestClusterLosesANode(t *testing.T) {
	if testing.Short() {
		t.Skip("waits for elections")
	}
	cluster := streamtest.StartCluster(t, t.TempDir())
	options := fhirstore.DefaultOptions()
	options.UpdateCreate = false // who writes is decided by a lease in a bucket of the cluster
	c := newClinic(t, options)
	c.on(cluster, false)
	c.set = func(cfg *Config) {
		cfg.NATSURL, cfg.NATSTokenFile, cfg.NATSManage = cluster.URL(), cluster.TokenFile(), OptBool{Set: true, Value: true}
		cfg.NATSReplicas = 3
		cfg.SweepHorizon = 0 // no sweep finds what an event did not bring
	}
	workers := []*Worker{c.worker(), c.worker()}
	for _, w := range workers {
		natsConfig := streamConfig(w.cfg, w.log)
		w.ackWait = 5 * time.Second // what a node that is lost has in hand comes again sooner
		natsConfig.AckWait = w.ackWait
		s, err := stream.Open(t.Context(), natsConfig)
		require.NoError(t, err)
		defer func() { require.NoError(t, s.Close(context.Background())) }()
		w.stream = s
	}
	c.run(func() { c.lose(cluster) }, workers...)
}

// lose lets the cluster lose a node twice while bookings come.
func (c *clinic) lose(cluster *streamtest.Cluster) {
	t := c.t
	require.Eventually(t, func() bool { return c.stream.Ready() == nil }, 60*time.Second, 50*time.Millisecond, "the streams are not made")

	var confirmed atomic.Int64
	ctx, stop := context.WithCancel(t.Context())
	published := make(chan struct{})
	go func() {
		defer close(published)
		for ctx.Err() == nil {
			c.book(int(confirmed.Load()))
			confirmed.Add(1)
			pause(ctx, 100*time.Millisecond)
		}
	}()
	defer func() { stop(); <-published }()
	goesOn := func() {
		t.Helper()
		want := confirmed.Load() + 20
		require.Eventually(t, func() bool { return confirmed.Load() >= want }, 60*time.Second, 10*time.Millisecond, "no bookings are stored")
		require.Eventually(t, func() bool { return len(c.all("Flag", `"active"`)) >= 2*int(want) }, 60*time.Second, 50*time.Millisecond, "no bookings are handled")
	}

	goesOn()
	killed := cluster.Leader(stream.Clinic)
	killed.Kill()
	goesOn()
	killed.Restart()
	join := cluster.CutOff(cluster.Leader(stream.Clinic))
	goesOn()
	join()
	cluster.Leader(stream.Clinic) // all three hold everything again
	goesOn()
	stop()
	<-published

	bookings := int(confirmed.Load())
	// A lease whose holder lost its server runs out after 30 s.
	require.Eventually(t, func() bool { return len(c.all("Flag", `"active"`)) >= 2*bookings }, 120*time.Second, 50*time.Millisecond)
	c.settled()
	require.Len(t, c.all("Flag", `"active"`), 2*bookings, "one for each eye")
	require.Empty(t, twice(t, c))
	js, err := jetstream.New(cluster.Connect())
	require.NoError(t, err)
	for name, want := range map[string]int{stream.Clinic: bookings, stream.ClinicDeadLetter: 0} {
		stands, err := js.Stream(t.Context(), name)
		require.NoError(t, err)
		require.EqualValues(t, want, stands.CachedInfo().State.Msgs, "%s", name)
		require.Equal(t, 3, stands.CachedInfo().Config.Replicas)
	}
}

// book books patient n for both eyes, and tells of it until that is confirmed.
func (c *clinic) book(n int) {
	id := fmt.Sprint(n)
	name := strings.NewReplacer("bob", "p"+id, `"m1"`, `"m`+id+`"`)
	c.put(name.Replace(bob), name.Replace(bobTook),
		booking("p"+id, "a"+id, "booked", "2026-03-09T09:00:00Z", "Cataract surgery, both eyes"))
	for {
		ctx, cancel := context.WithTimeout(c.t.Context(), 2*time.Second)
		_, err := c.stream.Publish(ctx, "clinic.booking.new", []byte(`{"reference":"Appointment/a`+id+`"}`), id)
		cancel()
		if err == nil || c.t.Context().Err() != nil {
			return
		}
		pause(c.t.Context(), 100*time.Millisecond)
	}
}
