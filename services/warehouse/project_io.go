package warehouse

import (
	"context"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/analytics/timeline"
)

// Projection tables. Each is a ReplacingMergeTree(ver, gone), read with FINAL:
// a recompute writes the rows that changed with a higher ver, and a gone row
// for each key that vanished.
const (
	tablePressDays  = "press_days_by_month"
	tableShiftFacts = "shift_facts"
	tableVisits     = "station_visits"
	tableDuties     = "duties"
)

// Projections are the rows of one press from one production day on.
type Projections = timeline.Projections

// projection is one table: how its rows are stored and what names them.
type projection[T any] struct {
	table string
	order string
	part  string
	cols  []field[T]
	keys  int    // the first columns, which are the key
	more  string // settings, each after a comma
}

var (
	pressDays  = projection[timeline.PressDay]{tablePressDays, "plant, press, day", "toYYYYMM(toDate32(day))", pressDayColumns(), 3, ", index_granularity = 1024"}
	shiftFacts = projection[timeline.ShiftFact]{tableShiftFacts, "plant, press, day, shift, planned, leaf, sub, state, reason, station, job, rated, minor", "toYYYYMM(toDate32(day))", shiftFactColumns(), 13, ""}
	visits     = projection[timeline.StationVisit]{tableVisits, "plant, press, day, session_from_ms, session, seq", "", visitColumns(), 6, ""}
	duties     = projection[timeline.DutyRow]{tableDuties, "plant, press, day, task, due_ms, cadence", "", dutyColumns(), 6, ""}
)

// ProjectionSet names one set of projection tables: the live ones, or those a
// rebuild makes beside them.
type ProjectionSet struct{ suffix string }

// Live is the set that answers questions.
var Live = ProjectionSet{}

// NewBeside names a set that a rebuild fills, of its own: two rebuilds at once
// do not touch each other's tables.
func NewBeside() ProjectionSet { return ProjectionSet{fmt.Sprintf("_beside_%016x", randomUint64())} }

// liveName is a table's name without what a rebuild's set adds to it.
func liveName(table string) string {
	name, _, _ := strings.Cut(table, "_beside_")
	return name
}

// ReadProjections returns a press's rows from a day on, as stored, and the
// highest version in use for the press, or given up by Fence.
func (db *DB) ReadProjections(ctx context.Context, set ProjectionSet, plant, press string, from timeline.Day) (Projections, uint64, error) {
	var p Projections
	var err error
	where := "plant = {plant:String} AND press = {press:String} AND day >= {day:Int32}"
	args := []any{clickhouse.Named("plant", plant), clickhouse.Named("press", press), clickhouse.Named("day", fmt.Sprint(int32(from)))}
	if p.Days, err = readRows(ctx, db, pressDays, set, where, args); err != nil {
		return p, 0, err
	}
	if p.Facts, err = readRows(ctx, db, shiftFacts, set, where, args); err != nil {
		return p, 0, err
	}
	if p.Visits, err = readRows(ctx, db, visits, set, where, args); err != nil {
		return p, 0, err
	}
	if p.Duties, err = readRows(ctx, db, duties, set, where, args); err != nil {
		return p, 0, err
	}
	var parts []string
	for _, t := range []string{tablePressDays, tableShiftFacts, tableVisits, tableDuties} {
		parts = append(parts, "SELECT max(ver) AS v FROM "+t+set.suffix+" WHERE plant = {plant:String} AND press = {press:String}")
	}
	var ver uint64
	q := "SELECT max(v) FROM (" + strings.Join(parts, " UNION ALL ") + ")"
	if err := db.conn.QueryRow(ctx, q, args[:2]...).Scan(&ver); err != nil {
		return p, 0, fmt.Errorf("read version of projections: %w", err)
	}
	if set == Live {
		ver = max(ver, db.floor.Load())
	}
	return p, ver, nil
}

// ReadPressDay returns one press-day; ok is false when there is none.
func (db *DB) ReadPressDay(ctx context.Context, set ProjectionSet, plant, press string, day timeline.Day) (row timeline.PressDay, ok bool, err error) {
	rows, err := readRows(ctx, db, pressDays, set, "plant = {plant:String} AND press = {press:String} AND day = {day:Int32}",
		[]any{clickhouse.Named("plant", plant), clickhouse.Named("press", press), clickhouse.Named("day", fmt.Sprint(int32(day)))})
	if err != nil || len(rows) == 0 {
		return row, false, err
	}
	return rows[0], true, nil
}

