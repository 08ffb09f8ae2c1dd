package fhirmap

import (
	"testing"

	"github.com/stretchr/testify/require"

	"pupilrisk/rules/catalogue"
)

func TestBuiltInCatalogue(t *testing.T) {
	c, err := LoadCatalogue(catalogue.FS)
	require.NoError(t, err)
	require.NoError(t, c.CheckCases())
}
