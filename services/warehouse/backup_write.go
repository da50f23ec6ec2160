package warehouse

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	chproto "github.com/ClickHouse/ch-go/proto"
	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/ClickHouse/clickhouse-go/v2/lib/proto"
	"github.com/klauspost/compress/zstd"
)

// notBackedUp are the tables that a restore makes anew: the projections are folded from the log, and with them nothing
// is dirty. A table that is not named here is in every backup.
var notBackedUp = []string{"schema_version", "dirty", "dirty_done", tableOldDays, tablePressDays, tableShiftFacts, tableVisits, tableDuties}

// ownMeta are the rows of meta that belong to this warehouse alone.
var ownMeta = []string{warehouseIDName, rulesVersionName, restoringName}

// When a table is read, as against the moment whose pos bounds the events. What is in dead or gaps before that moment
// is at least as old as the events, so that a dead letter stored as an event meanwhile is in one of the two; read again
// after it, they hold what was put aside while the events were read. A study may speak of no later pos, so it is read
// before; its data set is stored before it, so that is read after. The rest grows and does no harm when it is newer.
const (
	readBefore = 1 << iota
	readAfter
)

var readWhen = map[string]int{"studies": readBefore, "study_data": readAfter, "epochs": readAfter, "registry_log": readAfter, "meta": readAfter}

// fileBytes is how much of a table, before compression, goes into one file and so into one INSERT of a restore. The
// embedded engine takes 256 MiB.
const fileBytes = 32 << 20

// BackUp writes the tables into a draft while the line may run: events up to one insert number, and the others so that
// nothing is in none of them. progress, if not nil, is called with the rows written and about how many there are.
func (db *DB) BackUp(ctx context.Context, d *BackupDraft, progress func(done, total int64)) error {
	raw, err := db.raw()
	if err != nil {
		return err
	}
	defer raw.close()
	w := &backupWriter{db: db, raw: raw, d: d, progress: progress}
	if err := w.run(ctx); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	return nil
}

type backupWriter struct {
	db       *DB
	raw      *rawHTTP
	d        *BackupDraft
	tables   []BackupTable
	done     int64
	total    int64
	progress func(done, total int64)
}

func (w *backupWriter) run(ctx context.Context) (err error) {
	db, m := w.db, &w.d.m
	m.Server, m.WarehouseID = db.version, fmt.Sprintf("%016x", db.id)
	if w.tables, err = db.backupTables(ctx); err != nil {
		return err
	}
	if m.Rules, err = db.RulesVersion(ctx); err != nil {
		return err
	}
	if m.Schema, err = db.schemaNumber(ctx); err != nil {
		return err
	}
	if err := w.small(ctx, readBefore, "before"); err != nil {
		return err
	}
	quiet, err := db.quietPoint(ctx)
	if err != nil {
		return err
	}
	m.Pos = quiet.pos
	if err := w.events(ctx); err != nil {
		return err
	}
	if err := w.small(ctx, readAfter, "after"); err != nil {
		return err
	}
	if m.RegistryRev, err = db.MaxRegistryRev(ctx); err != nil {
		return err
	}
	if m.RegistryRev == quiet.rev {
		m.Checksums = quiet.sums
	}
	m.Tables = w.tables
	return nil
}

// backupTables lists the tables of a backup with their columns, computed ones left out.
func (db *DB) backupTables(ctx context.Context) ([]BackupTable, error) {
	rows, err := db.conn.Query(ctx, `
SELECT table, groupArray(name)
FROM (SELECT table, name FROM system.columns WHERE database = currentDatabase() AND default_kind NOT IN ('MATERIALIZED', 'ALIAS', 'EPHEMERAL') ORDER BY table, position)
WHERE table IN (SELECT name FROM system.tables WHERE database = currentDatabase() AND engine LIKE '%MergeTree')
GROUP BY table ORDER BY table`)
	if err != nil {
		return nil, fmt.Errorf("list the tables: %w", err)
	}
	defer rows.Close()
	var out []BackupTable
	for rows.Next() {
		var t BackupTable
		if err := rows.Scan(&t.Name, &t.Columns); err != nil {
			return nil, fmt.Errorf("list the tables: %w", err)
		}
		if !slices.Contains(notBackedUp, liveName(t.Name)) {
			out = append(out, t)
		}
	}
	return out, rows.Err()
}

func (db *DB) schemaNumber(ctx context.Context) (int, error) {
	var n uint32
	if err := db.conn.QueryRow(ctx, "SELECT max(number) FROM schema_version").Scan(&n); err != nil {
		return 0, fmt.Errorf("read the schema's number: %w", err)
	}
	return int(n), nil
}

// point is a moment of the warehouse; sums is nil unless the projections were complete then.
type point struct {
	pos, rev uint64
	dirty    bool
	sums     map[string]string
}

func (db *DB) point(ctx context.Context) (p point, err error) {
	// Not what MaxPos notes beside: only below the highest number stored has every insert ended.
	if err := db.conn.QueryRow(ctx, "SELECT max(pos) FROM events").Scan(&p.pos); err != nil {
		return p, fmt.Errorf("read the highest pos: %w", err)
	}
	if p.rev, err = db.MaxRegistryRev(ctx); err != nil {
		return p, err
	}
	dirty, err := db.DirtyFrom(ctx)
	p.dirty = len(dirty) > 0
	return p, err
}

// quietPoint is now, with the checksums of the projections if nothing happened while they were read.
func (db *DB) quietPoint(ctx context.Context) (point, error) {
	p, err := db.point(ctx)
	if err != nil || p.dirty {
		return p, err
	}
	sums, err := db.Checksums(ctx)
	if err != nil {
		return p, err
	}
	again, err := db.point(ctx)
	if err == nil && !again.dirty && again.pos == p.pos && again.rev == p.rev {
		p.sums = sums
	}
	return p, err
}

