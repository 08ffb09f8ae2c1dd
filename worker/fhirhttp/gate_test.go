package fhirhttp

import (
	"context"
	"errors"
	"net/http"
	"strconv"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// script answers with one step after the other; the last one stays.
type script struct {
	steps []func(http.ResponseWriter)
	asked atomic.Int32
}

func (s *script) ServeHTTP(w http.ResponseWriter, _ *http.Request) {
	n := int(s.asked.Add(1))
	s.steps[min(n, len(s.steps))-1](w)
}

func fine(w http.ResponseWriter) { answer(w, 200, patient("1")) }

func status(code int) func(http.ResponseWriter) {
	return func(w http.ResponseWriter) { answer(w, code, "") }
}

func wait(code int, retryAfter string) func(http.ResponseWriter) {
	return func(w http.ResponseWriter) {
		w.Header().Set("Retry-After", retryAfter)
		answer(w, code, "")
	}
}

func explained(w http.ResponseWriter) {
	answer(w, 500, `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"exception"}]}`)
}

func read(t *testing.T, c *Client) error {
	t.Helper()
	_, err := c.Read(t.Context(), "Patient/1")
	return err
}

func TestRetryAfterQuietsEveryone(t *testing.T) {
	for name, header := range map[string]func() string{
		"seconds": func() string { return "90" },
		"date":    func() string { return time.Now().Add(90 * time.Second).UTC().Format(http.TimeFormat) },
	} {
		for _, code := range []int{429, 503} {
			t.Run(name+strconv.Itoa(code), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					s := &script{steps: []func(http.ResponseWriter){func(w http.ResponseWriter) { wait(code, header())(w) }, fine}}
					c := bubbleClient(t, s.ServeHTTP)
					start := time.Now()
					require.Equal(t, 90*time.Second, requireKind(t, Throttled, read(t, c)).RetryAfter)
					until, open := c.Open()
					require.True(t, open)
					require.Equal(t, start.Add(90*time.Second), until)

					time.Sleep(30 * time.Second)
					require.Equal(t, time.Minute, requireKind(t, Throttled, read(t, c)).RetryAfter)
					require.EqualValues(t, 1, s.asked.Load(), "nothing is sent while the server wants quiet")

					time.Sleep(59 * time.Second) // the last second is waited out
					require.NoError(t, read(t, c))
					require.Equal(t, 90*time.Second, time.Since(start))
					_, open = c.Open()
					require.False(t, open)
				})
			})
		}
	}
}

func TestRetryAfterForms(t *testing.T) {
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		value, date string
		want        time.Duration
	}{
		{"", "", 0},
		{"7", "", 7 * time.Second},
		{"0", "", time.Second},
		{"-5", "", time.Second},
		{"soon", "", time.Second},
		{"99999999999999999999", "", time.Second},
		{"86400", "", 5 * time.Minute},
		{"Sun, 01 Mar 2026 12:00:42 GMT", "", 42 * time.Second},
		{"Sunday, 01-Mar-26 12:00:42 GMT", "", 42 * time.Second},
		{"Sun, 01 Mar 2026 11:00:00 GMT", "", time.Second},
		{"Sun, 01 Mar 2036 12:00:00 GMT", "", 5 * time.Minute},
		{"Sun, 01 Mar 2036 12:00:30 GMT", "Sun, 01 Mar 2036 12:00:00 GMT", 30 * time.Second}, // a server ten years ahead
	} {
		h := http.Header{}
		if tt.value != "" {
			h.Set("Retry-After", tt.value)
		}
		h.Set("Date", tt.date)
		require.Equal(t, tt.want, RetryAfter(h, now), tt.value)
	}
}

