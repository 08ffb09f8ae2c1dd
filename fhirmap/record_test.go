package fhirmap

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pupilrisk/rules"
)

func page(entries ...string) []byte {
	wrapped := make([]string, len(entries))
	for i, e := range entries {
		wrapped[i] = `{"resource":` + e + `,"search":{"mode":"match"}}`
	}
	return []byte(`{"resourceType":"Bundle","type":"searchset","entry":[` + strings.Join(wrapped, ",") + `]}`)
}

func drug(id, status, medication string) string {
	return fmt.Sprintf(`{"resourceType":"MedicationStatement","id":%q,"status":%q,"subject":{"reference":"Patient/p"},%s}`, id, status, medication)
}

const tamsulosinCode = `{"coding":[{"system":"http://www.nlm.nih.gov/research/umls/rxnorm","code":"77492","display":"tamsulosin"}]}`

// historyOf reads one page of drugs.
func historyOf(t testing.TB, entries ...string) rules.History {
	t.Helper()
	r := NewRecord("Patient/p", Options{})
	_, err := r.AddPage("MedicationStatement", page(entries...))
	require.NoError(t, err)
	return r.History()
}

// One entry that cannot be read is dropped alone, with its reason and the name of what it speaks of.
func TestOneBrokenEntryIsDroppedAlone(t *testing.T) {
	good := drug("good", "active", `"medicationCodeableConcept":`+tamsulosinCode)
	for name, c := range map[string]struct {
		entry  string
		reason rules.DropReason
		named  string
	}{
		"code of nobody":        {drug("x", "vendor-x", `"medicationCodeableConcept":{"text":"alfuzosin"}`), rules.DropCode, "alfuzosin"},
		"status of wrong type":  {strings.Replace(drug("x", "active", `"medicationCodeableConcept":`+tamsulosinCode), `"active"`, `7`, 1), rules.DropJSON, "tamsulosin"},
		"bad date":              {drug("x", "active", `"effectiveDateTime":"05/03/2014","medicationCodeableConcept":{"text":"doxazosin"}`), rules.DropDate, "doxazosin"},
		"a name given twice":    {drug("x", "active", `"id":"y","medicationCodeableConcept":{"text":"prazosin"}`), rules.DropJSON, "prazosin"},
		"broken UTF-8":          {drug("x", "active", "\"medicationCodeableConcept\":{\"text\":\"terazosin \xff\"}"), rules.DropJSON, ""},
		"too deep":              {drug("x", "active", `"extension":`+strings.Repeat("[", 70)+strings.Repeat("]", 70)+`,"medicationCodeableConcept":{"text":"silodosin"}`), rules.DropJSON, "silodosin"},
		"somebody else's":       {strings.Replace(drug("x", "active", `"medicationCodeableConcept":{"text":"secret"}`), "Patient/p", "Patient/q", 1), rules.DropPatient, ""},
		"nobody's":              {`{"resourceType":"MedicationStatement","id":"x","status":"active","medicationCodeableConcept":{"text":"secret"}}`, rules.DropPatient, ""},
		"not a resource":        {`{"id":"x"}`, rules.DropJSON, ""},
		"null":                  {`null`, rules.DropJSON, ""},
		"type of wrong type":    {strings.Replace(drug("x", "active", `"medicationCodeableConcept":{"text":"alfuzosin"}`), `"MedicationStatement"`, `7`, 1), rules.DropJSON, "alfuzosin"},
		"an id that is a path":  {strings.Replace(drug("x", "active", `"medicationCodeableConcept":{"text":"alfuzosin"}`), `"id":"x"`, `"id":"../Patient/q"`, 1), rules.DropJSON, "alfuzosin"},
		"no id":                 {strings.Replace(drug("x", "active", `"medicationCodeableConcept":{"text":"alfuzosin"}`), `"id":"x",`, ``, 1), rules.DropJSON, "alfuzosin"},
		"a label forbids names": {drug("x", "vendor-x", `"meta":{"security":[{"code":"V"}]},"medicationCodeableConcept":{"text":"secret"}`), rules.DropCode, ""},
		"another type":          {`{"resourceType":"Observation","id":"x","status":"final","code":{"text":"x"},"subject":{"reference":"Patient/p"}}`, rules.DropType, ""},
		"drug that is not held": {drug("x", "active", `"medicationReference":{"reference":"Medication/none"}`), rules.DropMissing, ""},
	} {
		t.Run(name, func(t *testing.T) {
			h := historyOf(t, good, c.entry, strings.Replace(good, `"good"`, `"also-good"`, 1))
			require.Len(t, h.Entries, 2)
			require.Len(t, h.Dropped, 1)
			require.Equal(t, c.reason, h.Dropped[0].Reason)
			require.Equal(t, "MedicationStatement", h.Dropped[0].Type)
			if c.named != "" || c.reason == rules.DropCode {
				require.Equal(t, c.named, h.Dropped[0].Name)
			}
			require.NotContains(t, fmt.Sprint(h), "secret")
		})
	}
}

