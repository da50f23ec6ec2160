package warehouse

import (
	"context"
	"fmt"
	"maps"
	"strconv"
	"strings"

	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/analytics/timeline"
)

// dayParts says of which parts a table of projections consists: a number per
// month that is another as soon as anything was written there, merged, taken
// away or brought back, because every part that is made has a name of its own.
type dayParts struct {
	table  string           // UUID
	months map[int32]uint64 // by month as monthOf counts
}

// partsOf asks the engine about one or more tables by month, which it answers from memory.
func (db *DB) partsOf(ctx context.Context, tables ...string) (dayParts, error) {
	names := "'" + strings.Join(tables, "', '") + "'"
	question := "SELECT (SELECT arrayStringConcat(arraySort(groupArray(toString(uuid)))) FROM system.tables WHERE database = currentDatabase() AND name IN (" + names + ")), partition_id, sum(cityHash64(table, name)) " +
		"FROM system.parts WHERE database = currentDatabase() AND table IN (" + names + ") AND active GROUP BY partition_id"
	p := dayParts{months: map[int32]uint64{}}
	rows, err := db.conn.Query(ctx, question)
	if err != nil {
		return p, fmt.Errorf("look for the parts of projections: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var id string
		var sum uint64
		if err := rows.Scan(&p.table, &id, &sum); err != nil {
			return p, fmt.Errorf("look for the parts of projections: %w", err)
		}
		n, err := strconv.Atoi(id)
		if err != nil {
			return p, fmt.Errorf("projections have a partition %q", id)
		}
		p.months[monthNumber(uint32(n))] = sum
	}
	if err := rows.Err(); err != nil {
		return p, fmt.Errorf("look for the parts of projections: %w", err)
	}
	return p, nil
}

// monthNumber is a partition such as 202603 as monthOf counts.
func monthNumber(partition uint32) int32 { return int32(partition/100*12+partition%100) - 1 }

// dayMonth is what the table says of a month while it consists of the same parts.
type dayMonth struct {
	parts  uint64
	states []cellState // of every press that has rows
}

// refreshMonths brings what is known of months up to date and gives those asked for. c.refresh is held.
func (c *dayCache) refreshMonths(ctx context.Context, db *DB, p dayParts, wanted func(month int32) bool) (map[int32]*dayMonth, error) {
	c.mu.Lock()
	if c.table != p.table {
		c.empty(p.table)
	}
	known := maps.Clone(c.months)
	c.mu.Unlock()
	var stale []string
	fresh := map[int32]*dayMonth{}
	for month, parts := range p.months {
		if m := known[month]; wanted(month) && (m == nil || m.parts != parts) {
			stale = append(stale, fmt.Sprintf("'%04d%02d'", month/12, month%12+1))
			fresh[month] = &dayMonth{parts: parts}
		}
	}
	if len(stale) > 0 {
		if err := db.readMonths(ctx, stale, fresh); err != nil {
			return nil, err
		}
	}
	out := map[int32]*dayMonth{}
	c.mu.Lock()
	defer c.mu.Unlock()
	for month := range c.months {
		if _, ok := p.months[month]; !ok {
			delete(c.months, month)
		}
	}
	maps.Copy(c.months, fresh)
	for month, m := range c.months {
		if wanted(month) {
			out[month] = m
		}
	}
	return out, nil
}

// readMonths reads the highest version of every press of months. What it reads may be newer than the parts that were
// looked for before: then the next question reads it again.
func (db *DB) readMonths(ctx context.Context, ids []string, to map[int32]*dayMonth) error {
	rows, err := db.conn.Query(ctx, "SELECT plant, press, "+pressDays.part+" AS month, max(ver), count() FROM press_days_by_month WHERE _partition_id IN ("+strings.Join(ids, ", ")+") GROUP BY plant, press, month")
	if err != nil {
		return fmt.Errorf("read versions of press-days: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var plant, press string
		var month uint32
		var s cellState
		if err := rows.Scan(&plant, &press, &month, &s.ver, &s.rows); err != nil {
			return fmt.Errorf("read versions of press-days: %w", err)
		}
		n := monthNumber(month)
		s.key = cellKey{plant + "/" + press, n}
		if m := to[n]; m != nil {
			m.states = append(m.states, s)
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("read versions of press-days: %w", err)
	}
	return nil
}

// cellStates gives the highest version of every press and month of a scope, as the table has it. c.refresh is held.
func (db *DB) cellStates(ctx context.Context, presses []string, from, to timeline.Day) ([]cellState, error) {
	p, err := db.partsOf(ctx, tablePressDays)
	if err != nil {
		return nil, err
	}
	first, last := monthOf(from), monthOf(to)
	months, err := db.days.refreshMonths(ctx, db, p, func(m int32) bool { return m >= first && m <= last })
	if err != nil {
		return nil, err
	}
	var in map[string]bool
	if presses != nil {
		in = make(map[string]bool, len(presses))
		for _, name := range presses {
			in[name] = true
		}
	}
	var out []cellState
	for month := first; month <= last; month++ {
		m := months[month]
		if m == nil {
			continue
		}
		for _, s := range m.states {
			if in == nil || in[s.key.press] {
				out = append(out, s)
			}
		}
	}
	return out, nil
}

// knownFrontiers is Frontiers by what is kept of press-days: who has any row comes from the months' states, and the whole
// answer is given again while the table consists of the same parts.
func (db *DB) knownFrontiers(ctx context.Context) (map[string]int64, error) {
	c := db.days
	c.refresh.Lock()
	defer c.refresh.Unlock()
	p, err := db.partsOf(ctx, tablePressDays)
	if err != nil {
		return nil, err
	}
	if c.frontiers != nil && c.frontierParts.table == p.table && maps.Equal(c.frontierParts.months, p.months) {
		return maps.Clone(c.frontiers), nil
	}
	months, err := c.refreshMonths(ctx, db, p, func(int32) bool { return true })
	if err != nil {
		return nil, err
	}
	out := map[string]int64{}
	err = db.frontiers(ctx, selectRecent, []any{clickhouse.Named("recent", param(int64(recentDays)))}, func(press string, at int64) { out[press] = at })
	if err != nil {
		return nil, err
	}
	seen := map[string]bool{}
	var behind []string
	for _, m := range months {
		for _, s := range m.states {
			if _, ok := out[s.key.press]; !ok && !seen[s.key.press] {
				seen[s.key.press] = true
				behind = append(behind, s.key.press)
			}
		}
	}
	if err := db.frontiersBehind(ctx, behind, out); err != nil {
		return nil, err
	}
	c.frontiers, c.frontierParts = out, p
	return maps.Clone(out), nil
}
