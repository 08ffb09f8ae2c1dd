// Package fhirhttp is the worker's one door to a FHIR R4 server.
//
// Path of the data: a lane of the worker asks for a patient's record (Gather: one batch where the server takes batches, else
// parallel reads), follows what is cut into pages (Pages), and sends what it derived (Transaction, or Write where the server
// offers no transaction). Every request of every lane passes one gate: so many at once and no more, none while the server asked
// for quiet, none but a single probe while the server is down. Answers come back as the bytes the server sent, checked to be
// whole, to be FHIR and to be what was asked for; what they mean is package fhirmap's work.
//
// What never happens here: a retry of a write, a followed redirect, a token or a body sent to another origin than the configured
// one, a cut answer taken for a whole one, and a text (error or log) with an id, a query or anything a server wrote in prose.
package fhirhttp