func TestBackOffGrowsOncePerWindowWithoutRetryAfter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &script{steps: []func(http.ResponseWriter){func(w http.ResponseWriter) { time.Sleep(100 * time.Millisecond); status(429)(w) }}}
		c := bubbleClient(t, s.ServeHTTP, func(cfg *Config) { cfg.MaxInFlight = 8 })
		longest := time.Duration(0)
		for step := 1; step <= 9; step++ {
			done := make(chan error)
			for range 8 { // a burst of refusals is one window
				go func() { _, err := c.Read(t.Context(), "Patient/1"); done <- err }()
			}
			for range 8 {
				requireKind(t, Throttled, <-done)
			}
			until, open := c.Open()
			require.True(t, open)
			most := min(time.Second<<(step-1), time.Minute)
			require.LessOrEqual(t, time.Until(until), most)
			require.Greater(t, time.Until(until), most*3/4-200*time.Millisecond)
			longest = max(longest, time.Until(until))
			time.Sleep(time.Until(until))
		}
		require.Greater(t, longest, 44*time.Second)
		s.steps = []func(http.ResponseWriter){fine}
		require.NoError(t, read(t, c))
		s.steps = []func(http.ResponseWriter){status(429)}
		requireKind(t, Throttled, read(t, c))
		until, _ := c.Open()
		require.LessOrEqual(t, time.Until(until), time.Second, "a success in between starts from the beginning")
	})
}

func TestBreakerOpensAndOneProbeCloses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hold := make(chan struct{})
		s := &script{steps: []func(http.ResponseWriter){
			status(502), status(502), status(503), status(504), status(500), // open
			status(502), // first probe
			func(w http.ResponseWriter) { <-hold; fine(w) }, // second probe
			fine,
		}}
		c := bubbleClient(t, s.ServeHTTP)
		for range 5 {
			_, open := c.Open()
			require.False(t, open)
			require.NotErrorIs(t, read(t, c), ErrOpen)
		}
		until, open := c.Open()
		require.True(t, open)
		first := time.Until(until)
		require.LessOrEqual(t, first, time.Second)
		for range 3 {
			err := read(t, c)
			require.ErrorIs(t, err, ErrOpen)
			require.Equal(t, first, requireKind(t, Unavailable, err).RetryAfter)
			require.ErrorContains(t, err, "held back while the server is down: fhir read: unavailable, status 500", "it says what opened it")
		}
		require.EqualValues(t, 5, s.asked.Load(), "nothing is sent while the breaker is open")

		time.Sleep(first)
		_, open = c.Open()
		require.False(t, open, "somebody may probe")
		require.NotErrorIs(t, read(t, c), ErrOpen)
		until, _ = c.Open()
		second := time.Until(until)
		require.Greater(t, second, first)

		time.Sleep(second)
		probe := make(chan error)
		go func() { _, err := c.Read(t.Context(), "Patient/1"); probe <- err }()
		synctest.Wait()
		require.ErrorIs(t, read(t, c), ErrOpen, "only one probe")
		_, open = c.Open()
		require.True(t, open)
		require.EqualValues(t, 7, s.asked.Load())
		close(hold)
		require.NoError(t, <-probe)
		_, open = c.Open()
		require.False(t, open)
		require.NoError(t, read(t, c))
	})
}

func TestCancelledProbeLeavesTheNextOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &script{steps: []func(http.ResponseWriter){status(502), status(502), status(502), status(502), status(502), func(http.ResponseWriter) {
			time.Sleep(time.Minute)
		}, fine}}
		c := bubbleClient(t, s.ServeHTTP)
		for range 5 {
			requireKind(t, Unavailable, read(t, c))
		}
		time.Sleep(time.Second)
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Second, cancel)
		_, err := c.Read(ctx, "Patient/1")
		require.Equal(t, context.Canceled, err)
		require.NoError(t, read(t, c))
		time.Sleep(time.Minute) // for the handler to end
	})
}

func TestBreakerIsReachedByTimeOutsAndNotByRefusals(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := bubbleClient(t, func(w http.ResponseWriter, r *http.Request) {
			select {
			case <-r.Context().Done():
			case <-time.After(time.Hour):
			}
		}, func(cfg *Config) { cfg.RequestTimeout = 3 * time.Second })
		for range 5 {
			err := read(t, c)
			requireKind(t, Unavailable, err)
			require.ErrorIs(t, err, context.DeadlineExceeded)
		}
		require.ErrorIs(t, read(t, c), ErrOpen)

		c = bubbleClient(t, func(w http.ResponseWriter, _ *http.Request) { status(404)(w) })
		for range 40 {
			requireKind(t, Gone, read(t, c))
		}
	})
}

