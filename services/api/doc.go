// Package api answers over gRPC: it parses the request, reads the projections,
// lets the pure packages compute, and answers with the pins of what it saw.
//
// No data is an answer with coverage 0, never an error. What a client did
// wrong is INVALID_ARGUMENT with the field, NOT_FOUND with the resource or
// ABORTED with the current revision; nothing of the inside (a path, a stack, a
// query) reaches a client.
package api
