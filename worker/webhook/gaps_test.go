package webhook

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// watched is a Gaps with what it did, and when.
type watched struct {
	*Gaps
	mu     sync.Mutex
	began  time.Time
	faults int // how many attempts to fetch fail
	did    []string
}

// inBubble runs a Gaps in a bubble of time.
func inBubble(t *testing.T, o GapsOptions, do func(w *watched)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		w := &watched{began: time.Now()}
		say := func(what string) { // held
			w.did = append(w.did, fmt.Sprintf("%v %s", time.Since(w.began), what))
		}
		o.Recover = func(_ context.Context, subscription string, from, to int64) error {
			w.mu.Lock()
			defer w.mu.Unlock()
			if w.faults > 0 {
				w.faults--
				say("failed")
				return errors.New("no answer")
			}
			say(fmt.Sprintf("%s %d-%d", subscription, from, to))
			return nil
		}
		o.Missed = func(_ context.Context, subscription string) {
			w.mu.Lock()
			defer w.mu.Unlock()
			say(subscription + " is silent")
		}
		w.Gaps = NewGaps(o)
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { w.Run(ctx); close(ended) }()
		do(w)
		synctest.Wait()
		cancel()
		<-ended
	})
}

func (w *watched) note(numbers ...int64) {
	for _, n := range numbers {
		w.Note("s", n)
	}
	if len(numbers) > 0 {
		w.Heard("s", numbers[len(numbers)-1])
	}
}

// after returns what was done until then.
func (w *watched) after(d time.Duration) []string {
	time.Sleep(d)
	w.mu.Lock()
	defer w.mu.Unlock()
	did := w.did
	w.did, w.began = nil, time.Now()
	return did
}

func TestGaps(t *testing.T) {
	for name, c := range map[string]struct {
		do   func(w *watched)
		want []string
	}{
		"none":                 {func(w *watched) { w.note(21, 22, 23) }, nil},
		"what was before":      {func(w *watched) { w.note(21) }, nil},
		"twice":                {func(w *watched) { w.note(21, 22, 21, 22, 22) }, nil},
		"one that never comes": {func(w *watched) { w.note(21, 23) }, []string{"30s s 22-22"}},
		"two ranges are one":   {func(w *watched) { w.note(21, 23, 26, 27) }, []string{"30s s 22-25"}},
		"one that comes late":  {func(w *watched) { w.note(21, 23); time.Sleep(29 * time.Second); w.note(22) }, nil},
		"one that comes later": {func(w *watched) { w.note(21, 23); time.Sleep(31 * time.Second); w.note(22) }, []string{"30s s 22-22"}},
		"told by a heartbeat":  {func(w *watched) { w.note(21); w.Heard("s", 23) }, []string{"30s s 22-23"}},
		"told by the count":    {func(w *watched) { w.Note("s", 21); w.Heard("s", 22) }, []string{"30s s 22-22"}},
		"the first is a count": {func(w *watched) { w.Heard("s", 20); w.note(22) }, []string{"30s s 21-21"}},
		"after a handshake":    {func(w *watched) { w.Heard("s", 0); w.note(1, 2) }, nil},
		"an early handshake":   {func(w *watched) { w.note(21); w.Heard("s", 0); w.note(2) }, []string{"30s s 1-1"}},
		"in any order":         {func(w *watched) { w.note(21, 25, 23, 24, 22) }, nil},
		"counted anew":         {func(w *watched) { w.note(500); time.Sleep(time.Minute); w.note(1); w.note(3) }, []string{"1m30s s 2-2"}},
		"a late count":         {func(w *watched) { w.note(22); w.Heard("s", 21); w.note(23) }, nil},
		"not said":             {func(w *watched) { w.Heard("s", -1); w.note(21, 22); w.Heard("s", -1) }, nil},
		"no number": {func(w *watched) {
			w.note(21)
			w.Note("s", 0)
			w.Note("s", -1)
			w.Note("s", math.MaxInt64)
			w.Heard("s", math.MaxInt64)
		}, nil},
		"a second gap":          {func(w *watched) { w.note(21, 23); time.Sleep(time.Minute); w.note(25) }, []string{"30s s 22-22", "1m30s s 24-24"}},
		"two subscriptions":     {func(w *watched) { w.note(21); w.Note("t", 5); w.Note("t", 7); w.note(22) }, []string{"30s t 6-6"}},
		"fetching fails":        {func(w *watched) { w.faults = 2; w.note(21, 23) }, []string{"30s failed", "1m0s failed", "1m30s s 22-22"}},
		"failed, and then came": {func(w *watched) { w.faults = 1; w.note(21, 23); time.Sleep(31 * time.Second); w.note(22) }, []string{"30s failed"}},
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, GapsOptions{}, func(w *watched) {
				c.do(w)
				require.Equal(t, c.want, w.after(time.Hour))
			})
		})
	}
}