// A few records that the server chokes on must not stop the others; a server that does nothing else is down.
func TestExplainedFaultsWeighLess(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &script{steps: []func(http.ResponseWriter){explained}}
		c := bubbleClient(t, s.ServeHTTP)
		for range 3 {
			for range 19 {
				require.NotErrorIs(t, read(t, c), ErrOpen)
			}
			s.steps = []func(http.ResponseWriter){fine}
			require.NoError(t, read(t, c))
			s.steps = []func(http.ResponseWriter){explained}
		}
		for range 20 {
			require.NotErrorIs(t, read(t, c), ErrOpen)
		}
		require.ErrorIs(t, read(t, c), ErrOpen)
	})
}

func TestLateAnswersDoNotCloseTheBreaker(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var asked atomic.Int32
		c := bubbleClient(t, func(w http.ResponseWriter, _ *http.Request) {
			if asked.Add(1) == 1 {
				time.Sleep(100 * time.Millisecond)
				fine(w)
				return
			}
			status(502)(w)
		})
		late := make(chan error)
		go func() { _, err := c.Read(t.Context(), "Patient/1"); late <- err }()
		synctest.Wait()
		for range 5 {
			requireKind(t, Unavailable, read(t, c))
		}
		require.NoError(t, <-late)
		_, open := c.Open()
		require.True(t, open)
	})
}

func TestCancelWhileWaitingForASlotOrForQuiet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &script{steps: []func(http.ResponseWriter){func(w http.ResponseWriter) { time.Sleep(10 * time.Second); wait(429, "2")(w) }, fine}}
		c := bubbleClient(t, s.ServeHTTP, func(cfg *Config) { cfg.MaxInFlight = 1 })
		holder := make(chan error)
		go func() { _, err := c.Read(t.Context(), "Patient/1"); holder <- err }()
		synctest.Wait()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := c.Read(ctx, "Patient/1")
		require.ErrorIs(t, err, context.DeadlineExceeded)
		requireKind(t, Unavailable, err)
		requireKind(t, Throttled, <-holder)

		ctx, stop := context.WithCancel(t.Context())
		time.AfterFunc(time.Second, stop)
		_, err = c.Read(ctx, "Patient/1")
		require.Equal(t, context.Canceled, err)
		require.NoError(t, read(t, c), "a short quiet is waited out")
	})
}

func TestQueuedRequestsAreNotSentWhenTheBreakerOpens(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &script{steps: []func(http.ResponseWriter){func(w http.ResponseWriter) { time.Sleep(10 * time.Millisecond); status(502)(w) }}}
		c := bubbleClient(t, s.ServeHTTP, func(cfg *Config) { cfg.MaxInFlight = 1 })
		done := make(chan error)
		for range 20 {
			go func() { _, err := c.Read(t.Context(), "Patient/1"); done <- err }()
		}
		held := 0
		for range 20 {
			if err := <-done; errors.Is(err, ErrOpen) {
				held++
			}
		}
		require.Equal(t, 15, held)
		require.EqualValues(t, 5, s.asked.Load())
	})
}

func TestWaitingForTheCapabilityCanBeCancelled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := bubbleClient(t, func(w http.ResponseWriter, _ *http.Request) {
			time.Sleep(5 * time.Second)
			answer(w, 200, capabilityR4)
		})
		asking := make(chan error)
		go func() { _, err := c.Capability(t.Context()); asking <- err }()
		synctest.Wait()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := c.Capability(ctx)
		requireKind(t, Unavailable, err)
		_, err = c.Refresh(ctx)
		requireKind(t, Unavailable, err)
		require.NoError(t, <-asking)
	})
}
