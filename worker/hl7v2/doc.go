// Package hl7v2 reads as much of an HL7 v2 message in ER7 as tells whose record it is about, and writes the acknowledgement.
//
// The path of a message: the listener hands its bytes to ReadHeader, which looks at MSH alone; the bytes go on the stream as they
// came; Acknowledge answers in the sender's own delimiters. Later the worker hands the bytes to Decode, which gives the
// identifiers of bookings and patients. What the message says beyond that is not believed: the record in the FHIR server rules.
package hl7v2
