package fhirmap

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestLinkPatchNamesOurOwnLinksAlone(t *testing.T) {
	const guard = `{"op":"test","path":"/meta/versionId","value":"7"}`
	for name, tt := range map[string]struct {
		links  string
		wanted []string
		want   string
	}{
		"first of all":        {``, []string{"Flag/1", "Flag/2"}, `{"op":"add","path":"/supportingInformation","value":[{"reference":"Flag/1"}]},{"op":"add","path":"/supportingInformation/-","value":{"reference":"Flag/2"}}`},
		"beside another's":    {`[{"reference":"Flag/theirs"}]`, []string{"Flag/1"}, `{"op":"add","path":"/supportingInformation/-","value":{"reference":"Flag/1"}}`},
		"as it is":            {`[{"reference":"Flag/theirs"},{"reference":"Flag/1"}]`, []string{"Flag/1"}, ``},
		"written absolute":    {`[{"reference":"https://server.example/fhir/Flag/1/_history/2"}]`, []string{"Flag/1"}, ``},
		"ended":               {`[{"reference":"Flag/1"},{"reference":"Flag/theirs"},{"reference":"Flag/2"}]`, nil, `{"op":"remove","path":"/supportingInformation/2"},{"op":"remove","path":"/supportingInformation/0"}`},
		"the last one ended":  {`[{"reference":"Flag/1"}]`, nil, `{"op":"remove","path":"/supportingInformation"}`},
		"one for another":     {`[{"reference":"Flag/1"}]`, []string{"Flag/2"}, `{"op":"remove","path":"/supportingInformation"},{"op":"add","path":"/supportingInformation","value":[{"reference":"Flag/2"}]}`},
		"given twice":         {`[{"reference":"Flag/1"},{"reference":"Flag/1"}]`, []string{"Flag/1"}, `{"op":"remove","path":"/supportingInformation/0"}`},
		"what nobody can use": {`[7,{"display":"a letter"}]`, nil, ``},
	} {
		t.Run(name, func(t *testing.T) {
			appointment := `{"resourceType":"Appointment","id":"a","meta":{"versionId":"7"}`
			if tt.links != "" {
				appointment += `,"supportingInformation":` + tt.links
			}
			patch, err := LinkPatch([]byte(appointment+`}`), []string{"Flag/1", "Flag/2"}, tt.wanted)
			require.NoError(t, err)
			if tt.want == "" {
				require.Nil(t, patch)
				return
			}
			require.Equal(t, "["+guard+","+tt.want+"]", string(patch))
		})
	}
	patch, err := LinkPatch([]byte(`{"resourceType":"Appointment","id":"a"}`), nil, []string{"Flag/1"})
	require.NoError(t, err)
	require.Nil(t, patch, "what has no version cannot be guarded")
}
