package warehouse

import (
	"context"
	"fmt"
	"slices"
	"strings"
)

// tableOldDays held press-days before tablePressDays did. Nothing reads it; a
// program of an earlier version may still write to it.
const tableOldDays = "press_days"

// copyOldDays takes rows over, with their versions: a row that is there already,
// or a newer one, stays.
func copyOldDays(where string) string {
	list := strings.Join(append(fieldNames(pressDays.cols), "ver", "gone"), ", ")
	return fmt.Sprintf("INSERT INTO %s (%s) SELECT %s FROM %s%s SETTINGS max_partitions_per_insert_block = 0", tablePressDays, list, list, tableOldDays, where)
}

// moveOldDays shuts programs of an earlier version out of their table and takes
// over what they wrote to it since the schema was brought up to date. What is no
// newer than a fence of the table of today was taken over before that fence.
func (db *DB) moveOldDays(ctx context.Context, floor uint64) error {
	if err := db.fenceTable(ctx, tableOldDays, "ver", floor); err != nil {
		return err
	}
	if err := db.awaitInserts(ctx); err != nil {
		return err
	}
	var n uint64
	if err := db.conn.QueryRow(ctx, "SELECT count() FROM "+tableOldDays).Scan(&n); err != nil {
		return fmt.Errorf("look for press-days of an earlier version: %w", err)
	}
	if n == 0 {
		return nil
	}
	fences, err := db.fences(ctx, tablePressDays)
	if err != nil {
		return err
	}
	for _, q := range []string{copyOldDays(fmt.Sprintf(" WHERE ver > %d", slices.Max(append(fences, 0)))), "TRUNCATE TABLE " + tableOldDays} {
		if err := db.conn.Exec(ctx, q); err != nil {
			return fmt.Errorf("take over press-days of an earlier version: %w", err)
		}
	}
	return nil
}
