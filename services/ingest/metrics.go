package ingest

import (
	"fmt"
	"sync/atomic"
	"time"

	"github.com/downweb/downweb/services/ops"
)

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

// RegisterMetrics adds what this ingest counts and, while it holds the lease, how far each press is.
func (in *Ingest) RegisterMetrics(m *ops.Metrics) {
	c := &in.metrics
	m.Gauge("downweb_ingest_active", "1 while this ingest holds the lease and works.", func() float64 { return float64(c.Active.Load()) })
	m.Gauge("downweb_ingest_insert_number", "Highest number given to an INSERT of events.", func() float64 { return float64(c.Pos.Load()) })
	for _, v := range []struct {
		name, help string
		n          *atomic.Uint64
	}{
		{"frames", "Messages taken off the stream.", &c.Frames},
		{"events", "Events stored.", &c.Events},
		{"inserts", "INSERTs of events that succeeded.", &c.Inserts},
		{"repeats", "Events dropped because they were stored before: re-deliveries, re-sends, or two writers at once.", &c.Repeats},
		{"dead_events", "Events kept as dead letters.", &c.DeadEvents},
		{"dead_frames", "Frames kept as dead letters.", &c.DeadFrames},
		{"held_back", "Frames of a newer version, which stay with their agents.", &c.HeldBack},
		{"retries", "Statements tried again because the warehouse failed.", &c.Retries},
		{"read_backs", "Times that the outcome of an INSERT was looked up.", &c.ReadBacks},
		{"repaired", "Events that a look-up found missing and that were inserted again.", &c.Repaired},
		{"trimmed", "Times that an agent said it no longer holds what is not stored: events are lost.", &c.Trimmed},
		{"lost_ranges", "Ranges of events that agents have given up for good.", &c.Lost},
		{"clones", "Events put aside because another is stored under their identity: two disks carry an epoch.", &c.Clones},
		{"decoded", "Events that an older program kept raw, decoded.", &c.Decoded},
		{"redriven", "Dead letters that came again and are stored.", &c.Redriven},
		{"registry_revisions", "Registry revisions copied to the warehouse.", &c.Revisions},
	} {
		m.Count("downweb_ingest_"+v.name+"_total", v.help, v.n.Load)
	}
	each := func(name, help string, of func(*progress) float64) {
		m.GaugeEach("downweb_ingest_press_"+name, help, []string{"press", "epoch"}, func(give func(float64, ...string)) {
			in.mu.Lock()
			defer in.mu.Unlock()
			for k, p := range in.progress {
				if watched(p) {
					give(of(p), k.plant+"/"+k.press, epochText(k.epoch))
				}
			}
		})
	}
	each("mark_seq", "Mark: every event up to it is stored, dead or given up.", func(p *progress) float64 { return float64(p.mark) })
	each("hole_events", "Events that are missing below the highest stored one.", func(p *progress) float64 {
		next, n := p.mark+1, uint64(0)
		for _, r := range p.above {
			n += r.First - next
			next = r.Last + 1
		}
		return float64(n)
	})
	each("behind_events", "Events that the agent has and the mark does not cover, by its last question.", func(p *progress) float64 {
		return float64(p.last - min(p.last, p.mark))
	})
	each("mark_age_seconds", "Time since the mark has moved, while the agent has more; else 0.", func(p *progress) float64 {
		if p.last <= p.mark || p.moved.IsZero() {
			return 0
		}
		return time.Since(p.moved).Seconds()
	})
	each("asked_age_seconds", "Time since the agent has asked for the mark; 0: it has not asked since this ingest took over.", func(p *progress) float64 {
		if p.asked == 0 {
			return 0
		}
		return max(0, float64(in.cfg.Now().UnixMilli()-p.asked)/1000)
	})
	each("quarantined", "1 where two disks carry the epoch, whose events are put aside.", func(p *progress) float64 { return float64(flag(p.quarantined)) })
}

// watched says that an epoch is worth a label: an agent asks for it, or it has holes, or two disks carry it. Those
// that are over would only be more and more.
func watched(p *progress) bool {
	return p.asked != 0 || len(p.above) > 0 || p.quarantined
}

func epochText(epoch uint64) string { return fmt.Sprintf("%016x", epoch) }