// A page that is not whole is lost as a whole, and that is an error: never "nothing found".
func TestLostPage(t *testing.T) {
	whole := string(page(drug("a", "active", `"medicationCodeableConcept":`+tamsulosinCode)))
	for name, body := range map[string]string{
		"cut short": whole[:len(whole)-4], "text after it": whole + "{}", "not JSON": "<html>", "empty": "", "null": "null", "array": "[]",
		"another resource":      `{"resourceType":"OperationOutcome","issue":[]}`,
		"no resourceType":       `{"type":"searchset","entry":[]}`,
		"two lists of entries":  strings.Replace(whole, `"entry":`, `"entry":[],"entry":`, 1),
		"entries are no list":   `{"resourceType":"Bundle","entry":{}}`,
		"an entry is no object": `{"resourceType":"Bundle","entry":[7]}`,
		"a link is no object":   `{"resourceType":"Bundle","link":[7]}`,
		"two next links":        `{"resourceType":"Bundle","link":[{"relation":"next","url":"a"},{"relation":"next","url":"b"}]}`,
	} {
		r := NewRecord("Patient/p", Options{})
		_, err := r.AddPage("MedicationStatement", []byte(body))
		require.Error(t, err, name)
		require.NotContains(t, err.Error(), "tamsulosin", name)
	}
	r := NewRecord("Patient/p", Options{Limits: Limits{Entries: 2}})
	_, err := r.AddPage("MedicationStatement", page("{}", "{}", "{}"))
	require.ErrorIs(t, err, errLimit)
}

func TestPageEnvelope(t *testing.T) {
	r := NewRecord("Patient/p", Options{})
	p, err := r.AddPage("Condition", []byte(`{"resourceType":"Bundle","type":"searchset","total":7,"link":[{"relation":"self","url":"s"},{"relation":"next","url":"n"}],
		"entry":[{"resource":{"resourceType":"OperationOutcome","issue":[{"severity":"warning","code":"incomplete"}]},"search":{"mode":"outcome"}},
		{"resource":{"resourceType":"Condition","id":"c","subject":{"reference":"Patient/p"},"code":{"text":"x"}}},
		{"resource":{"resourceType":"Medication","id":"m"},"search":{"mode":"include"}}]}`))
	require.NoError(t, err)
	require.Equal(t, Page{Next: "n", Matches: 1, Total: 7, Incomplete: true}, p)
	require.Len(t, r.History().Entries, 1)
	require.Empty(t, r.History().Dropped)
}

// The drug is found wherever R4 lets it stand.
func TestDrugInEveryPlace(t *testing.T) {
	contained := `"contained":[{"resourceType":"Medication","id":"m","code":{"text":"capsule"},"ingredient":[{"itemCodeableConcept":` + tamsulosinCode + `}]}],`
	medication := `{"resourceType":"Medication","id":"m1","code":{"text":"product"},"form":{"text":"capsule"},"ingredient":[{"itemReference":{"reference":"Medication/m2"}}]}`
	ingredient := `{"resourceType":"Medication","id":"m2","code":` + tamsulosinCode + `}`
	for name, c := range map[string]struct {
		entry string
		held  []string
	}{
		"inline":              {drug("a", "active", `"medicationCodeableConcept":`+tamsulosinCode), nil},
		"contained":           {drug("a", "active", contained+`"medicationReference":{"reference":"#m"}`), nil},
		"referenced":          {drug("a", "active", `"medicationReference":{"reference":"Medication/m1"}`), []string{medication, ingredient}},
		"absolute reference":  {drug("a", "active", `"medicationReference":{"reference":"https://here.example/fhir/Medication/m2"}`), []string{ingredient}},
		"versioned reference": {drug("a", "active", `"medicationReference":{"reference":"Medication/m2/_history/3"}`), []string{ingredient}},
		"by display":          {drug("a", "active", `"medicationReference":{"display":"tamsulosin"}`), nil},
		"both arms":           {drug("a", "active", `"medicationCodeableConcept":{"text":"tablet"},"medicationReference":{"display":"tamsulosin"}`), nil},
	} {
		t.Run(name, func(t *testing.T) {
			r := NewRecord("Patient/p", Options{Bases: []string{"https://here.example/fhir"}})
			_, err := r.AddPage("MedicationStatement", page(c.entry))
			require.NoError(t, err)
			for range 3 {
				for _, ref := range r.Unresolved() {
					for _, raw := range c.held {
						if strings.Contains(raw, `"id":"`+strings.TrimPrefix(ref, "Medication/")+`"`) {
							require.NoError(t, r.AddResource([]byte(raw)))
						}
					}
				}
			}
			require.Empty(t, r.Unresolved())
			h := r.History()
			require.Empty(t, h.Dropped)
			require.Contains(t, fmt.Sprint(h.Entries[0].Concepts), "tamsulosin")
		})
	}
}

