package fhirstore

import (
	"bytes"
	"cmp"
	"crypto/rand"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// find returns what matches a query, in its order. It needs mu held.
func (s *Store) find(q query) []*version {
	if q.nothing {
		return nil
	}
	var out []*version
	for _, r := range s.candidates(q) {
		v := r.current()
		if !v.deleted() && !slices.ContainsFunc(q.criteria, func(c criterion) bool { return !c.matches(v) }) {
			out = append(out, v)
		}
	}
	q.sort(out)
	return out
}

// candidates are the records that can match, by the criterion that leaves the fewest, in the order of creation.
func (s *Store) candidates(q query) []*record {
	best := s.collection(q.typ).ordered
	narrowed := false
	for _, c := range q.criteria {
		if c.keys == nil {
			continue
		}
		n := 0
		for _, k := range c.keys {
			n += len(s.index[k])
		}
		if n >= len(best) {
			continue
		}
		found := make([]*record, 0, n)
		for _, k := range c.keys {
			for r := range s.index[k] {
				found = append(found, r)
			}
		}
		best, narrowed = found, true
	}
	if narrowed {
		slices.SortFunc(best, func(a, b *record) int { return a.number - b.number })
		best = slices.Compact(best)
	}
	return best
}

// sort orders by each key in turn. What has no such time comes last.
func (q query) sort(found []*version) {
	if len(q.order) == 0 {
		return
	}
	slices.SortStableFunc(found, func(a, b *version) int {
		for _, key := range q.order {
			name, down := strings.CutPrefix(key, "-")
			n := 0
			switch name {
			case "_id":
				n = cmp.Compare(a.id, b.id)
			case "_lastUpdated":
				n = a.at.Compare(b.at)
			default:
				ta, tb := a.facts.times[name], b.facts.times[name]
				if len(ta) == 0 || len(tb) == 0 {
					if n := cmp.Compare(len(tb), len(ta)); n != 0 {
						return n
					}
					continue
				}
				n = ta[0].from.Compare(tb[0].from)
			}
			if down {
				n = -n
			}
			if n != 0 {
				return n
			}
		}
		return 0
	})
}

// included are the resources that the entries of a page refer to and the query wants with them. It needs mu held.
func (s *Store) included(q query, base string, page []*version) []*version {
	if len(q.includes) == 0 {
		return nil
	}
	seen := map[string]bool{}
	for _, v := range page {
		seen[v.ref()] = true
	}
	var out []*version
	add := func(ref, target string) {
		ref = strings.TrimPrefix(ref, base+"/")
		typ, id := cutRef(ref)
		r := s.record(typ, id)
		if seen[ref] || r == nil || r.current().deleted() || target != "" && typ != target {
			return
		}
		seen[ref] = true
		out = append(out, r.current())
	}
	for _, v := range page {
		for _, in := range q.includes {
			for _, ref := range v.facts.references[in.parameter.name] {
				add(ref, in.target)
			}
		}
		if s.options.WideIncludes {
			for _, ref := range v.facts.references["patient"] {
				add(ref, "Patient")
			}
		}
	}
	return out
}

// listing is a search that did not fit one page: what it found, as it was then, so that no entry is lost or doubled
// between two pages whatever is written meanwhile.
type listing struct {
	query query
	found []*version
}

// listings keeps the newest searches for their next links.
type listings struct {
	mu    sync.Mutex
	byKey map[string]listing
	keys  []string // oldest first
}

const mostListings = 1024

func (l *listings) keep(x listing) string {
	key := rand.Text()
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.byKey == nil {
		l.byKey = map[string]listing{}
	}
	if len(l.keys) == mostListings {
		delete(l.byKey, l.keys[0])
		l.keys = l.keys[1:]
	}
	l.byKey[key] = x
	l.keys = append(l.keys, key)
	return key
}

func (l *listings) get(key string) (listing, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	x, ok := l.byKey[key]
	return x, ok
}

const pageParameter = "_page"

// search answers a search or one of its next links. It needs mu held.
func (s *Store) search(c call, typ string) (answer, error) {
	if token, ok := strings.CutPrefix(c.query, pageParameter+"="); ok {
		key, offset, _ := strings.Cut(token, ".")
		at, err := strconv.Atoi(offset)
		x, ok := s.listings.get(key)
		if err != nil || !ok || x.query.typ != typ || at < 0 || at > len(x.found) {
			return answer{}, refuse(http.StatusGone, "not-found", "this page is not kept any longer, search again")
		}
		return s.page(c, x, key, at), nil
	}
	q, err := s.readQuery(typ, c.query, c.base, c.strict)
	if err != nil {
		return answer{}, err
	}
	return s.page(c, listing{q, s.find(q)}, "", 0), nil
}

// page is the searchset from the entry at. key is that of the listing, empty as long as nothing is kept.
func (s *Store) page(c call, x listing, key string, at int) answer {
	q := x.query
	var b bytes.Buffer
	b.WriteString(`{"resourceType":"Bundle","type":"searchset"`)
	if !s.options.NoTotal || q.total {
		b.WriteString(`,"total":` + strconv.Itoa(len(x.found)))
	}
	if q.total {
		s.writeLinks(&b, c, q, "")
		b.WriteByte('}')
		return answer{status: http.StatusOK, body: b.Bytes()}
	}
	end := min(at+q.count, len(x.found))
	shown := x.found[at:end]
	next := ""
	if end < len(x.found) || s.options.EmptyLastPage && len(shown) == q.count {
		if key == "" && !s.options.NoLinks {
			key = s.listings.keep(x)
		}
		next = pageParameter + "=" + key + "." + strconv.Itoa(end)
	}
	s.writeLinks(&b, c, q, next)
	extra := s.included(q, c.base, shown)
	if len(shown) > 0 {
		b.WriteString(`,"entry":[`)
		for i, v := range shown {
			writeEntry(&b, c.base, v, "match", i == 0)
		}
		for _, v := range extra {
			writeEntry(&b, c.base, v, "include", false)
		}
		b.WriteByte(']')
	}
	b.WriteByte('}')
	return answer{status: http.StatusOK, body: b.Bytes()}
}

func (s *Store) writeLinks(b *bytes.Buffer, c call, q query, next string) {
	if s.options.NoLinks {
		return
	}
	at := c.base + "/" + q.typ + "?"
	self := strings.TrimSuffix(at+strings.Join(q.used, "&"), "?")
	b.WriteString(`,"link":[{"relation":"self","url":` + quote(self) + `}`)
	if next != "" {
		b.WriteString(`,{"relation":"next","url":` + quote(at+next) + `}`)
	}
	b.WriteByte(']')
}

func writeEntry(b *bytes.Buffer, base string, v *version, mode string, first bool) {
	if !first {
		b.WriteByte(',')
	}
	b.WriteString(`{"fullUrl":` + quote(base+"/"+v.ref()) + `,"resource":`)
	b.Write(v.raw)
	b.WriteString(`,"search":{"mode":"` + mode + `"}}`)
}