// LastDay is the latest production day projected for a press; ok is false when
// there is none.
func (db *DB) LastDay(ctx context.Context, set ProjectionSet, plant, press string) (day timeline.Day, ok bool, err error) {
	var n uint64
	var d int32
	q := "SELECT count(), max(day) FROM " + tablePressDays + set.suffix + " FINAL WHERE plant = {plant:String} AND press = {press:String}"
	if err := db.conn.QueryRow(ctx, q, clickhouse.Named("plant", plant), clickhouse.Named("press", press)).Scan(&n, &d); err != nil {
		return 0, false, fmt.Errorf("read last day of %s/%s: %w", plant, press, err)
	}
	return timeline.Day(d), n > 0, nil
}

// WriteProjections stores changed rows with a version, and a gone row for each
// key that vanished. Press-days come last: they hold the carry, so a write cut
// short is done again.
func (db *DB) WriteProjections(ctx context.Context, set ProjectionSet, changed, gone Projections, ver uint64) error {
	if err := writeRows(ctx, db, shiftFacts, set, changed.Facts, gone.Facts, ver); err != nil {
		return err
	}
	if err := writeRows(ctx, db, visits, set, changed.Visits, gone.Visits, ver); err != nil {
		return err
	}
	if err := writeRows(ctx, db, duties, set, changed.Duties, gone.Duties, ver); err != nil {
		return err
	}
	return writeRows(ctx, db, pressDays, set, changed.Days, gone.Days, ver)
}

// PressDays reads press-days of a scope and range of days, by press and day.
func (db *DB) PressDays(ctx context.Context, presses []string, from, to timeline.Day) ([]timeline.PressDay, error) {
	where, args := scopeWhere(presses, from, to)
	return readRows(ctx, db, pressDays, Live, where, args)
}

// Visits reads station visits of a scope and range of days.
func (db *DB) Visits(ctx context.Context, presses []string, from, to timeline.Day) ([]timeline.StationVisit, error) {
	where, args := scopeWhere(presses, from, to)
	return readRows(ctx, db, visits, Live, where, args)
}

// Duties reads duties of a scope and range of days.
func (db *DB) Duties(ctx context.Context, presses []string, from, to timeline.Day) ([]timeline.DutyRow, error) {
	where, args := scopeWhere(presses, from, to)
	return readRows(ctx, db, duties, Live, where, args)
}

// ShiftFacts reads facts of a scope and range of days.
func (db *DB) ShiftFacts(ctx context.Context, presses []string, from, to timeline.Day) ([]timeline.ShiftFact, error) {
	where, args := scopeWhere(presses, from, to)
	return readRows(ctx, db, shiftFacts, Live, where, args)
}

// scopeWhere narrows to presses ("plant/press"; nil: all) and days, both ends
// included. The pairs are a set that the key is looked up in: a press's rows are
// found, the others not read.
func scopeWhere(presses []string, from, to timeline.Day) (string, []any) {
	where := "day BETWEEN {from:Int32} AND {to:Int32}"
	args := []any{clickhouse.Named("from", fmt.Sprint(int32(from))), clickhouse.Named("to", fmt.Sprint(int32(to)))}
	switch {
	case presses == nil:
	case len(presses) == 0:
		where += " AND false"
	default:
		where += " AND (plant, press) IN {presses:Array(Tuple(String, String))}"
		args = append(args, clickhouse.Named("presses", pairs(presses)))
	}
	return where, args
}

// pairs writes "plant/press" names as an array of tuples.
func pairs(presses []string) string {
	var b strings.Builder
	b.WriteByte('[')
	for i, id := range presses {
		if i > 0 {
			b.WriteByte(',')
		}
		plant, press, _ := strings.Cut(id, "/")
		b.WriteString("(" + quoted(plant) + "," + quoted(press) + ")")
	}
	b.WriteByte(']')
	return b.String()
}

func readRows[T any](ctx context.Context, db *DB, p projection[T], set ProjectionSet, where string, args []any) ([]T, error) {
	names := make([]string, len(p.cols))
	var lists []int
	for i, c := range p.cols {
		names[i] = c.name
		if strings.HasPrefix(c.typ, "Array(") {
			lists = append(lists, i)
		}
	}
	q := fmt.Sprintf("SELECT %s FROM %s FINAL WHERE %s ORDER BY %s", strings.Join(names, ", "), p.table+set.suffix, where, p.order)
	rows, err := db.conn.Query(readContext(ctx), q, args...)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", p.table, err)
	}
	defer rows.Close()
	var out []T
	dest := make([]any, len(p.cols))
	for rows.Next() {
		var row T
		for i, c := range p.cols {
			dest[i] = c.ptr(&row)
		}
		if err := rows.Scan(dest...); err != nil {
			return nil, fmt.Errorf("read %s: %w", p.table, err)
		}
		for _, i := range lists { // an empty list is nil, as the projector makes it
			if v := reflect.ValueOf(dest[i]).Elem(); v.Len() == 0 {
				v.SetZero()
			}
		}
		out = append(out, row)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read %s: %w", p.table, err)
	}
	return out, nil
}