// Products are made of products; one that is made of itself ends too.
func TestProductsOfProducts(t *testing.T) {
	medication := func(id, code string, of ...string) string {
		var items []string
		for _, o := range of {
			items = append(items, `{"itemReference":{"reference":"Medication/`+o+`"}}`)
		}
		return `{"resourceType":"Medication","id":"` + id + `","code":{"text":"` + code + `"},"ingredient":[` + strings.Join(items, ",") + `]}`
	}
	held := map[string]string{
		"Medication/a": medication("a", "pack", "b", "b", "a"), "Medication/b": medication("b", "capsule", "c", "a"), "Medication/c": medication("c", "granules", "d"),
		"Medication/d": medication("d", "tamsulosin", "gone"),
	}
	r := NewRecord("Patient/p", Options{})
	_, err := r.AddPage("MedicationStatement", page(drug("x", "active", `"medicationReference":{"reference":"Medication/a"}`)))
	require.NoError(t, err)
	for refs := r.Unresolved(); len(refs) > 0; refs = r.Unresolved() {
		require.Len(t, refs, 1)
		if raw, ok := held[refs[0]]; ok {
			require.NoError(t, r.AddResource([]byte(raw)))
		} else {
			r.Lost(refs[0])
		}
	}
	require.Equal(t, []rules.Concept{{Text: "pack"}, {Text: "capsule"}, {Text: "granules"}, {Text: "tamsulosin"}}, r.History().Entries[0].Concepts)
}

// The label of a Medication that is referred to forbids naming the drug as that of the entry itself does.
func TestLabelOfTheMedication(t *testing.T) {
	h := historyOf(t, drug("a", "active", `"contained":[{"resourceType":"Medication","id":"m","meta":{"security":[{"code":"R"}]},"code":{"text":"x"}}],"medicationReference":{"reference":"#m"}`))
	require.True(t, h.Entries[0].Restricted)
}

// An entry that cannot be read is named after the Medication it refers to, wherever that stands.
func TestBrokenEntryIsNamedAfterItsMedication(t *testing.T) {
	r := NewRecord("Patient/p", Options{})
	_, err := r.AddPage("MedicationStatement", page(drug("x", "active", `"effectiveDateTime":"once","medicationReference":{"reference":"Medication/m"}`)))
	require.NoError(t, err)
	require.Equal(t, []string{"Medication/m"}, r.Unresolved())
	require.Empty(t, r.History().Dropped[0].Name)
	require.NoError(t, r.AddResource([]byte(`{"resourceType":"Medication","id":"m","code":`+tamsulosinCode+`}`)))
	require.Empty(t, r.Unresolved())
	require.Equal(t, []rules.Dropped{{Type: "MedicationStatement", Reason: rules.DropDate, Name: "tamsulosin"}}, r.History().Dropped)
}

func TestReferenceToAnotherServerIsNotFollowed(t *testing.T) {
	r := NewRecord("Patient/p", Options{Bases: []string{"https://here.example/fhir"}})
	_, err := r.AddPage("MedicationStatement", page(drug("a", "active", `"medicationReference":{"reference":"https://there.example/fhir/Medication/m2"}`)))
	require.NoError(t, err)
	require.Empty(t, r.Unresolved())
	require.Equal(t, rules.DropMissing, r.History().Dropped[0].Reason, "not silence")
}

// A Bundle from elsewhere names its resources by urn; the patient is found through them.
func TestURNReferences(t *testing.T) {
	r := NewRecord("Patient/p", Options{})
	_, err := r.AddPage("", []byte(`{"resourceType":"Bundle","type":"collection","entry":[
		{"fullUrl":"urn:uuid:1","resource":{"resourceType":"Patient","id":"p"}},
		{"fullUrl":"urn:uuid:2","resource":{"resourceType":"Condition","id":"c","subject":{"reference":"urn:uuid:1"},"code":{"text":"pseudoexfoliation"}}}]}`))
	require.NoError(t, err)
	require.Len(t, r.History().Entries, 1)
}

