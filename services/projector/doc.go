// Package projector keeps the projections true: whatever arrives, in whatever
// order, however often, the rows are what one fold over the log gives.
//
// A press's dirty days are loaded, folded by the pure rules of analytics,
// compared with what is stored, and only the difference is written. Nothing is
// ever added to a stored number, so a crash anywhere only means doing it again.
//
// A production day is a function of the carry before it and of the events from
// 48 hours before its start to 48 hours after its end. Hence a change on a day
// reaches back two days, and the two days before those are folded again without
// being written, so that what they grant is known.
package projector
