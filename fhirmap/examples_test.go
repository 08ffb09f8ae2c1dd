package fhirmap

import (
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"

	"pupilrisk/rules"
)

// sharedData is the folder of open test data beside the project. Where it is absent the test is skipped with a message, or
// fails if it is required.
func sharedData(t testing.TB, parts ...string) string {
	t.Helper()
	dir := os.Getenv("PUPILRISK_SHARED_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "shared", "data")
	}
	path := filepath.Join(append([]string{dir}, parts...)...)
	if _, err := os.Stat(path); err != nil {
		if strings.Contains(os.Getenv("PUPILRISK_REQUIRE"), "shared") {
			t.Fatalf("open test data is required and not there: %s", filepath.Join(parts...))
		}
		t.Skipf("no open test data (%s); PUPILRISK_SHARED_DATA names its folder", filepath.Join(parts...))
	}
	return path
}

func files(t testing.TB, pattern string) []string {
	t.Helper()
	found, err := filepath.Glob(pattern)
	require.NoError(t, err)
	require.NotEmpty(t, found, pattern)
	return found
}

func read(t testing.TB, file string) []byte {
	t.Helper()
	raw, err := os.ReadFile(file)
	require.NoError(t, err)
	return raw
}

// subjectOf is the patient that an example names.
func subjectOf(t testing.TB, raw []byte) string {
	t.Helper()
	var r struct {
		Subject, Patient struct{ Reference string }
	}
	require.NoError(t, json.Unmarshal(raw, &r, json.MatchCaseInsensitiveNames(true), faultyInside))
	if r.Patient.Reference != "" {
		return r.Patient.Reference
	}
	return r.Subject.Reference
}

// namelessExamples are the official examples that do not say what was done or used in any element: they are not read as
// nothing but counted as unreadable.
var namelessExamples = map[string]string{
	"Procedure-appendectomy-narrative": "only its narrative says what was done",
	"Procedure-example-implant":        "the implanted Device is not among the examples",
	"DeviceUseStatement-example":       "the Device has neither type nor name",
}

// The official examples of FHIR R4 (package hl7.fhir.r4.examples 4.0.1, CC0) of every type of history: each is read whole,
// as an entry of the patient it names.
func TestOfficialExamplesAreRead(t *testing.T) {
	for _, typ := range []string{
		"MedicationStatement", "MedicationRequest", "MedicationDispense", "MedicationAdministration", "Procedure", "Condition",
		"Observation", "AllergyIntolerance", "DeviceUseStatement",
	} {
		for _, file := range files(t, filepath.Join(sharedData(t, "fhir-r4-examples", typ), "*.json")) {
			name := strings.TrimSuffix(filepath.Base(file), ".json")
			t.Run(name, func(t *testing.T) {
				raw := read(t, file)
				subject := subjectOf(t, raw)
				if !strings.HasPrefix(subject, "Patient/") {
					t.Logf("about %q, not a patient of ours", subject)
					r := NewRecord("Patient/somebody", Options{})
					require.NoError(t, r.AddResource(raw))
					require.Empty(t, r.History().Entries)
					require.Equal(t, rules.DropPatient, r.History().Dropped[0].Reason)
					return
				}
				r := NewRecord(subject, Options{})
				require.NoError(t, r.AddResource(raw))
				for _, ref := range r.Unresolved() {
					for _, dir := range []string{"Medication", "Device", "BodyStructure"} {
						path := sharedData(t, "fhir-r4-examples", dir)
						if body, err := os.ReadFile(filepath.Join(path, strings.Replace(ref, "/", "-", 1)+".json")); err == nil {
							require.NoError(t, r.AddResource(body))
						}
					}
				}
				h := r.History()
				if why, odd := namelessExamples[name]; odd {
					require.Equal(t, []rules.Dropped{{Type: typ, Reason: rules.DropMissing}}, h.Dropped, why)
					return
				}
				require.Empty(t, h.Dropped)
				require.NotEmpty(t, h.Entries)
				for _, e := range h.Entries {
					require.True(t, strings.HasPrefix(e.Reference, typ+"/"), e.Reference)
					require.NotEmpty(t, e.Concepts, "nothing says what it is")
				}
			})
		}
	}
}

