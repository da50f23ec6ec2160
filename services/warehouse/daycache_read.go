package warehouse

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	chproto "github.com/ClickHouse/ch-go/proto"
	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/analytics/timeline"
)

// rowBytes is what a press-day takes in memory, roughly: a question that would
// not fit is left to the table.
const rowBytes = 320

// cachedLossSums is LossSums from memory; ok is false where the question is too
// large for it.
func (db *DB) cachedLossSums(ctx context.Context, by LossGroup, presses []string, from, to timeline.Day) (sums []timeline.LossSum, ok bool, err error) {
	c := db.days
	c.refresh.Lock()
	keys, cells, rates, ok, err := db.freshCells(ctx, presses, from, to)
	c.refresh.Unlock()
	if err != nil || !ok {
		return nil, false, err
	}
	return c.sumCells(by, keys, cells, rates, sumColumns(), from, to), true, nil
}

// cellState is what the table says of a press and month.
type cellState struct {
	key  cellKey
	ver  uint64
	rows uint64 // versions of rows
}

// freshCells are the cells of a scope and its days, each as the table has it.
// c.refresh is held.
func (db *DB) freshCells(ctx context.Context, presses []string, from, to timeline.Day) (keys []cellKey, cells []*dayCell, rates []rate, ok bool, err error) {
	c := db.days
	states, err := db.cellStates(ctx, presses, from, to)
	if err != nil {
		return nil, nil, nil, false, err
	}
	rows := uint64(0)
	for _, s := range states {
		rows += s.rows
	}
	if rows*rowBytes > uint64(c.budget) {
		return nil, nil, nil, false, nil
	}
	c.mu.Lock()
	stale := map[cellKey]uint64{}
	for _, s := range states {
		if cell := c.cells[s.key]; cell == nil || cell.ver != s.ver {
			stale[s.key] = s.ver
		}
	}
	c.mu.Unlock()
	if len(stale) > 0 {
		if ok, err := db.readCells(ctx, stale); err != nil || !ok {
			return nil, nil, nil, false, err
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.clock++
	for _, s := range states {
		cell := c.cells[s.key]
		cell.used = c.clock
		keys, cells = append(keys, s.key), append(cells, cell)
	}
	c.trim()
	return keys, cells, c.rates, true, nil
}

// readCells reads presses and months from the table. What it reads may be newer
// than the version it is kept under: then the next question reads it again. ok
// is false where there are more rates than can be numbered.
func (db *DB) readCells(ctx context.Context, stale map[cellKey]uint64) (ok bool, err error) {
	names := map[string]bool{}
	first, last := int32(1<<30), int32(0)
	for k := range stale {
		names[k.press] = true
		first, last = min(first, k.month), max(last, k.month)
	}
	var presses []string
	for n := range names {
		presses = append(presses, n)
	}
	slices.Sort(presses)
	cols := sumColumns()
	c := db.days
	fresh := map[cellKey]*dayCell{}
	for k, ver := range stale {
		fresh[k] = &dayCell{ver: ver}
	}
	ok = true
	values := make([]int64, len(cols))
	add := func(r *dayRead, i int) {
		k := cellKey{r.plant.Row(i) + "/" + r.press.Row(i), monthOf(timeline.Day(r.day[i]))}
		cell := fresh[k]
		if cell == nil {
			return // not stale: read because its press or month is
		}
		for j := range values {
			values[j] = r.values[j][i]
		}
		cell.data = appendRow(cell.data, values)
		c.mu.Lock()
		n, known := c.rateNumber(rate{r.currency.Row(i), bool(r.constrained[i]), r.hour[i]})
		c.mu.Unlock()
		ok = ok && known
		cell.rows = append(cell.rows, dayRow{day: timeline.Day(r.day[i]), rate: n, end: uint32(len(cell.data)), last: r.through[i]})
	}
	where, args := scopeWhere(presses, firstOf(first), firstOf(last+1)-1)
	if err := db.readDays(ctx, cols, where, args, add); err != nil {
		return false, fmt.Errorf("read press-days: %w", err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if !ok { // more rates than numbers for them
		c.empty(c.table)
		return false, nil
	}
	for k, cell := range fresh {
		cell.rows, cell.data = slices.Clip(cell.rows), slices.Clip(cell.data)
		cell.addUp(len(cols))
		c.put(k, cell)
	}
	return true, nil
}

// dayRead is a block of press-days as the engine sends them, by columns.
type dayRead struct {
	plant, press, currency *chproto.ColLowCardinality[string]
	day                    chproto.ColInt32
	constrained            chproto.ColBool
	hour, through          chproto.ColInt64
	values                 []chproto.ColInt64
}

func (r *dayRead) results() chproto.Results {
	cols := []chproto.ColResult{r.plant, r.press, &r.day, r.currency, &r.constrained, &r.hour, &r.through}
	for i := range r.values {
		cols = append(cols, &r.values[i])
	}
	out := make(chproto.Results, len(cols))
	for i, c := range cols {
		out[i] = chproto.ResultColumn{Data: c} // by place
	}
	return out
}

// readDays reads press-days by columns, sorted by press and day. Over the native
// protocol they come row by row.
func (db *DB) readDays(ctx context.Context, cols []field[timeline.PressDay], where string, args []any, add func(r *dayRead, i int)) error {
	names := append([]string{"plant", "press", "day", "currency", "constrained", "hour_micro", "through_ms"}, fieldNames(cols)...)
	query := "SELECT " + strings.Join(names, ", ") + " FROM press_days_by_month FINAL WHERE " + where + " ORDER BY plant, press, day"
	same := interner{}
	text := func() *chproto.ColLowCardinality[string] {
		return chproto.NewLowCardinality[string](&textColumn{same: same})
	}
	r := &dayRead{plant: text(), press: text(), currency: text(), values: make([]chproto.ColInt64, len(cols))}
	body, err := db.conn.QueryFormat(clickhouse.Context(ctx, clickhouse.WithSettings(daySettings)), "Native", query, args...)
	if errors.Is(err, clickhouse.ErrFormatNativeUnsupported) {
		return db.readDaysByRows(ctx, query, args, r, add)
	} else if err != nil {
		return err
	}
	defer body.Close()
	in, results := chproto.NewReader(body), r.results()
	for {
		var block chproto.Block
		if err := block.DecodeRawBlock(in, 0, results); errors.Is(err, io.EOF) && block.Columns == 0 {
			return nil
		} else if err != nil {
			return fmt.Errorf("decode: %w", err)
		}
		for i := range block.Rows {
			add(r, i)
		}
	}
}

// daySettings are readSettings with blocks that stay small though their rows are
// wide.
var daySettings = clickhouse.Settings{"do_not_merge_across_partitions_select_final": 1, "use_skip_indexes_if_final": 1, "max_block_size": 8192}

func (db *DB) readDaysByRows(ctx context.Context, query string, args []any, r *dayRead, add func(r *dayRead, i int)) error {
	rows, err := db.conn.Query(readContext(ctx), query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	r.day, r.constrained, r.hour, r.through = make(chproto.ColInt32, 1), make(chproto.ColBool, 1), make(chproto.ColInt64, 1), make(chproto.ColInt64, 1)
	var plant, press, currency string
	dest := []any{&plant, &press, &r.day[0], &currency, &r.constrained[0], &r.hour[0], &r.through[0]}
	for i := range r.values {
		r.values[i] = make(chproto.ColInt64, 1)
		dest = append(dest, &r.values[i][0])
	}
	for rows.Next() {
		if err := rows.Scan(dest...); err != nil {
			return err
		}
		for col, v := range map[*chproto.ColLowCardinality[string]]string{r.plant: plant, r.press: press, r.currency: currency} {
			col.Values = append(col.Values[:0], v)
		}
		add(r, 0)
	}
	return rows.Err()
}
