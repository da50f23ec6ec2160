package warehouse

import (
	"fmt"
	"slices"
	"testing"

	"github.com/ClickHouse/clickhouse-go/v2"
	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Slices read by columns and row by row are the same, with repeats, many texts
// and more rows than one block holds.
func TestSlicesByColumnsAndByRows(t *testing.T) {
	db, ctx := openTest(t), testContext(t)
	const n = 70_000 // a block is 65,409 rows
	months := map[int][]*pb.Event{}
	for i := range n {
		e := sliceAt("rhein", "p1", 7, i)
		s := e.GetSlice()
		s.State = pb.State(1 + i%8)
		s.Reason, s.Station, s.Job = fmt.Sprintf("r%d", i%300), []string{"", "u1", "u2"}[i%3], fmt.Sprintf("j%d", i/400)
		s.RatedMmPerMin, s.GoodMm, s.WasteMm = proto.Int64(int64(i)), int64(i*7), int64(i%5)
		m := Month(t0 + int64(i)*60_000)
		months[m] = append(months[m], e)
		if i%1000 == 0 {
			months[m] = append(months[m], e)
		}
	}
	for _, evs := range months {
		for pos, part := range [][]*pb.Event{evs, evs[:500]} {
			if err := db.InsertEvents(ctx, part, uint64(pos+1)); err != nil {
				t.Fatal(err)
			}
		}
	}
	args := pressArgs("rhein", "p1", clickhouse.Named("early", param(clampMillis(-1<<60))), clickhouse.Named("to", param(clampMillis(1<<60))))
	read := func(f func(add func(s *timeline.Slice, dur int64)) error) []timeline.Slice {
		t.Helper()
		var k keptSlices
		if err := f(func(s *timeline.Slice, dur int64) { k.keep(s, dur, -1<<60) }); err != nil {
			t.Fatal(err)
		}
		return k.all()
	}
	byColumns := read(func(add func(s *timeline.Slice, dur int64)) error {
		ok, err := db.readSlicesByColumns(readContext(ctx), selectSlices, args, add)
		if !ok {
			t.Fatal("the test's engine is asked over HTTP and cannot be read by columns")
		}
		return err
	})
	byRows := read(func(add func(s *timeline.Slice, dur int64)) error {
		return db.readSlicesByRows(readContext(ctx), selectSlices, args, add)
	})
	if len(byColumns) != n || !slices.Equal(byColumns, byRows) {
		t.Errorf("%d by columns, %d by rows, equal: %v", len(byColumns), len(byRows), slices.Equal(byColumns, byRows))
	}
	if s := byColumns[69_999]; s.From != t0+69_999*60_000 || s.Len() != 60_000 || s.Recorded != s.From+60_200 || s.Reason != "r99" || s.Station != "" || s.Job != "j174" || s.Rated != 69_999 || s.Good != 489_993 || s.Waste != 4 {
		t.Errorf("the last one: %#v", s)
	}
	if _, err := db.readSlices(ctx, selectSlices+" LIMIT {nothing:UInt8}", "rhein", "p1", 0, 1); err == nil {
		t.Error("a question that cannot be asked gives no error")
	}
}
