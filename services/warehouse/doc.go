// Package warehouse keeps the log and everything derived from it in ClickHouse: the embedded engine or a server, by
// one client.
//
// It promises: Open refuses a server older than 24.8 and a schema newer than this program; an insert of events is one
// statement into one partition, so that it is stored whole or not at all; an event stored twice is read once; and what
// is read never depends on the order in which events arrived. Voids, overlaps and corrections are not settled here:
// that is analytics/timeline's.
//
// An error of an insert says nothing about whether the rows are stored: read back (StoredSeqs) before trying again.
// What the embedded engine failed to write and did not tell is found out (verify.go, mend.go): run MindWrites beside a
// writer.
package warehouse
