package hl7v2

import (
	"errors"
	"strings"
	"time"
)

var errTime = errors.New("hl7 v2: not a date and time")

// ParseTime reads a DTM or TS: YYYY[MM[DD[HH[MM[SS[.S…]]]]]][+/-ZZZZ] (HL7 v2 chapter 2A), from the day on. One without an offset is
// of the given zone; nil means UTC. That of MSH-7, which the standard makes the default of the whole message, is not taken for it:
// schedulers write the clock on the wall, and that clock changes between the message and the operation.
func ParseTime(s string, zone *time.Location) (time.Time, error) {
	if zone == nil {
		zone = time.UTC
	}
	digits := strings.IndexAny(s, "+-.")
	if digits < 0 {
		digits = len(s)
	}
	layout := "20060102150405"
	if digits < 8 || digits > len(layout) || digits%2 != 0 {
		return time.Time{}, errTime
	}
	layout = layout[:digits]
	if i := strings.IndexAny(s, "+-"); i >= 0 {
		layout += "-0700"
	}
	// A fraction of a second is read where the layout has none.
	t, err := time.ParseInLocation(layout, s, zone)
	if err != nil || t.Year() < 1800 || t.Year() > 2200 {
		return time.Time{}, errTime
	}
	return t, nil
}
