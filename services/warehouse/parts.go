package warehouse

import (
	"context"
	"fmt"
	"slices"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// checkRounds bounds how often parts are looked for again because they were merged meanwhile.
const checkRounds = 8

// brokenPart is one whose files are not what its checksums say.
type brokenPart struct{ name, why string }

func (b *brokenPart) String() string { return b.name + ": " + b.why }

// brokenAmong has the engine compare the files of parts with their checksums and gives the first that is broken, or nil.
// moved says that one of the parts was no longer there, because it was merged.
func (db *DB) brokenAmong(ctx context.Context, table string, parts []string) (broken *brokenPart, moved bool, err error) {
	for _, part := range parts {
		var name, message string
		var passed bool
		err := db.conn.QueryRow(ctx, "CHECK TABLE "+table+" PART '"+part+"' SETTINGS check_query_single_value_result = 0").Scan(&name, &passed, &message)
		if err == nil && passed {
			continue
		}
		if err != nil {
			message = err.Error()
		}
		active, err := db.activeParts(ctx, table)
		switch {
		case err != nil:
			return nil, false, err
		case slices.Contains(active, part):
			return &brokenPart{part, message}, false, nil
		}
		moved = true
	}
	return nil, moved, nil
}

func (db *DB) activeParts(ctx context.Context, table string) ([]string, error) {
	var parts []string
	err := db.conn.QueryRow(ctx, "SELECT groupArray(name) FROM system.parts WHERE database = currentDatabase() AND table = {table:String} AND active", clickhouse.Named("table", table)).Scan(&parts)
	if err != nil {
		return nil, fmt.Errorf("parts of %s: %w", table, err)
	}
	return parts, nil
}
