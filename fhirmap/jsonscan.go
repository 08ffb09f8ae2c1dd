package fhirmap

import (
	"encoding/binary"
	"math"
	"math/bits"
	"sync"
	"unicode/utf16"
	"unicode/utf8"
	"unsafe"

	"github.com/go-json-experiment/json/jsontext"
)

// doc is a JSON text that was gone over once, from its first byte to its last: what is no JSON is refused, what is JSON but
// broken in itself (a name given twice, no UTF-8) is marked where it stands, so that it costs the entry it is in and no more.
// Whoever reads it looks up where its values are and copies nothing.
//
// The scanner is our own because a page is most of the time of a patient's pass, and because the general decoders either
// refuse a page for one broken entry or go over it again for each question.
type doc struct {
	body  []byte
	text  string // the same; the strings that are read are parts of it
	nodes []node // in the order of the text: an object or array comes right before what it holds
	turn  uint32 // how many texts it has held before
}

// node is one value, with its name where it is a member of an object.
type node struct {
	nameAt, nameEnd uint32 // between the quotes
	at, end         uint32 // a string's with its quotes
	next            uint32 // the node behind it and all that it holds
	kind            byte   // one of { [ " 0 t f n, as in jsontext.Kind
	marks           marks
	depth           uint16 // objects and arrays on the longest way down, itself counted
}

// marks say what is special about a value.
type marks uint8

const (
	// escapedName and escaped: the text is not the bytes as they stand.
	escapedName marks = 1 << iota
	escaped
	// twice is an object in which a name is given twice.
	twice
	// faulty is a value in which, at any depth, a name is given twice or a text is no UTF-8.
	faulty
)

// maxNesting bounds how deep the scanner follows. maxDensity bounds, beyond the first few values, what the nodes of a hostile
// text can take: nothing of FHIR has a value in every 4 bytes.
const (
	maxNesting = 10000
	maxDensity = 4
	sparse     = 4096
)

// usual is how many nodes room is made for at the beginning: a large text may be one of few values.
const usual = 8192

// docs keeps the room of nodes from one text to the next.
var docs = sync.Pool{New: func() any { return new(doc) }}

// scanned goes over a text that must be one JSON value, and lets it be read until use is done.
func scanned(body []byte, use func(value) error) error {
	v, err := scan(body)
	if err != nil {
		return err
	}
	defer v.d.free(v.d.turn)
	return use(v)
}

func scan(body []byte) (value, error) {
	d := docs.Get().(*doc)
	v, err := d.scan(body)
	if err != nil {
		d.free(d.turn)
	}
	return v, err
}

// free gives back the memory of one turn, once: given back twice it would mix two texts.
func (d *doc) free(turn uint32) {
	if d.turn != turn {
		return
	}
	d.turn++
	d.body, d.text, d.nodes = nil, "", d.nodes[:0]
	if cap(d.nodes) <= 1<<20 { // those of a huge page are let go
		docs.Put(d)
	}
}

func (d *doc) scan(body []byte) (value, error) {
	if len(body) > math.MaxInt32 {
		return value{}, errPage
	}
	// Strings of the body itself: a copy would be the dearest single thing here, and whoever gives a body leaves it as it is.
	d.body, d.text = body, unsafe.String(unsafe.SliceData(body), len(body))
	if want := min(len(body)/16+1, usual); cap(d.nodes) < want {
		d.nodes = make([]node, 0, want)
	}
	d.nodes = d.nodes[:0]
	end := d.space(d.value(d.space(0), 0, label{}))
	if end != len(body) {
		return value{}, errPage
	}
	return value{d, 0}, nil
}

// The methods of the scanner take the place they begin at and give the one behind what they read; a place behind the text
// means that it is no JSON, and makes all that follows come out there too.

func (d *doc) fault() int { return len(d.body) + 1 }

func (d *doc) byteAt(at int) byte {
	if at < len(d.body) {
		return d.body[at]
	}
	return 0
}

func (d *doc) space(at int) int {
	for at < len(d.body) && d.body[at] <= ' ' {
		switch d.body[at] {
		case ' ', '\n', '\r', '\t':
			at++
		default:
			return at
		}
	}
	return at
}

// label is the name of a member, and what is said of it.
type label struct {
	at, end uint32
	marks   marks
}

// value reads the value that begins at at, in so many objects and arrays. A node is written in its place, part by part: a copy of one
// made elsewhere has to wait until its parts are written.
func (d *doc) value(at, depth int, name label) int {
	i := len(d.nodes)
	if i > len(d.body)/maxDensity+sparse {
		return d.fault()
	}
	d.nodes = append(d.nodes, node{})
	p := &d.nodes[i]
	p.nameAt, p.nameEnd, p.marks = name.at, name.end, name.marks
	p.at, p.next = uint32(at), uint32(i+1)
	end, kind := 0, d.byteAt(at)
	p.kind = kind
	switch kind {
	case '"':
		var m marks
		if end, m = d.string(at + 1); m != 0 {
			p.marks |= m
		}
	case '{', '[':
		p.depth = 1
		if kind == '{' {
			end = d.object(i, at+1, depth+1)
		} else {
			end = d.array(i, at+1, depth+1)
		}
		p = &d.nodes[i] // they may have moved
		p.next = uint32(len(d.nodes))
	case 't':
		end = d.word(at, "true")
	case 'f':
		end = d.word(at, "false")
	case 'n':
		end = d.word(at, "null")
	default:
		p.kind = '0'
		end = d.number(at)
	}
	p.end = uint32(end)
	return end
}

