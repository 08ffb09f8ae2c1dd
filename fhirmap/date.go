package fhirmap

import (
	"errors"
	"strings"
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
	from, to, precision, err := parseInterval(s, zone)
	if err != nil || from.Year() < 1800 || from.Year() > 2200 {
		return rules.Date{}, errDate
	}
	return rules.Date{From: from, To: to, Text: from.In(zone).Format(precision)}, nil
}

func parseInterval(s string, zone *time.Location) (from, to time.Time, precision string, err error) {
	switch {
	case len(s) == 4:
		from, err = time.ParseInLocation("2006", s, zone)
		return from, from.AddDate(1, 0, 0), "2006", err
	case len(s) == 7:
		from, err = time.ParseInLocation("2006-01", s, zone)
		return from, from.AddDate(0, 1, 0), "2006-01", err
	case len(s) == 10:
		from, err = time.ParseInLocation(time.DateOnly, s, zone)
		return from, from.AddDate(0, 0, 1), time.DateOnly, err
	case len(s) < 16 || s[10] != 'T':
		return from, to, "", errDate
	}
	// 24:00:00 is midnight at the end of the day; seconds of 60 are leap seconds: both occur in records.
	nextDay := s[11:13] == "24" && strings.HasPrefix(s[13:], ":00")
	if nextDay {
		s = s[:11] + "00" + s[13:]
	}
	s = strings.Replace(s, ":60", ":59", 1)
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04Z07:00"} {
		if from, err = time.Parse(layout, s); err == nil {
			break
		}
	}
	for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02T15:04"} {
		if err == nil {
			break
		}
		from, err = time.ParseInLocation(layout, s, zone)
	}
	if nextDay {
		from = from.AddDate(0, 0, 1)
	}
	return from, from.Add(time.Second), time.DateOnly, err
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
