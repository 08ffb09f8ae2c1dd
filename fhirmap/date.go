package fhirmap

import (
	"errors"
	"time"

	"pupilrisk/rules"
)

var errDate = errors.New("not a date")

// ParseDate reads a FHIR R4 date, dateTime or instant of any precision (hl7.org/fhir/R4/datatypes.html#dateTime) as the
// interval it can mean. A date without a zone is one of the given zone; nil means UTC. Text is the day in that zone.
func ParseDate(s string, zone *time.Location) (rules.Date, error) {
	if zone == nil {
		zone = time.UTC
	}
	d, err := parseInterval(s, zone)
	if err != nil || d.From.Year() < 1800 || d.From.Year() > 2200 {
		return rules.Date{}, errDate
	}
	return d, nil
}

func parseInterval(s string, zone *time.Location) (rules.Date, error) {
	// A day's text is the one given: where clocks are put forward at midnight, its first moment is not called 00:00.
	switch {
	case len(s) == 4:
		from, err := time.ParseInLocation("2006", s, zone)
		return rules.Date{From: from, To: from.AddDate(1, 0, 0), Text: s}, err
	case len(s) == 7:
		from, err := time.ParseInLocation("2006-01", s, zone)
		return rules.Date{From: from, To: from.AddDate(0, 1, 0), Text: s}, err
	case len(s) == 10:
		from, err := parseDay(s, zone)
		return rules.Date{From: from, To: from.AddDate(0, 0, 1), Text: s}, err
	case len(s) < 16 || s[10] != 'T':
		return rules.Date{}, errDate
	}
	// 24:00 is midnight at the end of the day, a second of 60 a leap second: both occur in records.
	nextDay := s[11:16] == "24:00"
	if nextDay {
		s = s[:11] + "00:00" + s[16:]
	}
	if len(s) >= 19 && s[16:19] == ":60" {
		s = s[:16] + ":59" + s[19:]
	}
	from, err := parseMoment(s, zone)
	if nextDay {
		if from.Second() != 0 {
			return rules.Date{}, errDate
		}
		from = from.AddDate(0, 0, 1)
	}
	var space [len(time.DateOnly) + 4]byte // a year of five digits is refused elsewhere
	text := s[:10]
	if day := from.In(zone).AppendFormat(space[:0], time.DateOnly); string(day) != text {
		text = string(day)
	}
	return rules.Date{From: from, To: from.Add(time.Second), Text: text}, err
}

// parseDay reads a date without a time. That is most of all dates: what is a day of every month needs no more than its digits.
func parseDay(s string, zone *time.Location) (time.Time, error) {
	number := func(at, n int) (v int) {
		for _, c := range []byte(s[at : at+n]) {
			if c -= '0'; c > 9 {
				return -1 << 20
			}
			v = v*10 + int(c)
		}
		return v
	}
	if s[4] == '-' && s[7] == '-' {
		year, month, day := number(0, 4), number(5, 2), number(8, 2)
		if year >= 0 && month >= 1 && month <= 12 && day >= 1 && day <= 28 {
			return time.Date(year, time.Month(month), day, 0, 0, 0, 0, zone), nil
		}
	}
	return time.ParseInLocation(time.DateOnly, s, zone)
}

// parseMoment reads a date with a time, with or without seconds and zone.
func parseMoment(s string, zone *time.Location) (from time.Time, err error) {
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04Z07:00"} {
		if from, err = time.Parse(layout, s); err == nil {
			return from, nil
		}
	}
	for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02T15:04"} {
		if from, err = time.ParseInLocation(layout, s, zone); err == nil {
			return from, nil
		}
	}
	return from, err
}

// dates reads several dates of which the first that is given counts; one that is given and is none is an error.
func dates(zone *time.Location, all ...string) (rules.Date, error) {
	for _, s := range all {
		if s != "" {
			return ParseDate(s, zone)
		}
	}
	return rules.Date{}, nil
}

// span reads a period.
func span(zone *time.Location, p periodJSON) (start, end rules.Date, err error) {
	if start, err = dates(zone, p.Start); err != nil {
		return start, end, err
	}
	end, err = dates(zone, p.End)
	return start, end, err
}
