package fhirmap

import "pupilrisk/rules"

// verdict is what a status means for the history.
type verdict struct {
	standing rules.Standing
	ended    bool
}

var (
	stands = verdict{rules.Counts, false}
	over   = verdict{rules.Counts, true}
	asks   = verdict{rules.Asks, false}
	void   = verdict{rules.Void, false}
)

// statuses holds, for each type, every code of the required binding of its status in FHIR R4 (the status value sets at
// hl7.org/fhir/R4), and what it means here. An absent status, "", is unknown and counts: it is not the first of the list.
// A code that is not here is none of the standard, and the entry is dropped.
var statuses = map[string]map[string]verdict{
	"MedicationStatement": {
		"": stands, "active": stands, "completed": over, "entered-in-error": asks, "intended": stands, "stopped": over, "on-hold": stands,
		"unknown": stands, "not-taken": asks,
	},
	"MedicationRequest": {
		"": stands, "active": stands, "on-hold": stands, "cancelled": asks, "completed": over, "entered-in-error": asks, "stopped": over,
		"draft": asks, "unknown": stands,
	},
	"MedicationDispense": {
		"": stands, "preparation": asks, "in-progress": asks, "cancelled": asks, "on-hold": asks, "completed": over, "entered-in-error": asks,
		"stopped": over, "declined": asks, "unknown": stands,
	},
	"MedicationAdministration": {
		"": stands, "in-progress": stands, "not-done": asks, "on-hold": stands, "completed": over, "entered-in-error": asks, "stopped": over,
		"unknown": stands,
	},
	"Procedure": {
		"": over, "preparation": asks, "in-progress": stands, "not-done": asks, "on-hold": stands, "stopped": over, "completed": over,
		"entered-in-error": asks, "unknown": over,
	},
	"Observation": {
		"": stands, "registered": stands, "preliminary": stands, "final": stands, "amended": stands, "corrected": stands, "cancelled": void,
		"entered-in-error": void, "unknown": stands,
	},
	"DeviceUseStatement": {
		"": stands, "active": stands, "completed": over, "entered-in-error": asks, "intended": asks, "stopped": over, "on-hold": stands,
	},
}

// intents are the codes of MedicationRequest.intent; true means that the request alone is no sign that the drug was taken.
var intents = map[string]bool{
	"": false, "proposal": true, "plan": true, "order": false, "original-order": false, "reflex-order": false, "filler-order": false,
	"instance-order": false, "option": true,
}

// verifications are the codes of verificationStatus of Condition and AllergyIntolerance.
var verifications = map[string]verdict{
	"": stands, "unconfirmed": stands, "provisional": stands, "differential": stands, "confirmed": stands, "refuted": void,
	"entered-in-error": void,
}

// clinicalStatuses are the codes of clinicalStatus of Condition and AllergyIntolerance.
var clinicalStatuses = map[string]verdict{
	"": stands, "active": stands, "recurrence": stands, "relapse": stands, "inactive": over, "remission": over, "resolved": over,
}

// appointmentStatuses are the codes of Appointment.status.
var appointmentStatuses = []string{
	"proposed", "pending", "booked", "arrived", "fulfilled", "cancelled", "noshow", "entered-in-error", "checked-in", "waitlist",
}