// A fullUrl that looks like a reference of ours makes nobody else's entry the patient's.
func TestFullURLDoesNotRename(t *testing.T) {
	r := NewRecord("Patient/p", Options{})
	_, err := r.AddPage("", []byte(`{"resourceType":"Bundle","type":"collection","entry":[
		{"fullUrl":"Patient/q","resource":{"resourceType":"Patient","id":"p"}},
		{"resource":{"resourceType":"Condition","id":"c","subject":{"reference":"Patient/q"},"code":{"text":"x"}}}]}`))
	require.NoError(t, err)
	require.Empty(t, r.History().Entries)
	require.Equal(t, rules.DropPatient, r.History().Dropped[0].Reason)
}

// In a Bundle of any types, what is no resource is not passed over either; a type nobody asked for is.
func TestNothingUntypedIsPassedOver(t *testing.T) {
	r := NewRecord("Patient/p", Options{IgnoreOthers: true})
	_, err := r.AddPage("", page(`{"id":"x","code":{"text":"floppy iris"}}`, `null`, `{"resourceType":"Practitioner","id":"d"}`))
	require.NoError(t, err)
	require.Equal(t, []rules.Dropped{{Type: "Resource", Reason: rules.DropJSON}, {Type: "Resource", Reason: rules.DropJSON, Name: "floppy iris"}}, r.History().Dropped)
}

// Bundles in Bundles are read to a depth, and a broken or deeper one is no silence.
func TestBundlesInBundles(t *testing.T) {
	inner := string(page(drug("a", "active", `"medicationCodeableConcept":`+tamsulosinCode)))
	nest := func(body string, n int) []byte {
		for range n {
			body = string(page(body))
		}
		return []byte(body)
	}
	for n := range maxBundles + 1 {
		r := NewRecord("Patient/p", Options{})
		_, err := r.AddPage("", nest(inner, n))
		require.NoError(t, err)
		require.Len(t, r.History().Entries, 1)
	}
	r := NewRecord("Patient/p", Options{})
	_, err := r.AddPage("", nest(inner, maxBundles+1))
	require.ErrorIs(t, err, errPage)
	_, err = r.AddPage("", nest(`{"resourceType":"Bundle","entry":7}`, 1))
	require.ErrorIs(t, err, errPage)
	p, err := r.AddPage("", nest(`{"resourceType":"Bundle","link":[{"relation":"next","url":"n"}]}`, 1))
	require.NoError(t, err)
	require.True(t, p.Incomplete, "its next page is not here")
}

// What a status means for the history (issue text "Does the record count?"; the codes are those of hl7.org/fhir/R4).
func TestStanding(t *testing.T) {
	standing := func(raw string) string {
		r := NewRecord("Patient/p", Options{})
		require.NoError(t, r.AddResource([]byte(raw)))
		h := r.History()
		if len(h.Entries) == 0 {
			return "dropped " + string(h.Dropped[0].Reason)
		}
		s := []string{"counts", "asks", "void"}[h.Entries[0].Standing]
		if h.Entries[0].Ended {
			s += ", ended"
		}
		return s
	}
	request := func(members string) string {
		return `{"resourceType":"MedicationRequest","id":"x","subject":{"reference":"Patient/p"},"medicationCodeableConcept":{"text":"x"},` + members + `}`
	}
	condition := func(clinical, verification string) string {
		return fmt.Sprintf(`{"resourceType":"Condition","id":"x","subject":{"reference":"Patient/p"},"code":{"text":"x"},"clinicalStatus":{"coding":[{"code":%q}]},"verificationStatus":{"coding":[{"code":%q}]}}`, clinical, verification)
	}
	for raw, want := range map[string]string{
		drug("x", "active", `"medicationCodeableConcept":{"text":"x"}`):                                                      "counts",
		drug("x", "stopped", `"medicationCodeableConcept":{"text":"x"}`):                                                     "counts, ended",
		drug("x", "intended", `"medicationCodeableConcept":{"text":"x"}`):                                                    "counts",
		drug("x", "not-taken", `"medicationCodeableConcept":{"text":"x"}`):                                                   "asks",
		drug("x", "entered-in-error", `"medicationCodeableConcept":{"text":"x"}`):                                            "asks",
		strings.Replace(drug("x", "y", `"medicationCodeableConcept":{"text":"x"}`), `"status":"y",`, "", 1):                  "counts",
		request(`"status":"active","intent":"order"`):                                                                        "counts",
		request(`"status":"cancelled","intent":"order"`):                                                                     "asks",
		request(`"status":"draft","intent":"order"`):                                                                         "asks",
		request(`"status":"completed","intent":"order"`):                                                                     "counts, ended",
		request(`"status":"active","intent":"plan"`):                                                                         "asks",
		request(`"status":"active","intent":"plan","reportedBoolean":true`):                                                  "counts",
		request(`"status":"active","intent":"order","doNotPerform":true`):                                                    "asks",
		request(`"status":"active","intent":"wish"`):                                                                         "dropped code",
		condition("active", "confirmed"):                                                                                     "counts",
		condition("resolved", "confirmed"):                                                                                   "counts, ended",
		condition("active", "refuted"):                                                                                       "void",
		condition("active", "entered-in-error"):                                                                              "void",
		strings.Replace(condition("resolved", "confirmed"), `"coding":[`, `"coding":[{"system":"urn:local","code":"A"},`, 1): "counts, ended",
		strings.Replace(condition("active", "confirmed"), `{"coding":[{"code":"active"}]}`, `{"text":"Active"}`, 1):          "counts",
		condition("better", "confirmed"):                                                                                     "dropped code",
	} {
		require.Equal(t, want, standing(raw), raw)
	}
}

