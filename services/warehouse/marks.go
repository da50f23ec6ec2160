package warehouse

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// SeqRange is a range of sequence numbers, both ends included.
type SeqRange = struct{ First, Last uint64 }

// MarkRow says what is stored of one epoch of a press, in events, dead or gaps.
type MarkRow = struct {
	Plant, Press string
	Epoch        uint64
	Mark         uint64     // highest seq such that it and all below are stored
	Above        []SeqRange // stored above the mark, sorted, apart from each other
	// Elsewhere are the ranges in dead or gaps and not in events: they count for the mark, but not as stored when
	// they come again.
	Elsewhere []SeqRange
}

type epochKey struct {
	plant, press string
	epoch        uint64
}

// LoadMarks finds the mark of every epoch of every press from the tables, sorted by plant, press, epoch.
func (db *DB) LoadMarks(ctx context.Context) ([]MarkRow, error) {
	stored, err := db.storedRanges(ctx)
	if err != nil {
		return nil, fmt.Errorf("load marks: %w", err)
	}
	elsewhere := map[epochKey][]SeqRange{}
	for _, sql := range []string{
		"SELECT DISTINCT plant, press, epoch, seq, seq FROM dead WHERE seq > 0",
		"SELECT DISTINCT plant, press, epoch, first_seq, last_seq FROM gaps",
	} {
		err := db.ranges(ctx, sql, func(k epochKey, r SeqRange) { elsewhere[k] = append(elsewhere[k], r) })
		if err != nil {
			return nil, fmt.Errorf("load marks: %w", err)
		}
	}
	for k := range elsewhere {
		if _, ok := stored[k]; !ok {
			stored[k] = nil
		}
	}
	out := make([]MarkRow, 0, len(stored))
	for k, ranges := range stored {
		m := MarkRow{Plant: k.plant, Press: k.press, Epoch: k.epoch, Elsewhere: without(joinRanges(elsewhere[k]), joinRanges(ranges))}
		all := joinRanges(append(slices.Clone(ranges), elsewhere[k]...))
		if len(all) > 0 && all[0].First <= 1 {
			m.Mark, all = all[0].Last, all[1:]
		}
		m.Above = all
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b MarkRow) int {
		return cmp.Or(cmp.Compare(a.Plant, b.Plant), cmp.Compare(a.Press, b.Press), cmp.Compare(a.Epoch, b.Epoch))
	})
	return out, nil
}

