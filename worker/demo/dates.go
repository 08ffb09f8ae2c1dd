package demo

import (
	"fmt"
	"regexp"
	"strconv"
	"time"
)

// placeholder is a date that depends on the day of the demo:
//
//	{{year-12}}          the year, twelve years ago
//	{{month-30}}         the month, thirty months ago
//	{{day-60}}           the day, sixty days ago
//	{{day-60 11:20}}     that day at 11:20
//	{{theatre+2 09:30}}  the second working day (Monday to Friday) after today, at 09:30
var placeholder = regexp.MustCompile(`\{\{[^{}]*\}\}`)

var dateParts = regexp.MustCompile(`^\{\{(year|month|day|theatre)([+-][0-9]{1,5})(?: ([0-9]{2}):([0-9]{2}))?\}\}$`)

// dated puts the dates that the placeholders of text mean at now, in now's zone.
func dated(text []byte, now time.Time) ([]byte, error) {
	var fault error
	out := placeholder.ReplaceAllFunc(text, func(p []byte) []byte {
		date, err := dateOf(string(p), now)
		if err != nil && fault == nil {
			fault = err
		}
		return []byte(date)
	})
	return out, fault
}

func dateOf(p string, now time.Time) (string, error) {
	part := dateParts.FindStringSubmatch(p)
	if part == nil {
		return "", fmt.Errorf("%s is no date", p)
	}
	unit, timed := part[1], part[3] != ""
	n, err := strconv.Atoi(part[2])
	if err != nil {
		return "", fmt.Errorf("%s is no date: %w", p, err)
	}
	var clock time.Time
	if timed {
		if clock, err = time.Parse("15:04", part[3]+":"+part[4]); err != nil {
			return "", fmt.Errorf("%s is no date: %w", p, err)
		}
	}
	year, month, day := now.Date()
	at := func(day int) string {
		return time.Date(year, month, day, clock.Hour(), clock.Minute(), 0, 0, now.Location()).Format(time.RFC3339)
	}
	switch {
	case unit == "year" && !timed:
		return time.Date(year+n, 1, 1, 0, 0, 0, 0, time.UTC).Format("2006"), nil
	case unit == "month" && !timed:
		return time.Date(year, month+time.Month(n), 1, 0, 0, 0, 0, time.UTC).Format("2006-01"), nil
	case unit == "day" && !timed:
		return time.Date(year, month, day+n, 0, 0, 0, 0, time.UTC).Format(time.DateOnly), nil
	case unit == "day":
		return at(day + n), nil
	case unit == "theatre" && timed && n > 0:
		return at(day + workingDays(now.Weekday(), n)), nil
	}
	return "", fmt.Errorf("%s is no date", p)
}

// workingDays is how many days after a day of the week the nth working day comes.
func workingDays(from time.Weekday, n int) int {
	days := 0
	for n > 0 {
		days++
		if d := (from + time.Weekday(days)) % 7; d != time.Saturday && d != time.Sunday {
			n--
		}
	}
	return days
}
