package fhirmap

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Forms of date, dateTime and instant: hl7.org/fhir/R4/datatypes.html.
func TestParseDate(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	for in, want := range map[string][3]string{
		"2014":                          {"2014", "2013-12-31T23:00:00Z", "2014-12-31T23:00:00Z"},
		"2014-03":                       {"2014-03", "2014-02-28T23:00:00Z", "2014-03-31T22:00:00Z"},
		"2016-02-29":                    {"2016-02-29", "2016-02-28T23:00:00Z", "2016-02-29T23:00:00Z"},
		"2014-03-05T23:30:00Z":          {"2014-03-06", "2014-03-05T23:30:00Z", "2014-03-05T23:30:01Z"},
		"2014-03-05T08:00:00.123+04:00": {"2014-03-05", "2014-03-05T04:00:00.123Z", "2014-03-05T04:00:01.123Z"},
		"2014-03-05T08:00+01:00":        {"2014-03-05", "2014-03-05T07:00:00Z", "2014-03-05T07:00:01Z"},
		"2014-03-05T08:00:00":           {"2014-03-05", "2014-03-05T07:00:00Z", "2014-03-05T07:00:01Z"},
		"2014-03-05T24:00:00Z":          {"2014-03-06", "2014-03-06T00:00:00Z", "2014-03-06T00:00:01Z"},
		"2014-03-05T24:00":              {"2014-03-06", "2014-03-05T23:00:00Z", "2014-03-05T23:00:01Z"},
		"2016-12-31T23:59:60Z":          {"2017-01-01", "2016-12-31T23:59:59Z", "2017-01-01T00:00:00Z"},
	} {
		d, err := ParseDate(in, zone)
		require.NoError(t, err, in)
		require.Equal(t, want, [3]string{d.Text, d.From.UTC().Format(time.RFC3339Nano), d.To.UTC().Format(time.RFC3339Nano)}, in)
	}
	for _, in := range []string{
		"", "not a date", "14", "2014-13", "2014-02-30", "2015-02-29", "05/03/2014", "2014-3-5", "20140305", "2014-03-05T", "2014-03-05T25:00:00Z",
		"2014-03-05 08:00:00", "1492", "2999-01-01", "0000", "+2014", "2014-03-05T08:00:00+99:00", "2014-03-05T08:60:00Z", "2014-03-05T24:00:30Z", "2014-03-05T24:01Z",
		"2014-03-05T08:00:61Z", "2014-03-05t08:00:00Z",
	} {
		_, err := ParseDate(in, zone)
		require.Error(t, err, in)
	}
}

// Where clocks are put forward at midnight the day still has its own name (time zone database: 4 November 2018 in Brazil).
func TestParseDateWithoutMidnight(t *testing.T) {
	zone, err := time.LoadLocation("America/Sao_Paulo")
	require.NoError(t, err)
	d, err := ParseDate("2018-11-04", zone)
	require.NoError(t, err)
	require.Equal(t, "2018-11-04", d.Text)
	require.True(t, d.From.Before(d.To))
}

func TestParseDateRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := time.Unix(rapid.Int64Range(-4e9, 4e9).Draw(t, "seconds"), 0).UTC()
		layout := rapid.SampledFrom([]string{"2006", "2006-01", time.DateOnly, time.RFC3339}).Draw(t, "layout")
		d, err := ParseDate(at.Format(layout), time.UTC)
		require.NoError(t, err)
		require.False(t, at.Before(d.From), "the moment lies in the interval")
		require.True(t, at.Before(d.To))
		require.True(t, d.From.Before(d.To))
	})
}

func FuzzParseDate(f *testing.F) {
	for _, s := range []string{"2014", "2014-03", "2014-03-05T24:00:00Z", "2014-03-05T08:00:60+14:00", "99999999999999999999"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := ParseDate(s, time.UTC)
		if err == nil && !d.From.Before(d.To) {
			t.Fatalf("%q: empty interval", s)
		}
	})
}