func writeRows[T any](ctx context.Context, db *DB, p projection[T], set ProjectionSet, changed, gone []T, ver uint64) error {
	if len(changed)+len(gone) == 0 {
		return nil
	}
	names := make([]string, 0, len(p.cols)+2)
	types := make([]clickhouse.ColumnNameAndType, 0, len(p.cols)+2)
	for _, c := range p.cols {
		typ := c.typ
		if typ == typLow {
			typ = "String" // the server converts; the driver would key it by a map
		}
		names = append(names, c.name)
		types = append(types, clickhouse.ColumnNameAndType{Name: c.name, Type: typ})
	}
	names = append(names, "ver", "gone")
	types = append(types, clickhouse.ColumnNameAndType{Name: "ver", Type: "UInt64"}, clickhouse.ColumnNameAndType{Name: "gone", Type: "UInt8"})
	batch, err := db.conn.PrepareBatch(db.insertContext(ctx, types),
		fmt.Sprintf("INSERT INTO %s (%s)", p.table+set.suffix, strings.Join(names, ", ")))
	if err != nil {
		return fmt.Errorf("write %s: %w", p.table, err)
	}
	defer batch.Close()
	n := len(changed) + len(gone)
	row := func(i int) *T {
		if i < len(changed) {
			return &changed[i]
		}
		return &gone[i-len(changed)]
	}
	for j, c := range p.cols {
		if err := batch.Column(j).Append(columnOf(n, func(i int) any { return c.ptr(row(i)) })); err != nil {
			return fmt.Errorf("write %s: column %s: %w", p.table, c.name, err)
		}
	}
	vers, dead := make([]uint64, n), make([]uint8, n)
	for i := range n {
		vers[i] = ver
		if i >= len(changed) {
			dead[i] = 1
		}
	}
	for j, v := range []any{vers, dead} {
		if err := batch.Column(len(p.cols) + j).Append(v); err != nil {
			return fmt.Errorf("write %s: %w", p.table, err)
		}
	}
	if err := db.send(ctx, batch, p.table+set.suffix); err != nil {
		return fmt.Errorf("write %s: %w", p.table, err)
	}
	return nil
}

// columnOf gathers n values, given by pointers to them, as the driver appends a
// whole column: several times as cheap as row by row.
func columnOf(n int, at func(i int) any) any {
	switch at(0).(type) {
	case *string:
		return gather[string](n, at)
	case *int64:
		return gather[int64](n, at)
	case *int32:
		return gather[int32](n, at)
	case *uint8:
		return gather[uint8](n, at)
	case *bool:
		return gather[bool](n, at)
	case *[]string:
		return gather[[]string](n, at)
	case *[]int64:
		return gather[[]int64](n, at)
	case *[]int32:
		return gather[[]int32](n, at)
	case *[]int8:
		return gather[[]int8](n, at)
	case *[]uint8:
		return gather[[]uint8](n, at)
	}
	return gatherAny(n, at)
}

func gather[V any](n int, at func(i int) any) []V {
	out := make([]V, n)
	for i := range out {
		out[i] = *at(i).(*V)
	}
	return out
}

// gatherAny is gather for types it does not name.
func gatherAny(n int, at func(i int) any) any {
	out := reflect.MakeSlice(reflect.SliceOf(reflect.TypeOf(at(0)).Elem()), n, n)
	for i := range n {
		out.Index(i).Set(reflect.ValueOf(at(i)).Elem())
	}
	return out.Interface()
}

// MakeBeside makes an empty set of projection tables beside the live ones. What
// a rebuild that was cut short left a day ago or longer is dropped.
func (db *DB) MakeBeside(ctx context.Context, set ProjectionSet) error {
	if err := db.dropLeftovers(ctx); err != nil {
		return err
	}
	for _, t := range []struct{ name, create string }{
		{tablePressDays, pressDays.create(set)}, {tableShiftFacts, shiftFacts.create(set)},
		{tableVisits, visits.create(set)}, {tableDuties, duties.create(set)},
	} {
		if err := db.conn.Exec(ctx, t.create); err != nil {
			return fmt.Errorf("create %s: %w", t.name+set.suffix, err)
		}
	}
	if err := db.conn.Exec(ctx, "ALTER TABLE "+tableShiftFacts+set.suffix+" MODIFY SETTING "+factsMerge); err != nil {
		return fmt.Errorf("set up %s: %w", tableShiftFacts+set.suffix, err)
	}
	return nil
}

