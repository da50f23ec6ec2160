package warehouse

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/ClickHouse/clickhouse-go/v2/lib/driver"
)

// verifyInsert looks whether what an insert of n events has stored in a month is on disk. An insert that was acknowledged
// is not enough: the embedded engine (libchdb 26.7.2) acknowledges one of which a write to a part's file failed, "no space
// left on device" for example, and raises no error (services/faults TestEngineWriteFails shows it). Where a write has
// failed the table is loaded again from disk, which leaves what is broken out, and what is then missing is an error: it is
// not confirmed and comes again. before is what faults gave when the insert began.
func (db *DB) verifyInsert(ctx context.Context, pos uint64, month, n int, before engineFaults) error {
	if db.embedded {
		now, have, err := db.countInsert(ctx, pos, month)
		if err != nil { // it cannot be read, or the engine is gone
			if now, err = db.readFaults(ctx, "", nil); err != nil {
				return fmt.Errorf("read back: %w", err)
			}
			have = 0
		}
		if now.unwritten > 0 && !now.wroteAll(before) {
			if err := db.mend(ctx, now, "events"); err != nil {
				return fmt.Errorf("read back: %w", err)
			}
			if _, have, err = db.countInsert(ctx, pos, month); err != nil {
				return fmt.Errorf("read back: %w", err)
			}
		}
		if have < uint64(n) {
			return fmt.Errorf("read back: %d of %d events are stored", have, n)
		}
		if now.none(before) {
			return nil
		}
	}
	if err := db.checkInsert(ctx, pos, month, n); err != nil {
		return fmt.Errorf("read back: %w", err)
	}
	return nil
}

// countInsert counts the rows of an insert and reads, at once, what the engine has failed at.
func (db *DB) countInsert(ctx context.Context, pos uint64, month int) (now engineFaults, have uint64, err error) {
	now, err = db.readFaults(ctx, `SELECT count(), %s FROM events WHERE pos = {pos:UInt64} AND _partition_id = {month:String}`,
		[]any{clickhouse.Named("pos", param(pos)), clickhouse.Named("month", strconv.Itoa(month))}, &have)
	return now, have, err
}

// engineFaults is what the embedded engine has failed at since it started, at one moment. raised counts its errors, a
// question's too. unwritten counts writes to files that failed; the engine forgets them, and what the file should have
// held is gone. An insert during which both stand still has written all of its files.
type engineFaults struct {
	raised, unwritten uint64
	up                time.Duration // the engine's time since its start, whole seconds
	read              time.Time     // zero: nothing is known
}

// faultColumns is what a question asks for to know engineFaults: raised, unwritten and up.
const faultColumns = `(SELECT sum(value) FROM system.errors), (SELECT sum(value) FROM system.events WHERE event = 'WriteBufferFromFileDescriptorWriteFailed'), uptime()`

// sameEngine bounds what reading the time since the start may be off by, with its rounding to seconds.
const sameEngine = 2 * time.Second

// none says that between two readings, of which the later is f, nothing failed: by one engine, which counts from its
// start.
func (f engineFaults) none(before engineFaults) bool {
	return f.wroteAll(before) && f.raised == before.raised
}

// wroteAll says that between two readings, of which the later is f, one engine has written all that it wrote.
func (f engineFaults) wroteAll(before engineFaults) bool {
	return !before.read.IsZero() && before.up > 2*sameEngine && f.unwritten == before.unwritten && f.up >= before.up+f.read.Sub(before.read)-sameEngine
}

// faults is what was last read of the engine's errors; nothing where the engine is another's server, of which it is not
// known that it answers alone.
func (db *DB) faults() engineFaults {
	if f := db.lastFaults.Load(); f != nil {
		return *f
	}
	return engineFaults{}
}

// readFaults asks the embedded engine. dest are places for what more, a question's first columns, says.
func (db *DB) readFaults(ctx context.Context, more string, args []any, dest ...any) (engineFaults, error) {
	f := engineFaults{read: time.Now()}
	var up uint32
	question := "SELECT " + faultColumns
	if more != "" {
		question = fmt.Sprintf(more, faultColumns)
	}
	if err := db.conn.QueryRow(ctx, question, args...).Scan(append(dest, &f.raised, &f.unwritten, &up)...); err != nil {
		return engineFaults{}, err
	}
	f.up = time.Duration(up) * time.Second
	db.lastFaults.Store(&f)
	return f, nil
}

// PartChecks is the number of inserts whose files were compared with their checksums.
func (db *DB) PartChecks() uint64 { return db.checked.Load() }

// checkInsert counts the rows of an insert and has the engine compare the files of their parts with their checksums, which
// costs far less than reading all columns.
func (db *DB) checkInsert(ctx context.Context, pos uint64, month, n int) error {
	db.checked.Add(1)
	for range checkRounds {
		var have uint64
		var parts []string
		err := db.conn.QueryRow(ctx, `SELECT count(), groupUniqArray(toString(_part)) FROM events WHERE pos = {pos:UInt64} AND _partition_id = {month:String}`,
			clickhouse.Named("pos", param(pos)), clickhouse.Named("month", strconv.Itoa(month))).Scan(&have, &parts)
		if err != nil {
			return err
		}
		if have < uint64(n) {
			return fmt.Errorf("%d of %d events are stored", have, n)
		}
		broken, moved, err := db.brokenAmong(ctx, "events", parts)
		if err != nil {
			return err
		}
		if broken != nil {
			db.mending.Lock()
			err := db.reload(ctx, "events")
			db.mending.Unlock()
			if err != nil {
				return fmt.Errorf("part %s; %w", broken, err)
			}
			return fmt.Errorf("part %s", broken)
		}
		if !moved {
			return nil
		}
	}
	return fmt.Errorf("its parts are merged faster than they are checked")
}

// relied reads from events until what it reads may be believed. Parts that the engine finds when it loads a table it has
// compared itself; what needs a look is what it wrote since then, if any write has failed.
func (db *DB) relied(ctx context.Context, read func() error) error {
	for range checkRounds {
		err := read()
		if !db.embedded || ctx.Err() != nil {
			return err
		}
		f, e := db.readFaults(ctx, "", nil)
		if e != nil {
			return errors.Join(err, e)
		}
		mended, e := db.mendOnce(ctx, f, "events")
		if e != nil {
			return errors.Join(err, e)
		}
		if !mended {
			return err
		}
	}
	return errors.New("writes to disk fail all the time")
}

// send ends an insert into any table but events and looks whether the engine has written all of it. After an error the
// rows may be there or not.
func (db *DB) send(ctx context.Context, batch driver.Batch, table string) error {
	before := db.faults()
	if err := batch.Send(); err != nil {
		return fenced(err)
	}
	if !db.embedded {
		return nil
	}
	now, err := db.readFaults(ctx, "", nil)
	if err != nil {
		return fmt.Errorf("look for writes that failed: %w", err)
	}
	if now.unwritten == 0 || now.wroteAll(before) {
		return nil
	}
	if err := db.mend(ctx, now, table); err != nil {
		return err
	}
	return errors.New("a write to disk has failed meanwhile: the rows may be there or not")
}
