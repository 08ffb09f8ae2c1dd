package fhirstore

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
)

// query is a search read and checked: what must match, in which order, how much of it and what comes along.
type query struct {
	typ      string
	criteria []criterion
	order    []string // parameters to sort by, "-" before one turns it round
	includes []include
	count    int  // entries of a page
	total    bool // only the total is wanted
	nothing  bool // an unknown parameter that this server takes for one without a match
	used     []string
}

// criterion is one parameter of a search. Values stand for or, criteria for and.
type criterion struct {
	matches func(*version) bool
	keys    []indexKey // where the matches are found; nil where every record must be looked at
}

type include struct {
	parameter parameter
	target    string // only resources of this type; empty = any
}

// readQuery reads the parameters of a search in their order. strict refuses unknown ones.
func (s *Store) readQuery(typ, raw, base string, strict bool) (query, error) {
	q := query{typ: typ, count: s.options.PageSize}
	for part := range strings.SplitSeq(raw, "&") {
		if part == "" {
			continue
		}
		rawName, rawValue, _ := strings.Cut(part, "=")
		name, err1 := url.QueryUnescape(rawName)
		value, err2 := url.QueryUnescape(rawValue)
		if err1 != nil || err2 != nil {
			return query{}, invalid("the search is not URL-encoded")
		}
		known, err := s.readParameter(&q, base, name, value)
		switch {
		case err != nil:
			return query{}, err
		case known:
			q.used = append(q.used, url.QueryEscape(name)+"="+url.QueryEscape(value))
		case strict && s.options.StrictHandling:
			return query{}, refuse(http.StatusBadRequest, "not-supported", "unknown search parameter")
		case !s.options.IgnoreUnknownParams && !strings.HasPrefix(name, "_"): // those change the answer, not what matches
			q.nothing = true
		}
	}
	return q, nil
}

// readParameter adds one parameter to the query, and says whether it knew it.
func (s *Store) readParameter(q *query, base, name, value string) (known bool, err error) {
	switch name {
	case "_format", "_pretty", "_total":
		return true, nil // no effect on what is found
	case "_summary":
		q.total = q.total || value == "count"
		return true, nil
	case "_count":
		n, err := strconv.Atoi(value)
		if err != nil || n < 0 {
			return true, invalid("_count is no number")
		}
		if n == 0 && !s.options.CountZeroIsDefault {
			q.total = true
		} else if n > 0 {
			q.count = min(n, s.options.PageSize)
		}
		return true, nil
	case "_sort":
		for key := range strings.SplitSeq(value, ",") {
			p, _ := strings.CutPrefix(key, "-")
			if found, ok := findParameter(q.typ, p); p != "_lastUpdated" && p != "_id" && (!ok || found.kind != dateKind) {
				return false, nil
			}
			q.order = append(q.order, key)
		}
		return true, nil
	case "_include":
		if s.options.IgnoreIncludes {
			return true, nil
		}
		parts := strings.Split(value, ":")
		if len(parts) < 2 || len(parts) > 3 {
			return false, nil
		}
		p, ok := findParameter(parts[0], parts[1])
		if !ok || p.kind != referenceKind || parts[0] != q.typ {
			return false, nil
		}
		in := include{parameter: p}
		if len(parts) == 3 {
			in.target = parts[2]
		}
		q.includes = append(q.includes, in)
		return true, nil
	}
	c, known, err := s.readCriterion(q.typ, base, name, value)
	if known && err == nil {
		q.criteria = append(q.criteria, c)
	}
	return known, err
}

func (s *Store) readCriterion(typ, base, name, value string) (c criterion, known bool, err error) {
	name, modifier, modified := strings.Cut(name, ":")
	values := splitUnescaped(value, ',')
	switch name {
	case "_id":
		ids := map[string]bool{}
		for _, v := range values {
			ids[unescape(v)] = true
		}
		c = criterion{matches: func(v *version) bool { return ids[v.id] }}
	case "_lastUpdated":
		var tests []func(span) bool
		if tests, err = dateTests(values); err != nil {
			return c, true, err
		}
		c = criterion{matches: func(v *version) bool {
			return matchAny(tests, span{v.at, secondEnd(v.at)})
		}}
	case tagParameter:
		c = tokenCriterion(typ, name, values)
	default:
		p, ok := findParameter(typ, name)
		if !ok {
			return c, false, nil
		}
		switch p.kind {
		case tokenKind:
			c = tokenCriterion(typ, name, values)
		case dateKind:
			var tests []func(span) bool
			if tests, err = dateTests(values); err != nil {
				return c, true, err
			}
			c = criterion{matches: func(v *version) bool {
				return slices.ContainsFunc(v.facts.times[name], func(t span) bool { return matchAny(tests, t) })
			}}
		case referenceKind:
			if p.target == "" && modified && parameters[modifier] != nil {
				p.target, modified = modifier, false
			}
			c = s.referenceCriterion(typ, base, p, values)
		}
	}
	if modified {
		return c, true, refuse(http.StatusBadRequest, "not-supported", "search modifiers are not supported")
	}
	return c, true, nil
}