func TestProcedurePartsAreStatementsOfTheirOwn(t *testing.T) {
	r := NewRecord("Patient/p", Options{})
	require.NoError(t, r.AddResource([]byte(`{"resourceType":"Procedure","id":"x","status":"completed","subject":{"reference":"Patient/p"},"code":{"text":"Phaco, right eye"},
		"performedDateTime":"2024-05-06","usedCode":[{"text":"pupil expansion ring"}],"complication":[{"text":"floppy iris"}],
		"usedReference":[{"reference":"Medication/m"}],"complicationDetail":[{"reference":"Condition/c","display":"iris prolapse"},{"reference":"Condition/d"}]}`)))
	require.Empty(t, r.Unresolved())
	h := r.History()
	require.Empty(t, h.Dropped)
	require.Len(t, h.Entries, 4)
	got := map[string]rules.Kind{}
	for _, e := range h.Entries {
		got[e.Concepts[0].Text] = e.Kind
		require.Equal(t, rules.RightEye, e.Eye)
		require.Equal(t, "2024-05-06", e.Start.Text)
	}
	require.Equal(t, map[string]rules.Kind{"Phaco, right eye": rules.Procedure, "pupil expansion ring": rules.Device, "floppy iris": rules.Condition, "iris prolapse": rules.Condition}, got)
}

// Without an Appointment the operation is a procedure that was done or is being prepared, or a request that stands.
func TestLensCandidates(t *testing.T) {
	r := NewRecord("Patient/p", Options{})
	add := func(typ, id, members string) {
		require.NoError(t, r.AddResource([]byte(`{"resourceType":"`+typ+`","id":"`+id+`","subject":{"reference":"Patient/p"},"code":{"text":"Phaco, left eye"},`+members+`}`)))
	}
	add("Procedure", "done", `"status":"completed","performedDateTime":"2024-05-06"`)
	add("Procedure", "ahead", `"status":"preparation","performedPeriod":{"start":"2026-05-06T08:00:00Z"}`)
	add("Procedure", "once", `"status":"completed","performedDateTime":"2014"`)
	add("Procedure", "not", `"status":"not-done"`)
	add("ServiceRequest", "asked", `"status":"active","occurrenceDateTime":"2026-05-07"`)
	add("ServiceRequest", "never", `"status":"active","doNotPerform":true`)
	got := map[string]string{}
	for _, c := range r.LensCandidates() {
		got[c.Reference] = c.Start.Format(time.RFC3339)
		require.Equal(t, rules.LeftEye, c.Eye)
	}
	require.Equal(t, map[string]string{
		"Procedure/done": "2024-05-06T00:00:00Z", "Procedure/ahead": "2026-05-06T08:00:00Z", "Procedure/once": "0001-01-01T00:00:00Z",
		"ServiceRequest/asked": "2026-05-07T00:00:00Z",
	}, got)
}

