// Package machine turns what a press's controller tells, over whichever
// protocol, into the samples that package counter makes slices of.
//
// A mapping file (see ParseMapping) says which address holds which signal: web
// speed, the two length counters, and flags for power, fault, good counter on
// and job open. An Adapter (services/agent/opcua, mqtt, modbus) reads the
// addresses and gives Values; an Assembler holds the latest of each signal and
// makes a counter.Sample whenever something came. It promises: a sample is made
// only of values that the machine itself called good and that are not older
// than the mapping allows; while one that is needed is missing there is no
// sample, so the time shows as a gap and nothing is guessed.
//
// Adapters only read. Nothing here, and nothing that uses it, writes to a
// controller.
package machine
