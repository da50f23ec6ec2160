package warehouse

import (
	"cmp"
	"context"
	"fmt"
	"math/big"
	"slices"
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

// SumColumns names the columns of press_days that add up.
func SumColumns() []string { return fieldNames(sumColumns()) }

// LossSums adds press-days up by press or day, currency and basis of money.
// presses nil: all. The value of an hour is a key of the grouping, so that time
// is priced here in whole numbers, a few times a group, not a row at a time.
func (db *DB) LossSums(ctx context.Context, by LossGroup, presses []string, from, to timeline.Day) ([]timeline.LossSum, error) {
	if db.days != nil {
		if out, ok, err := db.cachedLossSums(ctx, by, presses, from, to); err != nil || ok {
			return out, err
		}
	}
	return db.tableLossSums(ctx, by, presses, from, to)
}

// tableLossSums is LossSums by the table alone.
func (db *DB) tableLossSums(ctx context.Context, by LossGroup, presses []string, from, to timeline.Day) ([]timeline.LossSum, error) {
	cols := sumColumns()
	sel, key := []string{"concat(plant, '/', press) AS k"}, "plant, press"
	if by == ByDay {
		sel, key = []string{"toString(toDate32(day)) AS k"}, "day"
	}
	sel = append(sel, "currency", "constrained", "hour_micro", "count()", "max(through_ms)")
	for _, c := range cols {
		sel = append(sel, "sum("+c.name+")")
	}
	where, args := scopeWhere(presses, from, to)
	q := fmt.Sprintf("SELECT %s FROM press_days_by_month FINAL WHERE %s GROUP BY %s, currency, constrained, hour_micro ORDER BY k, currency, constrained, hour_micro",
		strings.Join(sel, ", "), where, key)
	rows, err := db.conn.Query(readContext(ctx), q, args...)
	if err != nil {
		return nil, fmt.Errorf("sum losses: %w", err)
	}
	defer rows.Close()
	var out []timeline.LossSum
	var s timeline.LossSum
	var n uint64
	dest := []any{&s.Key, &s.Currency, &s.Constrained, &s.HourMicro, &n, &s.Through}
	for _, c := range cols {
		dest = append(dest, c.ptr(&s.PressDay))
	}
	for rows.Next() {
		if err := rows.Scan(dest...); err != nil {
			return nil, fmt.Errorf("sum losses: %w", err)
		}
		s.PressDays = int64(n)
		if last := len(out) - 1; last < 0 || out[last].Key != s.Key || out[last].Currency != s.Currency || out[last].Constrained != s.Constrained {
			out = append(out, timeline.LossSum{Key: s.Key, PressDay: timeline.PressDay{Currency: s.Currency, Constrained: s.Constrained}})
		}
		addSum(&out[len(out)-1], &s, cols)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("sum losses: %w", err)
	}
	return out, nil
}

// addSum adds press-days of one value of an hour.
func addSum(to, s *timeline.LossSum, cols []field[timeline.PressDay]) {
	to.PressDays += s.PressDays
	to.Through = max(to.Through, s.Through)
	for _, c := range cols {
		*c.ptr(&to.PressDay).(*int64) += *c.ptr(&s.PressDay).(*int64)
	}
	hour, part := big.NewInt(s.HourMicro), new(big.Int)
	for leaf, name := range LeafColumns {
		if name == "" || !hasTime(leaf, true) {
			continue
		}
		if to.Priced[leaf] == nil {
			to.Priced[leaf] = new(big.Int)
		}
		to.Priced[leaf].Add(to.Priced[leaf], part.Mul(part.SetInt64(s.In[leaf].US), hour))
	}
}

// FactGroup is what facts are grouped by.
type FactGroup string

// Groups of facts.
const (
	FactsByShift   FactGroup = "shift"
	FactsByStation FactGroup = "station"
	FactsByFamily  FactGroup = "family"
	FactsByPress   FactGroup = "press" // keys are "plant/press"
	// FactsByPressStation has keys "plant/press/station"; the station may be
	// empty.
	FactsByPressStation FactGroup = "press_station"
	FactsByDay          FactGroup = "day" // keys are YYYY-MM-DD
	FactsWhole          FactGroup = ""    // one group, its key empty
	// FactsByPressFamily has keys "plant/press|family".
	FactsByPressFamily FactGroup = "press_family"
	// FactsByStops has keys "plant/press|YYYY-MM-DD|station|reason"; station and
	// reason may be empty.
	FactsByStops FactGroup = "stops"
)

// factKeys are the groups in SQL.
var factKeys = map[FactGroup]string{
	FactsByShift: "f.shift", FactsByStation: "f.station", FactsByFamily: "f.family",
	FactsByPress: "concat(f.plant, '/', f.press)", FactsByPressStation: "concat(f.plant, '/', f.press, '/', f.station)",
	FactsByDay: "toString(toDate32(f.day))", FactsWhole: "''",
	FactsByPressFamily: "concat(f.plant, '/', f.press, '|', f.family)",
	FactsByStops:       "concat(f.plant, '/', f.press, '|', toString(toDate32(f.day)), '|', f.station, '|', f.reason)",
}

// FactSums adds facts up by a part of their key, with the money rate of their
// press-day.
func (db *DB) FactSums(ctx context.Context, by FactGroup, presses []string, from, to timeline.Day) ([]timeline.FactSum, error) {
	if _, ok := factKeys[by]; !ok {
		return nil, fmt.Errorf("facts have no group %q", by)
	}
	if db.days != nil && slices.Contains(keptFacts, by) {
		return db.keptFactSums(ctx, by, presses, from, to)
	}
	return db.tableFactSums(ctx, by, presses, from, to)
}

func (db *DB) tableFactSums(ctx context.Context, by FactGroup, presses []string, from, to timeline.Day) ([]timeline.FactSum, error) {
	key := factKeys[by]
	where, args := scopeWhere(presses, from, to)
	rates, err := db.rates(ctx, where, args)
	if err != nil {
		return nil, fmt.Errorf("sum facts: %w", err)
	}
	if rates == nil {
		return db.joinedFactSums(ctx, key, where, args)
	}
	number, list, ok := rates.numbers()
	by1, by2 := "''", "''"
	if !ok {
		by1, by2, number = "plant", "press", rates.stretch()
	}
	q := fmt.Sprintf(`SELECT %s AS by1, %s AS by2, %s AS rate, %s AS k, planned, leaf, sub, state, rated, notEmpty(job) AS job_open, minor,
       sum(stops), sum(dur_ms), sum(good_mm), sum(waste_mm), sum(material_nano)
FROM shift_facts FINAL WHERE %s GROUP BY by1, by2, rate, k, planned, leaf, sub, state, rated, job_open, minor`,
		by1, by2, number, strings.ReplaceAll(key, "f.", ""), where)
	rows, err := db.conn.Query(readContext(ctx), q, args...)
	if err != nil {
		return nil, fmt.Errorf("sum facts: %w", err)
	}
	defer rows.Close()
	sums := map[timeline.FactSum]*timeline.FactSum{} // by what they are grouped by
	var plant, press string
	var n uint32
	var state, open uint8
	var k, v timeline.FactSum
	for rows.Next() {
		if err := rows.Scan(&plant, &press, &n, &k.Key, &k.Planned, &k.Leaf, &k.Sub, &state, &k.Rated, &open, &k.Minor,
			&v.Stops, &v.Dur, &v.Good, &v.Waste, &v.Material); err != nil {
			return nil, fmt.Errorf("sum facts: %w", err)
		}
		var r rate
		if ok {
			r = list[n]
		} else {
			r = rates.of(plant, press, int(n))
		}
		k.Currency, k.Constrained, k.HourMicro, k.State, k.JobOpen = r.currency, r.constrained, r.hourMicro, timeline.State(state), open != 0
		k.Stops, k.Dur, k.Good, k.Waste, k.Material = v.Stops, v.Dur, v.Good, v.Waste, v.Material
		addFact(sums, &k)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("sum facts: %w", err)
	}
	return sortedFacts(sums), nil
}

func compareFactSums(a, b timeline.FactSum) int {
	flag := func(x, y bool) int { return cmp.Compare(bit(x, 1), bit(y, 1)) }
	return cmp.Or(cmp.Compare(a.Key, b.Key), cmp.Compare(a.Currency, b.Currency), flag(a.Constrained, b.Constrained), cmp.Compare(a.HourMicro, b.HourMicro),
		flag(a.Planned, b.Planned), cmp.Compare(a.Leaf, b.Leaf), cmp.Compare(a.Sub, b.Sub), cmp.Compare(a.State, b.State), cmp.Compare(a.Rated, b.Rated),
		flag(a.JobOpen, b.JobOpen), flag(a.Minor, b.Minor))
}

// joinedFactSums finds the rate of each fact by its press-day: several times as
// dear, for rates that change too often to be told by stretches.
func (db *DB) joinedFactSums(ctx context.Context, key, where string, args []any) ([]timeline.FactSum, error) {
	q := fmt.Sprintf(`SELECT %s AS k, d.currency, d.constrained, d.hour_micro, f.planned, f.leaf, f.sub, f.state, f.rated,
       toBool(f.job != '') AS job_open, f.minor, sum(f.stops), sum(f.dur_ms), sum(f.good_mm), sum(f.waste_mm), sum(f.material_nano)
FROM (SELECT * FROM shift_facts FINAL WHERE %s) AS f
LEFT JOIN (SELECT plant, press, day, currency, constrained, hour_micro FROM press_days_by_month FINAL WHERE %s) AS d
ON f.plant = d.plant AND f.press = d.press AND f.day = d.day
GROUP BY ALL ORDER BY ALL`, key, where, where)
	rows, err := db.conn.Query(readContext(ctx), q, args...)
	if err != nil {
		return nil, fmt.Errorf("sum facts: %w", err)
	}
	defer rows.Close()
	var out []timeline.FactSum
	for rows.Next() {
		var s timeline.FactSum
		var state uint8
		if err := rows.Scan(&s.Key, &s.Currency, &s.Constrained, &s.HourMicro, &s.Planned, &s.Leaf, &s.Sub, &state, &s.Rated,
			&s.JobOpen, &s.Minor, &s.Stops, &s.Dur, &s.Good, &s.Waste, &s.Material); err != nil {
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
	if err := read("SELECT concat(plant, '/', press) AS k, sum(overlap_ms), sum(overlap_mm) FROM press_days_by_month FINAL GROUP BY k",
		func(l *PressLog, a, b int64) { l.OverlapMS, l.OverlapMM = a, b }); err != nil {
		return nil, err
	}
	if err := read("SELECT concat(plant, '/', press) AS k, toInt64(uniqExact(epoch, seq, hash)), toInt64(0) FROM dead WHERE (plant, press, epoch, seq, hash) NOT IN (SELECT plant, press, epoch, seq, hash FROM dead_done) GROUP BY k",
		func(l *PressLog, a, _ int64) { l.Dead = a }); err != nil {
		return nil, err
	}
	return out, nil
}
