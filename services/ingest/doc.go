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
// What comes again is compared with what is stored. The same is dropped; another event under the same identity means
// that two disks carry one epoch: it is kept as a dead letter, and so is all that comes of that epoch from then on
// (store.go), until a person has it redriven. Dead letters whose content is stored later are marked so. What an agent
// has given up is kept as a gap, and the mark passes it (gaps.go). Bodies that an older program kept raw are stored in
// columns once this one knows them (again.go). In hand are two batches at most, bounded in events, messages and bytes.
//
// Steps of a batch: pull and decode (pull.go); admit (admit.go); dirty marks and the lowest seqs of new epochs;
// one INSERT for each month (store.go); marks advance (progress.go); acknowledge; tell who waits. Repeats can come from
// redelivery after a crash or a lost acknowledgement and from agents who send again; the identity (plant, press, epoch,
// seq) removes them: by the marks where ingest knows, by reading back where it is not sure, by the table's key at last.
package ingest
