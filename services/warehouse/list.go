package warehouse

import (
	"context"
	"fmt"
	"strings"

	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// ListKey is where a list of events has got to: the full key of its order.
type ListKey struct {
	OccurredAt   int64 // unix ms
	Plant, Press string
	Kind         uint8
	Epoch, Seq   uint64
}

// ListQuery asks for events. Zero values ask for all.
type ListQuery struct {
	Plants   []string        // any of these plants
	Presses  []string        // any of these, as "plant/press"
	Kinds    []timeline.Kind // any of these
	From, To int64           // occurred_at in [From, To), unix ms; To 0: no end
	MaxPos   uint64          // only what was stored up to this insert number; 0: all
	After    *ListKey        // only what comes after it
	Limit    int             // default 100
}

// ListEvents lists events in order of occurred_at, plant, press, kind, epoch and seq, each identity once. Those taken
// back by a void of the press are marked. The key of the last one is where the next page begins.
func (db *DB) ListEvents(ctx context.Context, q ListQuery) ([]*pb.StoredEvent, *ListKey, error) {
	where := []string{"1"}
	args := []any{}
	add := func(cond string, named ...any) {
		where = append(where, cond)
		args = append(args, named...)
	}
	if len(q.Plants) > 0 {
		add("has({plants:Array(String)}, plant)", clickhouse.Named("plants", q.Plants))
	}
	if len(q.Presses) > 0 {
		add("has({presses:Array(String)}, concat(plant, '/', press))", clickhouse.Named("presses", q.Presses))
	}
	if len(q.Kinds) > 0 {
		kinds := make([]string, len(q.Kinds))
		for i, k := range q.Kinds {
			kinds[i] = fmt.Sprint(uint8(k))
		}
		add("kind IN (" + strings.Join(kinds, ", ") + ")")
	}
	if q.MaxPos != 0 {
		add("pos <= {maxpos:UInt64}", clickhouse.Named("maxpos", param(q.MaxPos)))
	}
	if k := q.After; k != nil {
		add("(occurred_at, plant, press, kind, epoch, seq) > (fromUnixTimestamp64Milli({kat:Int64}, 'UTC'), {kplant:String}, {kpress:String}, {kkind:UInt64}, {kepoch:UInt64}, {kseq:UInt64})",
			clickhouse.Named("kat", param(k.OccurredAt)), clickhouse.Named("kplant", k.Plant), clickhouse.Named("kpress", k.Press),
			clickhouse.Named("kkind", param(uint64(k.Kind))), clickhouse.Named("kepoch", param(k.Epoch)), clickhouse.Named("kseq", param(k.Seq)))
	}
	if q.Limit <= 0 {
		q.Limit = 100
	}
	rows, err := db.inWindows(ctx, q, strings.Join(where, " AND "), args)
	if err != nil {
		return nil, nil, fmt.Errorf("list events: %w", err)
	}
	out, err := db.stored(ctx, rows)
	if err != nil {
		return nil, nil, fmt.Errorf("list events: %w", err)
	}
	var last *ListKey
	if n := len(rows); n > 0 {
		r := &rows[n-1]
		last = &ListKey{r.occurredAt, r.plant, r.press, r.kind, r.epoch, r.seq}
	}
	return out, last, nil
}

// inWindows reads in order of time until the limit is reached, in windows that grow: the table is not in order of
// time, and a page of a long log must not sort all of it.
func (db *DB) inWindows(ctx context.Context, q ListQuery, where string, args []any) ([]eventRow, error) {
	var n uint64
	var from, to int64 // of all that is stored; parts keep their bounds, so that no row is read
	err := db.conn.QueryRow(ctx, "SELECT count(), toUnixTimestamp64Milli(min(occurred_at)), toUnixTimestamp64Milli(max(occurred_at)) FROM events").Scan(&n, &from, &to)
	if err != nil || n == 0 {
		return nil, err
	}
	to++
	if q.From != 0 {
		from = max(from, q.From)
	}
	if q.After != nil {
		from = max(from, q.After.OccurredAt)
	}
	if q.To != 0 {
		to = min(to, q.To)
	}
	var out []eventRow
	for width := timeline.Hour; from < to && len(out) < q.Limit; width *= 4 {
		end := min(from+width, to)
		rows, err := db.selectEvents(ctx, "WHERE "+where+
			" AND occurred_at >= fromUnixTimestamp64Milli({wfrom:Int64}, 'UTC') AND occurred_at < fromUnixTimestamp64Milli({wto:Int64}, 'UTC')"+
			" ORDER BY occurred_at, plant, press, kind, epoch, seq LIMIT "+fmt.Sprint(q.Limit-len(out)),
			append(args[:len(args):len(args)], clickhouse.Named("wfrom", param(clampMillis(from))), clickhouse.Named("wto", param(clampMillis(end))))...)
		if err != nil {
			return nil, err
		}
		out = append(out, rows...)
		from = end
	}
	return out, nil
}

// EventsAfterPos lists events stored after an insert number and up to another, in order of pos, epoch and seq, at most
// limit of them; they always end with a whole pos unless one pos alone holds more than limit. next is the highest pos
// that the answer covers wholly.
func (db *DB) EventsAfterPos(ctx context.Context, after, upTo uint64, limit int) (evs []*pb.StoredEvent, next uint64, err error) {
	rows, err := db.selectEvents(ctx, "WHERE pos > {after:UInt64} AND pos <= {upto:UInt64} ORDER BY pos, plant, press, epoch, seq LIMIT "+fmt.Sprint(limit),
		clickhouse.Named("after", param(after)), clickhouse.Named("upto", param(upTo)))
	if err != nil {
		return nil, 0, fmt.Errorf("events after pos %d: %w", after, err)
	}
	next = upTo
	if len(rows) >= limit && limit > 0 {
		// The last pos may be cut: leave it for the next question, if it is not the only one.
		last := rows[len(rows)-1].pos
		n := len(rows)
		for n > 0 && rows[n-1].pos == last {
			n--
		}
		if n > 0 {
			rows, next = rows[:n], last-1
		} else {
			return db.wholePos(ctx, last)
		}
	}
	evs, err = db.stored(ctx, rows)
	if err != nil {
		return nil, 0, fmt.Errorf("events after pos %d: %w", after, err)
	}
	return evs, next, nil
}

// wholePos lists all events of one insert.
func (db *DB) wholePos(ctx context.Context, pos uint64) ([]*pb.StoredEvent, uint64, error) {
	rows, err := db.selectEvents(ctx, "WHERE pos = {pos:UInt64} ORDER BY plant, press, epoch, seq", clickhouse.Named("pos", param(pos)))
	if err != nil {
		return nil, 0, fmt.Errorf("events of pos %d: %w", pos, err)
	}
	evs, err := db.stored(ctx, rows)
	if err != nil {
		return nil, 0, fmt.Errorf("events of pos %d: %w", pos, err)
	}
	return evs, pos, nil
}

// GetEvent is one event by identity, or ErrNotFound.
func (db *DB) GetEvent(ctx context.Context, plant, press string, id timeline.ID) (*pb.StoredEvent, error) {
	rows, err := db.selectEvents(ctx, "WHERE plant = {plant:String} AND press = {press:String} AND epoch = {epoch:UInt64} AND seq = {seq:UInt64} LIMIT 1",
		pressArgs(plant, press, clickhouse.Named("epoch", param(id.Epoch)), clickhouse.Named("seq", param(id.Seq)))...)
	if err != nil {
		return nil, fmt.Errorf("get event %s/%s/%v: %w", plant, press, id, err)
	}
	if len(rows) == 0 {
		return nil, fmt.Errorf("event %s/%s/%v: %w", plant, press, id, ErrNotFound)
	}
	out, err := db.stored(ctx, rows)
	if err != nil {
		return nil, fmt.Errorf("get event %s/%s/%v: %w", plant, press, id, err)
	}
	return out[0], nil
}

var selectAll = func() string {
	names := make([]string, len(eventTable))
	for i, c := range eventTable {
		names[i] = c.name
		if c.typ == tTime {
			names[i] = "toUnixTimestamp64Milli(" + c.name + ")"
		}
	}
	return "SELECT " + strings.Join(names, ", ") + " FROM events FINAL "
}()

// selectEvents reads whole rows.
func (db *DB) selectEvents(ctx context.Context, rest string, args ...any) ([]eventRow, error) {
	rows, err := db.conn.Query(readContext(ctx), selectAll+rest, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []eventRow
	for rows.Next() {
		var r eventRow
		if err := rows.Scan(r.fields()...); err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

// fields are the destinations of the columns of eventTable, in its order.
func (r *eventRow) fields() []any {
	return []any{&r.kind, &r.plant, &r.press, &r.occurredAt, &r.epoch, &r.seq, &r.pos, &r.recordedDelay, &r.dur, &r.state, &r.reason, &r.station,
		&r.job, &r.rated, &r.good, &r.waste, &r.sourceKey, &r.fromAt, &r.session, &r.occasion, &r.crew, &r.checks, &r.task, &r.outcome, &r.condition,
		&r.note, &r.noteKind, &r.defect, &r.length, &r.cause, &r.found, &r.web, &r.lanesBad, &r.lanes, &r.family, &r.substrate, &r.targetEpoch,
		&r.targetFirst, &r.targetLast, &r.targetKey, &r.firstDay, &r.lastDay, &r.closedPos, &r.closedRev, &r.sha256, &r.author, &r.raw}
}

// stored turns rows into answers, with what voids take back marked.
func (db *DB) stored(ctx context.Context, rows []eventRow) ([]*pb.StoredEvent, error) {
	voided, err := db.voidedAmong(ctx, rows)
	if err != nil {
		return nil, err
	}
	out := make([]*pb.StoredEvent, 0, len(rows))
	for i := range rows {
		r := &rows[i]
		e, err := r.toEvent()
		if err != nil {
			return nil, err
		}
		out = append(out, &pb.StoredEvent{Id: EventID(r.plant, r.press, r.epoch, r.seq), Event: e, Pos: r.pos, Voided: voided[i]})
	}
	return out, nil
}

// voidedAmong says which rows a void of their press takes back. A void of a void has no effect.
func (db *DB) voidedAmong(ctx context.Context, rows []eventRow) (map[int]bool, error) {
	seen := map[uint64]bool{}
	var epochs []uint64
	for i := range rows {
		if !seen[rows[i].epoch] {
			seen[rows[i].epoch] = true
			epochs = append(epochs, rows[i].epoch)
		}
	}
	out := map[int]bool{}
	if len(epochs) == 0 {
		return out, nil
	}
	type void struct {
		SeqRange
		earliest int64 // what lies before is not taken back, unix ms
	}
	voids := map[epochKey][]void{}
	vs, err := db.conn.Query(ctx, "SELECT plant, press, target_epoch, target_first, target_last, toUnixTimestamp64Milli(from_at) FROM events WHERE kind = 21 AND has({epochs:Array(UInt64)}, target_epoch)",
		clickhouse.Named("epochs", epochs))
	if err != nil {
		return nil, err
	}
	defer vs.Close()
	for vs.Next() {
		var k epochKey
		var v void
		if err := vs.Scan(&k.plant, &k.press, &k.epoch, &v.First, &v.Last, &v.earliest); err != nil {
			return nil, err
		}
		voids[k] = append(voids[k], v)
	}
	if err := vs.Err(); err != nil {
		return nil, err
	}
	for i := range rows {
		if timeline.Kind(rows[i].kind) == timeline.KindVoided {
			continue
		}
		for _, v := range voids[epochKey{rows[i].plant, rows[i].press, rows[i].epoch}] {
			if rows[i].seq >= v.First && rows[i].seq <= v.Last && rows[i].spokenOf() >= v.earliest {
				out[i] = true
				break
			}
		}
	}
	return out, nil
}

// spokenOf is the earliest instant an event speaks of, unix ms.
func (r *eventRow) spokenOf() int64 {
	if k := timeline.Kind(r.kind); k == timeline.KindReasonNoted || k == timeline.KindWasteBooked {
		return min(r.occurredAt, r.fromAt)
	}
	return r.occurredAt
}

// EventID is an event's name: plant/press/epoch/seq, epoch as 16 hex digits.
func EventID(plant, press string, epoch, seq uint64) string {
	return fmt.Sprintf("%s/%s/%016x/%d", plant, press, epoch, seq)
}
