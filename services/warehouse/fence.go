package warehouse

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// ErrFenced is returned by InsertEvents and WriteProjections when another
// writer has begun since: nothing was stored, and nothing will be.
var ErrFenced error = fencedError{}

type fencedError struct{}

func (fencedError) Error() string { return "another writer has taken over" }

// FencedOut tells packages that do not know this one.
func (fencedError) FencedOut() bool { return true }

// fenceGap is how many numbers a new writer leaves to the one before it. That
// one may count on until it notices; it must not reach the new one's numbers.
const fenceGap = 1000

// fenceSpread bounds the random part of a fence's number.
const fenceSpread = 1 << 16

// fenceWait is how long Fence waits for writes that began before it.
const fenceWait = time.Minute

// fenceTables are the tables a paused writer could spoil, with the column that
// numbers its writes: rows of events with an old pos would change answers as of
// an earlier pos, projections folded from what was stored before would stand
// for newer ones.
var fenceTables = []struct{ table, column string }{
	{"events", "pos"}, {tablePressDays, "ver"}, {tableShiftFacts, "ver"}, {tableVisits, "ver"}, {tableDuties, "ver"},
}

// Fence is what a writer does first: it shuts out every writer before it, for
// good, however long that one was paused and at whatever moment. It returns
// the number above which this writer counts its inserts.
//
// A lease alone cannot do that: between looking at the lease and the insert a
// process may sleep. So the table itself refuses. Fence takes a number above
// all in use and gives each table a constraint that only rows above it may come
// in; then it waits for inserts that began under the old rule. Constraints of
// several fences stand side by side until the next one: a writer that wakes
// inside Fence adds a lower one, which changes nothing, or a higher one, which
// makes the others begin anew. The number is partly random, so that two that
// are in Fence at once do not count alike.
func (db *DB) Fence(ctx context.Context) (floor uint64, err error) {
	if floor, err = db.highest(ctx); err != nil {
		return 0, fmt.Errorf("fence: %w", err)
	}
	floor += fenceGap + rand.N[uint64](fenceSpread)
	if err := db.moveOldDays(ctx, floor); err != nil {
		return 0, fmt.Errorf("fence: %w", err)
	}
	for _, t := range fenceTables {
		if err := db.fenceTable(ctx, t.table, t.column, floor); err != nil {
			return 0, fmt.Errorf("fence: %w", err)
		}
	}
	if err := db.awaitInserts(ctx); err != nil {
		return 0, fmt.Errorf("fence: %w", err)
	}
	db.floor.Store(floor)
	return floor, nil
}

// highest number of any insert, projection or fence.
func (db *DB) highest(ctx context.Context) (uint64, error) {
	top, err := db.MaxPos(ctx)
	if err != nil {
		return 0, err
	}
	var parts []string
	for _, t := range fenceTables[1:] {
		parts = append(parts, "SELECT max(ver) AS v FROM "+t.table)
	}
	parts = append(parts, "SELECT max(ver) AS v FROM "+tableOldDays)
	var ver uint64
	if err := db.conn.QueryRow(ctx, "SELECT max(v) FROM ("+strings.Join(parts, " UNION ALL ")+")").Scan(&ver); err != nil {
		return 0, fmt.Errorf("read the highest version: %w", err)
	}
	fences, err := db.fences(ctx, "events")
	if err != nil {
		return 0, err
	}
	return max(top, ver, slices.Max(append(fences, 0))), nil
}

var fenceName = regexp.MustCompile(`CONSTRAINT ` + "`?" + `fence_([0-9]+)\b`)

func (db *DB) fenceTable(ctx context.Context, table, column string, floor uint64) error {
	name := fmt.Sprintf("fence_%d", floor)
	err := db.conn.Exec(ctx, fmt.Sprintf("ALTER TABLE %s ADD CONSTRAINT IF NOT EXISTS %s CHECK %s > %d", table, name, column, floor))
	if err != nil {
		return fmt.Errorf("constrain %s: %w", table, err)
	}
	return db.dropFencesBelow(ctx, table, floor)
}

// fences are the numbers of a table's constraints.
func (db *DB) fences(ctx context.Context, table string) ([]uint64, error) {
	var create string
	err := db.conn.QueryRow(ctx, "SELECT create_table_query FROM system.tables WHERE database = currentDatabase() AND name = {table:String}",
		clickhouse.Named("table", table)).Scan(&create)
	if err != nil {
		return nil, fmt.Errorf("read the constraints of %s: %w", table, err)
	}
	var out []uint64
	for _, m := range fenceName.FindAllStringSubmatch(create, -1) {
		if n, err := strconv.ParseUint(m[1], 10, 64); err == nil {
			out = append(out, n)
		}
	}
	return out, nil
}

// dropFencesBelow lifts the constraints of earlier fences.
func (db *DB) dropFencesBelow(ctx context.Context, table string, floor uint64) error {
	list, err := db.fences(ctx, table)
	if err != nil {
		return err
	}
	for _, n := range list {
		if n < floor {
			if err := db.conn.Exec(ctx, fmt.Sprintf("ALTER TABLE %s DROP CONSTRAINT IF EXISTS fence_%d", table, n)); err != nil {
				return fmt.Errorf("release %s: %w", table, err)
			}
		}
	}
	return nil
}

// awaitInserts ends the inserts into this database that run now, and waits
// until none is left: they began before the fence and do not know of it.
func (db *DB) awaitInserts(ctx context.Context) error {
	const where = `query_kind = 'Insert' AND current_database = currentDatabase() AND match(query, '^INSERT INTO (events|press_days|press_days_by_month|shift_facts|station_visits|duties) ')`
	var ids []string
	if err := db.conn.QueryRow(ctx, "SELECT groupArray(query_id) FROM system.processes WHERE "+where).Scan(&ids); err != nil {
		return fmt.Errorf("list running inserts: %w", err)
	}
	end := time.Now().Add(fenceWait)
	for wait := 10 * time.Millisecond; len(ids) > 0; wait = min(2*wait, time.Second) {
		if time.Now().After(end) {
			return fmt.Errorf("an insert of the writer before does not end: %s", ids[0])
		}
		if err := db.conn.Exec(ctx, "KILL QUERY WHERE has({ids:Array(String)}, query_id) AND "+where+" ASYNC", clickhouse.Named("ids", ids)); err != nil {
			db.log.Warn("an insert of the writer before cannot be ended", "err", err)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
		if err := db.conn.QueryRow(ctx, "SELECT groupArray(query_id) FROM system.processes WHERE has({ids:Array(String)}, query_id)", clickhouse.Named("ids", ids)).Scan(&ids); err != nil {
			return fmt.Errorf("list running inserts: %w", err)
		}
	}
	return nil
}

// fenced knows the refusal of a fence among the errors of an insert.
func fenced(err error) error {
	var e *clickhouse.Exception
	if errors.As(err, &e) && e.Code == 469 && strings.Contains(e.Message, "fence_") || // VIOLATED_CONSTRAINT
		err != nil && strings.Contains(err.Error(), "Constraint `fence_") {
		return fmt.Errorf("%w: %w", ErrFenced, err)
	}
	return err
}