func TestObservationValues(t *testing.T) {
	observation := func(members string) []rules.Entry {
		r := NewRecord("Patient/p", Options{})
		require.NoError(t, r.AddResource([]byte(`{"resourceType":"Observation","id":"x","status":"final","subject":{"reference":"Patient/p"},"code":{"text":"Dilated pupil"},`+members+`}`)))
		return r.History().Entries
	}
	require.Equal(t, rules.Amount{Value: 4, Unit: "mm"}, *observation(`"valueQuantity":{"value":4.0,"unit":"millimetre","system":"http://unitsofmeasure.org","code":"mm"}`)[0].Amount)
	require.Equal(t, rules.Amount{Value: 4.5, Unit: "mm"}, *observation(`"valueString":"4,5 mm"`)[0].Amount)
	require.Nil(t, observation(`"valueString":"about 4 mm in dim light"`)[0].Amount)
	absent := observation(`"dataAbsentReason":{"text":"not done"}`)[0]
	require.Nil(t, absent.Amount)
	require.Equal(t, rules.Asks, absent.Standing, "it was not made")
	require.Equal(t, rules.Counts, observation(`"dataAbsentReason":{"text":"see text"},"valueString":"small"`)[0].Standing)
	require.Equal(t, "posterior synechiae", observation(`"valueString":"posterior synechiae"`)[0].Qualifiers[0].Text, "what was observed stands in the value")
	require.Equal(t, "false", observation(`"valueBoolean":false`)[0].Qualifiers[0].Text)
	require.Equal(t, rules.Amount{Value: 4}, *observation(`"valueInteger":4`)[0].Amount)
	require.Equal(t, "<", observation(`"valueQuantity":{"value":5,"unit":"mm","comparator":"<"}`)[0].Amount.Comparator)
	parts := observation(`"component":[{"code":{"text":"right eye"},"valueQuantity":{"value":4,"unit":"mm"}},{"code":{"text":"left eye"},"valueQuantity":{"value":7,"unit":"mm"}}]`)
	require.Len(t, parts, 3)
	require.Equal(t, []rules.Eye{rules.EyeUnknown, rules.RightEye, rules.LeftEye}, []rules.Eye{parts[0].Eye, parts[1].Eye, parts[2].Eye})
	require.Equal(t, "Dilated pupil", parts[1].Qualifiers[0].Text)
}

func TestNoMedicationSaidInSoManyWords(t *testing.T) {
	require.True(t, historyOf(t, drug("a", "active", `"medicationCodeableConcept":{"text":"No regular medication"}`)).NoMedication)
	require.False(t, historyOf(t).NoMedication, "an empty list says nothing")
}

func TestAppointmentEye(t *testing.T) {
	appointment := func(members string) Appointment {
		a, err := DecodeAppointment([]byte(`{"resourceType":"Appointment","id":"a","status":"booked","participant":[{"actor":{"reference":"Patient/p"}}],`+members+`}`), Options{})
		require.NoError(t, err)
		return a
	}
	for members, want := range map[string]rules.Eye{
		`"serviceType":[{"text":"Cataract surgery, right eye"}]`:                                     rules.RightEye,
		`"description":"Phaco left"`:                                                                 rules.LeftEye,
		`"description":"Phaco + IOL OU"`:                                                             rules.BothEyes,
		`"serviceType":[{"text":"Phaco"}],"comment":"left a message; transport OD"`:                  rules.EyeUnknown,
		`"serviceType":[{"text":"Phaco"}],"reasonCode":[{"text":"Cataract, left eye"}]`:              rules.LeftEye,
		`"serviceType":[{"coding":[{"system":"https://fhir.hl7.org.uk/Id/opcs-4","code":"Z94.3"}]}]`: rules.LeftEye,
		`"contained":[{"resourceType":"ServiceRequest","id":"s","status":"active","intent":"order","code":{"text":"Phaco"},"subject":{"reference":"Patient/p"},"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"18944008"}]}]}],"basedOn":[{"reference":"#s"}]`: rules.RightEye,
	} {
		require.Equal(t, want, appointment(members).Eye, members)
	}
	// The reason gives the side where nothing else does; a disease of both eyes contradicts nothing, one of the other eye does.
	for members, want := range map[string]rules.Eye{
		`"serviceType":[{"text":"Phaco"}],"reasonCode":[{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"H25.12"}]}]`:            rules.LeftEye,
		`"serviceType":[{"text":"Phaco, right eye"}],"reasonCode":[{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"H25.13"}]}]`: rules.RightEye,
		`"serviceType":[{"text":"Phaco, right eye"}],"reasonReference":[{"display":"Deafness, left ear"}]`:                                       rules.RightEye,
		`"serviceType":[{"text":"Phaco"}],"reasonReference":[{"display":"Cataract, left"}]`:                                                      rules.LeftEye,
	} {
		require.Equal(t, want, appointment(members).Eye, members)
	}
	other := appointment(`"serviceType":[{"text":"Phaco, right eye"}],"reasonCode":[{"text":"Cataract, left eye"}]`)
	require.True(t, other.EyeConflict)
	two := appointment(`"serviceType":[{"text":"Cataract surgery, right eye"}],"description":"left eye"`)
	require.True(t, two.EyeConflict)
	require.Equal(t, rules.EyeUnknown, two.Eye)
	_, err := DecodeAppointment([]byte(`{"resourceType":"Appointment","status":"maybe"}`), Options{})
	require.Error(t, err)
}

