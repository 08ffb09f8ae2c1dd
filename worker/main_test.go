package worker

import (
	"os"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"pupilrisk/fhirmap"
	"pupilrisk/rules"
	"pupilrisk/rules/catalogue"
)

func TestMain(m *testing.M) {
	if os.Getenv(stubVariable) != "" {
		runStub()
		return
	}
	goleak.VerifyTestMain(m)
}

// testCatalogue is the built-in catalogue.
func testCatalogue(t testing.TB) *rules.Catalogue {
	t.Helper()
	c, err := loadedCatalogue()
	require.NoError(t, err)
	return c
}

// loadedCatalogue is loaded once: nobody changes it.
var loadedCatalogue = sync.OnceValues(func() (*rules.Catalogue, error) { return fhirmap.LoadCatalogue(catalogue.FS) })
