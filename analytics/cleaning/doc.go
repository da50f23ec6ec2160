// Package cleaning turns openings, sign-offs and closings into effective
// sessions, groups of overlapping sessions and station visits
// (times per station), free of the order in which the events arrived.
//
// A session's effective end is the earliest of its close, the first PRODUCTION
// run of at least 2 min after its last sign-off, and its last sign-off (or
// opening) + 15 min where no close came or it came more than 60 min after. A
// session is never longer than 24 h. A second opening of a session id before
// its close is the same session; one after its close opens it again as a
// session of its own.
//
// Cleaning can hurt people: times here describe what was recorded and are no
// target. The maker's manual, the site's lock-out procedure and local code come
// first.
package cleaning
