package worker

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pupilrisk/worker/fhirstore"
	"pupilrisk/worker/operatinglist"
)

// What shadow mode found is counted once however often it looks, follows the record, and names what a site must teach it.
func TestReportOfShadowMode(t *testing.T) {
	c := newClinic(t, fhirstore.DefaultOptions())
	now := clinicDay
	c.mode, c.now = Shadow, func() time.Time { return now }
	eve := strings.NewReplacer("bob", "eve", `"m1"`, `"m2"`, `"x1"`, `"x2"`)
	c.put(bob, bobTook, bobProcedure, booking("bob", "a1", "booked", "2026-03-09T09:00:00Z", "Cataract surgery, right eye"),
		eve.Replace(bob), strings.NewReplacer("http://www.nlm.nih.gov/research/umls/rxnorm", "urn:local", "77492", "L1", "tamsulosin", "local drug").Replace(eve.Replace(bobTook)),
		booking("eve", "a2", "booked", "2026-03-09T10:00:00Z", "Cataract surgery, left eye"), booking("eve", "a3", "booked", "2026-03-10T10:00:00Z", "Yellow room"))
	w := c.worker()
	report := func(from time.Time) operatinglist.Report {
		require.NoError(t, w.Sweep(t.Context()))
		r, err := Report(t.Context(), c.stream, w.catalogue, from, time.UTC)
		require.NoError(t, err)
		return r
	}
	for range 2 { // the second sweep counts nothing again
		r := report(time.Time{})
		require.Equal(t, []*operatinglist.ReportDay{{
			Day: "2026-03-09", Operations: 2, Expect: 1, NoneFound: 1, Factors: operatinglist.Tally{"tamsulosin": 1},
		}}, r.Days)
		require.Equal(t, operatinglist.Tally{"tamsulosin": 1}, r.Factors)
		require.Equal(t, operatinglist.Tally{"urn:local|L1 local drug": 1}, r.Drugs)
		require.Equal(t, operatinglist.Tally{"Yellow room": 1}, r.Services)
		require.Equal(t, 1, r.Preparations["prepare-pupil-expansion"])
		require.Equal(t, 2, r.Gaps["pupil-not-measured"])
	}
	require.Empty(t, c.all("Flag", ""))

	c.put(booking("eve", "a2", "cancelled", "2026-03-09T10:00:00Z", "Cataract surgery, left eye"))
	require.Equal(t, 1, report(time.Time{}).Days[0].Operations, "a cancelled operation is gone")
	now = now.AddDate(0, 0, 30)
	c.put(booking("bob", "a9", "booked", "2026-04-09T09:00:00Z", "Cataract surgery, left eye"))
	require.Len(t, report(time.Time{}).Days, 2, "what is over stays")
	r := report(clinicDay.AddDate(0, 0, 14))
	require.Len(t, r.Days, 1)

	var text, object bytes.Buffer
	require.NoError(t, r.WriteText(&text, 100))
	require.Contains(t, text.String(), "Thu 9 Apr 2026            1       1           0           0             0           0\n    tamsulosin 1\n")
	require.NoError(t, r.WriteJSON(&object))
	require.Contains(t, object.String(), `{"day":"2026-04-09","operations":1,"expect":1,"haveReady":0,"noneFound":0,"notAssessed":0,"incomplete":0,"factors":[{"name":"tamsulosin","count":1}]}`)
}
