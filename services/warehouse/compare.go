package warehouse

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/ClickHouse/clickhouse-go/v2"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

const (
	compareRows = 20_000 // events of one question
	compareGap  = 5_000  // seqs between two events from which they are asked for apart
)

// CompareStored says which of the events are in the table as they are (same), and which have an identity under which
// another event is stored (other): that happens when two disks carry one epoch. What is in neither is not stored. The
// answer is by index into evs.
func (db *DB) CompareStored(ctx context.Context, evs []*pb.Event) (same, other map[int]bool, err error) {
	err = db.relied(ctx, func() (err error) { same, other, err = db.compareStored(ctx, evs); return err })
	return same, other, err
}

func (db *DB) compareStored(ctx context.Context, evs []*pb.Event) (same, other map[int]bool, err error) {
	same, other = map[int]bool{}, map[int]bool{}
	groups := map[epochKey][]int{}
	for i, e := range evs {
		k := epochKey{e.Plant, e.Press, e.Epoch}
		groups[k] = append(groups[k], i)
	}
	for k, list := range groups {
		slices.SortFunc(list, func(a, b int) int { return cmp.Compare(evs[a].Seq, evs[b].Seq) })
		for len(list) > 0 {
			n := 1
			for n < len(list) && n < compareRows && evs[list[n]].Seq-evs[list[n-1]].Seq < compareGap {
				n++
			}
			if err := db.compareRun(ctx, k, evs, list[:n], same, other); err != nil {
				return nil, nil, fmt.Errorf("compare events of %s/%s/%016x with what is stored: %w", k.plant, k.press, k.epoch, err)
			}
			list = list[n:]
		}
	}
	return same, other, nil
}

// compareRun compares events of one epoch whose seqs lie close together.
func (db *DB) compareRun(ctx context.Context, k epochKey, evs []*pb.Event, list []int, same, other map[int]bool) error {
	want := make(map[uint64][]int, len(list)) // by seq
	rows := make(map[int]*eventRow, len(list))
	var from, to int64
	plain := true
	for n, i := range list {
		r, err := rowOf(evs[i], 0)
		if err != nil {
			return err
		}
		if n == 0 {
			from, to = r.occurredAt, r.occurredAt
		}
		from, to = min(from, r.occurredAt), max(to, r.occurredAt)
		plain = plain && PlainSlice(evs[i]) && r.raw == ""
		rows[i] = &r
		want[evs[i].Seq] = append(want[evs[i].Seq], i)
	}
	// What is stored as it is has its own instant: the key leads there.
	columns := len(eventTable)
	where := ""
	if plain {
		columns, where = sliceColumns, "kind = 10 AND raw = '' AND "
	}
	answer, err := db.conn.Query(ctx, "SELECT "+columnNames(columns)+" FROM events WHERE "+where+
		"plant = {plant:String} AND press = {press:String} AND epoch = {epoch:UInt64} AND seq BETWEEN {first:UInt64} AND {last:UInt64}"+
		" AND occurred_at BETWEEN fromUnixTimestamp64Milli({from:Int64}, 'UTC') AND fromUnixTimestamp64Milli({to:Int64}, 'UTC')",
		pressArgs(k.plant, k.press, clickhouse.Named("epoch", param(k.epoch)), clickhouse.Named("first", param(evs[list[0]].Seq)),
			clickhouse.Named("last", param(evs[list[len(list)-1]].Seq)), clickhouse.Named("from", param(clampMillis(from))), clickhouse.Named("to", param(clampMillis(to))))...)
	if err != nil {
		return err
	}
	defer answer.Close()
	var r eventRow
	dest := r.fields()[:columns]
	for answer.Next() {
		if err := answer.Scan(dest...); err != nil {
			return err
		}
		for _, i := range want[r.seq] {
			if !same[i] && equalEvent(&r, rows[i], evs[i]) {
				same[i] = true
			}
		}
	}
	if err := answer.Err(); err != nil {
		return err
	}
	// The others: is their identity anywhere?
	left := map[uint64][]int{}
	var seqs []uint64
	for _, i := range list {
		if !same[i] {
			if left[evs[i].Seq] == nil {
				seqs = append(seqs, evs[i].Seq)
			}
			left[evs[i].Seq] = append(left[evs[i].Seq], i)
		}
	}
	for part := range slices.Chunk(seqs, 2000) {
		err := db.ranges(ctx, "SELECT DISTINCT plant, press, epoch, seq, seq FROM events WHERE plant = {plant:String} AND press = {press:String} AND epoch = {epoch:UInt64} AND has({seqs:Array(UInt64)}, seq)",
			func(_ epochKey, r SeqRange) {
				for _, i := range left[r.First] {
					other[i] = true
				}
			}, pressArgs(k.plant, k.press, clickhouse.Named("epoch", param(k.epoch)), clickhouse.Named("seqs", part))...)
		if err != nil {
			return err
		}
	}
	return nil
}

// equalEvent says that a stored row is the event: by its columns, or, where another version of this program wrote it,
// by the event that it holds.
func equalEvent(stored, want *eventRow, e *pb.Event) bool {
	at := *stored
	at.pos = want.pos
	if at == *want {
		return true
	}
	if stored.raw == "" && want.raw == "" {
		return false
	}
	have, err := stored.toEvent()
	if err != nil {
		return false
	}
	if e.OccurredAt == nil {
		e = proto.CloneOf(e)
		e.OccurredAt = stamp(want.occurredAt)
	}
	return proto.Equal(have, e)
}

// columnNames are the first n columns of eventTable as a question wants them.
func columnNames(n int) string {
	names := make([]string, n)
	for i, c := range eventTable[:n] {
		names[i] = c.name
		if c.typ == tTime {
			names[i] = "toUnixTimestamp64Milli(" + c.name + ")"
		}
	}
	return strings.Join(names, ", ")
}
