// Package hl7v2 reads as much of an HL7 v2 message in ER7 as tells whose record it is about and what is booked, and writes the
// acknowledgement.
//
// The path of a message: the listener hands its bytes to ReadHeader, which looks at MSH alone; the bytes go on the stream as they
// came; Acknowledge answers in the sender's own delimiters. Later the worker hands the bytes to Decode, which gives the
// identifiers of bookings and patients and, of a message about a booking, the message taken apart. The record in the FHIR server rules.
// Where it knows no such booking, Message.Booking says what the message says of it, as elements of a FHIR R4 Appointment
// (appointment.go, by HL7's own maps).
package hl7v2