// A booking's reason is a record of its own, and so is the order it carries out.
func TestAppointmentWithItsRecords(t *testing.T) {
	r := NewRecord("Patient/p", Options{})
	for _, raw := range []string{
		`{"resourceType":"Appointment","id":"a","status":"booked","participant":[{"actor":{"reference":"Patient/p"}}],"serviceType":[{"text":"Theatre"}],"reasonReference":[{"reference":"Condition/c"}]}`,
		`{"resourceType":"Appointment","id":"b","status":"booked","participant":[{"actor":{"reference":"Patient/p"}}],"serviceType":[{"text":"Theatre"}],"basedOn":[{"reference":"ServiceRequest/s"}]}`,
		`{"resourceType":"Condition","id":"c","subject":{"reference":"Patient/p"},"code":{"text":"Cataract"},"bodySite":[{"coding":[{"system":"http://snomed.info/sct","code":"18944008"}]}]}`,
	} {
		require.NoError(t, r.AddResource([]byte(raw)))
	}
	require.Equal(t, []string{"ServiceRequest/s"}, r.Unresolved())
	require.NoError(t, r.AddResource([]byte(`{"resourceType":"ServiceRequest","id":"s","status":"active","intent":"order","subject":{"reference":"Patient/p"},
		"code":{"text":"Phaco"},"orderDetail":[{"text":"plate-haptic lens"}],"bodySite":[{"text":"left"}]}`)))
	all := r.Appointments()
	require.Equal(t, []rules.Concept{{Text: "Theatre"}, {Text: "Cataract"}}, all[0].Concepts)
	require.Equal(t, rules.RightEye, all[0].Eye)
	require.Equal(t, []rules.Concept{{Text: "Theatre"}, {Text: "Phaco"}, {Text: "plate-haptic lens"}}, all[1].Concepts)
	require.Equal(t, rules.LeftEye, all[1].Eye)
}

// A page of bookings of which the server says that it left some out is not whole.
func TestBookingsLeftOut(t *testing.T) {
	text, err := Scan(page(
		`{"resourceType":"OperationOutcome","issue":[{"severity":"warning","code":"suppressed"}]}`,
		`{"resourceType":"Appointment","id":"a","status":"booked","participant":[{"actor":{"reference":"Patient/p"}}]}`,
		`{"resourceType":"Appointment","id":"b","status":"perhaps"}`, `{"resourceType":"Patient","id":"p"}`,
	))
	require.NoError(t, err)
	got, _, dropped, err := Appointments(text, Options{})
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.Equal(t, []rules.Dropped{{Type: "Appointment", Reason: rules.DropMissing}, {Type: "Appointment", Reason: rules.DropCode}}, dropped)
}

// The order of pages and entries, and entries that a server repeats, make no difference.
func TestHistoryDoesNotDependOnTheOrder(t *testing.T) {
	entries := []string{
		drug("a", "active", `"medicationCodeableConcept":`+tamsulosinCode), drug("b", "stopped", `"medicationCodeableConcept":{"text":"x"}`),
		drug("c", "nonsense", `"medicationCodeableConcept":{"text":"y"}`), drug("d", "active", `"medicationReference":{"reference":"Medication/none"}`),
	}
	want := historyOf(t, entries...)
	rapid.Check(t, func(rt *rapid.T) {
		seed := rapid.Uint64().Draw(rt, "seed")
		random := rand.New(rand.NewPCG(seed, 1))
		all := append(append([]string{}, entries...), entries[random.IntN(2)])
		random.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
		cut := random.IntN(len(all))
		r := NewRecord("Patient/p", Options{})
		for _, p := range [][]string{all[:cut], all[cut:]} {
			_, err := r.AddPage("MedicationStatement", page(p...))
			require.NoError(rt, err)
		}
		require.Equal(rt, want, r.History())
	})
}

