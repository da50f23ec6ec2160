// Package logserver runs a NATS server with JetStream inside this process: the
// event log of one machine, or one of a cluster of three.
//
// It promises: every write that a client was told of is on this machine's disk
// (sync always); agents, in an account of their own, can publish frames and ask
// for marks and see nothing else; a server whose storage failed ends Run with
// an error, so that whoever watches starts it again. The context of Run stops
// it. It is apart from package eventlog so that an agent does not link a
// server.
package logserver
