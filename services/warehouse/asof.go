package warehouse

import (
	"context"
	"fmt"
	"strings"

	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// LogAt is the log as it was when an insert number was the highest: what was
// stored later is not seen.
type LogAt struct {
	db  *DB
	pos uint64
}

// AsOf is the log up to an insert number, included.
func (db *DB) AsOf(pos uint64) *LogAt { return &LogAt{db, pos} }

// upToPos narrows a question about events.
func upToPos(query string) string {
	return strings.Replace(query, "\nORDER BY", "\n  AND pos <= {maxpos:UInt64}\nORDER BY", 1)
}

var selectSlicesAt, selectEventsAt = upToPos(selectSlices), upToPos(selectEvents)

func (l *LogAt) arg() any { return clickhouse.Named("maxpos", param(l.pos)) }

// ReadSlices is DB.ReadSlices as of the insert number.
func (l *LogAt) ReadSlices(ctx context.Context, plant, press string, from, to int64) ([]timeline.Slice, error) {
	return l.db.readSlices(ctx, selectSlicesAt, plant, press, from, to, l.arg())
}

// ReadEvents is DB.ReadEvents as of the insert number.
func (l *LogAt) ReadEvents(ctx context.Context, plant, press string, from, to int64) ([]timeline.Event, error) {
	return l.db.readEvents(ctx, selectEventsAt, plant, press, from, to, l.arg())
}

// Repeats is DB.Repeats as of the insert number.
func (l *LogAt) Repeats(ctx context.Context, plant, press string) ([]timeline.Repeat, error) {
	return l.db.repeats(ctx, strings.Replace(selectRepeats, "\nGROUP BY", " AND pos <= {maxpos:UInt64}\nGROUP BY", 1), plant, press, l.arg())
}

// Epochs ranks the epochs of a press by when their lowest seq stored up to the
// insert number was recorded. They are sorted by epoch.
func (l *LogAt) Epochs(ctx context.Context, plant, press string) ([]timeline.EpochRank, error) {
	rows, err := l.db.conn.Query(readContext(ctx), `
SELECT epoch, argMin(toUnixTimestamp64Milli(occurred_at) + recorded_delay_ms, seq)
FROM events FINAL
WHERE plant = {plant:String} AND press = {press:String} AND pos <= {maxpos:UInt64}
GROUP BY epoch ORDER BY epoch`, pressArgs(plant, press, l.arg())...)
	if err != nil {
		return nil, fmt.Errorf("read epochs of %s/%s as of %d: %w", plant, press, l.pos, err)
	}
	defer rows.Close()
	var out []timeline.EpochRank
	for rows.Next() {
		var r timeline.EpochRank
		if err := rows.Scan(&r.Epoch, &r.Recorded); err != nil {
			return nil, fmt.Errorf("read epochs of %s/%s as of %d: %w", plant, press, l.pos, err)
		}
		out = append(out, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read epochs of %s/%s as of %d: %w", plant, press, l.pos, err)
	}
	return out, nil
}

// LatestRegistry is the registry now: which revision holds is for the caller to
// say.
func (l *LogAt) LatestRegistry(ctx context.Context) ([]*pb.RegistryRevision, error) {
	return l.db.LatestRegistry(ctx)
}

// ArrivedAfter says which presses got events after an insert number, and the
// earliest instant (unix ms) that these can change; a corrected job, and what is
// taken back (it may be a correction), change all since the press's beginning.
func (db *DB) ArrivedAfter(ctx context.Context, pos uint64) ([]Dirty, error) {
	rows, err := db.conn.Query(ctx, `
SELECT plant, press, min(multiIf(kind IN (20, 21), {ever:Int64}, kind IN (15, 17), toUnixTimestamp64Milli(from_at), toUnixTimestamp64Milli(occurred_at)))
FROM events
WHERE pos > {pos:UInt64}
GROUP BY plant, press ORDER BY plant, press`, clickhouse.Named("pos", param(pos)), clickhouse.Named("ever", param(sinceEver)))
	if err != nil {
		return nil, fmt.Errorf("what arrived after %d: %w", pos, err)
	}
	defer rows.Close()
	var out []Dirty
	for rows.Next() {
		var d Dirty
		if err := rows.Scan(&d.Plant, &d.Press, &d.From); err != nil {
			return nil, fmt.Errorf("what arrived after %d: %w", pos, err)
		}
		out = append(out, d)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("what arrived after %d: %w", pos, err)
	}
	return out, nil
}

// sinceEver is before every instant that can be stored, unix ms.
const sinceEver = int64(-1) << 53
