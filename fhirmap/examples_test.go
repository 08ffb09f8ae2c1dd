package fhirmap

import (
	"os"
	"path/filepath"
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
	codes := func(name string) []string {
		path := filepath.Join(sharedData(t, "fhir-r4-definitions"), "CodeSystem-"+name+".json")
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Skipf("the definitions hold no CodeSystem %s", name)
		}
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
			want := codes(system)
			for _, c := range want {
				require.Contains(t, statuses[typ], c)
			}
			require.Len(t, statuses[typ], len(want)+1, "the codes and the absent one")
		})
	}
	t.Run("intent", func(t *testing.T) {
		for _, c := range codes("medicationrequest-intent") {
			require.Contains(t, intents, c)
		}
	})
	t.Run("appointment", func(t *testing.T) {
		require.ElementsMatch(t, codes("appointmentstatus"), appointmentStatuses)
	})
	t.Run("verification", func(t *testing.T) {
		for _, c := range codes("condition-ver-status") {
			require.Contains(t, verifications, c)
		}
	})
	t.Run("clinical", func(t *testing.T) {
		for _, c := range codes("condition-clinical") {
			require.Contains(t, clinicalStatuses, c)
		}
	})
}
