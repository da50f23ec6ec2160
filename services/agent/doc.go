// Package agent takes events from the press side into the log.
//
// It reads JSON Lines (one event a line, protobuf's JSON mapping of
// downweb.v1.Event; testdata/agent/FORMAT.md) from files, directories, stdin
// or readers of the same process, checks each line, and keeps what is good in
// a spool on disk until the warehouse has confirmed it. Meters makes lines of
// live counter samples.
//
// It promises: a line counted as accepted is on disk, and leaves the disk
// only when the mark has passed it. A bad line is named with file, line and
// field, counted, and costs nothing but itself. A file is resumed exactly
// where the last committed event ended. Feeding the same lines again adds
// nothing: slices are refused where their time is covered, other events by
// their source_key for 35 days. The log never holds a badge. A full spool
// stops the reading and says so; nothing is dropped. What a damaged disk has
// lost is told to the warehouse, range by range.
//
// One agent serves many presses: each has its own place in what is in flight,
// so that a week's backlog of one does not hold up the others.
//
// No sequence number of an epoch is given to two events, though the spool be
// an old copy: after a start, new events wait until the warehouse has answered
// for every press; where it knows of more than the spool does, a new epoch is
// begun (see line). What the copy had taken in while it was itself unproven
// may come again in the new epoch; slices and keyed events count once all the
// same.
//
// Times the agent gives are those of package clock; steps over five minutes
// are recorded as ClockStepped for every press.
//
// New does nothing. Run works until its context ends, or, where no source is
// followed, until all is read and confirmed.
package agent
