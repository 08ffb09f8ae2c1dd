package rules

import (
	"hash/maphash"
	"slices"
	"strings"
	"sync/atomic"
)

// memo remembers what concepts mean, so that the same drug or finding is not taken apart again for every patient. Names repeat
// from patient to patient; a few thousand cover a clinic. Each concept has one place, which the last to come takes: memory is
// bounded, nothing waits for a lock, and nothing of it leaves the memory of the process.
type memo struct {
	seed  maphash.Seed
	slots [8192]atomic.Pointer[meaning]
}

func newMemo() *memo { return &memo{seed: maphash.MakeSeed()} }

// slot is where a concept has its place, whether it or another stands there.
func (m *memo) slot(c *Concept) *atomic.Pointer[meaning] {
	h := maphash.String(m.seed, c.Text)
	for i := range c.Codes {
		k := &c.Codes[i]
		h = h*31 + maphash.String(m.seed, k.Code)
		h = h*31 + maphash.String(m.seed, k.Display)
	}
	return &m.slots[h%uint64(len(m.slots))]
}

// Kept are names, not letters: no text longer than keptText bytes, and no concept of more than keptCodes codes.
const (
	keptText  = 160
	keptCodes = 16
)

func worthKeeping(c *Concept) bool {
	long := func(k Code) bool {
		return len(k.System) > keptText || len(k.Code) > keptText || len(k.Display) > keptText
	}
	return len(c.Text) <= keptText && len(c.Codes) <= keptCodes && !slices.ContainsFunc(c.Codes, long)
}

// clone copies a concept, so that the page it was read from is not kept with it.
func clone(c *Concept) *Concept {
	out := &Concept{Text: strings.Clone(c.Text), Codes: slices.Clone(c.Codes)}
	for i := range out.Codes {
		k := &out.Codes[i]
		*k = Code{strings.Clone(k.System), strings.Clone(k.Code), strings.Clone(k.Display)}
	}
	return out
}
