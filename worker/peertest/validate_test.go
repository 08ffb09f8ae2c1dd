package peertest

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestValidateTakesWhatIsValid(t *testing.T) {
	Validate(
		t,
		[]byte(flag("active")),
		[]byte(task()),
		[]byte(provenance()),
		[]byte(assessmentWritten()),
		// What the validators report wrongly (the table in validate.mjs): a value[x] that is false, a versioned reference.
		[]byte(strings.Replace(task(), `"restriction"`, `"input": [{"type": {"text": "a"}, "valueBoolean": false}], "restriction"`, 1)),
		[]byte(strings.Replace(flag("active"), "Patient/p1", "Patient/p1/_history/2", 1)),
		// A logical reference, as to a booking that is in no FHIR server.
		[]byte(strings.Replace(task(), `"reference": "Appointment/a1"`, `"type": "Appointment", "identifier": {"system": "urn:oid:1.2.3", "value": "B-1"}`, 1)),
		[]byte(strings.Replace(flag("inactive"), `"period": {`, `"period": {"end": "2026-12-02T08:00:00+01:00", `, 1)),
	)
}

func TestValidateCatches(t *testing.T) {
	samples := []struct {
		name     string
		resource string
		old, new string
		want     []string // each must occur: which of the three sees it, and where
	}{
		{"unknown status", flag("active"), `"active"`, `"ongoing"`, []string{"fhir: Flag.status"}},
		{"unknown intent", task(), `"proposal"`, `"wish"`, []string{"fhir: Task.intent"}},
		{"no status", flag("active"), `"status": "active",`, ``, []string{"fhir: Flag.status", "medplum: Flag.status"}},
		{"no code", flag("active"), `"code": {"coding": [{"system": "` + canonical + `/CodeSystem/hazard", "code": "floppy-iris"}], "text": "Floppy iris, right eye: tamsulosin until 2019"},`, ``, []string{"fhir: Flag.code", "medplum: Flag.code"}},
		{"two value[x]", task(), `"restriction"`, `"input": [{"type": {"text": "a"}, "valueString": "b", "valueBoolean": false}], "restriction"`, []string{"own: Task.input[0]: more than one value[x]"}},
		{"two value[x] in an extension", flag("active"), `"valueString": "8c7d`, `"valueCode": "x", "valueString": "8c7d`, []string{"own: Flag.extension[3].extension[0]: more than one value[x]"}},
		{"no value[x] where one must be", task(), `"restriction"`, `"input": [{"type": {"text": "a"}}], "restriction"`, []string{"medplum: Task.input"}},
		{"extension with value and extensions", flag("active"), `"url": "hash"`, `"url": "hash", "extension": [{"url": "a", "valueCode": "b"}]`, []string{"medplum: Flag.extension"}},
		{"date in another form", task(), `"authoredOn": "2026-11-25T08:00:00+01:00"`, `"authoredOn": "25/11/2026"`, []string{"own: Task.authoredOn", "medplum: Task.authoredOn"}},
		{"time without a zone", task(), `"authoredOn": "2026-11-25T08:00:00+01:00"`, `"authoredOn": "2026-11-25T08:00:00"`, []string{"own: Task.authoredOn"}},
		{"30 February", task(), `"end": "2026-12-01T07:30:00+01:00"`, `"end": "2026-02-30"`, []string{"own: Task.restriction.period.end"}},
		{"instant without a time", provenance(), `"2026-11-25T08:00:00.000+01:00"`, `"2026-11-25"`, []string{"own: Provenance.recorded"}},
		{"modified before authored", task(), `"lastModified": "2026-11-25T08:00:00+01:00"`, `"lastModified": "2026-11-25T06:59:59Z"`, []string{"own: Task: lastModified"}},
		{"unknown element", task(), `"intent"`, `"colour": "blue", "intent"`, []string{"fhir: Task.colour", "medplum: Task.colour"}},
		{"empty array", task(), `"intent"`, `"note": [], "intent"`, []string{"own: Task.note: empty array"}},
		{"empty object", task(), `"intent"`, `"owner": {}, "intent"`, []string{"own: Task.owner: empty object"}},
		{"empty string", task(), `"Lay out a way to hold the pupil open"`, `""`, []string{"own: Task.description: empty string"}},
		{"null", task(), `"intent"`, `"owner": null, "intent"`, []string{"own: Task.owner: null"}},
		{"one value where a list must be", provenance(), `"target": [{"reference": "Flag/` + flagID + `"}, {"reference": "Task/` + taskID + `"}]`, `"target": {"reference": "Flag/1"}`, []string{"fhir: Provenance.target", "medplum: Provenance.target"}},
		{"id with an underscore", flag("active"), `"id": "` + flagID + `"`, `"id": "p1_floppy"`, []string{"own: Flag.id"}},
		{"id of 65 letters", flag("active"), `"id": "` + flagID + `"`, `"id": "` + strings.Repeat("a", 65) + `"`, []string{"own: Flag.id"}},
		{"active and ended", flag("active"), `"period": {`, `"period": {"end": "2026-12-02", `, []string{"own: Flag: active"}},
		{"absolute reference", flag("active"), `Patient/p1`, `https://fhir.clinic.example/Patient/p1`, []string{"own: Flag.subject.reference"}},
		{"reference without a type", flag("active"), `"reference": "Observation/pupil-4mm"`, `"reference": "pupil-4mm"`, []string{"own: Flag.extension[1].valueReference.reference"}},
		{"subject of a wrong type", flag("active"), `Patient/p1`, `Task/t1`, []string{"fhir: Flag.subject"}},
		{"unknown resource type", flag("active"), `"Flag"`, `"Flagg"`, []string{"own: unknown resource type"}},
		{"PUT to another address", assessmentWritten(), `"url":"Flag/`, `"url":"Flag/x`, []string{"own: Bundle.entry[0]: the PUT address"}},
		{"urn that leads nowhere", assessmentWritten(), `"reference": "Patient/p1"`, `"reference":"urn:uuid:11111111-1111-4111-8111-111111111111"`, []string{"own: Bundle: a urn:uuid reference"}},
		{"bad resource inside a Bundle", assessmentWritten(), `"status": "active"`, `"status": "ongoing"`, []string{"fhir: Flag.status"}},
	}

	bad := make([][]byte, len(samples))
	for i, s := range samples {
		bad[i] = []byte(strings.Replace(s.resource, s.old, s.new, 1))
		require.NotEqual(t, s.resource, string(bad[i]), "%s: the sample was not changed", s.name)
	}
	found := problems(t, bad)

	first := 0 // index of the sample's own line among the answers
	for i, s := range samples {
		last := first + strings.Count(string(bad[i]), `"fullUrl"`)
		t.Run(s.name, func(t *testing.T) {
			var seen []string
			for _, p := range found {
				if p.resource >= first && p.resource <= last {
					seen = append(seen, p.by+": "+p.text)
				}
			}
			for _, want := range s.want {
				require.Contains(t, strings.Join(seen, "\n"), want)
			}
		})
		first = last + 1
	}
}
