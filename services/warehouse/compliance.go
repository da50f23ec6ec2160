package warehouse

import (
	"context"
	"fmt"

	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/analytics/timeline"
)

// DutyGroup is what DutyCountsBy counts by.
type DutyGroup string

// Duty groups.
const (
	DutiesByStation DutyGroup = "station"
	DutiesByPress   DutyGroup = "press"
	DutiesByPlant   DutyGroup = "plant"
	DutiesByTask    DutyGroup = "task"
	DutiesByDay     DutyGroup = "day"
)

// dutyKeys are the key columns in SQL.
var dutyKeys = map[DutyGroup]string{
	DutiesByStation: "station", DutiesByPress: "concat(plant, '/', press)", DutiesByPlant: "plant", DutiesByTask: "task", DutiesByDay: "toString(day)",
}

// DutyKeyCount is how many duties of a group had an outcome.
type DutyKeyCount struct {
	Key     string // of a day its number, days since 1970-01-01
	Outcome uint8
	N       int64
}

// DutyCountsBy counts duties of a scope and range of days by a key and by
// outcome, in their order.
func (db *DB) DutyCountsBy(ctx context.Context, by DutyGroup, presses []string, from, to timeline.Day) ([]DutyKeyCount, error) {
	key, ok := dutyKeys[by]
	if !ok {
		return nil, fmt.Errorf("count duties by %q: no such group", by)
	}
	where, args := scopeWhere(presses, from, to)
	rows, err := db.conn.Query(ctx, "SELECT "+key+" AS k, outcome, toInt64(count()) FROM duties FINAL WHERE "+where+" GROUP BY k, outcome ORDER BY k, outcome", args...)
	if err != nil {
		return nil, fmt.Errorf("count duties by %s: %w", by, err)
	}
	defer rows.Close()
	var out []DutyKeyCount
	for rows.Next() {
		var c DutyKeyCount
		if err := rows.Scan(&c.Key, &c.Outcome, &c.N); err != nil {
			return nil, fmt.Errorf("count duties by %s: %w", by, err)
		}
		out = append(out, c)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("count duties by %s: %w", by, err)
	}
	return out, nil
}

// FirstDays is the first projected day of each of the presses, by
// "plant/press"; those of which nothing is projected are not in it.
func (db *DB) FirstDays(ctx context.Context, presses []string) (map[string]timeline.Day, error) {
	rows, err := db.conn.Query(ctx, "SELECT concat(plant, '/', press) AS k, min(day) FROM press_days_by_month FINAL WHERE has({presses:Array(String)}, concat(plant, '/', press)) GROUP BY k",
		clickhouse.Named("presses", presses))
	if err != nil {
		return nil, fmt.Errorf("read first days: %w", err)
	}
	defer rows.Close()
	out := map[string]timeline.Day{}
	for rows.Next() {
		var k string
		var d int32
		if err := rows.Scan(&k, &d); err != nil {
			return nil, fmt.Errorf("read first days: %w", err)
		}
		out[k] = timeline.Day(d)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read first days: %w", err)
	}
	return out, nil
}
