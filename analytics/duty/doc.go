// Package duty decides which cleaning tasks were due on a press and what
// became of them. It is a fold over production days: what a day needs of the
// past is in State, and a day looks at most 48 h behind its start and 48 h past
// its end. Nothing here reads a clock or depends on the order of arrival; events
// later than the frontier do not exist.
//
// # Which row belongs to which day
//
// A start-up, shut-down or job-change duty belongs to the production day it is
// about. A duty of a clock (weekly, every n days, run hours, kilometers)
// belongs to the day on which it is decided, so that a day's rows never change
// because of something more than 48 h later. A duty still undecided at the
// frontier is shown, as open, on the frontier's day only. Every duty makes
// exactly one row.
//
// # Windows
//
// Start-up: opens when the last PRODUCTION before the day ends, due at the
// day's first PRODUCTION, closes with the grace after it. A sign-off older than
// the plant's valid_for at first PRODUCTION does not count.
//
// Shut-down: opens 2 h before the end of the day's last planned shift, or at
// the day's first PRODUCTION if that is later; due at the end of the last
// planned shift, or of the day's last PRODUCTION if that is later; closes at
// the next first PRODUCTION or 12 h after the last one, whichever is first.
// Where that leaves nothing (a press that stopped more than 10 h before the
// window would open) the window opens at the last PRODUCTION's end.
//
// Job change: opens at the old job's last PRODUCTION, due and closed at the new
// job's first.
//
// Clocks: counted from the last sign-off of the task, whatever it discharged.
// The duty opens when four fifths of the interval have passed (a sign-off
// before that resets the clock without making a row or earning an allowance),
// is due when the clock reaches the interval, is late after due + grace, and is
// missed when the clock reaches twice the interval; the next one then is due at
// that instant, and so on. A sign-off before due is shown as due when it was
// made. A skip decides the duty at once. Several clocks on a task are one duty:
// the earliest one opens it, makes it due and closes it, and a sign-off resets
// them all. A weekly duty fixed to a weekday is due on that day whenever the
// last sign-off was: it opens a fifth of a week (33.6 h) before, and is late
// until the next week's opens. Due instants by date are at the end of the day's
// last planned shift; on a day without shifts at the end of the last planned
// shift before it, or, where that is less than half an interval after the last
// sign-off, of the first one after it.
//
// Run hours are time in PRODUCTION and in slices of any other state in which
// the web moved; kilometers are the counted length of every state, in planned
// time or not.
//
// # Outcomes
//
// On time: signed off by due + grace. Late: after that, inside the window.
// Skipped: no sign-off in the window, but a skip of a class that leaves the
// station as dirty as it was; the third in a row with no sign-off between is
// missed. Not required: the press did not run 10 min in PRODUCTION on the day
// (or, for a clock, while the duty was open), or a skip said the station was
// not in use. Unknown: planned time nobody knows anything about could hide a
// run (10 min in all), or could hide the clean (one stretch of at least ten
// minutes and the task's standard). A sign-off that discharges a duty
// that ends not required or unknown still grants its standard.
//
// A sign-off discharges one start-up, shut-down or job-change duty of its task
// (in order of due) and resets the task's clocks; tasks it also discharges are
// treated as signed off with it.
//
// The fifth of an interval before due is a choice of this project, no source.
//
// Cleaning can hurt people. A duty says what a plant's own plan asks for and
// when, never how: wherever duties are shown, cautions come first, and the
// maker's manual, the site's lock-out procedure, local code and trained people
// decide what is done.
package duty