// What the official examples say of single oddities, as their pages describe them (hl7.org/fhir/R4/*-examples.html).
func TestOfficialExamplesOddities(t *testing.T) {
	entry := func(typ, name string) rules.Entry {
		raw := read(t, filepath.Join(sharedData(t, "fhir-r4-examples", typ), typ+"-"+name+".json"))
		r := NewRecord(subjectOf(t, raw), Options{})
		require.NoError(t, r.AddResource(raw))
		h := r.History()
		require.NotEmpty(t, h.Entries, "%+v", h.Dropped)
		return h.Entries[0]
	}
	require.Equal(t, rules.Asks, entry("MedicationStatement", "example005").Standing, "entered in error")
	pill := entry("MedicationStatement", "example003")
	require.Equal(t, rules.Counts, pill.Standing)
	require.Equal(t, "Little Pink Pill for water retention", pill.Concepts[0].Text)
	require.NotEmpty(t, entry("MedicationStatement", "example001").Concepts, "the drug is contained")
	require.Equal(t, rules.Asks, entry("Procedure", "ambulation").Standing, "not done")
	require.Equal(t, rules.LeftEye, entry("Observation", "bmd").Eye, "post-coordinated laterality")
}

// HL7's eye-care guide (draft 0.1.0, CC0) says the side by BodyStructure alone.
func TestEyeCareGuideSides(t *testing.T) {
	dir := sharedData(t, "fhir-eyecare-examples")
	sides := map[string]rules.Eye{}
	for _, file := range files(t, filepath.Join(dir, "observation-*.json")) {
		raw := read(t, file)
		r := NewRecord(subjectOf(t, raw), Options{})
		require.NoError(t, r.AddResource(raw))
		for _, ref := range r.Unresolved() {
			for _, b := range files(t, filepath.Join(dir, "bodystructure-*.json")) {
				if body := read(t, b); strings.HasSuffix(ref, "/"+head(body).ID) {
					require.NoError(t, r.AddResource(body))
				}
			}
		}
		h := r.History()
		require.Empty(t, h.Dropped, file)
		sides[filepath.Base(file)] = h.Entries[0].Eye
	}
	require.NotEmpty(t, sides)
	var right, left int
	for name, e := range sides {
		require.Contains(t, []rules.Eye{rules.RightEye, rules.LeftEye}, e, name)
		if e == rules.RightEye {
			right++
		} else {
			left++
		}
	}
	require.NotZero(t, right)
	require.NotZero(t, left)
}

func patientsOf(raw []byte) (all []string, err error) {
	err = ReadText(raw, func(t Text) (err error) {
		all, err = t.Patients()
		return err
	})
	return all, err
}

// The official example of references in a Bundle (bundle-references): relative, absolute, by urn to a Patient without an id,
// with a version; one names nobody but an identifier, one a patient of another server.
func TestOfficialBundleReferences(t *testing.T) {
	raw := read(t, sharedData(t, "fhir-r4-examples", "Bundle", "Bundle-bundle-references.json"))
	all, err := patientsOf(raw)
	require.NoError(t, err)
	const urn = "Patient/04121321-4af5-424c-a0e1-ed3aab1c349d"
	require.Equal(t, []string{"Patient/23", urn, "Patient/45"}, all)
	for patient, want := range map[string][]string{
		"Patient/23": {"Observation/123", "Observation/124"}, urn: {"Observation/12"}, "Patient/45": {"Observation/47"},
	} {
		r := NewRecord(patient, Options{IgnoreOthers: true})
		_, err := r.AddPage("", raw)
		require.NoError(t, err)
		var got []string
		for _, e := range r.History().Entries {
			got = append(got, e.Reference)
		}
		require.Equal(t, want, got)
		require.True(t, r.Patient().Found)
	}
}

// The answer to a batch holds a Bundle for each search (official example bundle-response-simplesummary).
func TestOfficialBatchResponse(t *testing.T) {
	raw := read(t, sharedData(t, "fhir-r4-examples", "Bundle", "Bundle-bundle-response-simplesummary.json"))
	all, err := patientsOf(raw)
	require.NoError(t, err)
	require.Equal(t, []string{"Patient/example"}, all)
	r := NewRecord("Patient/example", Options{IgnoreOthers: true})
	_, err = r.AddPage("", raw)
	require.NoError(t, err)
	require.Len(t, r.History().Entries, 4)
	require.Empty(t, r.History().Dropped)
}