func dateTests(values []string) ([]func(span) bool, error) {
	var tests []func(span) bool
	for _, v := range values {
		t, err := dateTest(unescape(v))
		if err != nil {
			return nil, invalid("a date of the search cannot be read")
		}
		tests = append(tests, t)
	}
	return tests, nil
}

func matchAny(tests []func(span) bool, t span) bool {
	return slices.ContainsFunc(tests, func(test func(span) bool) bool { return test(t) })
}

// tokenCriterion matches "value" in any system, "system|value", "system|" for any value and "|value" without a system.
func tokenCriterion(typ, name string, values []string) criterion {
	type wanted struct {
		coded
		anySystem, anyValue bool
	}
	var all []wanted
	var keys []indexKey
	indexed := name == identifier.name
	for _, v := range values {
		parts := splitUnescaped(v, '|')
		w := wanted{coded: coded{value: unescape(parts[0])}, anySystem: true}
		if len(parts) > 1 {
			w = wanted{coded: coded{unescape(parts[0]), unescape(strings.Join(parts[1:], "|"))}}
			w.anyValue = w.value == ""
		}
		all = append(all, w)
		indexed = indexed && !w.anyValue
		key := w.value
		if !w.anySystem {
			key = w.system + "|" + w.value
		}
		keys = append(keys, indexKey{typ, name, key})
	}
	if !indexed {
		keys = nil
	}
	return criterion{keys: keys, matches: func(v *version) bool {
		for _, have := range v.facts.tokens[name] {
			for _, w := range all {
				if (w.anySystem || w.system == have.system) && (w.anyValue || w.value == have.value) {
					return true
				}
			}
		}
		return false
	}}
}

// referenceCriterion matches "Type/id", this server's own absolute URL of it, a bare id, or another URL as it stands.
func (s *Store) referenceCriterion(typ, base string, p parameter, values []string) criterion {
	exact := map[string]bool{}
	var bare []string
	for _, v := range values {
		v = strings.TrimPrefix(unescape(v), base+"/")
		typed := strings.Contains(v, "/")
		if !typed && s.options.StrictPatientReference {
			continue
		}
		if !typed && p.target != "" {
			v, typed = p.target+"/"+v, true
		}
		if !typed {
			bare = append(bare, "/"+v)
			continue
		}
		if p.target != "" && !strings.HasPrefix(v, p.target+"/") && !strings.Contains(v, "/"+p.target+"/") {
			continue
		}
		exact[v] = true
		exact[base+"/"+v] = true
	}
	c := criterion{matches: func(v *version) bool {
		return slices.ContainsFunc(v.facts.references[p.name], func(have string) bool {
			return exact[have] || slices.ContainsFunc(bare, func(id string) bool { return strings.HasSuffix(have, id) })
		})
	}}
	if bare == nil {
		c.keys = []indexKey{}
		for v := range exact {
			c.keys = append(c.keys, indexKey{typ, p.name, v})
		}
	}
	return c
}

// splitUnescaped cuts at a separator that no backslash stands before.
func splitUnescaped(s string, separator byte) []string {
	var out []string
	start := 0
	for i := 0; i < len(s); i++ {
		switch s[i] {
		case '\\':
			i++
		case separator:
			out = append(out, s[start:i])
			start = i + 1
		}
	}
	return append(out, s[start:])
}

// unescape takes the backslashes of a search value away.
func unescape(s string) string {
	if !strings.Contains(s, `\`) {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] == '\\' && i+1 < len(s) {
			i++
		}
		b.WriteByte(s[i])
	}
	return b.String()
}
