// Package smart proves the worker to a FHIR server by SMART Backend Services (SMART App Launch 2.2.0, backend-services and
// client-confidential-asymmetric): no secret is shared, a signature is.
//
// Path of the data: the token endpoint is configured, or asked of the FHIR server (discovery); a statement of who we are, good for
// minutes and for one use, is signed with the client's private key (Keys) and exchanged for an access token; the Source holds that
// token, renews it before it ends, and hands it to the FHIR client, request by request.
//
// What never happens here: a followed redirect, a token endpoint of another origin that the configuration does not name, a token
// taken that grants less than was asked, and an error or log line with a key, a token, or prose of a server.
package smart
