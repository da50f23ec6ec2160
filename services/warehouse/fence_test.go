package warehouse

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// A writer that another has fenced out stores nothing more, neither events nor projections, under whatever number it
// had counted to; the new one does, and a fence that comes late with a lower number opens nothing.
func TestFence(t *testing.T) {
	ctx, db := testContext(t), openTest(t)
	other, err := Open(ctx, Config{DSN: db.cfg.DSN, Database: db.cfg.Database})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { other.Close() })
	first, err := db.Fence(ctx)
	if err != nil || first < fenceGap {
		t.Fatalf("first fence at %d, %v", first, err)
	}
	evs := func(i int) []*pb.Event { return []*pb.Event{sliceAt("rhein", "p1", 7, i)} }
	if err := db.InsertEvents(ctx, evs(0), first+1); err != nil {
		t.Fatal(err)
	}
	day := timeline.Projections{Days: []timeline.PressDay{{Plant: "rhein", Press: "p1", Day: 20514}}}
	_, ver, err := db.ReadProjections(ctx, Live, "rhein", "p1", 20514)
	if err != nil || ver != first {
		t.Fatalf("version %d, %v", ver, err)
	}
	if err := db.WriteProjections(ctx, Live, day, timeline.Projections{}, ver+1); err != nil {
		t.Fatal(err)
	}

	second, err := other.Fence(ctx)
	if err != nil || second < first+1+fenceGap {
		t.Fatalf("second fence at %d, %v", second, err)
	}
	for pos := first + 2; pos < first+6; pos++ {
		if err := db.InsertEvents(ctx, evs(1), pos); !errors.Is(err, ErrFenced) {
			t.Errorf("pos %d of the writer before: %v", pos, err)
		}
	}
	for name, rows := range map[string]timeline.Projections{"press-day": day, "fact": {Facts: []timeline.ShiftFact{{Plant: "rhein", Press: "p1", Day: 20514}}},
		"visit": {Visits: []timeline.StationVisit{{Plant: "rhein", Press: "p1", Day: 20514}}}, "duty": {Duties: []timeline.DutyRow{{Plant: "rhein", Press: "p1", Day: 20514}}}} {
		if err := db.WriteProjections(ctx, Live, rows, timeline.Projections{}, ver+2); !errors.Is(err, ErrFenced) {
			t.Errorf("%s of the writer before: %v", name, err)
		}
	}
	if err := other.InsertEvents(ctx, evs(1), second+1); err != nil {
		t.Error(err)
	}
	if _, ver, err := other.ReadProjections(ctx, Live, "rhein", "p1", 20514); err != nil || ver != second {
		t.Errorf("version %d of the new writer, %v", ver, err)
	}
	if err := other.WriteProjections(ctx, Live, day, timeline.Projections{}, second+1); err != nil {
		t.Error(err)
	}

	// The first one wakes in the middle of its fence.
	for _, f := range fenceTables {
		if err := db.fenceTable(ctx, f.table, f.column, first); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.InsertEvents(ctx, evs(2), first+2); !errors.Is(err, ErrFenced) {
		t.Errorf("after a late fence: %v", err)
	}
	// A rebuild swaps the tables: the fence stands on the new ones.
	set := NewBeside()
	if err := db.MakeBeside(ctx, set); err != nil {
		t.Fatal(err)
	}
	if err := db.WriteProjections(ctx, set, day, timeline.Projections{}, 1); err != nil {
		t.Fatal(err)
	}
	if err := db.SwapBeside(ctx, set); err != nil {
		t.Fatal(err)
	}
	if err := db.WriteProjections(ctx, Live, day, timeline.Projections{}, ver+3); !errors.Is(err, ErrFenced) {
		t.Errorf("after a rebuild: %v", err)
	}
	if err := other.WriteProjections(ctx, Live, day, timeline.Projections{}, second+2); err != nil {
		t.Error(err)
	}
	// The next fence clears up.
	third, err := other.Fence(ctx)
	if err != nil || third <= second {
		t.Fatal(third, err)
	}
	var create string
	if err := db.conn.QueryRow(ctx, "SELECT create_table_query FROM system.tables WHERE database = currentDatabase() AND name = 'events'").Scan(&create); err != nil {
		t.Fatal(err)
	}
	if strings.Count(create, "CONSTRAINT fence_") != 1 || !strings.Contains(create, fmt.Sprintf("fence_%d", third)) {
		t.Errorf("constraints of events: %s", create)
	}
	var rows uint64
	if err := db.conn.QueryRow(ctx, "SELECT count() FROM events").Scan(&rows); err != nil || rows != 2 {
		t.Errorf("%d rows, %v", rows, err)
	}
}

// An insert that began before the fence has ended, one way or the other, when Fence returns.
func TestFenceWaitsForRunningInserts(t *testing.T) {
	ctx, db := testContext(t), openTest(t)
	call, stop := context.WithCancel(ctx)
	defer stop()
	done := make(chan error, 1)
	go func() { // ten rows a second, a block each
		done <- db.conn.Exec(call, "INSERT INTO events (kind, plant, press, occurred_at, epoch, seq, pos) "+
			"SELECT 2, 'rhein', 'p1', toDateTime64('2026-03-02 06:00:00', 3, 'UTC'), 7, number + sleepEachRow(0.1), 1 FROM numbers(600) SETTINGS max_block_size = 1, min_insert_block_size_rows = 1, min_insert_block_size_bytes = 1, max_insert_threads = 1")
	}()
	stored := func() (n uint64) {
		if err := db.conn.QueryRow(ctx, "SELECT count() FROM events").Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	waitFor(t, "the insert runs", func() bool { return stored() > 0 })
	if _, err := db.Fence(ctx); err != nil {
		t.Fatal(err)
	}
	if err := <-done; err == nil {
		t.Error("the running insert went to its end: it is not what this test needs")
	}
	after := stored()
	var running uint64
	if err := db.conn.QueryRow(ctx, "SELECT count() FROM system.processes WHERE query LIKE 'INSERT INTO events%'").Scan(&running); err != nil || running != 0 {
		t.Errorf("%d inserts still run, %v", running, err)
	}
	if now := stored(); now != after {
		t.Errorf("%d rows came after the fence", now-after)
	}
}

// waitFor waits at most 20 s for ok.
func waitFor(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("%s: not within 20 s", what)
}
