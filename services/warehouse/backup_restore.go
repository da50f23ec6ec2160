package warehouse

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/klauspost/compress/zstd"
	"golang.org/x/sync/errgroup"
)

// restoringName is the row of meta that names the backup whose restore has begun and not ended.
const restoringName = "restoring"

// RestoringError says that a restore into the warehouse has not ended. A person must run it again.
type RestoringError struct{ Backup string }

func (e *RestoringError) Error() string {
	return "a restore into this warehouse was not finished: run \"downweb restore\" with the same backup again"
}

// NotEmptyError says that a restore would mix a backup with what is in the warehouse.
type NotEmptyError struct {
	Table string
	Rows  uint64
}

func (e *NotEmptyError) Error() string {
	return fmt.Sprintf("the warehouse is not empty (%d rows in %s): a backup is restored only into an empty one", e.Rows, e.Table)
}

// restoring is the ID of the backup whose restore has not ended; empty: none.
func (db *DB) restoring(ctx context.Context) (string, error) {
	var id string
	err := db.conn.QueryRow(ctx, "SELECT argMax(value, at) FROM meta WHERE name = {name:String}", clickhouse.Named("name", restoringName)).Scan(&id)
	if err != nil {
		return "", fmt.Errorf("ask whether a restore goes on: %w", err)
	}
	return id, nil
}

// BeginRestore prepares the warehouse for RestoreTables. It refuses one that holds anything (*NotEmptyError) or that is
// older than the backup (*SchemaError); what an unfinished restore of the same backup has left is deleted. Until
// EndRestore the warehouse cannot be opened otherwise.
func (db *DB) BeginRestore(ctx context.Context, m *BackupManifest) error {
	all, err := steps(schemaFiles)
	if err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	if known := all[len(all)-1].number; m.Schema > known {
		return &SchemaError{Have: m.Schema, Known: known}
	}
	tables, err := db.dataTables(ctx)
	if err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	switch id, err := db.restoring(ctx); {
	case err != nil:
		return fmt.Errorf("restore: %w", err)
	case id == m.ID():
		if err := db.dropFences(ctx); err != nil {
			return fmt.Errorf("restore: %w", err)
		}
		for _, t := range tables {
			if err := db.conn.Exec(ctx, "TRUNCATE TABLE "+identifier(t)); err != nil {
				return fmt.Errorf("restore: empty %s: %w", t, err)
			}
		}
		return nil
	case id != "":
		return errors.New("restore: another backup's restore into this warehouse was not finished: finish that one, or take an empty warehouse")
	}
	for _, t := range tables {
		var n uint64
		if err := db.conn.QueryRow(ctx, "SELECT count() FROM "+identifier(t)).Scan(&n); err != nil {
			return fmt.Errorf("restore: %w", err)
		}
		if n > 0 {
			return &NotEmptyError{t, n}
		}
	}
	if err := db.dropFences(ctx); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	return db.putMeta(ctx, restoringName, m.ID(), time.Now())
}

// dropFences lifts what a writer before has put against lower numbers. The next writer puts up its own.
func (db *DB) dropFences(ctx context.Context) error {
	for _, t := range fenceTables {
		if err := db.dropFencesBelow(ctx, t.table, 1<<64-1); err != nil {
			return err
		}
	}
	return nil
}

// dataTables are the tables that are empty in a new warehouse.
func (db *DB) dataTables(ctx context.Context) ([]string, error) {
	var out []string
	err := db.conn.QueryRow(ctx, "SELECT groupArray(name) FROM (SELECT name FROM system.tables WHERE database = currentDatabase() AND engine LIKE '%MergeTree' "+
		"AND name NOT IN ('meta', 'schema_version') ORDER BY name)").Scan(&out)
	return out, err
}

