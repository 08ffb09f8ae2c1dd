package main

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
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

// progress counts on a terminal, while something long goes on that writes elsewhere. It writes nothing where nobody looks.
type progress struct {
	to    io.Writer
	what  string
	n     int
	shown time.Time
}

func (p *progress) one() {
	p.n++
	if p.shown.IsZero() {
		p.shown = time.Now() // what is over in half a second shows no count
	}
	if time.Since(p.shown) < 500*time.Millisecond {
		return
	}
	p.shown = time.Now()
	if _, is := terminal(p.to); is {
		fmt.Fprintf(p.to, "\r%d %s ", p.n, p.what)
	}
}

// end takes the count away, so that what follows stands alone.
func (p *progress) end() {
	if _, is := terminal(p.to); is {
		fmt.Fprint(p.to, "\r\x1b[K")
	}
}
