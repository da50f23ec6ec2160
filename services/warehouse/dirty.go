package warehouse

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// Dirty says that a press has to be projected again from an instant on. It is an alias, as are the other records that
// writers hand in, so that they can name the same type without importing this package.
type Dirty = struct {
	Plant, Press string
	From         int64 // unix ms
}

// DirtyPress is what TakeDirty found of one press.
type DirtyPress struct {
	Plant, Press string
	From         int64  // earliest instant, unix ms
	UpTo         uint64 // hand it back to ClearDirty; it means nothing outside this DB
}

// writerMark is the part of one press's dirty rows that one writer made, up to its n.
type writerMark struct {
	plant, press string
	writer, n    uint64
}

// MarkDirty notes that presses have to be projected again because of something that is stored already.
func (db *DB) MarkDirty(ctx context.Context, marks []Dirty) error {
	done, err := db.BeginDirty(ctx, marks)
	if err == nil {
		done()
	}
	return err
}

// BeginDirty notes that presses have to be projected again because of rows that are about to be stored: it is called
// before them, so that a crash leaves a mark without rows, never rows without a mark. TakeDirty of this DB does not
// hand the marks out before done has been called, once the rows are stored or given up. After an error call it again.
func (db *DB) BeginDirty(ctx context.Context, marks []Dirty) (done func(), err error) {
	if len(marks) == 0 {
		return func() {}, nil
	}
	// n is given and stored under one lock: no row with a lower n can appear after TakeDirty has seen a higher one.
	d := &db.dirty
	d.mu.Lock()
	defer d.mu.Unlock()
	d.n++
	n := d.n
	if err := db.insertDirty(ctx, n, marks); err != nil {
		return nil, err
	}
	if d.open == nil {
		d.open = map[uint64]bool{}
	}
	d.open[n] = true
	return func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		delete(d.open, n)
	}, nil
}

func (db *DB) insertDirty(ctx context.Context, n uint64, marks []Dirty) error {
	return db.insertRows(ctx, "dirty", dirtyTypes, len(marks), func(i int) []any {
		return []any{marks[i].Plant, marks[i].Press, db.dirty.writer, n, marks[i].From}
	})
}

var dirtyTypes = []clickhouse.ColumnNameAndType{{Name: "plant", Type: tString}, {Name: "press", Type: tString},
	{Name: "writer", Type: tUInt64}, {Name: "n", Type: tUInt64}, {Name: "from_ms", Type: tInt64}}

// TakeDirty lists the presses with marks not yet cleared, each with its earliest instant, sorted by plant and press.
// The marks stay until ClearDirty: what is taken and never cleared is taken again.
func (db *DB) TakeDirty(ctx context.Context) ([]DirtyPress, error) {
	below := db.dirty.below()
	rows, err := db.conn.Query(ctx, `
SELECT plant, press, writer, min(from_ms), max(dirty.n)
FROM dirty
LEFT JOIN (SELECT plant, press, writer, max(n) AS n FROM dirty_done GROUP BY plant, press, writer) AS done USING (plant, press, writer)
WHERE dirty.n > done.n AND (writer != {writer:UInt64} OR dirty.n < {below:UInt64})
GROUP BY plant, press, writer
ORDER BY plant, press, writer`, clickhouse.Named("writer", param(db.dirty.writer)), clickhouse.Named("below", param(below)))
	if err != nil {
		return nil, fmt.Errorf("take dirty: %w", err)
	}
	defer rows.Close()
	var out []DirtyPress
	var marks [][]writerMark
	for rows.Next() {
		var m writerMark
		var from int64
		if err := rows.Scan(&m.plant, &m.press, &m.writer, &from, &m.n); err != nil {
			return nil, fmt.Errorf("take dirty: %w", err)
		}
		if n := len(out); n == 0 || out[n-1].Plant != m.plant || out[n-1].Press != m.press {
			out = append(out, DirtyPress{Plant: m.plant, Press: m.press, From: from})
			marks = append(marks, nil)
		}
		last := len(out) - 1
		out[last].From = min(out[last].From, from)
		marks[last] = append(marks[last], m)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("take dirty: %w", err)
	}
	d := &db.dirty
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.taken == nil {
		d.taken = map[uint64][]writerMark{}
	}
	for i := range out {
		d.token++
		out[i].UpTo = d.token
		d.taken[d.token] = marks[i]
	}
	d.forget(out)
	return out, nil
}

// below is the lowest n whose rows may not be stored yet.
func (d *dirtyState) below() uint64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	low := d.n + 1
	for n := range d.open {
		low = min(low, n)
	}
	return low
}

// forget drops tokens of earlier takes of the same presses, which this take includes.
func (d *dirtyState) forget(now []DirtyPress) {
	if len(d.taken) < 4*len(now)+1024 {
		return
	}
	var tokens []uint64
	for t := range d.taken {
		tokens = append(tokens, t)
	}
	slices.SortFunc(tokens, cmp.Compare[uint64])
	for _, t := range tokens[:len(tokens)/2] {
		delete(d.taken, t)
	}
}

// ClearDirty says that a press is projected as far as TakeDirty said: upTo is its UpTo.
func (db *DB) ClearDirty(ctx context.Context, plant, press string, upTo uint64) error {
	d := &db.dirty
	d.mu.Lock()
	marks := d.taken[upTo]
	d.mu.Unlock()
	if len(marks) == 0 || marks[0].plant != plant || marks[0].press != press {
		return fmt.Errorf("clear dirty of %s/%s: %d was not given by TakeDirty, or is too old", plant, press, upTo)
	}
	err := db.insertRows(ctx, "dirty_done", dirtyDoneTypes, len(marks), func(i int) []any {
		return []any{marks[i].plant, marks[i].press, marks[i].writer, marks[i].n}
	})
	if err != nil {
		return err
	}
	d.mu.Lock()
	delete(d.taken, upTo)
	d.mu.Unlock()
	return nil
}

var dirtyDoneTypes = []clickhouse.ColumnNameAndType{{Name: "plant", Type: tString}, {Name: "press", Type: tString},
	{Name: "writer", Type: tUInt64}, {Name: "n", Type: tUInt64}}

// PurgeDirty deletes marks that have been projected. It is housekeeping: ingest calls it when it starts.
func (db *DB) PurgeDirty(ctx context.Context) error {
	err := db.conn.Exec(ctx, `
DELETE FROM dirty WHERE (plant, press, writer, n) IN
(SELECT d.plant, d.press, d.writer, d.n FROM dirty AS d INNER JOIN
 (SELECT plant, press, writer, max(n) AS upto FROM dirty_done GROUP BY plant, press, writer) AS f
 ON d.plant = f.plant AND d.press = f.press AND d.writer = f.writer
 WHERE d.n <= f.upto)`)
	if err != nil {
		return fmt.Errorf("purge dirty: %w", err)
	}
	return nil
}
