package rules

import "sync"

// memoMax bounds a memo. The names of drugs and findings repeat from patient to patient; a few thousand cover a clinic.
const memoMax = 8192

// memo keeps results of a pure function of a text, so that the same name is not taken apart again for every patient. What it
// returns is shared and must not be changed. It forgets everything when it is full, so that its memory is bounded.
type memo[V any] struct {
	mu   sync.RWMutex
	kept map[string]V
}

func (m *memo[V]) of(text string, work func(string) V) V {
	m.mu.RLock()
	v, ok := m.kept[text]
	m.mu.RUnlock()
	if ok {
		return v
	}
	v = work(text)
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.kept == nil || len(m.kept) >= memoMax {
		m.kept = make(map[string]V, 64)
	}
	m.kept[text] = v
	return v
}