// factsMerge are the settings that schema/0077 gives shift_facts, for the table
// that a rebuild puts in its place.
const factsMerge = "min_age_to_force_merge_seconds = 3600, min_age_to_force_merge_on_partition_only = 1"

// SwapBeside puts the tables made beside in place of the live ones and drops
// the old ones.
func (db *DB) SwapBeside(ctx context.Context, set ProjectionSet) error {
	for _, t := range []string{tableShiftFacts, tableVisits, tableDuties, tablePressDays} {
		fences, err := db.fences(ctx, t)
		if err != nil {
			return err
		}
		for _, n := range fences { // who is shut out of the old table is shut out of the new one
			if err := db.fenceTable(ctx, t+set.suffix, "ver", n); err != nil {
				return err
			}
		}
	}
	for _, t := range []string{tableShiftFacts, tableVisits, tableDuties, tablePressDays} {
		if err := db.conn.Exec(ctx, fmt.Sprintf("EXCHANGE TABLES %s AND %s", t, t+set.suffix)); err != nil {
			return fmt.Errorf("swap %s: %w", t, err)
		}
	}
	for _, t := range []string{tableShiftFacts, tableVisits, tableDuties, tablePressDays} {
		if err := db.conn.Exec(ctx, "DROP TABLE IF EXISTS "+t+set.suffix+" SYNC"); err != nil {
			return fmt.Errorf("drop %s: %w", t+set.suffix, err)
		}
	}
	return nil
}

func (db *DB) dropLeftovers(ctx context.Context) error {
	rows, err := db.conn.Query(ctx, "SELECT name FROM system.tables WHERE database = currentDatabase() AND match(name, '_beside_[0-9a-f]{16}$') AND metadata_modification_time < now() - INTERVAL 1 DAY")
	if err != nil {
		return fmt.Errorf("look for what rebuilds left: %w", err)
	}
	defer rows.Close()
	var names []string
	for rows.Next() {
		var n string
		if err := rows.Scan(&n); err != nil {
			return fmt.Errorf("look for what rebuilds left: %w", err)
		}
		names = append(names, n)
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("look for what rebuilds left: %w", err)
	}
	for _, n := range names {
		if err := db.conn.Exec(ctx, "DROP TABLE IF EXISTS "+identifier(n)+" SYNC"); err != nil {
			return fmt.Errorf("drop %s: %w", n, err)
		}
	}
	return nil
}

func (p projection[T]) create(set ProjectionSet) string {
	return createTable(p.table+set.suffix, p.cols, p.order, p.part, p.more)
}

// ProjectionSchema is the statement of every projection table, by name: what
// the schema files must hold.
func ProjectionSchema() map[string]string {
	return map[string]string{
		tablePressDays: pressDays.create(Live), tableShiftFacts: shiftFacts.create(Live),
		tableVisits: visits.create(Live), tableDuties: duties.create(Live),
	}
}

// Checksums is one number per projection table over all rows in use, free of
// order, versions, insert numbers and identities of events: equal projections
// give equal numbers, also in another warehouse that got the same facts from
// other agents. The carry, which names events, is left out, since what it leads
// to is in the rows; and the crews' pseudonyms, which another key makes others
// of.
func (db *DB) Checksums(ctx context.Context) (map[string]string, error) {
	out := map[string]string{}
	for _, t := range []struct {
		table string
		cols  []string
	}{
		{tablePressDays, slices.DeleteFunc(fieldNames(pressDays.cols), func(c string) bool { return c == "carry" })}, {tableShiftFacts, fieldNames(shiftFacts.cols)},
		{tableVisits, slices.DeleteFunc(fieldNames(visits.cols), func(c string) bool { return c == "crew" })}, {tableDuties, fieldNames(duties.cols)},
	} {
		var n, sum uint64
		q := fmt.Sprintf("SELECT count(), sumWithOverflow(sipHash64(%s)) FROM %s FINAL", strings.Join(t.cols, ", "), t.table)
		if err := db.conn.QueryRow(ctx, q).Scan(&n, &sum); err != nil {
			return nil, fmt.Errorf("checksum of %s: %w", t.table, err)
		}
		out[strings.TrimSuffix(t.table, "_by_month")] = fmt.Sprintf("%d:%016x", n, sum)
	}
	return out, nil
}

func fieldNames[T any](cols []field[T]) []string {
	out := make([]string, len(cols))
	for i, c := range cols {
		out[i] = c.name
	}
	return out
}