func TestSilence(t *testing.T) {
	inBubble(t, GapsOptions{Heartbeat: time.Minute, Wait: 10 * time.Second}, func(w *watched) {
		require.Nil(t, w.after(time.Hour), "nobody promised anything")
		w.Heard("s", -1)
		require.Nil(t, w.after(69*time.Second))
		w.Heard("s", 5)
		require.Nil(t, w.after(69*time.Second))
		w.note(6)
		require.Equal(t, []string{"1m10s s is silent"}, w.after(time.Hour))
		require.Nil(t, w.after(time.Hour), "told once")
		w.Heard("s", 6)
		require.Equal(t, []string{"1m10s s is silent"}, w.after(time.Hour))
	})
}

// A server that names ever new subscriptions costs no more memory than the bound, and neither do numbers.
func TestGapsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var fetched []int64
		g := NewGaps(GapsOptions{Subscriptions: 3, Recover: func(_ context.Context, _ string, from, to int64) error {
			fetched = append(fetched, from, to)
			return nil
		}})
		for i := range 100 {
			g.Note("kept", int64(i+1))
			time.Sleep(time.Millisecond)
			g.Note(fmt.Sprint(i), 1)
			time.Sleep(time.Millisecond)
		}
		require.Len(t, g.all, 3)
		require.Contains(t, g.all, "kept")
		for n := range int64(5000) {
			g.Note("kept", 1000+2*n)
		}
		require.Len(t, g.all["kept"].early, maxEarly)
		g.look(t.Context(), time.Now().Add(defaultWait))
		require.Equal(t, []int64{101, 10998}, fetched)
		require.Empty(t, g.all["kept"].early)
		require.Zero(t, g.all["kept"].due)
	})
}

// What is counted anew while a gap is being fetched is not taken for the rest of it.
func TestCountedAnewWhileFetching(t *testing.T) {
	var g *Gaps
	g = NewGaps(GapsOptions{Recover: func(context.Context, string, int64, int64) error {
		g.Heard("s", 0)
		return nil
	}})
	g.Note("s", 21)
	g.Note("s", 23)
	g.look(t.Context(), time.Now().Add(time.Hour))
	require.Equal(t, int64(1), g.all["s"].next)
}

// However events are lost, late or repeated, in the end each has come or was fetched, and nothing is fetched that came in
// time and in order.
func TestEveryEventComesOrIsFetched(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		fetched := map[int64]bool{}
		var fail bool
		g := NewGaps(GapsOptions{Recover: func(_ context.Context, _ string, from, to int64) error {
			if fail {
				return errors.New("no answer")
			}
			for n := from; n <= to; n++ {
				fetched[n] = true
			}
			return nil
		}})
		g.Heard("s", 0)
		const events = 30
		came := map[int64]bool{}
		order := rapid.SliceOfN(rapid.Int64Range(1, events), 0, 60).Draw(rt, "order")
		now := time.Now()
		for _, n := range order {
			came[n] = true
			g.Note("s", n)
			if rapid.IntRange(0, 5).Draw(rt, "look") == 0 {
				fail = rapid.Bool().Draw(rt, "fail")
				now = now.Add(time.Hour)
				g.look(context.Background(), now)
			}
		}
		fail = false
		g.Heard("s", events)
		g.look(context.Background(), now.Add(2*time.Hour))
		for n := range int64(events) {
			require.True(rt, came[n+1] || fetched[n+1], n+1)
		}
		require.True(rt, g.all["s"].due.IsZero())
		require.Equal(rt, int64(events+1), g.all["s"].next)
	})
}
