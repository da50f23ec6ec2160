// Package fleetsim is a simulated fleet: two invented plants in different time
// zones, twelve presses of three kinds, with shifts, jobs, make-readies, stops,
// cleaning sessions, skips, late notes and corrections, written as the JSON
// lines that the agent reads. It speaks nothing else.
//
// It promises that the same Config gives the same bytes, press by press, in
// whatever order or how parallel the presses are generated; that no slice lies
// outside a shift; and that what it planted (which missed clean raises which
// waste, by how much, after what delay) is known exactly: Truth compares every
// run that started dirty with the same run, same random numbers, started clean.
//
// All numbers are invented: common practice, no source. The cleaning plans are
// examples, not advice: the maker's manual, the site's lock-out procedure,
// local code and trained people come first.
package fleetsim
