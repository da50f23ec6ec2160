// Package honesty asks the default study about fleets whose truth is known and
// counts how often it is right: whether its 95 % interval holds the planted
// difference 95 times of 100, whether its test calls a station without one in 5
// of 100, and whether the checks see what no model can repair.
//
// It promises: a row of the table is a function of its name and of how many
// fleets were asked. Fleets are numbered, each seeded by its number, so that a
// row can be run in pieces and anyone gets the same counts. Scenarios that must
// fail are rows too: they show by how much, and how often the check fires.
//
// The line: Fleet (a data set and its truth) → Row.Ask (the study's answer to
// one fleet) → Tally (counts) → judge (exact binomial) → Table (Markdown).
package honesty
