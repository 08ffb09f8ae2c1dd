package main

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"
)

// terminal reports whether a person looks at w, and how wide it is.
func terminal(w io.Writer) (width int, is bool) {
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return 0, false
	}
	width, _, _ = term.GetSize(int(f.Fd())) // 0 where it does not say
	return width, true
}

// columns is how wide text is written: as COLUMNS says, else as the terminal is, else 110.
func (s surroundings) columns() int {
	for _, kv := range s.environ {
		if v, ok := strings.CutPrefix(kv, "COLUMNS="); ok {
			if n, err := strconv.Atoi(v); err == nil && n >= 60 {
				return n
			}
		}
	}
	if n, ok := terminal(s.out); ok && n >= 60 {
		return n
	}
	return 110
}

// colour reports that text may be emphasised: on a terminal, unless NO_COLOR is set (no-color.org) or TERM is dumb.
func (s surroundings) colour() bool {
	_, is := terminal(s.out)
	return is && !slices.ContainsFunc(s.environ, func(kv string) bool {
		return kv == "TERM=dumb" || strings.HasPrefix(kv, "NO_COLOR=") && kv != "NO_COLOR="
	})
}

// progress is one line on a terminal, rewritten while something long goes on that writes elsewhere. Where nobody looks it writes
// nothing. What is to stand on the same terminal is written through it.
type progress struct {
	mu     sync.Mutex
	to     io.Writer
	looked bool // a person looks
	open   bool // the line stands
}

// progressEvery is how often the line is rewritten; what is over sooner shows none.
const progressEvery = 500 * time.Millisecond

func newProgress(to io.Writer) *progress {
	_, is := terminal(to)
	return &progress{to: to, looked: is}
}

// while shows what say says, again and again, until end is called: then the line is gone.
func (p *progress) while(say func() string) (end func()) {
	if !p.looked {
		return func() {}
	}
	over, gone := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(gone)
		tick := time.NewTicker(progressEvery)
		defer tick.Stop()
		for {
			select {
			case <-over:
				p.mu.Lock()
				p.clear()
				p.mu.Unlock()
				return
			case <-tick.C:
				p.mu.Lock()
				fmt.Fprintf(p.to, "\r\x1b[K%s ", say())
				p.open = true
				p.mu.Unlock()
			}
		}
	}()
	return func() { close(over); <-gone }
}

// Write puts b where the line stands; the line comes back below it.
func (p *progress) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.clear()
	return p.to.Write(b)
}

func (p *progress) clear() {
	if p.open {
		fmt.Fprint(p.to, "\r\x1b[K")
		p.open = false
	}
}