// The official Appointments and ServiceRequests are read, and none of them names an eye.
func TestOfficialBookings(t *testing.T) {
	for _, file := range files(t, filepath.Join(sharedData(t, "fhir-r4-examples", "Appointment"), "*.json")) {
		a, err := DecodeAppointment(read(t, file), Options{})
		require.NoError(t, err, file)
		require.Equal(t, []string{"Patient/example"}, a.Patients)
		require.NotEmpty(t, a.Service)
		require.Equal(t, rules.EyeUnknown, a.Eye)
	}
	for _, file := range files(t, filepath.Join(sharedData(t, "fhir-r4-examples", "ServiceRequest"), "*.json")) {
		raw := read(t, file)
		r := NewRecord(subjectOf(t, raw), Options{})
		require.NoError(t, r.AddResource(raw))
		if strings.HasPrefix(subjectOf(t, raw), "Patient/") {
			require.Empty(t, r.Dropped(), file)
			require.Len(t, r.requests, 1)
		}
	}
}

// A searchset that holds nothing but an outcome is read as such (official example bundle-search-warning).
func TestOfficialSearchWarning(t *testing.T) {
	raw := read(t, filepath.Join(sharedData(t, "fhir-r4-examples", "Bundle"), "Bundle-bundle-search-warning.json"))
	r := NewRecord("Patient/p", Options{})
	page, err := r.AddPage("Observation", raw)
	require.NoError(t, err)
	require.Zero(t, page.Matches)
}

// Every code of a required status binding in FHIR R4 (package hl7.fhir.core 4.0.1, CC0) has its meaning here, and no other.
func TestStatusesAreThoseOfTheStandard(t *testing.T) {
	codes := func(t *testing.T, name string) []string {
		raw := read(t, sharedData(t, "fhir-r4-definitions", "CodeSystem-"+name+".json"))
		type concept struct {
			Code    string
			Concept []concept
		}
		var cs struct{ Concept []concept }
		require.NoError(t, json.Unmarshal(raw, &cs, json.MatchCaseInsensitiveNames(true)))
		var out []string
		var walk func([]concept)
		walk = func(all []concept) {
			for _, c := range all {
				out = append(out, c.Code)
				walk(c.Concept)
			}
		}
		walk(cs.Concept)
		return out
	}
	for typ, system := range map[string]string{
		"MedicationStatement": "medication-statement-status", "MedicationRequest": "medicationrequest-status",
		"MedicationDispense": "medicationdispense-status", "MedicationAdministration": "medication-admin-status",
		"Procedure": "event-status", "Observation": "observation-status", "DeviceUseStatement": "device-statement-status",
	} {
		t.Run(typ, func(t *testing.T) {
			require.ElementsMatch(t, append(codes(t, system), ""), slices.Collect(maps.Keys(statuses[typ])), "the codes and the absent one")
		})
	}
	t.Run("intent", func(t *testing.T) {
		require.ElementsMatch(t, append(codes(t, "medicationrequest-intent"), ""), slices.Collect(maps.Keys(intents)))
	})
	t.Run("appointment", func(t *testing.T) {
		require.ElementsMatch(t, codes(t, "appointmentstatus"), appointmentStatuses)
	})
	// Condition and AllergyIntolerance share one table each: the codes of either.
	both := func(t *testing.T, condition, allergy string) []string {
		all := append(append(codes(t, condition), codes(t, allergy)...), "")
		slices.Sort(all)
		return slices.Compact(all)
	}
	t.Run("verification", func(t *testing.T) {
		require.ElementsMatch(t, both(t, "condition-ver-status", "allergyintolerance-verification"), slices.Collect(maps.Keys(verifications)))
	})
	t.Run("clinical", func(t *testing.T) {
		require.ElementsMatch(t, both(t, "condition-clinical", "allergyintolerance-clinical"), slices.Collect(maps.Keys(clinicalStatuses)))
	})
}
