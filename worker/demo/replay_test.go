package demo

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
	"pupilrisk/worker"
	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/stream"
)

// site is workers on a FHIR server, with an embedded NATS server between them.
type site struct {
	t      *testing.T
	base   string
	now    time.Time
	cat    *rules.Catalogue
	stream *stream.Stream
}

func newSite(t *testing.T, base string, now time.Time) *site {
	t.Helper()
	cat, err := fhirmap.LoadCatalogue(catalogue.FS)
	require.NoError(t, err)
	nats, err := stream.Open(t.Context(), stream.Config{StoreDir: t.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	t.Cleanup(func() {
		closing, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		require.NoError(t, nats.Close(closing))
	})
	return &site{t: t, base: base, now: now, cat: cat, stream: nats}
}

// work publishes events and lets so many workers handle them and sweep, until all is settled.
func (s *site) work(workers int, events []Event) {
	s.t.Helper()
	ctx, cancel := context.WithCancel(s.t.Context())
	defer cancel()
	var running sync.WaitGroup
	var all []*worker.Worker
	for range workers {
		cfg := worker.DefaultConfig()
		cfg.Mode, cfg.FHIRURL, cfg.Timezone, cfg.Concurrency, cfg.HistoryGather = worker.Live, s.base, "Local", 4, 0
		metrics := worker.NewMetrics(prometheus.NewRegistry(), "test", s.cat.Version, cfg.Mode, s.cat)
		client, err := worker.OpenFHIR(cfg, "test", slog.New(slog.DiscardHandler), metrics)
		require.NoError(s.t, err)
		s.t.Cleanup(client.Close)
		w := worker.New(worker.Parts{
			Config: cfg, Version: "test", Catalogue: s.cat, FHIR: client, Stream: s.stream, Metrics: metrics, Now: func() time.Time { return s.now },
		})
		all = append(all, w)
		running.Go(func() {
			if err := w.Run(ctx); err != nil {
				s.t.Error(err)
			}
		})
	}
	for i, e := range events {
		// A sender sends again, under the same id, what was not confirmed: the server may be killed just then.
		require.Eventually(s.t, func() bool {
			_, err := s.stream.Publish(ctx, e.Subject, e.Payload, fmt.Sprintf("%s-%d-%d", e.MsgID, i, s.now.UnixNano()))
			return err == nil
		}, time.Minute, 20*time.Millisecond)
	}
	require.Eventually(s.t, func() bool { // one of them sweeps
		return slices.ContainsFunc(all, func(w *worker.Worker) bool {
			select {
			case <-w.Swept():
				return true
			default:
				return false
			}
		})
	}, 2*time.Minute, 20*time.Millisecond, "no sweep ended")
	quiet := 0
	require.Eventually(s.t, func() bool {
		p, err := s.stream.Pending(ctx)
		quiet++
		if err != nil || p.Pending != 0 || p.AckPending != 0 {
			quiet = 0
		}
		return quiet == quietPolls
	}, 2*time.Minute, 20*time.Millisecond, "not every event was settled")
	cancel()
	running.Wait()
}

func written(store *fhirstore.Store) map[string]string {
	out := map[string]string{}
	for ref, raw := range store.Snapshot() {
		if strings.HasPrefix(ref, "Flag/") || strings.HasPrefix(ref, "Task/") {
			out[ref] = string(raw)
		}
	}
	return out
}

func storeOf(t *testing.T, c Clinic, o fhirstore.Options) (*fhirstore.Store, string) {
	t.Helper()
	store := fhirstore.New(o)
	for _, r := range c.Resources {
		require.NoError(t, store.Put(r))
	}
	server, err := fhirstore.Serve(store, "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, server.Close(context.Background())) })
	return store, server.URL()
}

// Every event three times, in random order, with two workers at once: the same Flags and Tasks, resource by resource.
func TestReplayInRandomOrderByTwoWorkersLeavesTheSame(t *testing.T) {
	now := time.Date(2026, 11, 23, 7, 0, 0, 0, time.Local)
	clinic, err := NewClinic(now, time.Local)
	require.NoError(t, err)
	once, base := storeOf(t, clinic, fhirstore.DefaultOptions())
	newSite(t, base, now).work(1, clinic.Events)
	want := written(once)
	require.NotEmpty(t, want)

	for seed := range uint64(4) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			store, base := storeOf(t, clinic, fhirstore.DefaultOptions())
			s := newSite(t, base, now)
			events := slices.Concat(clinic.Events, clinic.Events, clinic.Events)
			rand.New(rand.NewPCG(seed, 1)).Shuffle(len(events), func(i, j int) { events[i], events[j] = events[j], events[i] })
			s.work(2, events)
			require.Equal(t, want, written(store))
			before := len(store.Requests())
			s.work(2, events[:10])
			require.Equal(t, want, written(store), "and once more")
			for _, r := range store.Requests()[before:] {
				require.NotContains(t, []string{"transaction", "update", "create"}, r.Interaction, "nothing to change is no write")
			}
		})
	}
}

// The same where the server chooses the ids: one resource for each key, whoever was first.
func TestReplayWhereTheServerChoosesTheIDs(t *testing.T) {
	now := time.Date(2026, 11, 23, 7, 0, 0, 0, time.Local)
	clinic, err := NewClinic(now, time.Local)
	require.NoError(t, err)
	first, base := storeOf(t, clinic, fhirstore.DefaultOptions())
	newSite(t, base, now).work(1, clinic.Events)
	for name, o := range map[string]func(*fhirstore.Options){
		"conditional create, transaction":        func(o *fhirstore.Options) { o.UpdateCreate = false },
		"conditional create that is no lock":     func(o *fhirstore.Options) { o.UpdateCreate, o.UnsafeConditionalCreate = false, true },
		"single writes, no batch":                func(o *fhirstore.Options) { o.UpdateCreate, o.Transaction, o.Batch = false, false, false },
		"small transactions only":                func(o *fhirstore.Options) { o.UpdateCreate, o.ConditionalTransactionLimit = false, 3 },
		"own ids, single writes, no transaction": func(o *fhirstore.Options) { o.Transaction = false },
	} {
		t.Run(name, func(t *testing.T) {
			options := fhirstore.DefaultOptions()
			o(&options)
			store, base := storeOf(t, clinic, options)
			s := newSite(t, base, now)
			events := slices.Concat(clinic.Events, clinic.Events)
			s.work(2, events)
			require.Equal(t, keys(t, first.All("Flag"), first.All("Task")), keys(t, store.All("Flag"), store.All("Task")))
		})
	}
}

// keys says of every Flag and Task which one it is and how it stands; each key must be there once.
func keys(t *testing.T, sets ...[][]byte) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, set := range sets {
		for _, raw := range set {
			s, ours, err := fhirmap.ParseStanding(fhirmap.Names{Canonical: fhirmap.DefaultCanonical}, raw)
			require.NoError(t, err)
			if !ours {
				continue
			}
			key := fmt.Sprintf("%s %s.%d", s.Type, s.Base, s.N)
			require.NotContains(t, out, key, "twice")
			out[key] = s.Status + " " + s.Text + " " + s.Due
		}
	}
	return out
}
