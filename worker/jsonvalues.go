package worker

import (
	"bufio"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/bits"
)

// maxValue bounds one object, in bytes: it is held as a whole.
const maxValue = 1 << 30

// jsonValues takes a stream of JSON objects apart, on lines of their own or not. It looks for no more than where each ends:
// whoever reads one finds out whether it is JSON.
type jsonValues struct {
	in    *bufio.Reader
	at    int64  // how much was read
	most  int    // bound of one object, in bytes; 0: maxValue
	waits func() // called before more is read, unless nil
}

// bound is that of one object.
func (s *jsonValues) bound() int { return cmp.Or(s.most, maxValue) }

// next is the next object and where it begins. The error is io.EOF at the end, and says so where something else stands there,
// where it does not end, or where it is too large.
func (s *jsonValues) next() (at int64, value []byte, err error) {
	for {
		s.look(1)
		c, err := s.in.ReadByte()
		if err != nil {
			return s.at, nil, err
		}
		if c == '{' {
			_ = s.in.UnreadByte() // the byte just read
			break
		}
		s.at++
		if c != ' ' && c != '\t' && c != '\r' && c != '\n' {
			return s.at - 1, nil, notJSON(s.at - 1)
		}
	}
	at = s.at
	n, depth, quoted, escaped := 0, 0, false, false // n: how much of what is buffered was looked at
	for {
		s.look(n + 1)
		chunk, err := s.in.Peek(max(n+1, s.in.Buffered()))
		if err != nil {
			if errors.Is(err, io.EOF) {
				err = notJSON(s.at + int64(len(chunk)))
			}
			return at, nil, err
		}
		for n < len(chunk) {
			if quoted && !escaped {
				if n += plain(chunk[n:]); n == len(chunk) {
					break
				}
			}
			c := chunk[n]
			n++
			switch {
			case escaped:
				escaped = false
			case quoted:
				escaped, quoted = c == '\\', c != '"'
			case c == '"':
				quoted = true
			case c == '{' || c == '[':
				depth++
			case c == '}' || c == ']':
				if depth--; depth == 0 {
					value, err = s.take(value, n)
					return at, value, err
				}
			}
		}
		if n == s.in.Size() {
			if value, err = s.take(value, n); err != nil {
				return at, nil, err
			}
			n = 0
		}
	}
}

// look says that so much is looked at next.
func (s *jsonValues) look(n int) {
	if s.waits != nil && n > s.in.Buffered() {
		s.waits()
	}
}

// take moves what is buffered, so much of it, to the end of a value, unless that is too large then.
func (s *jsonValues) take(value []byte, n int) ([]byte, error) {
	if most := s.bound(); n > most-len(value) {
		return nil, fmt.Errorf("what begins at byte %d is larger than %d bytes", s.at-int64(len(value)), most)
	}
	chunk, _ := s.in.Peek(n)
	value = append(value, chunk...)
	_, _ = s.in.Discard(n) // buffered: no error
	s.at += int64(n)
	return value, nil
}

// plain is how many bytes at the beginning of a part of a string are neither a quote nor a backslash. Eight are looked at at
// once: one that is neither keeps, in both terms, a high bit of 0, up to the first that is one.
func plain(text []byte) (n int) {
	const ones, highs = 0x0101010101010101, 0x8080808080808080
	for ; n+8 <= len(text); n += 8 {
		w := binary.LittleEndian.Uint64(text[n:])
		quote, slash := w^ones*'"', w^ones*'\\'
		if found := ((quote-ones)&^quote | (slash-ones)&^slash) & highs; found != 0 {
			return n + bits.TrailingZeros64(found)/8
		}
	}
	for n < len(text) && text[n] != '"' && text[n] != '\\' {
		n++
	}
	return n
}
