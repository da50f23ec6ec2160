package warehouse

import (
	"context"
	"fmt"

	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// DirtyFrom is the earliest instant, unix ms, from which a press waits to be
// projected, by "plant/press". Unlike TakeDirty it also tells of marks whose
// rows are still being stored, and takes nothing.
func (db *DB) DirtyFrom(ctx context.Context) (map[string]int64, error) {
	rows, err := db.conn.Query(ctx, `
SELECT concat(plant, '/', press) AS k, min(from_ms)
FROM dirty
LEFT JOIN (SELECT plant, press, writer, max(n) AS n FROM dirty_done GROUP BY plant, press, writer) AS done USING (plant, press, writer)
WHERE dirty.n > done.n
GROUP BY k`)
	if err != nil {
		return nil, fmt.Errorf("read dirty marks: %w", err)
	}
	defer rows.Close()
	out := map[string]int64{}
	for rows.Next() {
		var press string
		var from int64
		if err := rows.Scan(&press, &from); err != nil {
			return nil, fmt.Errorf("read dirty marks: %w", err)
		}
		out[press] = from
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read dirty marks: %w", err)
	}
	return out, nil
}

// LogHealth is what is missing in the log, by "plant/press".
type LogHealth struct {
	Holes    map[string][]*pb.Hole // ranges of seqs that are nowhere, below what is stored
	Dangling map[string]int64      // voids of which nothing is stored that they take back
	// Lost are the ranges that agents have given up, without what came all the same.
	Lost        map[string][]*pb.LostEvents
	Quarantined map[string][]string // epochs, 16 hex digits, that two disks carry
}

// LogHealth looks for holes, for what is lost and for voids without a target.
func (db *DB) LogHealth(ctx context.Context) (*LogHealth, error) {
	marks, err := db.LoadMarks(ctx)
	if err != nil {
		return nil, err
	}
	h := &LogHealth{Holes: map[string][]*pb.Hole{}, Dangling: map[string]int64{}, Lost: map[string][]*pb.LostEvents{}, Quarantined: map[string][]string{}}
	stored := map[epochKey][]SeqRange{}
	for _, m := range marks {
		next := m.Mark + 1
		id := m.Plant + "/" + m.Press
		for _, r := range m.Above {
			h.Holes[id] = append(h.Holes[id], &pb.Hole{Epoch: fmt.Sprintf("%016x", m.Epoch), FirstSeq: next, LastSeq: r.First - 1})
			next = r.Last + 1
		}
		all := m.Above
		if m.Mark > 0 {
			all = append([]SeqRange{{First: 1, Last: m.Mark}}, all...)
		}
		stored[epochKey{m.Plant, m.Press, m.Epoch}] = without(all, m.Elsewhere)
	}
	err = db.ranges(ctx, "SELECT DISTINCT plant, press, target_epoch, target_first, target_last FROM events WHERE kind = 21 AND target_epoch != 0",
		func(k epochKey, r SeqRange) {
			for _, s := range stored[k] {
				if s.First <= r.Last && r.First <= s.Last {
					return
				}
			}
			h.Dangling[k.plant+"/"+k.press]++
		})
	if err != nil {
		return nil, fmt.Errorf("look for voids without a target: %w", err)
	}
	gaps, err := db.ListGaps(ctx)
	if err != nil {
		return nil, err
	}
	for _, g := range gaps {
		id := g.Plant + "/" + g.Press
		for _, r := range without([]SeqRange{{First: g.First, Last: g.Last}}, stored[epochKey{g.Plant, g.Press, g.Epoch}]) {
			h.Lost[id] = append(h.Lost[id], &pb.LostEvents{Epoch: fmt.Sprintf("%016x", g.Epoch), FirstSeq: r.First, LastSeq: r.Last, Reason: g.Reason, At: stamp(g.At.UnixMilli())})
		}
	}
	clones, err := db.Quarantined(ctx)
	if err != nil {
		return nil, err
	}
	for _, c := range clones {
		id := c.Plant + "/" + c.Press
		h.Quarantined[id] = append(h.Quarantined[id], fmt.Sprintf("%016x", c.Epoch))
	}
	return h, nil
}

// DutyCount is how many duties of a station had an outcome.
type DutyCount struct {
	Station string
	Outcome uint8
	N       int64
}

// DutyCounts counts duties of a scope and range of days by station and outcome.
func (db *DB) DutyCounts(ctx context.Context, presses []string, from, to timeline.Day) ([]DutyCount, error) {
	where, args := scopeWhere(presses, from, to)
	rows, err := db.conn.Query(ctx, "SELECT station, outcome, toInt64(count()) FROM duties FINAL WHERE "+where+" GROUP BY station, outcome ORDER BY station, outcome", args...)
	if err != nil {
		return nil, fmt.Errorf("count duties: %w", err)
	}
	defer rows.Close()
	var out []DutyCount
	for rows.Next() {
		var c DutyCount
		if err := rows.Scan(&c.Station, &c.Outcome, &c.N); err != nil {
			return nil, fmt.Errorf("count duties: %w", err)
		}
		out = append(out, c)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("count duties: %w", err)
	}
	return out, nil
}

// DutyHazards are the hazards of the duties of a scope and range of days, and
// whether any of them needs isolation.
func (db *DB) DutyHazards(ctx context.Context, presses []string, from, to timeline.Day) (hazards []uint8, isolate bool, err error) {
	where, args := scopeWhere(presses, from, to)
	var any uint8
	err = db.conn.QueryRow(ctx, "SELECT groupUniqArrayArray(hazards), toUInt8(countIf(isolate) > 0) FROM duties FINAL WHERE "+where, args...).Scan(&hazards, &any)
	if err != nil {
		return nil, false, fmt.Errorf("read the hazards of duties: %w", err)
	}
	return hazards, any != 0, nil
}

// EventsStored says which seqs of events of one press and epoch are in the log
// at their occurred_at.
func (db *DB) EventsStored(ctx context.Context, evs []*pb.Event) (map[uint64]bool, error) {
	if len(evs) == 0 {
		return nil, nil
	}
	s := Span{Plant: evs[0].GetPlant(), Press: evs[0].GetPress(), Epoch: evs[0].GetEpoch(), First: evs[0].GetSeq(), Last: evs[0].GetSeq(),
		From: millis(evs[0].GetOccurredAt()), To: millis(evs[0].GetOccurredAt())}
	for _, e := range evs {
		at := millis(e.GetOccurredAt())
		s.First, s.Last = min(s.First, e.GetSeq()), max(s.Last, e.GetSeq())
		s.From, s.To = min(s.From, at), max(s.To, at)
	}
	return db.StoredSeqs(ctx, s)
}

// EpochEvents lists the events of one epoch of a press by seq, at most limit.
func (db *DB) EpochEvents(ctx context.Context, plant, press string, epoch uint64, limit int) ([]*pb.StoredEvent, error) {
	rows, err := db.selectEvents(ctx, "WHERE plant = {plant:String} AND press = {press:String} AND epoch = {epoch:UInt64} ORDER BY seq LIMIT "+fmt.Sprint(limit),
		pressArgs(plant, press, clickhouse.Named("epoch", param(epoch)))...)
	if err != nil {
		return nil, fmt.Errorf("events of %s/%s/%016x: %w", plant, press, epoch, err)
	}
	out, err := db.stored(ctx, rows)
	if err != nil {
		return nil, fmt.Errorf("events of %s/%s/%016x: %w", plant, press, epoch, err)
	}
	return out, nil
}
