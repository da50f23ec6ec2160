package warehouse

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"github.com/downweb/downweb/analytics/timeline"
)

// maxSlice is the longest a slice lasts, ms: what begins earlier than that before an instant does not reach it.
const maxSlice = timeline.Minute

// eventKinds are the kinds of ReadEvents: all but slices and what this version does not know.
const eventKinds = "(11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23)"

// readSettings make FINAL cheap: a row and its repeats are in one partition.
// use_skip_indexes_if_final lets the bounds of pos skip what is older.
var readSettings = clickhouse.Settings{"do_not_merge_across_partitions_select_final": 1, "use_skip_indexes_if_final": 1}

func readContext(ctx context.Context) context.Context {
	return clickhouse.Context(ctx, clickhouse.WithSettings(readSettings))
}

// pressArgs are the parameters of a question about a press, and more.
func pressArgs(plant, press string, more ...any) []any {
	return append([]any{clickhouse.Named("plant", plant), clickhouse.Named("press", press)}, more...)
}

// selectSlices does without FINAL, which doubles its cost: sorted by the rest of the key and by pos, repeats of a slice
// are neighbors, and the first is the one that FINAL keeps.
const selectSlices = `
SELECT toUnixTimestamp64Milli(occurred_at), epoch, seq, recorded_delay_ms, dur_ms, state, reason, station, job,
       rated_mm_per_min, good_mm, waste_mm
FROM events
WHERE kind = 10 AND plant = {plant:String} AND press = {press:String}
  AND occurred_at >= fromUnixTimestamp64Milli({early:Int64}, 'UTC') AND occurred_at < fromUnixTimestamp64Milli({to:Int64}, 'UTC')
ORDER BY occurred_at, epoch, seq, pos`

// ReadSlices reads the slices of a press that meet [from, to), unix ms, each identity once, sorted by start, epoch and
// seq. Voided and overlapping ones are among them.
func (db *DB) ReadSlices(ctx context.Context, plant, press string, from, to int64) ([]timeline.Slice, error) {
	return db.readSlices(ctx, selectSlices, plant, press, from, to)
}

func (db *DB) readSlices(ctx context.Context, query, plant, press string, from, to int64, more ...any) ([]timeline.Slice, error) {
	args := append(more, pressArgs(plant, press, clickhouse.Named("early", param(clampMillis(from-maxSlice))), clickhouse.Named("to", param(clampMillis(to))))...)
	var out keptSlices
	keep := func(s *timeline.Slice, dur int64) { out.keep(s, dur, from) }
	ok, err := db.readSlicesByColumns(readContext(ctx), query, args, keep)
	if err == nil && !ok {
		err = db.readSlicesByRows(readContext(ctx), query, args, keep)
	}
	if err != nil {
		return nil, fmt.Errorf("read slices of %s/%s: %w", plant, press, err)
	}
	return out.all(), nil
}

// keptSlices gathers sorted slices without repeats.
type keptSlices struct {
	pieces [][]timeline.Slice // of equal size: one slice that grows would copy a year of rows again and again
	before timeline.ID        // of the row before, and where it was
	at     int64
}

// keep takes the next row, if it is no repeat and meets what begins at from.
func (k *keptSlices) keep(s *timeline.Slice, dur, from int64) {
	if s.ID == k.before && s.From == k.at {
		return // a repeat
	}
	k.before, k.at = s.ID, s.From
	if s.To <= from && !(dur == 0 && s.From >= from) {
		return
	}
	if n := len(k.pieces); n == 0 || len(k.pieces[n-1]) == cap(k.pieces[n-1]) {
		k.pieces = append(k.pieces, make([]timeline.Slice, 0, 4096))
	}
	last := &k.pieces[len(k.pieces)-1]
	*last = append(*last, *s)
}

func (k *keptSlices) all() []timeline.Slice {
	if len(k.pieces) == 1 {
		return k.pieces[0]
	}
	return slices.Concat(k.pieces...)
}

const selectEvents = `
SELECT kind, toUnixTimestamp64Milli(occurred_at), epoch, seq, recorded_delay_ms, dur_ms, reason, station, job,
       rated_mm_per_min, source_key, toUnixTimestamp64Milli(from_at), session, occasion, crew, task, outcome,
       condition_plus_1, note, note_kind, length_mm, cause, found, web, lanes_bad, lanes, family, substrate,
       target_epoch, target_first, target_last, checks
FROM events FINAL
WHERE kind IN ` + eventKinds + ` AND plant = {plant:String} AND press = {press:String}
  AND (kind IN (18, 20, 21)
       OR kind IN (15, 17) AND from_at < fromUnixTimestamp64Milli({to:Int64}, 'UTC') AND toUnixTimestamp64Milli(from_at) + dur_ms > {from:Int64}
       OR kind NOT IN (15, 17, 18, 20, 21) AND occurred_at >= fromUnixTimestamp64Milli({early:Int64}, 'UTC')
          AND occurred_at < fromUnixTimestamp64Milli({to:Int64}, 'UTC'))
ORDER BY occurred_at, epoch, seq`

