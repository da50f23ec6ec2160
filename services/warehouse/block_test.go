package warehouse

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// oddSlice is a slice in which anything may be missing, out of range or more than the columns can say.
func oddSlice(rng *rand.Rand) *pb.Event {
	odd := func() bool { return rng.IntN(12) == 0 }
	at := t0 + rng.Int64N(1e9)
	instant := func(ms int64) *timestamppb.Timestamp {
		t := stamp(ms)
		switch {
		case odd():
			return nil
		case odd():
			t.Nanos++
		case odd():
			t.Nanos = -t.Nanos
		case odd():
			t.ProtoReflect().SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, 90, protowire.VarintType), 1))
		}
		return t
	}
	s := &pb.Slice{From: instant(at), To: instant(at + 60000), State: pb.State(rng.IntN(6)), Reason: fmt.Sprint("r", rng.IntN(3)), Job: fmt.Sprint("j", rng.IntN(400)),
		RatedMmPerMin: proto.Int64(rng.Int64N(3) * 1000), GoodMm: rng.Int64N(1e6) - 10, WasteMm: rng.Int64()}
	e := &pb.Event{Plant: "rhein", Press: fmt.Sprint("p", rng.IntN(3)), Epoch: rng.Uint64(), Seq: rng.Uint64(), OccurredAt: instant(at), RecordedAt: instant(at + 100), Body: &pb.Event_Slice{Slice: s}}
	if odd() {
		s.RatedMmPerMin = nil
	}
	if odd() {
		s.State = pb.State(rng.IntN(600) - 100)
	}
	if odd() {
		s.ProtoReflect().SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, 90, protowire.VarintType), 1))
	}
	if odd() {
		e.SourceKey = "k"
	}
	if odd() {
		e.Body = &pb.Event_JobEnded{JobEnded: &pb.JobEnded{Job: "j"}}
	}
	return e
}

// An event that the block takes by itself has the columns that its row has, and it takes every event of which the row
// needs no more.
func TestBlockTakesWhatRowsSay(t *testing.T) {
	const seed = 5
	rng := rand.New(rand.NewPCG(seed, 1))
	var direct, byRow sliceBlock
	direct.reset()
	byRow.reset()
	taken := 0
	for range 20000 {
		e := oddSlice(rng)
		at, ok := direct.addPlain(e, 9)
		r, err := rowOf(e, 9)
		if want := err == nil && r.kind == 10 && r.raw == "" && r.sourceKey == ""; ok != want {
			t.Fatalf("seed %d: taken %v, the row %+v, %v: %v", seed, ok, r, err, e)
		}
		if !ok {
			continue
		}
		if taken++; at != r.occurredAt {
			t.Fatalf("seed %d: at %d, the row has %d", seed, at, r.occurredAt)
		}
		byRow.addRow(&r)
	}
	if taken < 2000 || taken > 18000 {
		t.Errorf("%d of 20000 taken", taken)
	}
	for _, c := range eventTable[:sliceColumns] {
		for _, typ := range []string{c.typ, "String"} {
			if a, b := c.native(&direct, typ), c.native(&byRow, typ); !bytes.Equal(a, b) || len(a) < taken {
				t.Errorf("column %s as %s differs", c.name, typ)
			}
		}
	}
}

// Dictionaries of every width of keys come back from the table as they were.
func TestDictionaryWidths(t *testing.T) {
	ctx, db := testContext(t), openTest(t)
	for n, jobs := range []int{3, 254, 255, 256, 70_000} {
		var evs []*pb.Event
		for i := range jobs {
			e := sliceAt("rhein", "p1", uint64(n)+1, i%30000)
			e.Seq = uint64(i) + 1
			e.GetSlice().Job, e.GetSlice().Reason = fmt.Sprint("job ", i), fmt.Sprint("r", i%5)
			evs = append(evs, e)
		}
		if err := db.InsertEvents(ctx, evs, uint64(n)+1); err != nil {
			t.Fatal(err)
		}
		var good uint64
		if err := db.conn.QueryRow(ctx, "SELECT countIf(job = 'job ' || toString(seq - 1) AND reason = 'r' || toString((seq - 1) % 5) AND plant = 'rhein') FROM events WHERE epoch = "+param(uint64(n)+1)).Scan(&good); err != nil {
			t.Fatal(err)
		}
		if good != uint64(jobs) {
			t.Errorf("%d of %d rows are right", good, jobs)
		}
	}
}
