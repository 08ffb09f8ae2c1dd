// Package worker is the unattended worker between the scheduling events and the record system.
//
// The path of one event:
//
//	consume.go   a message from the stream gets a lane
//	event.go     which patients does it nudge us to look at? the event is no data
//	bookings.go  what an HL7 v2 message says of a booking is kept, for the bookings that the record does not know
//	patient.go   one pass over one patient: read, assess, compare, write
//	read.go      the patient's whole record: one batch, its pages, what it refers to; what was not read is marked
//	             (fhirmap.Record decodes, rules.Assess reasons, fhirmap.Writer.Reconcile compares)
//	write.go     the difference in one transaction, or in a safe order; in shadow mode into a bucket instead
//	provenance.go  what a crash between single writes lost; link.go  where a site wants it, the appointment points to its Flags
//	settle.go    the one place where an error becomes acknowledge, retry, wait or dead letter
//
// The sweep (sweep.go) takes the same pass for every patient with an operation in the horizon, without any event, and so
// closes every hole that lost events leave. health.go and metrics.go are what IT watches; service.go starts and stops it all.
package worker
