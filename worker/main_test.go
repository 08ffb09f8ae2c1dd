package worker

import (
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// testCatalogue is the built-in catalogue.
func testCatalogue(t testing.TB) *rules.Catalogue {
	t.Helper()
	c, err := fhirmap.LoadCatalogue(catalogue.FS)
	require.NoError(t, err)
	return c
}
