// Package fhirmap maps FHIR R4 both ways: a patient's record into the values that rules reasons about, and assessments into
// the Flags, Tasks and Provenance that should stand. It does no I/O: bytes in, values out.
//
// The path of the data, inwards:
//
//	jsonscan.go      the text is gone over once, strictly; what is broken in itself is marked where it stands
//	bundle.go        a page's entries are handed out, so that one that is broken loses no other
//	record.go        each entry goes to the decoder of its type; what cannot be read is dropped alone, with its reason
//	medication.go …  the decoders: small structs of our own, strict, one file for each kind of record
//	jsonread.go      how such a struct is filled from the scanned text
//	concept.go date.go status.go eye.go eyecode.go bodysite.go   what the types have in common
//
// What is read are parts of the body it came in: whoever gives a body to this package leaves it as it is from then on.
//
// An event comes in as notification.go reads it: a subscription's notification, a FHIR message or a CloudEvent says which
// booking or patient to look at, and no more.
//
// Outwards: desired.go and standing.go, compared by reconcile.go; flag.go, task.go and provenance.go build.
// link.go is the one change of what is not ours: references to our Flags in an appointment, where a site wants them.
//
// What becomes of what:
//
//	MedicationStatement, -Request, -Dispense, -Administration  Entry of kind medication; Medication (inline, referenced,
//	                                  contained) and its ingredients are its concepts, form, route and dosage qualify it
//	Procedure                         Entry of kind procedure; used devices and complications are entries of their own
//	Condition                         Entry of kind condition
//	Observation                       Entry of kind observation, one more for each component
//	AllergyIntolerance                Entry of kind intolerance
//	DeviceUseStatement                Entry of kind device
//	Appointment, ServiceRequest       Appointment: what is booked, which eye
//	Patient                           PatientInfo: merged into whom, whose name
//	narrative, images, signatures     ignored on purpose
//
// The model library is used to build our own resources only: in reading, a code it does not know would lose the whole
// resource, an absent status would become the first code, and contained resources would be dropped.
package fhirmap
