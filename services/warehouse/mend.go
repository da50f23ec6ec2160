package warehouse

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// A write that fails is silent, during a merge as during an insert: the engine takes the part for whole, serves it, from
// memory where it can, and deletes after 8 minutes the parts that it was merged of. Until then those are on disk, and the
// engine, which compares the sizes of all files when it loads a table, sets what is broken aside and takes them in its
// place. So when the count of failed writes has risen, the table that was written to and every table with a fresh merged
// part is loaded again.
//
// Rejected: ALTER TABLE … DETACH PART of the broken part. It deletes at once all parts of the table that have been merged,
// also those whose merge was broken.

// mend loads tables again if a write has failed since it did so last. f is what was read of the engine's failures.
func (db *DB) mend(ctx context.Context, f engineFaults, table string) error {
	_, err := db.mendOnce(ctx, f, table)
	return err
}

// mendOnce also says whether it did anything.
func (db *DB) mendOnce(ctx context.Context, f engineFaults, table string) (done bool, err error) {
	if !db.embedded || f.unwritten == 0 {
		return false, nil
	}
	db.mending.Lock()
	defer db.mending.Unlock()
	if f.wroteAll(db.mended) {
		return false, nil
	}
	var tables []string
	err = db.conn.QueryRow(ctx, "SELECT groupUniqArray(table) FROM system.parts WHERE database = currentDatabase() AND active AND level > 0 AND modification_time > now() - 600").Scan(&tables)
	if err != nil {
		return false, fmt.Errorf("look for fresh merged parts: %w", err)
	}
	tables = append(tables, table)
	for away := range db.away { // taken out before and perhaps not brought back
		tables = append(tables, away)
	}
	slices.Sort(tables)
	tables = slices.Compact(tables)
	for _, table := range tables {
		if err := db.reload(ctx, table); err != nil {
			return false, err
		}
	}
	db.mended = f
	return true, nil
}

// reload takes a table out of the engine and brings it back, which loads its parts from disk. If this program or the engine
// dies in between, the engine brings it back when it starts. Who asks meanwhile is told that there is no such table.
func (db *DB) reload(ctx context.Context, table string) error {
	db.log.Error("writes to disk have failed: the table is loaded again, so that no merged part is trusted unread", "table", table)
	if db.away == nil {
		db.away = map[string]bool{}
	}
	db.away[table] = true
	detach, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Minute)
	err := db.conn.Exec(detach, "DETACH TABLE "+table)
	cancel()
	if err != nil && !unknownTable(err) { // unknown: it is out already, and was not brought back
		return fmt.Errorf("load %s again: %w", table, err)
	}
	db.reloads.Add(1)
	for range 100 { // while a question still uses it
		attach, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Minute)
		err = db.conn.Exec(attach, "ATTACH TABLE "+table)
		cancel()
		if err == nil {
			delete(db.away, table)
			return nil
		}
		time.Sleep(100 * time.Millisecond)
	}
	return fmt.Errorf("load %s again: %w; the engine brings it back when it is started", table, err)
}

func unknownTable(err error) bool {
	var e *clickhouse.Exception
	return errors.As(err, &e) && e.Code == 60 || strings.Contains(err.Error(), "UNKNOWN_TABLE")
}

// MindWrites looks every so often, well within 8 minutes, whether a write of the embedded engine has failed, and mends,
// until ctx ends: merges also run when nothing is inserted. It returns only ctx's error.
func (db *DB) MindWrites(ctx context.Context, every time.Duration) error {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		if err := db.mendNow(ctx); err != nil && ctx.Err() == nil {
			db.log.Warn("failed writes were not looked for", "err", err)
		}
	}
}

func (db *DB) mendNow(ctx context.Context) error {
	if !db.embedded {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	f, err := db.readFaults(ctx, "", nil)
	if err != nil {
		return err
	}
	return db.mend(ctx, f, "events")
}