// ReadEvents reads what is not a slice and can speak of [from, to), unix ms: notes and bookings whose interval meets
// it, all job starts, job corrections and voids of the press, the rest by occurred_at. Each identity once, sorted by At, epoch and
// seq; voided ones are among them.
func (db *DB) ReadEvents(ctx context.Context, plant, press string, from, to int64) ([]timeline.Event, error) {
	return db.readEvents(ctx, selectEvents, plant, press, from, to)
}

func (db *DB) readEvents(ctx context.Context, query, plant, press string, from, to int64, more ...any) ([]timeline.Event, error) {
	rows, err := db.conn.Query(readContext(ctx), query, append(more,
		pressArgs(plant, press, clickhouse.Named("from", param(from)), clickhouse.Named("early", param(clampMillis(from))), clickhouse.Named("to", param(clampMillis(to))))...)...)
	if err != nil {
		return nil, fmt.Errorf("read events of %s/%s: %w", plant, press, err)
	}
	defer rows.Close()
	var out []timeline.Event
	same := interner{}
	for rows.Next() {
		var r eventRow
		err := rows.Scan(&r.kind, &r.occurredAt, &r.epoch, &r.seq, &r.recordedDelay, &r.dur, &r.reason, &r.station, &r.job,
			&r.rated, &r.sourceKey, &r.fromAt, &r.session, &r.occasion, &r.crew, &r.task, &r.outcome,
			&r.condition, &r.note, &r.noteKind, &r.length, &r.cause, &r.found, &r.web, &r.lanesBad, &r.lanes, &r.family, &r.substrate,
			&r.targetEpoch, &r.targetFirst, &r.targetLast, &r.checks)
		if err != nil {
			return nil, fmt.Errorf("read events of %s/%s: %w", plant, press, err)
		}
		out = append(out, r.toTimeline(same))
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read events of %s/%s: %w", plant, press, err)
	}
	return out, nil
}

// toTimeline is the row as the pure packages know it.
func (r *eventRow) toTimeline(same interner) timeline.Event {
	e := timeline.Event{
		ID: timeline.ID{Epoch: r.epoch, Seq: r.seq}, Kind: timeline.Kind(r.kind), At: r.occurredAt, Recorded: r.occurredAt + r.recordedDelay,
		SourceKey: r.sourceKey, Session: r.session, Task: same.of(r.task), Station: same.of(r.station), Reason: same.of(r.reason), Job: same.of(r.job),
		Crew: same.of(r.crew), Family: same.of(r.family), Substrate: same.of(r.substrate), Note: r.note,
		Occasion: timeline.Occasion(r.occasion), Outcome: timeline.Outcome(r.outcome), NoteKind: timeline.NoteKind(r.noteKind), Cause: timeline.Cause(r.cause),
		Condition: int8(r.condition) - 1, Found: r.found, Web: r.web, LanesBad: r.lanesBad, Lanes: r.lanes, Rated: r.rated, Length: r.length,
		Checks: timeline.Checks(r.checks), TargetEpoch: r.targetEpoch, TargetFirst: r.targetFirst, TargetLast: r.targetLast,
	}
	switch e.Kind {
	case timeline.KindReasonNoted, timeline.KindWasteBooked, timeline.KindClockStepped:
		e.Interval = timeline.Interval{From: r.fromAt, To: r.fromAt + r.dur}
	case timeline.KindStationSignedOff:
		e.Began = r.fromAt
	case timeline.KindVoided:
		e.Earliest = r.fromAt
	}
	return e
}

// JobStart is the earliest instant, unix ms, at which the press is known to have had the job: its start or the first
// slice that names it. ok is false if there is none.
func (db *DB) JobStart(ctx context.Context, plant, press, job string) (ms int64, ok bool, err error) {
	var n uint64
	err = db.conn.QueryRow(ctx, `
SELECT count(), toUnixTimestamp64Milli(min(occurred_at))
FROM events
WHERE kind IN (10, 18) AND plant = {plant:String} AND press = {press:String} AND job = {job:String}`,
		pressArgs(plant, press, clickhouse.Named("job", job))...).Scan(&n, &ms)
	if err != nil {
		return 0, false, fmt.Errorf("find the start of job %q on %s/%s: %w", job, plant, press, err)
	}
	return ms, n > 0, nil
}

