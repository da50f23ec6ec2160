package warehouse

import (
	"context"
	"embed"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
)

// schemaFiles are the steps of the schema: schema/NNNN_name.sql, one statement each, run in order of their numbers
// and each of them harmless when run again. A step that has been released is never edited: a change is a new step.
//
//go:embed schema/*.sql
var schemaFiles embed.FS

// SchemaError says that the database was made by a newer program. A person must upgrade this one.
type SchemaError struct {
	Have, Known int // highest number in the database, highest number this program knows
}

func (e *SchemaError) Error() string {
	return fmt.Sprintf("the warehouse has schema %d and this program knows only %d: use a newer downweb", e.Have, e.Known)
}

// step is one file of the schema.
type step struct {
	number int
	name   string
	sql    string
}

// steps reads the files in order of their numbers.
func steps(files fs.FS) ([]step, error) {
	names, err := fs.Glob(files, "schema/*.sql")
	if err != nil {
		return nil, err
	}
	var out []step
	for _, name := range names {
		head, _, ok := strings.Cut(path.Base(name), "_")
		n, err := strconv.Atoi(head)
		if !ok || err != nil || n <= 0 {
			return nil, fmt.Errorf("%s is not named NNNN_name.sql", name)
		}
		text, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, err
		}
		out = append(out, step{n, path.Base(name), strings.TrimSpace(string(text))})
	}
	slices.SortFunc(out, func(a, b step) int { return a.number - b.number })
	for i := 1; i < len(out); i++ {
		if out[i].number == out[i-1].number {
			return nil, fmt.Errorf("%s and %s have one number", out[i-1].name, out[i].name)
		}
	}
	return out, nil
}

// SchemaVersion is the number of the newest step this program knows; a database that is open has it.
func SchemaVersion() uint32 {
	all, err := steps(schemaFiles)
	if err != nil || len(all) == 0 {
		return 0 // the files are inside the program, and tests read them
	}
	return uint32(all[len(all)-1].number)
}

// migrate runs the steps that the database does not have. Two programs that do it at once do no harm.
func (db *DB) migrate(ctx context.Context, files fs.FS) error {
	all, err := steps(files)
	if err != nil {
		return fmt.Errorf("schema: %w", err)
	}
	const create = "CREATE TABLE IF NOT EXISTS schema_version (number UInt32, name String, at DateTime64(3, 'UTC') DEFAULT now64(3)) " +
		"ENGINE = ReplacingMergeTree(at) ORDER BY number SETTINGS fsync_after_insert = 1, fsync_part_directory = 1"
	if err := db.conn.Exec(ctx, create); err != nil {
		return fmt.Errorf("schema: %w", err)
	}
	done := map[int]bool{}
	have := 0
	rows, err := db.conn.Query(ctx, "SELECT DISTINCT number FROM schema_version")
	if err != nil {
		return fmt.Errorf("schema: %w", err)
	}
	for rows.Next() {
		var n uint32
		if err = rows.Scan(&n); err != nil {
			break
		}
		done[int(n)] = true
		have = max(have, int(n))
	}
	if err := firstError(err, rows.Err(), rows.Close()); err != nil {
		return fmt.Errorf("schema: %w", err)
	}
	known := 0
	if len(all) > 0 {
		known = all[len(all)-1].number
	}
	if have > known {
		return &SchemaError{Have: have, Known: known}
	}
	for _, s := range all {
		if done[s.number] {
			continue
		}
		if err := db.conn.Exec(ctx, s.sql); err != nil {
			return fmt.Errorf("schema step %s: %w", s.name, err)
		}
		if err := db.conn.Exec(ctx, fmt.Sprintf("INSERT INTO schema_version (number, name) SELECT %d, '%s'", s.number, s.name)); err != nil {
			return fmt.Errorf("schema step %s: %w", s.name, err)
		}
	}
	return nil
}
