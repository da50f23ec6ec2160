package warehouse

import (
	"context"
	"fmt"
	"math"
	"strings"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/ClickHouse/clickhouse-go/v2/lib/driver"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// eventColumns holds what rows have beside the columns of a sliceBlock. It is written out by hand because appending a row
// to the driver field by field costs several times as much.
type eventColumns struct {
	sourceKey                            []string
	fromAt                               []int64
	session                              []string
	occasion                             []uint8
	crew                                 []string
	checks                               []uint8
	task                                 []string
	outcome, condition                   []uint8
	note                                 []string
	noteKind, defect                     []uint8
	length                               []int64
	cause, found, web                    []uint8
	lanesBad, lanes                      []int32
	family, substrate                    []string
	targetEpoch, targetFirst, targetLast []uint64
	targetKey, firstDay, lastDay         []string
	closedPos, closedRev                 []uint64
	sha256, author, raw                  []string
}

// eventColumn is one column of an insert. Its type is what is sent; the server converts it to the table's. The first
// sliceColumns have native, the others of.
type eventColumn struct {
	name, typ string
	of        func(*eventColumns) any
	native    func(b *sliceBlock, typ string) []byte
}

const (
	tUInt8  = "UInt8"
	tInt32  = "Int32"
	tInt64  = "Int64"
	tUInt64 = "UInt64"
	tString = "String" // sent for LowCardinality too, which the driver would key by a map
	tDict   = "LowCardinality(String)"
	tTime   = "DateTime64(3, 'UTC')"
)

// sliceColumns come first in eventTable: they are all that a slice needs.
const sliceColumns = 16

var eventTable = []eventColumn{
	{name: "kind", typ: tUInt8, native: func(b *sliceBlock, _ string) []byte { return b.kind }},
	{name: "plant", typ: tDict, native: func(b *sliceBlock, typ string) []byte { return b.plant.as(typ) }},
	{name: "press", typ: tDict, native: func(b *sliceBlock, typ string) []byte { return b.press.as(typ) }},
	{name: "occurred_at", typ: tTime, native: func(b *sliceBlock, _ string) []byte { return b.occurredAt }},
	{name: "epoch", typ: tUInt64, native: func(b *sliceBlock, _ string) []byte { return b.epoch }},
	{name: "seq", typ: tUInt64, native: func(b *sliceBlock, _ string) []byte { return b.seq }},
	{name: "pos", typ: tUInt64, native: func(b *sliceBlock, _ string) []byte { return b.pos }},
	{name: "recorded_delay_ms", typ: tInt64, native: func(b *sliceBlock, _ string) []byte { return b.recordedDelay }},
	{name: "dur_ms", typ: tInt64, native: func(b *sliceBlock, _ string) []byte { return b.dur }},
	{name: "state", typ: tUInt8, native: func(b *sliceBlock, _ string) []byte { return b.state }},
	{name: "reason", typ: tDict, native: func(b *sliceBlock, typ string) []byte { return b.reason.as(typ) }},
	{name: "station", typ: tDict, native: func(b *sliceBlock, typ string) []byte { return b.station.as(typ) }},
	{name: "job", typ: tDict, native: func(b *sliceBlock, typ string) []byte { return b.job.as(typ) }},
	{name: "rated_mm_per_min", typ: tInt64, native: func(b *sliceBlock, _ string) []byte { return b.rated }},
	{name: "good_mm", typ: tInt64, native: func(b *sliceBlock, _ string) []byte { return b.good }},
	{name: "waste_mm", typ: tInt64, native: func(b *sliceBlock, _ string) []byte { return b.waste }},
	{name: "source_key", typ: tString, of: func(c *eventColumns) any { return c.sourceKey }},
	{name: "from_at", typ: tTime, of: func(c *eventColumns) any { return c.fromAt }},
	{name: "session", typ: tString, of: func(c *eventColumns) any { return c.session }},
	{name: "occasion", typ: tUInt8, of: func(c *eventColumns) any { return c.occasion }},
	{name: "crew", typ: tString, of: func(c *eventColumns) any { return c.crew }},
	{name: "checks", typ: tUInt8, of: func(c *eventColumns) any { return c.checks }},
	{name: "task", typ: tString, of: func(c *eventColumns) any { return c.task }},
	{name: "outcome", typ: tUInt8, of: func(c *eventColumns) any { return c.outcome }},
	{name: "condition_plus_1", typ: tUInt8, of: func(c *eventColumns) any { return c.condition }},
	{name: "note", typ: tString, of: func(c *eventColumns) any { return c.note }},
	{name: "note_kind", typ: tUInt8, of: func(c *eventColumns) any { return c.noteKind }},
	{name: "defect", typ: tUInt8, of: func(c *eventColumns) any { return c.defect }},
	{name: "length_mm", typ: tInt64, of: func(c *eventColumns) any { return c.length }},
	{name: "cause", typ: tUInt8, of: func(c *eventColumns) any { return c.cause }},
	{name: "found", typ: tUInt8, of: func(c *eventColumns) any { return c.found }},
	{name: "web", typ: tUInt8, of: func(c *eventColumns) any { return c.web }},
	{name: "lanes_bad", typ: tInt32, of: func(c *eventColumns) any { return c.lanesBad }},
	{name: "lanes", typ: tInt32, of: func(c *eventColumns) any { return c.lanes }},
	{name: "family", typ: tString, of: func(c *eventColumns) any { return c.family }},
	{name: "substrate", typ: tString, of: func(c *eventColumns) any { return c.substrate }},
	{name: "target_epoch", typ: tUInt64, of: func(c *eventColumns) any { return c.targetEpoch }},
	{name: "target_first", typ: tUInt64, of: func(c *eventColumns) any { return c.targetFirst }},
	{name: "target_last", typ: tUInt64, of: func(c *eventColumns) any { return c.targetLast }},
	{name: "target_key", typ: tString, of: func(c *eventColumns) any { return c.targetKey }},
	{name: "first_day", typ: tString, of: func(c *eventColumns) any { return c.firstDay }},
	{name: "last_day", typ: tString, of: func(c *eventColumns) any { return c.lastDay }},
	{name: "closed_pos", typ: tUInt64, of: func(c *eventColumns) any { return c.closedPos }},
	{name: "closed_rev", typ: tUInt64, of: func(c *eventColumns) any { return c.closedRev }},
	{name: "sha256", typ: tString, of: func(c *eventColumns) any { return c.sha256 }},
	{name: "author", typ: tString, of: func(c *eventColumns) any { return c.author }},
	{name: "raw", typ: tString, of: func(c *eventColumns) any { return c.raw }},
}

// eventInsert is the statement over the first n columns and their types.
type eventInsert struct {
	sql     string
	types   []clickhouse.ColumnNameAndType
	columns []eventColumn
}

var insertSlices, insertAll = newEventInsert(sliceColumns), newEventInsert(len(eventTable))

func newEventInsert(n int) eventInsert {
	in := eventInsert{columns: eventTable[:n]}
	var names []string
	for _, c := range in.columns {
		names = append(names, c.name)
		in.types = append(in.types, clickhouse.ColumnNameAndType{Name: c.name, Type: c.typ})
	}
	in.sql = "INSERT INTO events (" + strings.Join(names, ", ") + ")"
	return in
}

// PlainSlice says that the first columns of the table tell all of an event: batches of nothing else are cheaper.
func PlainSlice(e *pb.Event) bool {
	_, ok := e.Body.(*pb.Event_Slice)
	return ok && e.SourceKey == ""
}

// InsertEvents stores events, all of one month (UTC, by OccurredAt), under one insert number. It is one INSERT into
// one partition: after an error all of the rows are stored or none, and only StoredSeqs tells which. ErrFenced: none.
func (db *DB) InsertEvents(ctx context.Context, evs []*pb.Event, pos uint64) error {
	if len(evs) == 0 {
		return nil
	}
	b := db.block.Swap(nil)
	if b == nil {
		b = &sliceBlock{}
	}
	defer db.block.Store(b)
	b.reset()
	var c eventColumns
	plain := true
	month, day := 0, int64(math.MinInt64) // of the row before
	for _, e := range evs {
		at, ok := b.addPlain(e, pos)
		var r eventRow
		if !ok {
			var err error
			if r, err = rowOf(e, pos); err != nil {
				return err
			}
			if at = r.occurredAt; plain && (r.kind != uint8(timeline.KindSlice) || r.raw != "" || r.sourceKey != "") {
				plain = false
				c.fill(b.n) // the rows so far have nothing in the other columns
			}
			b.addRow(&r)
		}
		if !plain {
			c.addRest(&r)
		}
		if d := floorDiv(at, dayMillis); d != day {
			m := Month(at)
			if month != 0 && m != month {
				return fmt.Errorf("insert events: months %d and %d in one insert", month, m)
			}
			month, day = m, d
		}
	}
	in := insertAll
	if plain {
		in = insertSlices
	}
	batch, err := db.conn.PrepareBatch(db.insertContext(ctx, in.types), in.sql)
	if err != nil {
		return fmt.Errorf("insert events: %w", err)
	}
	defer batch.Close()
	faults := db.faults()
	if err := fillBatch(batch, in, b, &c); err != nil {
		return fmt.Errorf("insert events: %w", err)
	}
	if err := batch.Send(); err != nil {
		return fmt.Errorf("insert %d events: %w", len(evs), fenced(err))
	}
	if err := db.verifyInsert(ctx, pos, month, len(evs), faults); err != nil {
		return fmt.Errorf("insert %d events: %w", len(evs), err)
	}
	return nil
}

const dayMillis = 86_400_000

// fillBatch gives rows to the driver.
func fillBatch(batch driver.Batch, in eventInsert, b *sliceBlock, c *eventColumns) error {
	if err := b.fill(batch.Columns()[:sliceColumns]); err != nil {
		return err
	}
	for i, col := range in.columns[sliceColumns:] {
		if err := batch.Column(sliceColumns + i).Append(col.of(c)); err != nil {
			return fmt.Errorf("column %s: %w", col.name, err)
		}
	}
	return nil
}

func (c *eventColumns) addRest(r *eventRow) {
	c.sourceKey = append(c.sourceKey, r.sourceKey)
	c.fromAt = append(c.fromAt, r.fromAt)
	c.session = append(c.session, r.session)
	c.occasion = append(c.occasion, r.occasion)
	c.crew = append(c.crew, r.crew)
	c.checks = append(c.checks, r.checks)
	c.task = append(c.task, r.task)
	c.outcome = append(c.outcome, r.outcome)
	c.condition = append(c.condition, r.condition)
	c.note = append(c.note, r.note)
	c.noteKind = append(c.noteKind, r.noteKind)
	c.defect = append(c.defect, r.defect)
	c.length = append(c.length, r.length)
	c.cause = append(c.cause, r.cause)
	c.found = append(c.found, r.found)
	c.web = append(c.web, r.web)
	c.lanesBad = append(c.lanesBad, r.lanesBad)
	c.lanes = append(c.lanes, r.lanes)
	c.family = append(c.family, r.family)
	c.substrate = append(c.substrate, r.substrate)
	c.targetEpoch = append(c.targetEpoch, r.targetEpoch)
	c.targetFirst = append(c.targetFirst, r.targetFirst)
	c.targetLast = append(c.targetLast, r.targetLast)
	c.targetKey = append(c.targetKey, r.targetKey)
	c.firstDay = append(c.firstDay, r.firstDay)
	c.lastDay = append(c.lastDay, r.lastDay)
	c.closedPos = append(c.closedPos, r.closedPos)
	c.closedRev = append(c.closedRev, r.closedRev)
	c.sha256 = append(c.sha256, r.sha256)
	c.author = append(c.author, r.author)
	c.raw = append(c.raw, r.raw)
}

// fill gives n rows defaults in the columns that a plain slice does not use.
func (c *eventColumns) fill(n int) {
	var none eventRow
	for range n {
		c.addRest(&none)
	}
}

// insertRow stores one row of a small table.
func (db *DB) insertRow(ctx context.Context, table string, types []clickhouse.ColumnNameAndType, values ...any) error {
	return db.insertRows(ctx, table, types, 1, func(int) []any { return values })
}

// insertRows stores n rows of a small table.
func (db *DB) insertRows(ctx context.Context, table string, types []clickhouse.ColumnNameAndType, n int, row func(i int) []any) error {
	if n == 0 {
		return nil
	}
	names := make([]string, len(types))
	for i, t := range types {
		names[i] = t.Name
	}
	batch, err := db.conn.PrepareBatch(db.insertContext(ctx, types), "INSERT INTO "+table+" ("+strings.Join(names, ", ")+")")
	if err != nil {
		return fmt.Errorf("insert into %s: %w", table, err)
	}
	defer batch.Close()
	for i := range n {
		if err := batch.Append(row(i)...); err != nil {
			return fmt.Errorf("insert into %s: %w", table, err)
		}
	}
	if err := db.send(ctx, batch, table); err != nil {
		return fmt.Errorf("insert into %s: %w", table, err)
	}
	return nil
}
