package warehouse

import (
	"context"
	"fmt"
	"path"
	"regexp"
	"strconv"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// verifyInsert looks whether what an insert of n events has stored in a month is there, byte by byte. An insert that was
// acknowledged is not enough: the embedded engine (libchdb 26.7.2) acknowledges one whose write to the part's data file
// failed with "no space left on device" (services/faults TestEngineWriteFails shows it), and the table cannot be read from
// then on. A part that is broken is set aside, so that the table can be read again, and the insert is an error: what it
// held is not confirmed and comes again.
func (db *DB) verifyInsert(ctx context.Context, pos uint64, month, n int) error {
	err := db.checkInsert(ctx, pos, month, n)
	if err == nil {
		return nil
	}
	err = fmt.Errorf("read back: %w", err)
	if ctx.Err() == nil {
		if aside := db.setBrokenAside(ctx, month); aside != nil {
			return fmt.Errorf("%w; and the part is not set aside: %w", err, aside)
		}
	}
	return err
}

// checkInsert counts the rows and has the engine compare the files of their parts with their checksums, which costs far
// less than reading all columns. A part that has just been merged is read instead.
func (db *DB) checkInsert(ctx context.Context, pos uint64, month, n int) error {
	var have uint64
	var parts []string
	args := []any{clickhouse.Named("pos", param(pos)), clickhouse.Named("month", strconv.Itoa(month))}
	err := db.conn.QueryRow(ctx, `SELECT count(), groupUniqArray(toString(_part)) FROM events WHERE pos = {pos:UInt64} AND _partition_id = {month:String}`, args...).Scan(&have, &parts)
	if err != nil {
		return err
	}
	if have < uint64(n) {
		return fmt.Errorf("%d of %d events are stored", have, n)
	}
	for _, part := range parts {
		var name, message string
		var passed bool
		err := db.conn.QueryRow(ctx, `CHECK TABLE events PART '`+part+`' SETTINGS check_query_single_value_result = 0`).Scan(&name, &passed, &message)
		switch {
		case err == nil && !passed:
			return fmt.Errorf("part %s: %s", part, message)
		case err != nil:
			if err := db.conn.QueryRow(ctx, `SELECT count() FROM events WHERE pos = {pos:UInt64} AND _partition_id = {month:String} AND NOT ignore(*)`, args...).Scan(&have); err != nil {
				return err
			}
			if have < uint64(n) {
				return fmt.Errorf("%d of %d events can be read", have, n)
			}
		}
	}
	return nil
}

// freshPart is the name of a part as an insert makes it: month, first and last block, never merged.
var freshPart = regexp.MustCompile(`^\d{6}_\d+_\d+_0$`)

// setBrokenAside detaches the parts of a month that come from one insert and do not have the content that they say.
// Merged parts are left: what they hold was once confirmed, so a person must look.
func (db *DB) setBrokenAside(ctx context.Context, month int) error {
	rows, err := db.conn.Query(ctx, `CHECK TABLE events PARTITION '`+strconv.Itoa(month)+`' SETTINGS check_query_single_value_result = 0`)
	if err != nil {
		return err
	}
	defer rows.Close()
	var broken []string
	for rows.Next() {
		var part, message string
		var passed bool
		if err := rows.Scan(&part, &passed, &message); err != nil {
			return err
		}
		if part = path.Base(part); !passed {
			db.log.Error("a part of events cannot be read", "part", part, "message", message)
			if freshPart.MatchString(part) {
				broken = append(broken, part)
			}
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	for _, part := range broken {
		if err := db.conn.Exec(ctx, "ALTER TABLE events DETACH PART '"+part+"'"); err != nil {
			return err
		}
		db.log.Error("a broken part of events was set aside; its events were not confirmed", "part", part)
	}
	return nil
}
