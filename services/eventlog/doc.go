// Package eventlog is the log between agents and ingest: the bytes of a
// frame, the subjects and streams they travel on, the rules an event must
// keep, the marks that come back, the lease of the one writer, the registry's
// revisions, and the embedded server that carries it all.
//
// It promises: a frame decodes to exactly the events that were encoded, or
// not at all; no decoder panics or allocates from a length it has not
// checked; a revision is appended once, after the one before it; a mark that
// does not carry magic, checksum and the epoch asked for is never believed.
//
// What is stored in the streams is transport. The copy of record is the
// agent's spool until the mark has passed an event, and the warehouse's
// events table from then on.
//
// Nothing here starts by itself: Server.Run and Lease.Run work until their
// context ends; subscriptions are stopped by their caller.
package eventlog
