// Package method runs a named statistical method on a table, for the engineer
// who brings his own question: the table's columns get roles (outcome,
// exposure, controls, group, cluster, time, offset), the answer is a Result
// with estimates, intervals, tests and the method's formula, assumptions and
// source in words.
//
// It promises: values in, values out (no file, clock or hidden random source);
// the same table, request and seed give the same bits on one CPU family; a
// Result has no NaN and no infinity, so it can be written as JSON; a question
// the table cannot answer is an error that wraps one of stats.ErrTooFew,
// stats.ErrInput and stats.ErrNotConverged and says what is missing.
//
// The estimators are those of package stats; here are the reading of the table,
// the designs made from it and the words. What a method finds in a record that
// nobody randomised is a difference that goes with the exposure, and the texts
// say no more than that.
package method
