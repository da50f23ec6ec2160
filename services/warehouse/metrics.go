package warehouse

import (
	"context"
	"sync"
	"time"

	"github.com/downweb/downweb/services/ops"
)

// RegisterMetrics adds what the warehouse holds. It is asked when the metrics are, at most every 10 s; while it does
// not answer, downweb_warehouse_reachable is 0 and the rest is as it was.
func (db *DB) RegisterMetrics(m *ops.Metrics) {
	l := &tableMetrics{db: db}
	gauge := func(name, help string, of func(*tableState) float64) {
		m.Gauge("downweb_warehouse_"+name, help, func() float64 { s := l.look(); return of(&s) })
	}
	gauge("reachable", "1 while the warehouse answers.", func(s *tableState) float64 { return s.reachable })
	gauge("dead_letters", "Dead letters that wait for a person.", func(s *tableState) float64 { return s.dead })
	gauge("lost_ranges", "Ranges of events that agents have given up.", func(s *tableState) float64 { return s.gaps })
	gauge("dirty_presses", "Presses that wait to be projected.", func(s *tableState) float64 { return s.dirty })
	gauge("parts", "Active parts of all tables.", func(s *tableState) float64 { return s.parts })
	m.Count("downweb_warehouse_part_checks_total", "Inserts of events whose files the engine was made to compare with their checksums, because it had raised an error meanwhile or just started.", db.PartChecks)
	m.Count("downweb_warehouse_reloads_total", "Tables that were loaded again from disk because a write of the engine had failed.", db.reloads.Load)
	gauge("disk_bytes", "Bytes of all tables on disk.", func(s *tableState) float64 { return s.bytes })
}

type tableState struct{ reachable, dead, gaps, dirty, parts, bytes float64 }

type tableMetrics struct {
	db *DB

	mu   sync.Mutex
	at   time.Time
	last tableState
}

func (t *tableMetrics) look() tableState {
	t.mu.Lock()
	defer t.mu.Unlock()
	if time.Since(t.at) < 10*time.Second {
		return t.last
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	s, err := t.ask(ctx)
	if err != nil {
		s = t.last
		s.reachable = 0
	}
	t.last, t.at = s, time.Now()
	return s
}

func (t *tableMetrics) ask(ctx context.Context) (s tableState, err error) {
	waiting, _, err := t.db.CountDead(ctx)
	if err != nil {
		return s, err
	}
	gaps, err := t.db.ListGaps(ctx)
	if err != nil {
		return s, err
	}
	dirty, err := t.db.DirtyFrom(ctx)
	if err != nil {
		return s, err
	}
	var parts, bytes uint64
	if err := t.db.conn.QueryRow(ctx, "SELECT count(), sum(bytes_on_disk) FROM system.parts WHERE active AND database = currentDatabase()").Scan(&parts, &bytes); err != nil {
		return s, err
	}
	return tableState{reachable: 1, dead: float64(waiting), gaps: float64(len(gaps)), dirty: float64(len(dirty)), parts: float64(parts), bytes: float64(bytes)}, nil
}
