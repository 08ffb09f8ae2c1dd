package fhirstore

import (
	"errors"
	"time"
)

// span is the time that a FHIR date means: 2026-12 is the whole month. from is in it, until is not. A zero from or until is
// open, as in a Period without start or end.
type span struct{ from, until time.Time }

var errDate = errors.New("not a FHIR date")

// dateLayouts are the precisions of a FHIR date, dateTime or instant with the step to the end of what they mean.
var dateLayouts = []struct {
	layout string
	end    func(time.Time) time.Time
}{
	{"2006", func(t time.Time) time.Time { return t.AddDate(1, 0, 0) }},
	{"2006-01", func(t time.Time) time.Time { return t.AddDate(0, 1, 0) }},
	{"2006-01-02", func(t time.Time) time.Time { return t.AddDate(0, 0, 1) }},
	{"2006-01-02T15:04Z07:00", func(t time.Time) time.Time { return t.Add(time.Minute) }},
	{"2006-01-02T15:04", func(t time.Time) time.Time { return t.Add(time.Minute) }},
	{"2006-01-02T15:04:05Z07:00", secondEnd},
	{"2006-01-02T15:04:05", secondEnd},
}

// secondEnd is the end of a time with seconds; with a fraction it means that millisecond.
func secondEnd(t time.Time) time.Time {
	if t.Nanosecond() != 0 {
		return t.Add(time.Millisecond)
	}
	return t.Add(time.Second)
}

// parseDate reads a date of any FHIR precision. Without a zone it is UTC.
func parseDate(s string) (span, error) {
	for _, l := range dateLayouts {
		if t, err := time.ParseInLocation(l.layout, s, time.UTC); err == nil {
			return span{t, l.end(t)}, nil
		}
	}
	return span{}, errDate
}

// dateTest is one value of a date parameter, such as ge2026-12-01, as a test of a resource's time.
// Source of the prefixes: http://hl7.org/fhir/R4/search.html#prefix (from memory).
func dateTest(value string) (func(span) bool, error) {
	prefix := "eq"
	if len(value) > 2 && value[0] >= 'a' && value[0] <= 'z' {
		prefix, value = value[:2], value[2:]
	}
	p, err := parseDate(value)
	if err != nil {
		return nil, err
	}
	within := func(r span) bool {
		return !r.from.IsZero() && !r.until.IsZero() && !r.from.Before(p.from) && !r.until.After(p.until)
	}
	above := func(r span) bool { return r.until.IsZero() || r.until.After(p.until) }
	below := func(r span) bool { return r.from.IsZero() || r.from.Before(p.from) }
	switch prefix {
	case "eq":
		return within, nil
	case "ne":
		return func(r span) bool { return !within(r) }, nil
	case "gt":
		return above, nil
	case "lt":
		return below, nil
	case "ge":
		return func(r span) bool { return above(r) || within(r) }, nil
	case "le":
		return func(r span) bool { return below(r) || within(r) }, nil
	case "sa":
		return func(r span) bool { return !r.from.IsZero() && !r.from.Before(p.until) }, nil
	case "eb":
		return func(r span) bool { return !r.until.IsZero() && !r.until.After(p.from) }, nil
	}
	return nil, errDate
}

// spanOf reads the time of an element: a date, or a Period.
func spanOf(v any) (span, bool) {
	switch v := v.(type) {
	case string:
		s, err := parseDate(v)
		return s, err == nil
	case map[string]any:
		start, hasStart := v["start"].(string)
		end, hasEnd := v["end"].(string)
		var s span
		if hasStart {
			p, err := parseDate(start)
			if err != nil {
				return span{}, false
			}
			s.from = p.from
		}
		if hasEnd {
			p, err := parseDate(end)
			if err != nil {
				return span{}, false
			}
			s.until = p.until
		}
		return s, hasStart || hasEnd
	}
	return span{}, false
}