// Whatever comes in a page, nothing vanishes: what matched is kept, dropped with a reason, a repeat, or says that no drug is
// taken.
func FuzzAddPage(f *testing.F) {
	f.Add(page(drug("a", "active", `"medicationCodeableConcept":`+tamsulosinCode)))
	f.Add(page(drug("a", "x", `"medicationCodeableConcept":7`), `{"resourceType":"Observation"}`))
	f.Add(page(drug("a", "active", `"medicationCodeableConcept":{"text":"no medication"}`), drug("a", "active", `"x":1`), drug("..", "active", `"x":1`), "null"))
	f.Add([]byte(`{"resourceType":"Bundle","entry":[{"resource":null},{"fullUrl":7},{"resource":{"resourceType":"MedicationStatement","status":null}}]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		r := NewRecord("Patient/p", Options{})
		if _, err := r.AddPage("MedicationStatement", body); err != nil {
			return
		}
		accounted := map[string]bool{}
		for _, e := range r.History().Entries {
			accounted[e.Reference] = true
			if !ValidReference(e.Reference, "MedicationStatement") && e.Kind == rules.Medication && strings.HasPrefix(e.Reference, "MedicationStatement") {
				t.Fatalf("%q is no reference", e.Reference)
			}
		}
		h := r.History()
		left := len(h.Dropped)
		_, err := WalkBundle(body, Limits{}, func(e BundleEntry) error {
			x := e.head()
			if x.ResourceType != "MedicationStatement" || accounted[x.ref()] {
				return nil
			}
			accounted[x.ref()] = validID(x.ID)
			if left--; left < 0 && !h.NoMedication {
				t.Fatalf("%q is neither kept nor dropped", x.ref())
			}
			return nil
		})
		require.NoError(t, err)
	})
}

// A walk ends with every entry handed out as a part of the body, or with an error that holds nothing of it.
func FuzzWalkBundle(f *testing.F) {
	f.Add(page(drug("a", "active", `"medicationCodeableConcept":`+tamsulosinCode), "null", "7"))
	f.Add([]byte(`{"resourceType":"Bundle","total":3,"link":[{"relation":"next","url":"n"}],"entry":[{"response":{"status":"404 x","outcome":{}}}]}`))
	f.Add([]byte(`{"resourceType":"Bundle","entry":[{}],"entry":[{}]}{`))
	f.Fuzz(func(t *testing.T, body []byte) {
		before := bytes.Clone(body)
		n := 0
		_, err := WalkBundle(body, Limits{Entries: 50}, func(e BundleEntry) error {
			n++
			if e.Resource != nil && !bytes.Contains(body, e.Resource) {
				t.Fatal("an entry that is not of the body")
			}
			return nil
		})
		require.LessOrEqual(t, n, 50)
		require.Equal(t, before, body)
		if err == nil && !jsontext.Value(body).IsValid(faultyInside) {
			t.Fatal("read to its end, and not JSON")
		}
	})
}

func FuzzDecodeAppointment(f *testing.F) {
	f.Add([]byte(`{"resourceType":"Appointment","id":"a","status":"booked","start":"2026-03-09T09:00:00Z","participant":[{"actor":{"reference":"Patient/p"}}]}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		a, err := DecodeAppointment(body, Options{})
		if err != nil {
			return
		}
		for _, p := range a.Patients {
			if !ValidReference(p, "Patient") {
				t.Fatalf("%q is no reference to a patient", p)
			}
		}
	})
}

func FuzzParseStanding(f *testing.F) {
	f.Add([]byte(`{"resourceType":"Flag","id":"f","identifier":[{"system":"` + DefaultCanonical + `/identifier/flag","value":"p.floppy-iris.right.1"}],"status":"active"}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		s, ours, err := ParseStanding(Names{Canonical: DefaultCanonical}, body)
		if err == nil && ours && s.N < 1 {
			t.Fatalf("count %d", s.N)
		}
	})
}

// What is kept of a record that was closed holds nothing of the patient.
func TestClosedRecordHoldsNothing(t *testing.T) {
	r := NewRecord("Patient/p", Options{})
	r.Accept("Patient/q")
	_, err := r.AddPage("", []byte(`{"resourceType":"Bundle","entry":[{"fullUrl":"urn:uuid:1","resource":{"resourceType":"Patient","id":"p"}},{"fullUrl":"urn:uuid:2","resource":{
		"resourceType":"Condition","id":"c","subject":{"reference":"urn:uuid:1"},"code":{"text":"Glaucoma"},"clinicalStatus":{"coding":[{"code":"active"}]}}}]}`))
	require.NoError(t, err)
	require.Len(t, r.History().Entries, 1)
	r.Close()
	require.Subset(t, []string{""}, r.accepted[:cap(r.accepted)])
	require.Subset(t, []alias{{}}, r.named[:cap(r.named)])
	for _, e := range r.entries[:cap(r.entries)] {
		require.Zero(t, e)
	}
	for _, e := range r.history[:cap(r.history)] {
		require.Zero(t, e)
	}
	for _, e := range r.page[:cap(r.page)] {
		require.Zero(t, e)
	}
}
