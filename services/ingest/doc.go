// Package ingest takes frames off the log, checks them, stores their events in the warehouse and answers agents who
// ask how far it has got.
//
// It promises: an event is acknowledged only when it is stored, or kept whole as a dead letter with the reason; every
// event is stored once, whatever is sent twice, cut differently, delivered in another order or interrupted at any
// moment; nothing that cannot be read stops what comes after it; and while the warehouse is away it waits and tries
// again, so that frames pile up in the stream and nowhere else.
//
// One ingest works at a time, under a lease; others stand by. The lease is not a lock: who takes it first fences out
// whoever wrote before, so that one who was paused in the middle of an insert and wakes stores nothing; and what is
// stored twice all the same has one key.
//
// Steps of a batch: pull and decode (pull.go); admit (admit.go); dirty marks and the lowest seqs of new epochs;
// one INSERT for each month (store.go); marks advance (progress.go); acknowledge; tell who waits. Repeats can come from
// redelivery after a crash or a lost acknowledgement and from agents who send again; the identity (plant, press, epoch,
// seq) removes them: by the marks where ingest knows, by reading back where it is not sure, by the table's key at last.
package ingest
