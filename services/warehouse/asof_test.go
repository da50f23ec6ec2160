package warehouse

import (
	"context"
	"reflect"
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// bookedAt is a booking said at one instant about an interval before it.
func bookedAt(epoch, seq uint64, at, from, to int64) *pb.Event {
	return &pb.Event{Plant: "rhein", Press: "p1", Epoch: epoch, Seq: seq, OccurredAt: stamp(at), RecordedAt: stamp(at),
		Body: &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: stamp(from), To: stamp(to), LengthMm: 1000, Cause: pb.WasteCause_WASTE_CAUSE_OTHER}}}
}

func readAll(t *testing.T, log interface {
	ReadSlices(ctx context.Context, plant, press string, from, to int64) ([]timeline.Slice, error)
	ReadEvents(ctx context.Context, plant, press string, from, to int64) ([]timeline.Event, error)
	Epochs(ctx context.Context, plant, press string) ([]timeline.EpochRank, error)
}) (slices, events int, epochs []timeline.EpochRank) {
	t.Helper()
	ctx := testContext(t)
	s, err := log.ReadSlices(ctx, "rhein", "p1", t0-timeline.Hour, t0+24*timeline.Hour)
	if err != nil {
		t.Fatal(err)
	}
	e, err := log.ReadEvents(ctx, "rhein", "p1", t0-timeline.Hour, t0+24*timeline.Hour)
	if err != nil {
		t.Fatal(err)
	}
	if epochs, err = log.Epochs(ctx, "rhein", "p1"); err != nil {
		t.Fatal(err)
	}
	return len(s), len(e), epochs
}

// The log as of an insert number is what it was: also for what was stored
// again later, and for an epoch whose first events came late.
func TestAsOf(t *testing.T) {
	db, ctx := openTest(t), testContext(t)
	insert := func(pos uint64, evs ...*pb.Event) {
		t.Helper()
		if err := db.InsertEvents(ctx, evs, pos); err != nil {
			t.Fatal(err)
		}
	}
	insert(3, sliceAt("rhein", "p1", 7, 1), sliceAt("rhein", "p1", 7, 2), bookedAt(7, 10, t0+timeline.Hour, t0, t0+timeline.Minute))
	insert(4, sliceAt("rhein", "p1", 7, 0), sliceAt("rhein", "p1", 7, 1)) // seq 2 once more
	insert(6, bookedAt(8, 1, t0+2*timeline.Hour, t0, t0+timeline.Minute))
	rank := func(epoch uint64, at int64) timeline.EpochRank { return timeline.EpochRank{Epoch: epoch, Recorded: at} }
	first := rank(7, t0+60_200) // slice 0 was recorded 200 ms after its end
	for _, c := range []struct {
		pos            uint64
		slices, events int
		epochs         []timeline.EpochRank
	}{
		{0, 0, 0, nil}, {2, 0, 0, nil},
		{3, 2, 1, []timeline.EpochRank{rank(7, t0+120_200)}},
		{4, 3, 1, []timeline.EpochRank{first}}, {5, 3, 1, []timeline.EpochRank{first}},
		{6, 3, 2, []timeline.EpochRank{first, rank(8, t0+2*timeline.Hour)}},
	} {
		s, e, ranks := readAll(t, db.AsOf(c.pos))
		if s != c.slices || e != c.events || !reflect.DeepEqual(ranks, c.epochs) {
			t.Errorf("as of %d: %d slices, %d events, epochs %v; want %d, %d, %v", c.pos, s, e, ranks, c.slices, c.events, c.epochs)
		}
	}
	if evs, err := db.EpochEvents(ctx, "rhein", "p1", 7, 10); err != nil || len(evs) != 4 || evs[0].Event.Seq != 1 || evs[3].Event.Seq != 10 {
		t.Errorf("epoch events %v, %v", evs, err)
	}
	after, err := db.ArrivedAfter(ctx, 3)
	if want := []Dirty{{Plant: "rhein", Press: "p1", From: t0}}; err != nil || !reflect.DeepEqual(after, want) {
		t.Errorf("arrived after 3: %v, %v; want %v", after, err, want)
	}
	if after, err = db.ArrivedAfter(ctx, 6); err != nil || len(after) != 0 {
		t.Errorf("arrived after all: %v, %v", after, err)
	}
}

// A mark is told of from before its rows are stored until they are projected.
func TestDirtyFrom(t *testing.T) {
	db, ctx := openTest(t), testContext(t)
	want := func(m map[string]int64) {
		t.Helper()
		got, err := db.DirtyFrom(ctx)
		if err != nil || !reflect.DeepEqual(got, m) {
			t.Errorf("dirty from %v, %v; want %v", got, err, m)
		}
	}
	want(map[string]int64{})
	done, err := db.BeginDirty(ctx, []Dirty{{Plant: "rhein", Press: "p1", From: 500}, {Plant: "rhein", Press: "p2", From: 900}})
	if err != nil {
		t.Fatal(err)
	}
	want(map[string]int64{"rhein/p1": 500, "rhein/p2": 900})
	if taken, err := db.TakeDirty(ctx); err != nil || len(taken) != 0 {
		t.Fatalf("taken while the rows are being stored: %v, %v", taken, err)
	}
	done()
	taken, err := db.TakeDirty(ctx)
	if err != nil || len(taken) != 2 {
		t.Fatal(taken, err)
	}
	if err := db.MarkDirty(ctx, []Dirty{{Plant: "rhein", Press: "p2", From: 700}}); err != nil {
		t.Fatal(err)
	}
	for _, d := range taken {
		if err := db.ClearDirty(ctx, d.Plant, d.Press, d.UpTo); err != nil {
			t.Fatal(err)
		}
	}
	want(map[string]int64{"rhein/p2": 700}) // what came after the take waits on
}