// RestoreTables stores the tables of a backup that VerifyBackup has found whole. progress, if not nil, is called with
// the rows stored and in all, never twice at once.
func (db *DB) RestoreTables(ctx context.Context, dir string, m *BackupManifest, progress func(done, total int64)) error {
	raw, err := db.raw()
	if err != nil {
		return err
	}
	defer raw.close()
	columns, total := map[string][]string{}, int64(0)
	for _, t := range m.Tables {
		columns[t.Name], total = t.Columns, total+t.Rows
	}
	stored := make(chan int64)
	counted := make(chan struct{})
	go func() {
		defer close(counted)
		done := int64(0)
		for n := range stored {
			if done += n; progress != nil {
				progress(done, total)
			}
		}
	}()
	g, work := errgroup.WithContext(ctx)
	g.SetLimit(2)
	for _, f := range m.Files {
		if f.Table == "" || work.Err() != nil {
			continue
		}
		g.Go(func() error {
			if err := restoreFile(work, raw, filepath.Join(dir, filepath.FromSlash(f.Path)), f.Table, columns[f.Table]); err != nil {
				return fmt.Errorf("restore %s: %w", f.Path, err)
			}
			stored <- f.Rows
			return nil
		})
	}
	err = g.Wait()
	close(stored)
	<-counted
	if err == nil {
		err = ctx.Err()
	}
	if err != nil {
		return err
	}
	return db.checkRestored(ctx, m)
}

func restoreFile(ctx context.Context, raw *rawHTTP, path, table string, columns []string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	in, err := zstd.NewReader(f, zstd.WithDecoderConcurrency(1))
	if err != nil {
		return err
	}
	defer in.Close()
	body, err := io.ReadAll(in)
	if err != nil {
		return err
	}
	return raw.insert(ctx, table, columns, body)
}

// checkRestored compares what is stored now with the manifest.
func (db *DB) checkRestored(ctx context.Context, m *BackupManifest) error {
	var n int64
	var pos uint64
	if err := db.conn.QueryRow(ctx, "SELECT toInt64(count()), max(pos) FROM events FINAL").Scan(&n, &pos); err != nil {
		return fmt.Errorf("restore: count the events: %w", err)
	}
	if n != m.Events || pos > m.Pos {
		return fmt.Errorf("restore: %d events up to insert %d are stored, the backup has %d up to %d", n, pos, m.Events, m.Pos)
	}
	var rev, revs uint64
	if err := db.conn.QueryRow(ctx, "SELECT max(rev), count() FROM registry_log FINAL").Scan(&rev, &revs); err != nil {
		return fmt.Errorf("restore: count the revisions: %w", err)
	}
	if rev != revs || rev > m.RegistryRev {
		return fmt.Errorf("restore: %d registry revisions up to %d are stored, the backup has all up to %d", revs, rev, m.RegistryRev)
	}
	return nil
}

// EndRestore gives the warehouse a new id, so that ingest reads the stream from its start and takes what came after the
// backup, and lets it be opened again. Projections must have been made by now.
func (db *DB) EndRestore(ctx context.Context) error {
	if err := db.RenewID(ctx); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	begun, err := db.lastMeta(ctx, restoringName)
	if err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	if err := db.putMeta(ctx, restoringName, "", maxTime(time.Now(), begun.Add(time.Millisecond))); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	return nil
}

func (db *DB) lastMeta(ctx context.Context, name string) (at time.Time, err error) {
	err = db.conn.QueryRow(ctx, "SELECT max(at) FROM meta WHERE name = {name:String}", clickhouse.Named("name", name)).Scan(&at)
	return at, err
}

func maxTime(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// CompareChecksums says which projections have another checksum than at the backup. The second result is false where
// there is nothing to compare: the line was busy then, or other accounting rules made the projections.
func (m *BackupManifest) CompareChecksums(now map[string]string, rules uint32) (differ []string, comparable bool) {
	if len(m.Checksums) == 0 || m.Rules != rules {
		return nil, false
	}
	for table, sum := range m.Checksums {
		if now[table] != sum {
			differ = append(differ, table)
		}
	}
	slices.SortFunc(differ, strings.Compare)
	return differ, true
}
