package warehouse

import (
	"context"
	"fmt"
	"strings"

	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// eventColumns holds rows by column. It is written out by hand because appending a row to the driver field by field
// costs several times as much.
type eventColumns struct {
	kind                                 []uint8
	plant, press                         []string
	occurredAt                           []int64
	epoch, seq, pos                      []uint64
	recordedDelay, dur                   []int64
	state                                []uint8
	reason, station, job                 []string
	rated, good, waste                   []int64
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

// eventColumn is one column of an insert. Its type is what is sent; the server converts it to the table's.
type eventColumn struct {
	name, typ string
	of        func(*eventColumns) any
}

const (
	tUInt8  = "UInt8"
	tInt32  = "Int32"
	tInt64  = "Int64"
	tUInt64 = "UInt64"
	tString = "String" // sent for LowCardinality too, which the driver would key by a map
	tTime   = "DateTime64(3, 'UTC')"
)

// sliceColumns come first in eventTable: they are all that a slice needs.
const sliceColumns = 16

var eventTable = []eventColumn{
	{"kind", tUInt8, func(c *eventColumns) any { return c.kind }},
	{"plant", tString, func(c *eventColumns) any { return c.plant }},
	{"press", tString, func(c *eventColumns) any { return c.press }},
	{"occurred_at", tTime, func(c *eventColumns) any { return c.occurredAt }},
	{"epoch", tUInt64, func(c *eventColumns) any { return c.epoch }},
	{"seq", tUInt64, func(c *eventColumns) any { return c.seq }},
	{"pos", tUInt64, func(c *eventColumns) any { return c.pos }},
	{"recorded_delay_ms", tInt64, func(c *eventColumns) any { return c.recordedDelay }},
	{"dur_ms", tInt64, func(c *eventColumns) any { return c.dur }},
	{"state", tUInt8, func(c *eventColumns) any { return c.state }},
	{"reason", tString, func(c *eventColumns) any { return c.reason }},
	{"station", tString, func(c *eventColumns) any { return c.station }},
	{"job", tString, func(c *eventColumns) any { return c.job }},
	{"rated_mm_per_min", tInt64, func(c *eventColumns) any { return c.rated }},
	{"good_mm", tInt64, func(c *eventColumns) any { return c.good }},
	{"waste_mm", tInt64, func(c *eventColumns) any { return c.waste }},
	{"source_key", tString, func(c *eventColumns) any { return c.sourceKey }},
	{"from_at", tTime, func(c *eventColumns) any { return c.fromAt }},
	{"session", tString, func(c *eventColumns) any { return c.session }},
	{"occasion", tUInt8, func(c *eventColumns) any { return c.occasion }},
	{"crew", tString, func(c *eventColumns) any { return c.crew }},
	{"checks", tUInt8, func(c *eventColumns) any { return c.checks }},
	{"task", tString, func(c *eventColumns) any { return c.task }},
	{"outcome", tUInt8, func(c *eventColumns) any { return c.outcome }},
	{"condition_plus_1", tUInt8, func(c *eventColumns) any { return c.condition }},
	{"note", tString, func(c *eventColumns) any { return c.note }},
	{"note_kind", tUInt8, func(c *eventColumns) any { return c.noteKind }},
	{"defect", tUInt8, func(c *eventColumns) any { return c.defect }},
	{"length_mm", tInt64, func(c *eventColumns) any { return c.length }},
	{"cause", tUInt8, func(c *eventColumns) any { return c.cause }},
	{"found", tUInt8, func(c *eventColumns) any { return c.found }},
	{"web", tUInt8, func(c *eventColumns) any { return c.web }},
	{"lanes_bad", tInt32, func(c *eventColumns) any { return c.lanesBad }},
	{"lanes", tInt32, func(c *eventColumns) any { return c.lanes }},
	{"family", tString, func(c *eventColumns) any { return c.family }},
	{"substrate", tString, func(c *eventColumns) any { return c.substrate }},
	{"target_epoch", tUInt64, func(c *eventColumns) any { return c.targetEpoch }},
	{"target_first", tUInt64, func(c *eventColumns) any { return c.targetFirst }},
	{"target_last", tUInt64, func(c *eventColumns) any { return c.targetLast }},
	{"target_key", tString, func(c *eventColumns) any { return c.targetKey }},
	{"first_day", tString, func(c *eventColumns) any { return c.firstDay }},
	{"last_day", tString, func(c *eventColumns) any { return c.lastDay }},
	{"closed_pos", tUInt64, func(c *eventColumns) any { return c.closedPos }},
	{"closed_rev", tUInt64, func(c *eventColumns) any { return c.closedRev }},
	{"sha256", tString, func(c *eventColumns) any { return c.sha256 }},
	{"author", tString, func(c *eventColumns) any { return c.author }},
	{"raw", tString, func(c *eventColumns) any { return c.raw }},
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
	var c eventColumns
	c.growSlices(len(evs))
	plain := true
	month := 0
	for _, e := range evs {
		r, err := rowOf(e, pos)
		if err != nil {
			return err
		}
		if m := Month(r.occurredAt); month == 0 {
			month = m
		} else if m != month {
			return fmt.Errorf("insert events: months %d and %d in one insert", month, m)
		}
		if plain && (r.kind != uint8(timeline.KindSlice) || r.raw != "" || r.sourceKey != "") {
			plain = false
			c.fill(len(c.kind)) // the rows so far have nothing in the other columns
		}
		c.addSlice(&r)
		if !plain {
			c.addRest(&r)
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
	for i, col := range in.columns {
		if err := batch.Column(i).Append(col.of(&c)); err != nil {
			return fmt.Errorf("insert events: column %s: %w", col.name, err)
		}
	}
	if err := batch.Send(); err != nil {
		return fmt.Errorf("insert %d events: %w", len(evs), fenced(err))
	}
	if err := db.verifyInsert(ctx, pos, month, len(evs)); err != nil {
		return fmt.Errorf("insert %d events: %w", len(evs), err)
	}
	return nil
}

// growSlices makes room for n rows in the columns of slices.
func (c *eventColumns) growSlices(n int) {
	for _, v := range []*[]string{&c.plant, &c.press, &c.reason, &c.station, &c.job} {
		*v = make([]string, 0, n)
	}
	for _, v := range []*[]int64{&c.occurredAt, &c.recordedDelay, &c.dur, &c.rated, &c.good, &c.waste} {
		*v = make([]int64, 0, n)
	}
	for _, v := range []*[]uint64{&c.epoch, &c.seq, &c.pos} {
		*v = make([]uint64, 0, n)
	}
	c.kind, c.state = make([]uint8, 0, n), make([]uint8, 0, n)
}

func (c *eventColumns) addSlice(r *eventRow) {
	c.kind = append(c.kind, r.kind)
	c.plant = append(c.plant, r.plant)
	c.press = append(c.press, r.press)
	c.occurredAt = append(c.occurredAt, r.occurredAt)
	c.epoch = append(c.epoch, r.epoch)
	c.seq = append(c.seq, r.seq)
	c.pos = append(c.pos, r.pos)
	c.recordedDelay = append(c.recordedDelay, r.recordedDelay)
	c.dur = append(c.dur, r.dur)
	c.state = append(c.state, r.state)
	c.reason = append(c.reason, r.reason)
	c.station = append(c.station, r.station)
	c.job = append(c.job, r.job)
	c.rated = append(c.rated, r.rated)
	c.good = append(c.good, r.good)
	c.waste = append(c.waste, r.waste)
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
	if err := batch.Send(); err != nil {
		return fmt.Errorf("insert into %s: %w", table, err)
	}
	return nil
}