func (d *doc) word(at int, word string) int {
	if end := at + len(word); end <= len(d.text) && d.text[at:end] == word {
		return end
	}
	return d.fault()
}

func (d *doc) array(i, at, depth int) int {
	if depth > maxNesting {
		return d.fault()
	}
	at = d.space(at)
	if d.byteAt(at) == ']' {
		return at + 1
	}
	for {
		child := len(d.nodes)
		if at = d.space(d.value(at, depth, label{})); at > len(d.body) {
			return at
		}
		d.inherit(i, child)
		switch d.byteAt(at) {
		case ',':
			at = d.space(at + 1)
		case ']':
			return at + 1
		default:
			return d.fault()
		}
	}
}

// object also looks for names given twice. A name is compared with those before it only if one with its hash was seen.
func (d *doc) object(i, at, depth int) int {
	if depth > maxNesting {
		return d.fault()
	}
	at = d.space(at)
	if d.byteAt(at) == '}' {
		return at + 1
	}
	seen := uint64(0) // hashes, as bits
	known := siblings{first: i + 1, upTo: i + 1}
	for ; ; known.count++ {
		if d.byteAt(at) != '"' {
			return d.fault()
		}
		end, m := d.string(at + 1)
		if end > len(d.body) {
			return end
		}
		name := label{at: uint32(at + 1), end: uint32(end - 1), marks: m & faulty}
		bit := uint64(1) << nameHash(d.text[at+1:end-1])
		if m&escaped != 0 {
			name.marks |= escapedName
			bit = math.MaxUint64 // its hash is not that of what it says
		}
		if at = d.space(end); d.byteAt(at) != ':' {
			return d.fault()
		}
		child := len(d.nodes)
		if at = d.space(d.value(d.space(at+1), depth, name)); at > len(d.body) {
			return at
		}
		if seen&bit != 0 && known.have(d, child) {
			d.nodes[i].marks |= twice | faulty
		}
		seen |= bit
		d.inherit(i, child)
		switch d.byteAt(at) {
		case ',':
			at = d.space(at + 1)
		case '}':
			return at + 1
		default:
			return d.fault()
		}
	}
}

// siblings are the members of an object so far.
type siblings struct {
	first, count int
	names        map[string]bool // of those up to upTo, where they are many
	upTo         int
}

// have reports that one of them has the child's name.
func (s *siblings) have(d *doc, child int) bool {
	name := value{d, child}.name()
	const few = 128 // nothing of FHIR has as many
	if s.count < few {
		for c := s.first; c < child; c = int(d.nodes[c].next) {
			if (value{d, c}).name() == name {
				return true
			}
		}
		return false
	}
	if s.names == nil {
		s.names = map[string]bool{}
	}
	for ; s.upTo < child; s.upTo = int(d.nodes[s.upTo].next) {
		s.names[value{d, s.upTo}.name()] = true
	}
	return s.names[name]
}

// nameHash is a number below 64, from some letters of a name and its length.
func nameHash(name string) uint {
	n := len(name)
	if n == 0 {
		return 0
	}
	h := uint64(n)<<32 | uint64(name[0])<<24 | uint64(name[n/2])<<16 | uint64(name[n*3/4])<<8 | uint64(name[n-1])
	return uint(h * 0x9e3779b97f4a7c15 >> 58) // golden ratio: the high bits depend on all others
}

// inherit hands on to a value what is said of one in it.
func (d *doc) inherit(i, child int) {
	if c := &d.nodes[child]; c.depth > 0 || c.marks&faulty != 0 {
		p := &d.nodes[i]
		p.marks |= c.marks & faulty
		p.depth = max(p.depth, c.depth+1)
	}
}

const (
	ones  = 0x0101010101010101
	highs = 0x8080808080808080
)

