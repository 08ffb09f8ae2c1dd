package worker

import (
	"bufio"
	"bytes"
	"errors"
	"io"
)

// jsonValues takes a stream of JSON objects apart, on lines of their own or not. It looks for no more than where each ends:
// whoever reads one finds out whether it is JSON.
type jsonValues struct {
	in *bufio.Reader
	at int64 // how much was read
}

// next is the next object and where it begins. The error is io.EOF at the end, and says so where something else stands there, or
// where it does not end.
func (s *jsonValues) next() (at int64, value []byte, err error) {
	for {
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
	var out bytes.Buffer
	depth, quoted, escaped := 0, false, false
	for {
		if s.in.Buffered() == 0 {
			if _, err := s.in.Peek(1); err != nil {
				if errors.Is(err, io.EOF) {
					err = notJSON(s.at)
				}
				return at, nil, err
			}
		}
		chunk, _ := s.in.Peek(s.in.Buffered()) // what is there already: no error
		n := 0
		for n < len(chunk) {
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
				depth--
			}
			if depth == 0 {
				break
			}
		}
		out.Write(chunk[:n])
		_, _ = s.in.Discard(n) // buffered: no error
		s.at += int64(n)
		if depth == 0 {
			return at, out.Bytes(), nil
		}
	}
}
