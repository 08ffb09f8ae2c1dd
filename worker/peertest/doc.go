// Package peertest gives tests an independent FHIR R4 server and two independent validators, so that what we write is
// judged by software that nobody here wrote. Both are Node programs under testdata/interop; so are a schedule that reads what we
// write, HL7 v2 clients that send to us, and a second reading of the risk factors.
//
// The path of the data: Server starts the server on a loopback port and returns its Peer; the test seeds it (Peer.Put),
// lets the worker do its job against Peer.Base, orders faults (Peer.Fault) and reads back what stands (Peer.All), which
// Validate then checks.
//
// The interop tests are off unless PUPILRISK_INTEROP=1 is set, because they need Node 20 and, once, a package registry.
// Without Node, npm or the packages they are skipped with a message. Where PUPILRISK_REQUIRE names "interop" they are on,
// and a skip is a failure.
package peertest