// events writes the events month by month, each event once.
func (w *backupWriter) events(ctx context.Context) error {
	t := w.table("events")
	upTo := "pos <= " + param(w.d.m.Pos)
	months := []int64{}
	rows, err := w.db.conn.Query(ctx, "SELECT toInt64(toYYYYMM(occurred_at)) AS m, toInt64(count()) FROM events WHERE "+upTo+" GROUP BY m ORDER BY m")
	if err != nil {
		return fmt.Errorf("list the months of events: %w", err)
	}
	for rows.Next() {
		var month, n int64
		if err = rows.Scan(&month, &n); err != nil {
			break
		}
		months, w.total = append(months, month), w.total+n
	}
	if err := firstError(err, rows.Err(), rows.Close()); err != nil {
		return fmt.Errorf("list the months of events: %w", err)
	}
	for _, month := range months {
		where := fmt.Sprintf(" FINAL WHERE toYYYYMM(occurred_at) = %d AND %s", month, upTo)
		n, err := w.copy(ctx, t, fmt.Sprint(month), where, 65536)
		if err != nil {
			return err
		}
		var want int64
		if err := w.db.conn.QueryRow(ctx, "SELECT toInt64(count()) FROM events"+where).Scan(&want); err != nil {
			return fmt.Errorf("count events: %w", err)
		}
		if n != want {
			return fmt.Errorf("events of month %d: %d were read and %d are there", month, n, want)
		}
	}
	w.d.m.Events = t.Rows
	return nil
}

// small writes the other tables that are read at a time.
func (w *backupWriter) small(ctx context.Context, when int, name string) error {
	for i := range w.tables {
		t := &w.tables[i]
		at, special := readWhen[t.Name]
		if t.Name == "events" || special && at&when == 0 {
			continue
		}
		where, rows := "", 1024
		switch t.Name {
		case "meta":
			where = " FINAL WHERE name NOT IN ('" + strings.Join(ownMeta, "', '") + "')"
		case "study_data": // a block has to fit into one INSERT
			rows = 1
		}
		if _, err := w.copy(ctx, t, name, where, rows); err != nil {
			return err
		}
	}
	return nil
}

func (w *backupWriter) table(name string) *BackupTable {
	for i := range w.tables {
		if w.tables[i].Name == name {
			return &w.tables[i]
		}
	}
	return &BackupTable{Name: name}
}

// copy writes what a question finds of a table into files, in blocks of so many rows, and returns the number of rows.
func (w *backupWriter) copy(ctx context.Context, t *BackupTable, part, where string, blockRows int) (int64, error) {
	names := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		names[i] = identifier(c)
	}
	settings := clickhouse.Settings{"max_block_size": blockRows, "do_not_merge_across_partitions_select_final": 1, "low_cardinality_allow_in_native_format": 0}
	body, err := w.raw.do(ctx, "SELECT "+strings.Join(names, ", ")+" FROM "+identifier(t.Name)+where+" FORMAT Native", nil, maps.Clone(settings))
	if err != nil {
		return 0, fmt.Errorf("read %s: %w", t.Name, err)
	}
	defer body.Close()
	in := chproto.NewReader(body)
	files := tableFiles{d: w.d, table: t.Name, part: part}
	defer files.abandon()
	var rows int64
	for {
		block := proto.NewBlock()
		if err := block.Decode(in, 0); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return rows, fmt.Errorf("read %s: %w", t.Name, err)
		}
		n := int64(block.Rows())
		if n == 0 {
			continue
		}
		if err := files.write(block, n); err != nil {
			return rows, err
		}
		if rows, w.done = rows+n, w.done+n; w.progress != nil {
			w.progress(w.done, max(w.done, w.total))
		}
	}
	t.Rows += rows
	return rows, files.end()
}

// tableFiles cuts blocks into files.
type tableFiles struct {
	d           *BackupDraft
	table, part string
	number      int
	file        *draftFile
	zip         *zstd.Encoder
	buffer      chproto.Buffer
	rows, bytes int64
}

func (f *tableFiles) name() string {
	return fmt.Sprintf("tables/%s-%s-%04d.native.zst", f.table, f.part, f.number)
}

func (f *tableFiles) write(block *proto.Block, rows int64) (err error) {
	f.buffer.Reset()
	if err := block.Encode(&f.buffer, 0); err != nil {
		return fmt.Errorf("encode %s: %w", f.table, err)
	}
	if f.file != nil && f.bytes+int64(len(f.buffer.Buf)) > fileBytes {
		if err := f.end(); err != nil {
			return err
		}
	}
	if f.file == nil {
		f.number++
		if f.file, err = f.d.create(f.name()); err != nil {
			return err
		}
		if f.zip, err = zstd.NewWriter(f.file, zstd.WithEncoderConcurrency(1)); err != nil {
			return fmt.Errorf("compress: %w", err)
		}
	}
	f.rows, f.bytes = f.rows+rows, f.bytes+int64(len(f.buffer.Buf))
	if _, err := f.zip.Write(f.buffer.Buf); err != nil {
		return fmt.Errorf("write %s: %w", f.name(), err)
	}
	return nil
}

// end closes the file that is open, if any.
func (f *tableFiles) end() error {
	if f.file == nil {
		return nil
	}
	file, rows := f.file, f.rows
	err := f.zip.Close()
	f.file, f.rows, f.bytes = nil, 0, 0
	return file.finish(BackupFile{Path: f.name(), Table: f.table, Rows: rows}, err)
}

// abandon frees a file that was not ended.
func (f *tableFiles) abandon() {
	if f.file != nil {
		f.file.f.Close()
	}
}
