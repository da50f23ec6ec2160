package warehouse

import (
	"context"
	"fmt"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// recentDays is how far before the latest production day of any press the
// frontiers are looked for first, days.
const recentDays = 14

// Every analytic call asks for the frontiers, and days never tell of less than
// the days before them: the latest rows are enough. PREWHERE narrows them before
// FINAL compares, which it may, since all versions of a row have its day.
const selectRecent = `
SELECT concat(plant, '/', press), max(through_ms) FROM press_days_by_month FINAL
PREWHERE day >= (SELECT max(day) FROM press_days_by_month) - {recent:Int32}
GROUP BY plant, press`

// selectFrontiers also names, without an instant, who has no row there.
const selectFrontiers = `
SELECT concat(plant, '/', press), max(t) FROM (
SELECT plant, press, through_ms AS t FROM press_days_by_month FINAL PREWHERE day >= (SELECT max(day) FROM press_days_by_month) - {recent:Int32}
UNION ALL
SELECT DISTINCT plant, press, {none:Int64} AS t FROM press_days_by_month)
GROUP BY plant, press`

const noFrontier = int64(-1) << 62

// Frontiers is the frontier of every projected press, unix ms, by
// "plant/press".
func (db *DB) Frontiers(ctx context.Context) (map[string]int64, error) {
	if db.days != nil {
		out, err := db.knownFrontiers(ctx)
		if err != nil {
			return nil, fmt.Errorf("read frontiers: %w", err)
		}
		return out, nil
	}
	out := map[string]int64{}
	var behind []string
	err := db.frontiers(ctx, selectFrontiers, []any{clickhouse.Named("recent", param(int64(recentDays))), clickhouse.Named("none", param(noFrontier))}, func(press string, at int64) {
		if at == noFrontier {
			behind = append(behind, press)
			return
		}
		out[press] = at
	})
	if err == nil {
		err = db.frontiersBehind(ctx, behind, out)
	}
	if err != nil {
		return nil, fmt.Errorf("read frontiers: %w", err)
	}
	return out, nil
}

// frontiersBehind adds those of presses that stopped long ago, or were taken back
// whole and then have none.
func (db *DB) frontiersBehind(ctx context.Context, presses []string, to map[string]int64) error {
	if len(presses) == 0 {
		return nil
	}
	return db.frontiers(ctx, "SELECT concat(plant, '/', press), max(through_ms) FROM press_days_by_month FINAL WHERE (plant, press) IN {presses:Array(Tuple(String, String))} GROUP BY plant, press",
		[]any{clickhouse.Named("presses", pairs(presses))}, func(press string, at int64) { to[press] = at })
}

func (db *DB) frontiers(ctx context.Context, query string, args []any, each func(press string, at int64)) error {
	rows, err := db.conn.Query(readContext(ctx), query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var press string
		var at int64
		if err := rows.Scan(&press, &at); err != nil {
			return err
		}
		each(press, at)
	}
	return rows.Err()
}
