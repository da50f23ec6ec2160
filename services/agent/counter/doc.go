// Package counter turns samples of a press's speed, length counters and flags
// into slices of its time.
//
// It promises: slices lie in order, do not overlap, are at most 60 s long and
// inside one UTC minute, and join without a hole wherever samples came close
// enough together. Lengths are never negative, and over the time the slices
// cover they add up to what the counters counted, to the fraction of a
// millimeter that a later slice takes over. Time without samples or without
// power gives no slice but a report with its length; what the counters moved
// meanwhile stands in that report and in no slice. Nothing is guessed: what
// cannot be told is reported and left out. The same samples give the same
// slices.
//
// The states follow the counter source of the accounting rules, in this
// order: speed at or above the threshold with the good counter on is
// PRODUCTION; a job open of which no good length has been counted yet is
// SETUP; a fault is DOWN; all else is WAITING; without power there is none. A
// sample's speed and flags hold until the next sample.
//
// The package is pure: no clock, no input or output, no goroutine.
package counter
