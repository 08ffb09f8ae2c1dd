package hl7v2

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// HL7's own sample of a booking (Version 2 to FHIR guide, test conversions, CC0), with its oddities: no AIS, repeated identifiers
// with sub-components, blanks inside components.
func TestOfficialSample(t *testing.T) {
	raw, err := os.ReadFile(filepath.Join(sharedData(t), "SIU_S12.hl7"))
	require.NoError(t, err)
	e, err := Decode(raw)
	require.NoError(t, err)
	require.Equal(t, []string{"1209", "13030"}, e.Bookings)
	require.Equal(t, []string{"1032702", "N09204074"}, e.Patients)
	h, err := ReadHeader(raw)
	require.NoError(t, err)
	require.Equal(t, "48907-45", h.ControlID)
	require.Equal(t, "AL", h.Accept)
	b, ok := e.Message.Booking(Options{Service: []string{"AIS-3"}})
	require.True(t, ok)
	require.Equal(t, "13030", b.ID)
	require.Equal(t, "2015-06-01T14:58:23+01:00", b.At.Format(time.RFC3339))
	for name, want := range map[string]string{
		"status": `"booked"`, "start": `"2015-06-13T14:00:00Z"`, "end": `"2016-06-21T14:15:00Z"`, "minutesDuration": `15`,
		"reasonCode": `[{"coding":[{"system":"L","code":"OFFICE VISIT-15","display":"OFFICE VISIT-15"}],"text":"OFFICE VISIT-15"}]`,
		"people":     `[{"ids":["1032702","N09204074"],"born":"1970-06-01"}]`,
	} {
		require.Equal(t, want, string(b.Elements[name]), name)
	}
}

// sharedData is the folder of open HL7 v2 data; without it the test is skipped, or fails where it is required.
func sharedData(t *testing.T) string {
	dir := os.Getenv("PUPILRISK_SHARED_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	dir = filepath.Join(dir, "hl7v2")
	if _, err := os.Stat(dir); err != nil && !strings.Contains(os.Getenv("PUPILRISK_REQUIRE"), "shared") {
		t.Skip("the shared data folder is absent: PUPILRISK_SHARED_DATA names another")
	}
	return dir
}
