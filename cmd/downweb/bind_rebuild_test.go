package main

import (
	"testing"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/projector"
)

func (l *apiLine) rebuild(t *testing.T) {
	t.Helper()
	if r, err := projector.Rebuild(l.ctx, l.db, newBesideStore(l.db), 1, nil, nil); err != nil || r.Presses != 3 {
		t.Fatalf("rebuild %v, %v", r, err)
	}
}

// settlePresses waits until nothing of some presses waits to be projected.
func (l *apiLine) settlePresses(ids ...string) {
	l.t.Helper()
	for range 600 {
		dirty, err := l.db.DirtyFrom(l.ctx)
		if err != nil {
			l.t.Fatal(err)
		}
		waits := false
		for _, id := range ids {
			_, ok := dirty[id]
			waits = waits || ok
		}
		if !waits {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	l.t.Fatal("projections stay dirty")
}

// recordLater stores an event of the past and a registry revision that change
// what the projections say of the worked shifts.
func (l *apiLine) recordLater(t *testing.T) {
	t.Helper()
	from, to := time.Date(2026, 6, 15, 9, 30, 0, 0, time.UTC), time.Date(2026, 6, 15, 11, 0, 0, 0, time.UTC)
	_, err := l.events.RecordEvents(l.ctx, &pb.RecordEventsRequest{RequestId: "later-booking", Events: []*pb.Event{{Plant: "rhein", Press: "p1", OccurredAt: stampOf(to),
		Body: &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: stampOf(from), To: stampOf(to), LengthMm: 50_000, Cause: pb.WasteCause_WASTE_CAUSE_SPLICE}}}}})
	if err != nil {
		t.Fatal(err)
	}
	if r, err := l.apply(func(p *pb.Plant) { p.Presses[0].RatedMmPerMin = 90_000 }, 1); err != nil || r.Rev != 2 {
		t.Fatalf("apply: %v, %v", r, err)
	}
	for range 200 {
		if rev, err := l.db.MaxRegistryRev(l.ctx); err != nil || rev == 2 {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	l.settlePresses("rhein/p1", "rhein/p2", "rhein/p3")
}
