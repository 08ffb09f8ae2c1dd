// Package webhook receives what a FHIR server sends to a rest-hook: topic-based subscription notifications (Subscriptions R5
// Backport), what plain R4 subscriptions send, FHIR messages and CloudEvents.
//
// The path of one request:
//
//	receive.go  method, secret, media type and size are checked, then the body is read
//	body.go     what is it? a handshake or heartbeat is heard; an event is published to the stream as it came, and answered 200
//	            when the stream has confirmed it; an event that names nothing asks for a sweep
//	gaps.go     the numbers of a subscription's events are followed: those that never came are fetched
//
// A notification is a trigger and no data: what is read from it is which record to look at, and no answer says anything about
// a patient.
package webhook
