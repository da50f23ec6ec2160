package ingest

import "sync/atomic"

// Metrics count what ingest did since it was made.
type Metrics struct {
	Active     atomic.Int64  // 1 while the lease is held
	Frames     atomic.Uint64 // messages taken off the stream
	Events     atomic.Uint64 // events stored
	Inserts    atomic.Uint64 // INSERTs of events that succeeded
	Repeats    atomic.Uint64 // events dropped because they were stored before
	DeadEvents atomic.Uint64 // events kept as dead letters
	DeadFrames atomic.Uint64 // frames kept as dead letters
	HeldBack   atomic.Uint64 // frames of a newer version
	Retries    atomic.Uint64 // statements tried again
	ReadBacks  atomic.Uint64 // times the outcome of an insert was looked up
	Repaired   atomic.Uint64 // events that a look-up found missing and that were inserted again
	Trimmed    atomic.Uint64 // times an agent said that it no longer holds what is not stored: events are lost
	Lost       atomic.Uint64 // ranges that agents have given up for good
	Clones     atomic.Uint64 // events put aside because another is stored under their identity: two disks carry an epoch
	Decoded    atomic.Uint64 // events that an older program kept raw, decoded
	Redriven   atomic.Uint64 // dead letters that came again and are stored
	Revisions  atomic.Uint64 // registry revisions copied
	Pos        atomic.Uint64 // highest insert number
}

// Snapshot is the metrics at one moment, by name.
func (m *Metrics) Snapshot() map[string]uint64 {
	return map[string]uint64{
		"active": uint64(m.Active.Load()), "frames": m.Frames.Load(), "events": m.Events.Load(), "inserts": m.Inserts.Load(),
		"repeats": m.Repeats.Load(), "dead_events": m.DeadEvents.Load(), "dead_frames": m.DeadFrames.Load(), "held_back": m.HeldBack.Load(),
		"retries": m.Retries.Load(), "read_backs": m.ReadBacks.Load(), "repaired": m.Repaired.Load(), "trimmed": m.Trimmed.Load(),
		"lost": m.Lost.Load(), "clones": m.Clones.Load(), "decoded": m.Decoded.Load(), "redriven": m.Redriven.Load(),
		"revisions": m.Revisions.Load(), "pos": m.Pos.Load(),
	}
}

// Metrics are the counters of this ingest.
func (in *Ingest) Metrics() *Metrics { return &in.metrics }