// VoidedJobStart is the earliest start of the jobs whose corrections a void of [first, last] of an epoch takes back,
// unix ms; ok is false when it takes none back.
func (db *DB) VoidedJobStart(ctx context.Context, plant, press string, epoch, first, last uint64) (ms int64, ok bool, err error) {
	var n uint64
	err = db.conn.QueryRow(ctx, `
SELECT count(), toUnixTimestamp64Milli(min(occurred_at)) FROM events
WHERE kind IN (10, 18) AND plant = {plant:String} AND press = {press:String} AND job IN
  (SELECT job FROM events WHERE kind = 20 AND plant = {plant:String} AND press = {press:String}
   AND epoch = {epoch:UInt64} AND seq BETWEEN {first:UInt64} AND {last:UInt64})`,
		pressArgs(plant, press, clickhouse.Named("epoch", param(epoch)), clickhouse.Named("first", param(first)), clickhouse.Named("last", param(last)))...).Scan(&n, &ms)
	if err != nil {
		return 0, false, fmt.Errorf("start of the jobs of %s/%s whose corrections are taken back: %w", plant, press, err)
	}
	return ms, n > 0, nil
}

// Epochs ranks the epochs of a press by when their lowest stored seq was recorded. They are sorted by epoch.
func (db *DB) Epochs(ctx context.Context, plant, press string) ([]timeline.EpochRank, error) {
	rows, err := db.conn.Query(ctx, `
SELECT epoch, toUnixTimestamp64Milli(argMin(recorded_at, seq))
FROM epochs
WHERE plant = {plant:String} AND press = {press:String}
GROUP BY epoch ORDER BY epoch`, pressArgs(plant, press)...)
	if err != nil {
		return nil, fmt.Errorf("read epochs of %s/%s: %w", plant, press, err)
	}
	defer rows.Close()
	var out []timeline.EpochRank
	for rows.Next() {
		var r timeline.EpochRank
		if err := rows.Scan(&r.Epoch, &r.Recorded); err != nil {
			return nil, fmt.Errorf("read epochs of %s/%s: %w", plant, press, err)
		}
		out = append(out, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read epochs of %s/%s: %w", plant, press, err)
	}
	return out, nil
}

// clampMillis keeps an instant inside what DateTime64(3) holds: 1900 to 2262.
func clampMillis(ms int64) int64 {
	return min(max(ms, -2208988800000), 9223372000000)
}

// interner gives one copy of equal strings: the driver makes a new one for each row.
type interner map[string]string

func (in interner) of(s string) string {
	if s == "" {
		return ""
	}
	if t, ok := in[s]; ok {
		return t
	}
	if len(in) > 1<<16 {
		clear(in)
	}
	in[s] = s
	return s
}

func timeOf(ms int64) time.Time { return time.UnixMilli(ms).UTC() }

const selectRepeats = `
SELECT kind, source_key, argMin(tuple(epoch, seq), tuple(toUnixTimestamp64Milli(occurred_at) + recorded_delay_ms, epoch, seq)) AS first
FROM events FINAL
WHERE kind IN ` + eventKinds + ` AND plant = {plant:String} AND press = {press:String} AND source_key != ''
GROUP BY kind, source_key HAVING count() > 1
ORDER BY kind, source_key`

// Repeats names the event that counts of every kind and source key that is on the press more than once.
func (db *DB) Repeats(ctx context.Context, plant, press string) ([]timeline.Repeat, error) {
	return db.repeats(ctx, selectRepeats, plant, press)
}

func (db *DB) repeats(ctx context.Context, sql, plant, press string, args ...any) ([]timeline.Repeat, error) {
	rows, err := db.conn.Query(ctx, sql, pressArgs(plant, press, args...)...)
	if err != nil {
		return nil, fmt.Errorf("read repeats of %s/%s: %w", plant, press, err)
	}
	defer rows.Close()
	var out []timeline.Repeat
	for rows.Next() {
		var kind uint8
		var r timeline.Repeat
		var first []any
		if err := rows.Scan(&kind, &r.SourceKey, &first); err != nil {
			return nil, fmt.Errorf("read repeats of %s/%s: %w", plant, press, err)
		}
		epoch, ok1 := first[0].(uint64)
		seq, ok2 := first[1].(uint64)
		if !ok1 || !ok2 {
			return nil, fmt.Errorf("read repeats of %s/%s: unexpected types", plant, press)
		}
		r.Kind, r.First = timeline.Kind(kind), timeline.ID{Epoch: epoch, Seq: seq}
		out = append(out, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read repeats of %s/%s: %w", plant, press, err)
	}
	return out, nil
}
