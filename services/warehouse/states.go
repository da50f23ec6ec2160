package warehouse

import (
	"context"
	"fmt"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// PressState is what a press's own slices say of it last.
type PressState struct {
	State   uint8 // number of the state in event.proto
	SinceMS int64 // begin of the stretch of that state, unix ms
	AtLeast bool  // it began before the slices that were looked at
	Reason  string
	Job     string
}

// Slices end where the next begins: the stretch of the last state began where the last slice of another state ended.
// A void takes back slices of its press by epoch and seq, none that begin before from_at. Only voids that reach the seqs
// looked at are gathered, so that each slice is held against few of them, mostly none.
const selectStates = `
WITH near AS (
    SELECT plant, press, epoch, min(seq) AS low, max(seq) AS high
    FROM events
    WHERE kind = 10 AND occurred_at >= fromUnixTimestamp64Milli({from:Int64}, 'UTC') AND (empty({presses:Array(Tuple(String, String))}) OR (plant, press) IN {presses:Array(Tuple(String, String))})
    GROUP BY plant, press, epoch
), taken AS (
    SELECT v.plant AS plant, v.press AS press, v.target_epoch AS epoch, groupArray((v.target_first, v.target_last, v.from_at)) AS back
    FROM events AS v INNER JOIN near ON near.plant = v.plant AND near.press = v.press AND near.epoch = v.target_epoch
    WHERE v.kind = 21 AND v.target_first > 0 AND v.target_first <= near.high AND v.target_last >= near.low
    GROUP BY plant, press, epoch
), recent AS (
    SELECT e.plant AS plant, e.press AS press, e.occurred_at AS at, addMilliseconds(e.occurred_at, e.dur_ms) AS until, e.state AS state, e.reason AS reason, e.job AS job
    FROM events AS e LEFT JOIN taken ON taken.plant = e.plant AND taken.press = e.press AND taken.epoch = e.epoch
    WHERE e.kind = 10 AND e.occurred_at >= fromUnixTimestamp64Milli({from:Int64}, 'UTC') AND (empty({presses:Array(Tuple(String, String))}) OR (e.plant, e.press) IN {presses:Array(Tuple(String, String))})
        AND NOT arrayExists(b -> e.seq >= b.1 AND e.seq <= b.2 AND e.occurred_at >= b.3, taken.back)
), last AS (
    SELECT plant, press, argMax((state, reason, job), until) AS l, min(at) AS first FROM recent GROUP BY plant, press
)
SELECT concat(r.plant, '/', r.press), any(last.l.1), any(last.l.2), any(last.l.3), toUnixTimestamp64Milli(any(last.first)),
    maxIf(toUnixTimestamp64Milli(r.until), r.state != last.l.1)
FROM recent AS r INNER JOIN last ON last.plant = r.plant AND last.press = r.press
GROUP BY r.plant, r.press`

// PressStates is the state of presses ("plant/press"; none: all) by their newest slices from an instant on (unix ms), by
// "plant/press". A press without a slice since then that counts is left out. Slices that a void takes back do not count; overlaps
// are not settled.
func (db *DB) PressStates(ctx context.Context, presses []string, from int64) (map[string]PressState, error) {
	rows, err := db.conn.Query(readContext(ctx), selectStates, clickhouse.Named("from", param(from)), clickhouse.Named("presses", pairs(presses)))
	if err != nil {
		return nil, fmt.Errorf("read the states of presses: %w", err)
	}
	defer rows.Close()
	out := map[string]PressState{}
	for rows.Next() {
		var press string
		var s PressState
		var first, other int64
		if err := rows.Scan(&press, &s.State, &s.Reason, &s.Job, &first, &other); err != nil {
			return nil, fmt.Errorf("read the states of presses: %w", err)
		}
		if s.SinceMS = other; other == 0 {
			s.SinceMS, s.AtLeast = first, true
		}
		out[press] = s
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read the states of presses: %w", err)
	}
	return out, nil
}
