package warehouse

import (
	"context"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

func testContext(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

func openTest(t testing.TB) *DB {
	t.Helper()
	db, err := Open(testContext(t), Config{DSN: warehousetest.DSN(t)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	return db
}

// t0 is the start of the test series: 2026-03-02 06:00 UTC.
const t0 = int64(1772431200000)

// sliceAt is the i-th minute slice of a press.
func sliceAt(plant, press string, epoch uint64, i int) *pb.Event {
	from := t0 + int64(i)*60000
	return &pb.Event{Plant: plant, Press: press, Epoch: epoch, Seq: uint64(i) + 1, OccurredAt: stamp(from), RecordedAt: stamp(from + 60200),
		Body: &pb.Event_Slice{Slice: &pb.Slice{From: stamp(from), To: stamp(from + 60000), State: pb.State_STATE_PRODUCTION, Job: "j1",
			RatedMmPerMin: proto.Int64(120000), GoodMm: 100000, WasteMm: 500}}}
}