// string reads a string from behind its first quote. Eight bytes are looked at at once for one that is not plain: a quote, a
// backslash, a control character or a part of a longer rune. In the first term a byte loses its carry, and with it sets its
// high bit, if it is below 0x21 once its bit 1 is turned: a quote or a control character; in the second if it is a backslash;
// and the third has the high bits of longer runes. Only the lowest that is set counts: a carry lost spoils those above.
func (d *doc) string(at int) (end int, m marks) {
	b := d.body
	for {
		special := uint64(0)
		for special == 0 && at+8 <= len(b) {
			w := binary.LittleEndian.Uint64(b[at:])
			special = ((w ^ ones*2 - ones*0x21) | (w ^ ones*'\\' - ones) | w) & highs
			at += 8
		}
		if special != 0 {
			at += bits.TrailingZeros64(special)/8 - 8
		}
		switch c := d.byteAt(at); {
		case c == '"':
			return at + 1, m
		case c == '\\':
			var broken bool
			if at, broken = d.escape(at); broken {
				m |= faulty
			}
			m |= escaped
		case c >= utf8.RuneSelf:
			r, size := utf8.DecodeRune(b[at:])
			if r == utf8.RuneError && size == 1 {
				m |= escaped | faulty // what is read of it is not the bytes as they stand
			}
			at += size
		case c >= ' ':
			at++ // near the end of the text
		default:
			return d.fault(), m
		}
	}
}

// escape reads an escape. One half of a surrogate pair alone is JSON, but no UTF-8.
func (d *doc) escape(at int) (end int, broken bool) {
	switch d.byteAt(at + 1) {
	case '"', '\\', '/', 'b', 'f', 'n', 'r', 't':
		return at + 2, false
	case 'u':
	default:
		return d.fault(), true
	}
	r, ok := d.unit(at)
	if !ok {
		return d.fault(), true
	}
	if !utf16.IsSurrogate(r) {
		return at + 6, false
	}
	low, ok := d.unit(at + 6)
	if !ok || utf16.DecodeRune(r, low) == utf8.RuneError {
		return at + 6, true
	}
	return at + 12, false
}

// unit is the number of an escape \uXXXX.
func (d *doc) unit(at int) (r rune, ok bool) {
	if d.byteAt(at) != '\\' || d.byteAt(at+1) != 'u' {
		return 0, false
	}
	for i := at + 2; i < at+6; i++ {
		c := d.byteAt(i)
		switch {
		case c >= '0' && c <= '9':
			c -= '0'
		case c|0x20 >= 'a' && c|0x20 <= 'f':
			c = c | 0x20 - 'a' + 10
		default:
			return 0, false
		}
		r = r<<4 | rune(c)
	}
	return r, true
}

func (d *doc) number(at int) int {
	if d.byteAt(at) == '-' {
		at++
	}
	if d.byteAt(at) == '0' {
		at++
	} else {
		at = d.digits(at)
	}
	if d.byteAt(at) == '.' {
		at = d.digits(at + 1)
	}
	if d.byteAt(at)|0x20 == 'e' {
		if at++; d.byteAt(at) == '+' || d.byteAt(at) == '-' {
			at++
		}
		at = d.digits(at)
	}
	return at
}

// digits reads at least one.
func (d *doc) digits(at int) int {
	start := at
	for d.byteAt(at)-'0' <= 9 {
		at++
	}
	if at == start {
		return d.fault()
	}
	return at
}

// value is a place in a doc; the zero value is none.
type value struct {
	d *doc
	i int
}

func (v value) node() *node { return &v.d.nodes[v.i] }

func (v value) kind() byte {
	if v.d == nil {
		return 0
	}
	return v.node().kind
}

// raw are the bytes of a value, as they stand in the body.
func (v value) raw() jsontext.Value {
	n := v.node()
	return v.d.body[n.at:n.end:n.end]
}

// text is what a string says, "" for anything else. What is no UTF-8 in it is replaced.
func (v value) text() string {
	n := v.node()
	if n.kind != '"' {
		return ""
	}
	if n.marks&escaped != 0 {
		return v.d.unquoted(n.at, n.end)
	}
	return v.d.text[n.at+1 : n.end-1]
}

// name is the name of a member.
func (v value) name() string {
	n := v.node()
	if n.marks&escapedName != 0 {
		return v.d.unquoted(n.nameAt-1, n.nameEnd+1)
	}
	return v.d.text[n.nameAt:n.nameEnd]
}

func (d *doc) unquoted(at, end uint32) string { return stringOf(d.body[at:end]) }

// all hands out the members of an object or the elements of an array.
func (v value) all(yield func(value) bool) {
	for i, end := v.i+1, int(v.node().next); i < end; i = int(v.d.nodes[i].next) {
		if !yield(value{v.d, i}) {
			return
		}
	}
}

// elements hands out the elements of an array that is not broken in itself; of anything else none.
func (v value) elements(yield func(value) bool) {
	if v.kind() == '[' && v.node().marks&faulty == 0 {
		v.all(yield)
	}
}

// member is a member of an object.
func (v value) member(name string) (m value, ok bool) {
	for m := range v.all {
		if m.name() == name {
			return m, true
		}
	}
	return value{}, false
}

// appendMember writes a member, name and value, as it stands.
func (v value) appendMember(out []byte) []byte {
	n := v.node()
	out = append(append(out, v.d.body[n.nameAt-1:n.nameEnd+1]...), ':')
	return append(out, v.d.body[n.at:n.end]...)
}

func (v value) count() (n int) {
	for range v.all {
		n++
	}
	return n
}
