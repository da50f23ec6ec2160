// Package agent takes events from the press side into the log.
//
// It reads JSON Lines (one event a line, protobuf's JSON mapping of
// downweb.v1.Event; testdata/agent/FORMAT.md) from files, directories, stdin
// or readers of the same process, checks each line, and keeps what is good in
// a spool on disk until the warehouse has confirmed it.
//
// It promises: a line counted as accepted is on disk, and leaves the disk
// only when the mark has passed it. A bad line is named with file, line and
// field, counted, and costs nothing but itself. A file is resumed exactly
// where the last committed event ended. Feeding the same lines again adds
// nothing: slices are refused where their time is covered, other events by
// their source_key for 35 days. The log never holds a badge. A full spool
// stops the reading and says so; nothing is dropped.
//
// New does nothing. Run works until its context ends, or, where no source is
// followed, until all is read and confirmed.
package agent
