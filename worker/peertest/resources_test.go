package peertest

import (
	"fmt"
	"strings"
)

// Resources written by hand as the product is to write them, independent of the code that will.

const canonical = "https://pupilrisk.example/fhir"

const (
	flagID       = "5f2b7c1e-9d3a-5a64-8d0f-1c6a2b3e4f50"
	taskID       = "a1c4e6d8-2b3f-5c71-9e0d-7f8a6b5c4d31"
	provenanceID = "0d9c8b7a-6f5e-5d4c-8b3a-2f1e0d9c8b71"
)

func flag(status string) string {
	return `{
  "resourceType": "Flag",
  "id": "` + flagID + `",
  "extension": [
    {"url": "http://hl7.org/fhir/StructureDefinition/flag-detail", "valueReference": {"reference": "MedicationStatement/tamsulosin-2019"}},
    {"url": "http://hl7.org/fhir/StructureDefinition/flag-detail", "valueReference": {"reference": "Observation/pupil-4mm"}},
    {"url": "http://hl7.org/fhir/StructureDefinition/flag-priority", "valueCodeableConcept": {"coding": [{"system": "http://hl7.org/fhir/flag-priority-code", "code": "PH", "display": "High priority"}]}},
    {"url": "` + canonical + `/StructureDefinition/written", "extension": [
      {"url": "hash", "valueString": "8c7dd922ad47494fc02c388e12c00eac"},
      {"url": "evidence", "valueCoding": {"system": "` + canonical + `/CodeSystem/evidence", "code": "alpha1-antagonist.tamsulosin"}},
      {"url": "evidence", "valueCoding": {"system": "` + canonical + `/CodeSystem/evidence", "code": "dilated-pupil.under-5-mm"}}
    ]}
  ],
  "identifier": [{"system": "` + canonical + `/identifier/flag", "value": "p1.floppy-iris.right.1"}],
  "status": "` + status + `",
  "category": [
    {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/flag-category", "code": "clinical", "display": "Clinical"}]},
    {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/flag-category", "code": "safety", "display": "Safety"}]}
  ],
  "code": {"coding": [{"system": "` + canonical + `/CodeSystem/hazard", "code": "floppy-iris"}], "text": "Floppy iris, right eye: tamsulosin until 2019"},
  "subject": {"reference": "Patient/p1"},
  "period": {"start": "2026-11-25T08:00:00+01:00"},
  "author": {"reference": "Device/pupilrisk"}
}`
}

func task() string {
	return `{
  "resourceType": "Task",
  "id": "` + taskID + `",
  "extension": [{"url": "` + canonical + `/StructureDefinition/written", "extension": [{"url": "hash", "valueString": "bb4d5c1a0c1f4a1b9fd2f3a1f7f0c9aa"}]}],
  "identifier": [{"system": "` + canonical + `/identifier/task", "value": "a1.p1.right.prepare-pupil-expansion.1"}],
  "status": "requested",
  "intent": "proposal",
  "priority": "urgent",
  "code": {"coding": [{"system": "` + canonical + `/CodeSystem/preparation", "code": "prepare-pupil-expansion"}]},
  "description": "Lay out a way to hold the pupil open",
  "focus": {"reference": "Appointment/a1"},
  "for": {"reference": "Patient/p1"},
  "authoredOn": "2026-11-25T08:00:00+01:00",
  "lastModified": "2026-11-25T08:00:00+01:00",
  "requester": {"reference": "Device/pupilrisk"},
  "performerType": [{"coding": [{"system": "http://snomed.info/sct", "code": "415506007"}], "text": "Scrub nurse"}],
  "reasonReference": {"reference": "Flag/` + flagID + `"},
  "restriction": {"period": {"end": "2026-12-01T07:30:00+01:00"}}
}`
}

func provenance() string {
	return `{
  "resourceType": "Provenance",
  "id": "` + provenanceID + `",
  "target": [{"reference": "Flag/` + flagID + `"}, {"reference": "Task/` + taskID + `"}],
  "recorded": "2026-11-25T08:00:00.000+01:00",
  "agent": [{
    "type": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/provenance-participant-type", "code": "assembler"}]},
    "who": {"reference": "Device/pupilrisk", "display": "pupilrisk 0.1.0, catalogue 2026-11"}
  }],
  "entity": [
    {"role": "source", "what": {"reference": "MedicationStatement/tamsulosin-2019/_history/3"}},
    {"role": "source", "what": {"reference": "Observation/pupil-4mm"}}
  ]
}`
}

// put, post and get are the entries of a Bundle.
func put(resource, reference string) string {
	return fmt.Sprintf(`{"fullUrl":"urn:uuid:%s","resource":%s,"request":{"method":"PUT","url":%q}}`, reference[strings.Index(reference, "/")+1:], resource, reference)
}

func putIfMatch(resource, reference, version string) string {
	return fmt.Sprintf(`{"resource":%s,"request":{"method":"PUT","url":%q,"ifMatch":%q}}`, resource, reference, version)
}

func post(resource, resourceType, fullURL, ifNoneExist string) string {
	return fmt.Sprintf(`{"fullUrl":%q,"resource":%s,"request":{"method":"POST","url":%q,"ifNoneExist":%q}}`, fullURL, resource, resourceType, ifNoneExist)
}

func get(url string) string {
	return fmt.Sprintf(`{"request":{"method":"GET","url":%q}}`, url)
}

func bundle(kind string, entries ...string) string {
	return `{"resourceType":"Bundle","type":"` + kind + `","entry":[` + strings.Join(entries, ",") + `]}`
}

func assessmentWritten() string {
	return bundle("transaction", put(flag("active"), "Flag/"+flagID), put(task(), "Task/"+taskID), put(provenance(), "Provenance/"+provenanceID))
}
