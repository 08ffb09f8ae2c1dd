package fhirmap

import (
	"strconv"
	"strings"

	"github.com/google/uuid"

	"pupilrisk/rules"
)

// DefaultCanonical is the base of our own code and identifier systems where a site sets none.
const DefaultCanonical = "https://pupilrisk.example/fhir"

// Canonical URIs of the FHIR R4 extensions we write (hl7.org/fhir/R4/flag-profiles.html, task-profiles.html).
const (
	extFlagDetail   = "http://hl7.org/fhir/StructureDefinition/flag-detail"
	extFlagPriority = "http://hl7.org/fhir/StructureDefinition/flag-priority"
	extTaskReplaces = "http://hl7.org/fhir/StructureDefinition/task-replaces"
)

// Names are the identifier systems, code systems and ids that everything we write is found by.
type Names struct {
	// Canonical is the base URI, without a slash at its end.
	Canonical string
}

// FlagSystem is the identifier system of our Flags.
func (n Names) FlagSystem() string { return n.Canonical + "/identifier/flag" }

// TaskSystem is the identifier system of our Tasks.
func (n Names) TaskSystem() string { return n.Canonical + "/identifier/task" }

// DeviceSystem is the identifier system of our Device.
func (n Names) DeviceSystem() string { return n.Canonical + "/identifier/device" }

func (n Names) hazardCodes() string      { return n.Canonical + "/CodeSystem/hazard" }
func (n Names) preparationCodes() string { return n.Canonical + "/CodeSystem/preparation" }
func (n Names) endedCodes() string       { return n.Canonical + "/CodeSystem/ended" }
func (n Names) answerCodes() string      { return n.Canonical + "/CodeSystem/answer" }
func (n Names) writtenExtension() string { return n.Canonical + "/StructureDefinition/written" }

// ID is the resource id that belongs to a key: UUIDv5 of the canonical base and the key, so that every worker that derives
// the same key writes the same resource.
func (n Names) ID(key string) string {
	return uuid.NewSHA1(uuid.NameSpaceURL, []byte(n.Canonical+"/"+key)).String()
}

// FlagKey is the key of a Flag without its count n: patient, hazard, eye.
func FlagKey(patientID string, h rules.Hazard, eye rules.Eye) string {
	return patientID + "." + string(h) + "." + eye.String()
}

// TaskKey is the key of a Task without its count n: operation, patient, eye, preparation.
func TaskKey(operation, patientID string, eye rules.Eye, preparation string) string {
	return operation + "." + patientID + "." + eye.String() + "." + preparation
}

// numbered adds the count n, which starts at 1.
func numbered(base string, n int) string { return base + "." + strconv.Itoa(n) }

// splitNumbered takes a key apart into base and n; ok is false where it is none of ours.
func splitNumbered(key string) (base string, n int, ok bool) {
	i := strings.LastIndexByte(key, '.')
	if i <= 0 {
		return "", 0, false
	}
	n, err := strconv.Atoi(key[i+1:])
	return key[:i], n, err == nil && n > 0
}

// FirstIDs are the references under which the first Flags and Tasks of a booking would be created. They are read beside the
// history, so that a booking seen for the first time costs no further request.
func (n Names) FirstIDs(patientID, operation string, eye rules.Eye, preparations []string) []string {
	var refs []string
	for _, side := range eye.Sides() {
		for _, h := range rules.Hazards {
			refs = append(refs, "Flag/"+n.ID(numbered(FlagKey(patientID, h, side), 1)))
		}
	}
	if operation != "" {
		for _, p := range preparations {
			refs = append(refs, "Task/"+n.ID(numbered(TaskKey(operation, patientID, eye, p), 1)))
		}
	}
	return refs
}
