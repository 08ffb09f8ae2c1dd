package fhirstore

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// A JSON Patch (RFC 6902) is carried out whole or not at all, and what it does not name keeps its bytes.
func TestPatch(t *testing.T) {
	const before = `{"resourceType":"Appointment","id":"a","status":"booked",  "x":{"d":1.50},"supportingInformation":[{"reference":"A/1"},{"reference":"B/2"}]}`
	for name, tt := range map[string]struct {
		patch  string
		status int
		want   string // part of the resource afterwards
	}{
		"add to the end":       {`[{"op":"test","path":"/meta/versionId","value":"1"},{"op":"add","path":"/supportingInformation/-","value":{"reference":"C/3"}}]`, 200, `[{"reference":"A/1"},{"reference":"B/2"},{"reference":"C/3"}]`},
		"insert":               {`[{"op":"add","path":"/supportingInformation/0","value":{"reference":"C/3"}}]`, 200, `[{"reference":"C/3"},{"reference":"A/1"},{"reference":"B/2"}]`},
		"remove one":           {`[{"op":"remove","path":"/supportingInformation/0"}]`, 200, `"supportingInformation":[{"reference":"B/2"}]`},
		"replace inside":       {`[{"op":"replace","path":"/supportingInformation/1/reference","value":"C/3"}]`, 200, `[{"reference":"A/1"},{"reference":"C/3"}]`},
		"remove all":           {`[{"op":"remove","path":"/supportingInformation"}]`, 200, `"x":{"d":1.50}`},
		"add a member":         {`[{"op":"add","path":"/comment","value":"c"}]`, 200, `"comment":"c"`},
		"escaped name":         {`[{"op":"add","path":"/a~1b","value":"c"}]`, 200, `"a/b":"c"`},
		"failing test":         {`[{"op":"remove","path":"/supportingInformation"},{"op":"test","path":"/meta/versionId","value":"2"}]`, 422, ""},
		"not there":            {`[{"op":"replace","path":"/nothing","value":1}]`, 422, ""},
		"index out of range":   {`[{"op":"remove","path":"/supportingInformation/2"}]`, 422, ""},
		"no index":             {`[{"op":"add","path":"/supportingInformation/x","value":1}]`, 422, ""},
		"below a plain value":  {`[{"op":"add","path":"/status/x","value":1}]`, 422, ""},
		"unknown operation":    {`[{"op":"move","path":"/status"}]`, 400, ""},
		"no list":              {`{"op":"remove"}`, 400, ""},
		"the whole":            {`[{"op":"remove","path":""}]`, 400, ""},
		"another id":           {`[{"op":"replace","path":"/id","value":"b"}]`, 400, ""},
		"its type taken away":  {`[{"op":"remove","path":"/resourceType"}]`, 400, ""},
		"after an If-Match":    {`[{"op":"remove","path":"/status"}]`, 412, ""},
		"of another interface": {`[{"op":"remove","path":"/status"}]`, 415, ""},
	} {
		t.Run(name, func(t *testing.T) {
			c := start(t, DefaultOptions())
			c.put(before)
			header := []string{"Content-Type", patchJSON}
			switch tt.status {
			case 412:
				header = append(header, "If-Match", `W/"9"`)
			case 415:
				header = []string{"Content-Type", fhirJSON}
			}
			old, _ := c.store.Get("Appointment/a")
			r := c.do("PATCH", "Appointment/a", tt.patch, header...)
			require.Equal(t, tt.status, r.status, string(r.body))
			now, _ := c.store.Get("Appointment/a")
			if tt.status != 200 {
				require.Equal(t, string(old), string(now), "all of it or nothing")
				return
			}
			require.Contains(t, string(now), tt.want)
			require.Contains(t, string(now), `"x":{"d":1.50}`)
			require.Contains(t, string(now), `"versionId":"2"`)
			require.Equal(t, `W/"2"`, r.header.Get("ETag"))
		})
	}
}

func TestPatchOfWhatIsNotThere(t *testing.T) {
	c := start(t, DefaultOptions())
	c.put(`{"resourceType":"Appointment","id":"a","status":"booked"}`)
	require.NoError(t, c.store.Delete("Appointment/a"))
	for ref, status := range map[string]int{"Appointment/a": 410, "Appointment/b": 404} {
		require.Equal(t, status, c.do("PATCH", ref, `[]`, "Content-Type", patchJSON).status)
	}
}
