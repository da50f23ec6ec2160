package warehouse

import (
	"context"
	"fmt"

	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// SliceChange is slices of one press and epoch that were stored after an insert
// number.
type SliceChange struct {
	Press       string
	Epoch       uint64
	First, Last uint64 // seqs
	N           int64
	From, To    int64 // unix ms
	Recorded    int64 // earliest, unix ms
	Pos         uint64
}

// SlicesAfter groups the slices of a plant that were stored after an insert
// number and begin in [from, to), unix ms, in the order they were stored.
func (db *DB) SlicesAfter(ctx context.Context, plant string, pos uint64, from, to int64) ([]SliceChange, error) {
	rows, err := db.conn.Query(readContext(ctx), `
SELECT press, epoch, min(seq), max(seq), toInt64(count()), min(toUnixTimestamp64Milli(occurred_at)), max(toUnixTimestamp64Milli(occurred_at) + dur_ms),
       min(toUnixTimestamp64Milli(occurred_at) + recorded_delay_ms), min(pos) AS p
FROM events FINAL
WHERE kind = 10 AND plant = {plant:String} AND pos > {pos:UInt64}
  AND occurred_at >= fromUnixTimestamp64Milli({from:Int64}, 'UTC') AND occurred_at < fromUnixTimestamp64Milli({to:Int64}, 'UTC')
GROUP BY press, epoch ORDER BY p, press, epoch`, clickhouse.Named("plant", plant), clickhouse.Named("pos", param(pos)),
		clickhouse.Named("from", param(clampMillis(from))), clickhouse.Named("to", param(clampMillis(to))))
	if err != nil {
		return nil, fmt.Errorf("slices of %s after %d: %w", plant, pos, err)
	}
	defer rows.Close()
	var out []SliceChange
	for rows.Next() {
		var c SliceChange
		if err := rows.Scan(&c.Press, &c.Epoch, &c.First, &c.Last, &c.N, &c.From, &c.To, &c.Recorded, &c.Pos); err != nil {
			return nil, fmt.Errorf("slices of %s after %d: %w", plant, pos, err)
		}
		out = append(out, c)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("slices of %s after %d: %w", plant, pos, err)
	}
	return out, nil
}

// SaidAfter lists what is not a slice, was stored of a plant's presses after an
// insert number and can change figures of [from, to), unix ms: notes and
// bookings that meet it, sessions from 48 hours before it, and sign-offs, skips,
// jobs, corrections and voids of any time before its end. In the order they were
// stored, at most limit.
func (db *DB) SaidAfter(ctx context.Context, plant string, pos uint64, from, to int64, limit int) ([]*pb.StoredEvent, error) {
	rows, err := db.selectEvents(ctx, `
WHERE plant = {plant:String} AND press != {whole:String} AND pos > {pos:UInt64}
  AND (kind IN (15, 17) AND from_at < fromUnixTimestamp64Milli({to:Int64}, 'UTC') AND toUnixTimestamp64Milli(from_at) + dur_ms > {from:Int64}
       OR kind IN (11, 12) AND occurred_at >= fromUnixTimestamp64Milli({early:Int64}, 'UTC') AND occurred_at < fromUnixTimestamp64Milli({to:Int64}, 'UTC')
       OR kind IN (13, 14, 18) AND occurred_at < fromUnixTimestamp64Milli({to:Int64}, 'UTC')
       OR kind = 20
       OR kind = 21 AND from_at < fromUnixTimestamp64Milli({to:Int64}, 'UTC'))
ORDER BY pos, press, epoch, seq LIMIT `+fmt.Sprint(limit), clickhouse.Named("plant", plant), clickhouse.Named("whole", timeline.PlantPress), clickhouse.Named("pos", param(pos)),
		clickhouse.Named("from", param(from)), clickhouse.Named("early", param(clampMillis(from-48*timeline.Hour))), clickhouse.Named("to", param(clampMillis(to))))
	if err != nil {
		return nil, fmt.Errorf("events of %s after %d: %w", plant, pos, err)
	}
	return db.stored(ctx, rows)
}
