package warehouse

import (
	"context"
	"fmt"
	"math/big"
	"strings"

	"github.com/downweb/downweb/analytics/timeline"
)

// LossGroup is what sums of press-days are grouped by.
type LossGroup uint8

// Groups. Weeks, months, kinds and plants are sums of these.
const (
	ByPress LossGroup = iota
	ByDay
)

// sumColumns are the columns of press_days that add up.
func sumColumns() []field[timeline.PressDay] {
	var out []field[timeline.PressDay]
	for _, c := range pressDays.cols {
		if c.typ == typI64 && c.name != "hour_micro" && c.name != "first_run_ms" && c.name != "last_run_ms" && c.name != "through_ms" {
			out = append(out, c)
		}
	}
	return out
}

// LossSums adds press-days up by press or day, currency and basis of money.
// presses nil: all.
func (db *DB) LossSums(ctx context.Context, by LossGroup, presses []string, from, to timeline.Day) ([]timeline.LossSum, error) {
	cols := sumColumns()
	var sel []string
	key := "concat(plant, '/', press)"
	if by == ByDay {
		key = "toString(toDate32(day))"
	}
	sel = append(sel, key+" AS k", "currency", "constrained", "count()", "max(through_ms)")
	for _, c := range cols {
		sel = append(sel, "sum("+c.name+")")
	}
	var priced []int
	for leaf, name := range LeafColumns {
		if name != "" && hasTime(leaf, true) {
			priced = append(priced, leaf)
			sel = append(sel, "sum(toInt128(in_"+name+"_us) * hour_micro)")
		}
	}
	where, args := scopeWhere(presses, from, to)
	q := fmt.Sprintf("SELECT %s FROM press_days FINAL WHERE %s GROUP BY k, currency, constrained ORDER BY k, currency, constrained",
		strings.Join(sel, ", "), where)
	rows, err := db.conn.Query(ctx, q, args...)
	if err != nil {
		return nil, fmt.Errorf("sum losses: %w", err)
	}
	defer rows.Close()
	var out []timeline.LossSum
	for rows.Next() {
		var s timeline.LossSum
		var n uint64
		dest := []any{&s.Key, &s.Currency, &s.Constrained, &n, &s.Through}
		for _, c := range cols {
			dest = append(dest, c.ptr(&s.PressDay))
		}
		money := make([]*big.Int, len(priced))
		for i := range money {
			money[i] = new(big.Int)
			dest = append(dest, money[i])
		}
		if err := rows.Scan(dest...); err != nil {
			return nil, fmt.Errorf("sum losses: %w", err)
		}
		s.PressDays = int64(n)
		for i, leaf := range priced {
			s.Priced[leaf] = money[i]
		}
		out = append(out, s)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("sum losses: %w", err)
	}
	return out, nil
}

// FactGroup is what facts are grouped by.
type FactGroup string

// Groups of facts.
const (
	FactsByShift   FactGroup = "shift"
	FactsByStation FactGroup = "station"
	FactsByFamily  FactGroup = "family"
)

// FactSums adds facts up by a part of their key, with the money rate of their
// press-day.
func (db *DB) FactSums(ctx context.Context, by FactGroup, presses []string, from, to timeline.Day) ([]timeline.FactSum, error) {
	switch by {
	case FactsByShift, FactsByStation, FactsByFamily:
	default:
		return nil, fmt.Errorf("facts have no group %q", by)
	}
	where, args := scopeWhere(presses, from, to)
	q := fmt.Sprintf(`SELECT f.%s AS k, d.currency, d.constrained, d.hour_micro, f.planned, f.leaf, f.sub, f.state, f.rated,
       sum(f.dur_ms), sum(f.good_mm), sum(f.waste_mm), sum(f.material_nano)
FROM (SELECT * FROM shift_facts FINAL WHERE %s) AS f
LEFT JOIN (SELECT plant, press, day, currency, constrained, hour_micro FROM press_days FINAL WHERE %s) AS d
ON f.plant = d.plant AND f.press = d.press AND f.day = d.day
GROUP BY ALL ORDER BY ALL`, by, where, where)
	rows, err := db.conn.Query(ctx, q, args...)
	if err != nil {
		return nil, fmt.Errorf("sum facts: %w", err)
	}
	defer rows.Close()
	var out []timeline.FactSum
	for rows.Next() {
		var s timeline.FactSum
		var state uint8
		if err := rows.Scan(&s.Key, &s.Currency, &s.Constrained, &s.HourMicro, &s.Planned, &s.Leaf, &s.Sub, &state, &s.Rated,
			&s.Dur, &s.Good, &s.Waste, &s.Material); err != nil {
			return nil, fmt.Errorf("sum facts: %w", err)
		}
		s.State = timeline.State(state)
		out = append(out, s)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("sum facts: %w", err)
	}
	return out, nil
}

