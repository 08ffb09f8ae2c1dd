package fhirhttp

import (
	"context"
	"errors"
	"io"
	"sync/atomic"
)

// ErrBudget: the answers read under one budget are larger than it.
var ErrBudget = errors.New("answers larger than the budget")

// Budget bounds the bytes of all answers together, after decompression, that are read under one context, however many requests
// run at once. What is beyond it is not read, and nothing more is asked for.
type Budget struct{ left atomic.Int64 }

type budgetKey struct{}

// WithBudget makes a context whose requests share a budget of n bytes. It takes the place of one that ctx already has.
func WithBudget(ctx context.Context, n int64) (context.Context, *Budget) {
	b := &Budget{}
	b.left.Store(n)
	return context.WithValue(ctx, budgetKey{}, b), b
}

// Exceeded reports that something was not read for want of budget.
func (b *Budget) Exceeded() bool { return b.left.Load() < 0 }

func budgetOf(ctx context.Context) *Budget {
	b, _ := ctx.Value(budgetKey{}).(*Budget)
	return b
}

// reader counts what is read from r.
func (b *Budget) reader(r io.Reader) io.Reader {
	if b == nil {
		return r
	}
	return budgeted{r, b}
}

type budgeted struct {
	r io.Reader
	b *Budget
}

func (r budgeted) Read(p []byte) (int, error) {
	n, err := r.r.Read(p)
	if r.b.left.Add(-int64(n)) < 0 {
		return 0, ErrBudget
	}
	return n, err
}
