package worker

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirhttp"
)

func TestSettle(t *testing.T) {
	for name, c := range map[string]struct {
		err     error
		attempt int
		want    string
	}{
		"done":                      {nil, 1, "done"},
		"unreadable":                {permanent(ReasonUnreadable, "x"), 1, "dead-letter"},
		"unreadable, deep":          {fmt.Errorf("a: %w", errors.Join(nil, permanent(ReasonRefused, "x"))), 1, "dead-letter"},
		"interrupted is no attempt": {fmt.Errorf("read: %w", context.Canceled), maxAttempts, "wait"},
		"first failure":             {errors.New("x"), 1, "retry"},
		"last but one":              {errors.New("x"), maxAttempts - 1, "retry"},
		"given up":                  {errors.New("x"), maxAttempts, "not-assessed"},
	} {
		t.Run(name, func(t *testing.T) {
			require.Equal(t, c.want, settle(c.err, c.attempt).outcome)
		})
	}
}

func TestBackoffGrowsAndIsBounded(t *testing.T) {
	for attempt := 1; attempt <= 64; attempt++ {
		d := backoff(attempt)
		full := min(retryFirst<<min(attempt-1, 16), retryCap)
		require.GreaterOrEqual(t, d, full/2)
		require.LessOrEqual(t, d, full)
	}
}

func TestAhead(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	soon, past := at.Add(time.Hour), at.Add(-25*time.Hour)
	for _, c := range []struct {
		status string
		start  time.Time
		want   bool
	}{
		{"booked", soon, true},
		{"pending", soon, true},
		{"arrived", at.Add(-time.Hour), true},
		{"checked-in", at.Add(-23 * time.Hour), true},
		{"proposed", soon, true},
		{"waitlist", soon, true},
		{"proposed", time.Time{}, false},
		{"fulfilled", soon, false},
		{"cancelled", soon, false},
		{"noshow", soon, false},
		{"entered-in-error", soon, false},
		{"booked", past, false},
		{"a code of another release", soon, false},
	} {
		got, why := ahead(c.status, c.start, at)
		require.Equal(t, c.want, got, c.status)
		require.Equal(t, got, why == "", c.status)
	}
}

// What is wrong for good with one patient of an event lets go of no other.
func TestSettleOfSeveral(t *testing.T) {
	gone, down, odd := permanent(ReasonNoBooking, "x"), &fhirhttp.Error{RetryAfter: time.Second}, errors.New("x")
	for want, errs := range map[string][]error{
		"done": {nil, nil}, "dead-letter": {gone, nil, gone}, "wait": {gone, down}, "retry": {down, odd, gone},
	} {
		d := settle(fmt.Errorf("of an event: %w", gathered(errs)), 1)
		if want == "done" {
			require.NoError(t, gathered(errs))
			continue
		}
		require.Equal(t, want, d.outcome)
	}
	require.Equal(t, "not-assessed", settle(gathered([]error{gone, odd}), maxAttempts).outcome)
}
