// Package fhirstore is a small FHIR R4 server that keeps everything in memory. The demo runs on it, and tests use it where
// they need a server that misbehaves on demand. It is no production server and must never hold a real patient's data: it
// keeps nothing when it ends, checks no resource against its profile, and knows no users.
//
// Path of the data: a request (rest.go) becomes a call; a single interaction is carried out on the records (store.go) under
// one lock, a batch entry by entry, a transaction in one piece with everything undone when an entry fails (bundle.go). A
// search is read once into criteria (query.go, with the parameters in parameter.go and dates in date.go), answered from the
// records and cut into pages (search.go). A JSON Patch is carried out in patch.go. A resource's JSON is kept as it came, byte for byte; only id, meta.versionId and
// meta.lastUpdated are written into it (document.go).
//
// Two sides use it. Over HTTP it is a server like others, and Options say how well it behaves: DefaultOptions does what the
// R4 specification asks, the other presets behave as real servers were measured to. In the same process, Put, Edit and
// Delete act as another person or system would, Fault breaks what is asked next, and Requests, History and Snapshot show
// what a client did.
package fhirstore
