// Package modbus reads a press's counters and flags over Modbus TCP.
//
// It promises: only read requests are sent; every value of more than one
// register is read in one request, so that its halves belong together; all of
// a poll's values carry one instant; a device that does not answer, or answers
// with an exception, gives no value and is asked again with growing pauses, for
// ever. A poll that takes longer than its interval is followed by the next one
// without delay and counted, never queued. The context of Run stops it.
package modbus