// Frontiers is the frontier of every projected press, unix ms, by
// "plant/press".
func (db *DB) Frontiers(ctx context.Context) (map[string]int64, error) {
	rows, err := db.conn.Query(ctx, "SELECT concat(plant, '/', press), max(through_ms) FROM press_days FINAL GROUP BY plant, press")
	if err != nil {
		return nil, fmt.Errorf("read frontiers: %w", err)
	}
	defer rows.Close()
	out := map[string]int64{}
	for rows.Next() {
		var press string
		var at int64
		if err := rows.Scan(&press, &at); err != nil {
			return nil, fmt.Errorf("read frontiers: %w", err)
		}
		out[press] = at
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read frontiers: %w", err)
	}
	return out, nil
}

// PressLog is what the log holds of one press.
type PressLog struct {
	Events     int64
	FirstEvent int64 // earliest occurred_at, unix ms
	LastEvent  int64 // latest occurred_at, unix ms
	OverlapMS  int64
	OverlapMM  int64
	Dead       int64
}

// PressLogs sums the log up by "plant/press", whether the registry names the
// press or not.
func (db *DB) PressLogs(ctx context.Context) (map[string]PressLog, error) {
	out := map[string]PressLog{}
	read := func(q string, f func(l *PressLog, a, b int64)) error {
		rows, err := db.conn.Query(ctx, q)
		if err != nil {
			return fmt.Errorf("read press logs: %w", err)
		}
		defer rows.Close()
		for rows.Next() {
			var press string
			var a, b int64
			if err := rows.Scan(&press, &a, &b); err != nil {
				return fmt.Errorf("read press logs: %w", err)
			}
			l := out[press]
			f(&l, a, b)
			out[press] = l
		}
		return rows.Err()
	}
	if err := read("SELECT concat(plant, '/', press) AS k, toInt64(count()), toUnixTimestamp64Milli(max(occurred_at)) FROM events FINAL GROUP BY k",
		func(l *PressLog, a, b int64) { l.Events, l.LastEvent = a, b }); err != nil {
		return nil, err
	}
	if err := read("SELECT concat(plant, '/', press) AS k, toUnixTimestamp64Milli(min(occurred_at)), toInt64(0) FROM events GROUP BY k",
		func(l *PressLog, a, _ int64) { l.FirstEvent = a }); err != nil {
		return nil, err
	}
	if err := read("SELECT concat(plant, '/', press) AS k, sum(overlap_ms), sum(overlap_mm) FROM press_days FINAL GROUP BY k",
		func(l *PressLog, a, b int64) { l.OverlapMS, l.OverlapMM = a, b }); err != nil {
		return nil, err
	}
	if err := read("SELECT concat(plant, '/', press) AS k, toInt64(uniqExact(epoch, seq, hash)), toInt64(0) FROM dead WHERE (plant, press, epoch, seq, hash) NOT IN (SELECT plant, press, epoch, seq, hash FROM dead_done) GROUP BY k",
		func(l *PressLog, a, _ int64) { l.Dead = a }); err != nil {
		return nil, err
	}
	return out, nil
}