// storedRanges are the ranges of seq in events. Most epochs have no hole: counting tells, without listing their seqs.
func (db *DB) storedRanges(ctx context.Context) (map[epochKey][]SeqRange, error) {
	out := map[epochKey][]SeqRange{}
	var holed []uint64
	rows, err := db.conn.Query(ctx, "SELECT plant, press, epoch, min(seq), max(seq), groupBitmap(seq) FROM events GROUP BY plant, press, epoch")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var k epochKey
		var r SeqRange
		var n uint64
		if err := rows.Scan(&k.plant, &k.press, &k.epoch, &r.First, &r.Last, &n); err != nil {
			return nil, err
		}
		if n == r.Last-r.First+1 {
			out[k] = []SeqRange{r}
		} else {
			out[k] = nil
			holed = append(holed, k.epoch)
		}
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	const list = `
SELECT plant, press, epoch, min(seq), max(seq)
FROM (SELECT plant, press, epoch, seq, seq - row_number() OVER (PARTITION BY plant, press, epoch ORDER BY seq) AS run
      FROM (SELECT DISTINCT plant, press, epoch, seq FROM events WHERE has({epochs:Array(UInt64)}, epoch)))
GROUP BY plant, press, epoch, run`
	for part := range slices.Chunk(holed, 100) {
		err := db.ranges(ctx, list, func(k epochKey, r SeqRange) {
			if len(out[k]) == 0 || out[k][0].First != r.First || out[k][0].Last < r.Last {
				out[k] = append(out[k], r)
			}
		}, clickhouse.Named("epochs", part))
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// ranges calls f for each row of a question for plant, press, epoch, first and last.
func (db *DB) ranges(ctx context.Context, sql string, f func(epochKey, SeqRange), args ...any) error {
	rows, err := db.conn.Query(ctx, sql, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var k epochKey
		var r SeqRange
		if err := rows.Scan(&k.plant, &k.press, &k.epoch, &r.First, &r.Last); err != nil {
			return err
		}
		f(k, r)
	}
	return rows.Err()
}

// joinRanges sorts ranges and joins those that touch or overlap.
func joinRanges(in []SeqRange) []SeqRange {
	if len(in) == 0 {
		return nil
	}
	s := slices.Clone(in)
	slices.SortFunc(s, func(a, b SeqRange) int { return cmp.Compare(a.First, b.First) })
	out := s[:1]
	for _, r := range s[1:] {
		if last := &out[len(out)-1]; r.First <= last.Last || r.First == last.Last+1 {
			last.Last = max(last.Last, r.Last)
		} else {
			out = append(out, r)
		}
	}
	return out
}

// without is what of a is not in b; both are results of joinRanges.
func without(a, b []SeqRange) []SeqRange {
	var out []SeqRange
	for _, r := range a {
		for _, cut := range b {
			if cut.Last < r.First || cut.First > r.Last {
				continue
			}
			if cut.First > r.First {
				out = append(out, SeqRange{r.First, cut.First - 1})
			}
			r.First = cut.Last + 1
			if r.First > r.Last || r.First == 0 {
				break
			}
		}
		if r.First <= r.Last && r.First > 0 {
			out = append(out, r)
		}
	}
	return out
}

// Names of the highest insert number noted. posName was kept by the time of the note, and of two writers the later
// could hide the higher; highPosName is kept by the number itself.
const (
	posName     = "pos"
	highPosName = "high_pos"
)

// StoredPos is the highest insert number of a stored event; 0 for an empty log. It is what an answer could have seen.
func (db *DB) StoredPos(ctx context.Context) (uint64, error) {
	// The number only grows: what is below the one seen last is skipped by its bounds, where a year's log would be read.
	known := db.seenPos.Load()
	var pos uint64
	if err := db.conn.QueryRow(ctx, "SELECT max(pos) FROM events WHERE pos >= {pos:UInt64}", clickhouse.Named("pos", param(known))).Scan(&pos); err != nil {
		return 0, fmt.Errorf("read the highest stored pos: %w", err)
	}
	if pos < known { // what held it is gone: a part was set aside, or a restore has replaced the log
		if err := db.conn.QueryRow(ctx, "SELECT max(pos) FROM events").Scan(&pos); err != nil {
			return 0, fmt.Errorf("read the highest stored pos: %w", err)
		}
	}
	db.seenPos.Store(pos)
	return pos, nil
}

// MaxPos is the highest insert number stored or noted; 0 for an empty log. It is for the writer, which must never give
// a number twice; readers want StoredPos.
func (db *DB) MaxPos(ctx context.Context) (uint64, error) {
	var pos uint64
	err := db.conn.QueryRow(ctx, "SELECT greatest((SELECT max(pos) FROM events), (SELECT max(toUInt64OrZero(value)) FROM meta WHERE name IN ({name:String}, {high:String})))",
		clickhouse.Named("name", posName), clickhouse.Named("high", highPosName)).Scan(&pos)
	if err != nil {
		return 0, fmt.Errorf("read the highest pos: %w", err)
	}
	return pos, nil
}

// NotePos keeps an insert number as used. It is called before events are inserted a second time: if the first insert
// has happened after all, a merge drops the rows of the second, and without this the number would be given again.
func (db *DB) NotePos(ctx context.Context, pos uint64) error {
	return db.putMeta(ctx, highPosName, fmt.Sprint(pos), time.UnixMilli(int64(min(pos, 1<<42)))) // of two rows the higher stays
}

// Span is a stretch of one epoch's seqs and the instants, unix ms and inclusive, between which its events lie.
type Span = struct {
	Plant, Press string
	Epoch        uint64
	First, Last  uint64
	From, To     int64
}

// StoredSeqs says which seqs of a span are in events.
func (db *DB) StoredSeqs(ctx context.Context, s Span) (out map[uint64]bool, err error) {
	err = db.relied(ctx, func() (err error) { out, err = db.storedSeqs(ctx, s); return err })
	if err != nil {
		return nil, fmt.Errorf("read back %s/%s/%016x: %w", s.Plant, s.Press, s.Epoch, err)
	}
	return out, nil
}

func (db *DB) storedSeqs(ctx context.Context, s Span) (map[uint64]bool, error) {
	rows, err := db.conn.Query(ctx, `
SELECT DISTINCT seq
FROM events
WHERE plant = {plant:String} AND press = {press:String} AND epoch = {epoch:UInt64} AND seq BETWEEN {first:UInt64} AND {last:UInt64}
  AND occurred_at BETWEEN fromUnixTimestamp64Milli({from:Int64}, 'UTC') AND fromUnixTimestamp64Milli({to:Int64}, 'UTC')`,
		pressArgs(s.Plant, s.Press, clickhouse.Named("epoch", param(s.Epoch)), clickhouse.Named("first", param(s.First)), clickhouse.Named("last", param(s.Last)),
			clickhouse.Named("from", param(clampMillis(s.From))), clickhouse.Named("to", param(clampMillis(s.To))))...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[uint64]bool{}
	for rows.Next() {
		var seq uint64
		if err := rows.Scan(&seq); err != nil {
			return nil, err
		}
		out[seq] = true
	}
	return out, rows.Err()
}
