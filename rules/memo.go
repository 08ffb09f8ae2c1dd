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

// keptMax is the greatest size, in bytes, of a concept that is remembered: a name, not a letter.
const keptMax = 1024

func worthKeeping(c *Concept) bool {
	n := len(c.Text)
	for _, k := range c.Codes {
		n += len(k.System) + len(k.Code) + len(k.Display)
	}
	return n <= keptMax
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
