package hl7v2

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// HL7's own sample of a booking (Version 2 to FHIR guide, test conversions, CC0), with its oddities: no AIS, repeated identifiers
// with sub-components, blanks inside components.
func TestOfficialSample(t *testing.T) {
	dir := os.Getenv("PUPILRISK_SHARED_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	raw, err := os.ReadFile(filepath.Join(dir, "hl7v2", "SIU_S12.hl7"))
	if err != nil && !strings.Contains(os.Getenv("PUPILRISK_REQUIRE"), "shared") {
		t.Skip("the shared data folder is absent: PUPILRISK_SHARED_DATA names another")
	}
	require.NoError(t, err)
	e, err := Decode(raw)
	require.NoError(t, err)
	require.Equal(t, Event{Bookings: []string{"1209", "13030"}, Patients: []string{"1032702", "N09204074"}}, e)
	h, err := ReadHeader(raw)
	require.NoError(t, err)
	require.Equal(t, "48907-45", h.ControlID)
	require.Equal(t, "AL", h.Accept)
}
