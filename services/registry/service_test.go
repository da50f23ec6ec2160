package registry

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// memoryLog is a Log in memory: it is here to make conflicts happen, and the
// stream log has its own test against a real server.
type memoryLog struct {
	mu    sync.Mutex
	revs  []*pb.RegistryRevision
	steal func() // called once before an append: someone else is faster
	fail  error
}

func (l *memoryLog) Append(_ context.Context, r *pb.RegistryRevision) error {
	if s := l.steal; s != nil {
		l.steal = nil
		s()
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.fail != nil {
		return l.fail
	}
	if r.Rev != uint64(len(l.revs))+1 {
		return fmt.Errorf("revision %d: %w", r.Rev, ErrConflict)
	}
	l.revs = append(l.revs, r)
	return nil
}

func (l *memoryLog) Read(_ context.Context, after uint64) ([]*pb.RegistryRevision, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if after > uint64(len(l.revs)) {
		return nil, nil
	}
	return l.revs[after:], nil
}

var noon = time.Date(2026, 6, 15, 12, 0, 0, 123456789, time.UTC)

func TestApply(t *testing.T) {
	checkApply(t, &memoryLog{})
}

// checkApply is what holds over any Log.
func checkApply(t *testing.T, log Log) {
	ctx := t.Context()
	r := New(log)
	a := readPlant(t)
	plan, err := r.Plan(ctx, a)
	if err != nil || plan.CurrentRev != 0 || len(plan.DirtyPresses) != 2 || plan.DirtyFrom != "" {
		t.Fatalf("plan of a new plant: %+v %v", plan, err)
	}
	rev, err := r.Apply(ctx, a, 0, "ann", "first", noon)
	if err != nil || rev != 1 {
		t.Fatalf("first: %d %v", rev, err)
	}
	b := proto.Clone(a).(*pb.Plant)
	b.Plant = "werk-b"
	b.Zone = "America/New_York"
	if rev, err = r.Apply(ctx, b, 0, "ben", "", noon); err != nil || rev != 2 {
		t.Fatalf("second plant: %d %v", rev, err)
	}
	a2 := proto.Clone(a).(*pb.Plant)
	a2.Presses[0].Rates[0].PressHour = "200"
	plan, err = r.Plan(ctx, a2)
	if err != nil || plan.CurrentRev != 1 || len(plan.Changes) != 1 || plan.DirtyFrom != "2025-12-31" || len(plan.DirtyPresses) != 1 {
		t.Fatalf("plan: %+v %v", plan, err)
	}
	var stale *StaleError
	if _, err = r.Apply(ctx, a2, 0, "cat", "", noon); !errors.Is(err, ErrStale) || !errors.As(err, &stale) || stale.Current != 1 {
		t.Fatalf("not stale: %v", err)
	}
	if _, err = r.Apply(ctx, a2, 2, "cat", "", noon); !errors.Is(err, ErrStale) { // 2 is the other plant's
		t.Fatalf("another plant's revision: %v", err)
	}
	if rev, err = r.Apply(ctx, a2, 1, "cat", "dearer", noon); err != nil || rev != 3 {
		t.Fatalf("third: %d %v", rev, err)
	}
	for _, expected := range []uint64{3, 1} { // the same again, also by who repeats an unclear apply
		if rev, err = r.Apply(ctx, a2, expected, "cat", "again", noon); err != nil || rev != 3 {
			t.Fatalf("identical: %d %v", rev, err)
		}
	}
	bad := proto.Clone(a).(*pb.Plant)
	bad.Currency = "?"
	var invalid *InvalidError
	if _, err = r.Apply(ctx, bad, 3, "", "", noon); !errors.As(err, &invalid) || invalid.Problems[0].Field != "currency" {
		t.Fatalf("invalid: %v", err)
	}

	// A second reader of the same log sees the same.
	r = New(log)
	h, err := r.History(ctx, "werk-a")
	if err != nil || len(h) != 2 || h[0].Revision.Rev != 3 || h[0].Revision.PreviousRev != 1 || len(h[0].Changes) != 1 || h[0].Revision.Comment != "dearer" {
		t.Fatalf("history: %+v %v", h, err)
	}
	if at := h[0].Revision.AppliedAt.AsTime(); !at.Equal(noon.Truncate(time.Millisecond)) {
		t.Errorf("applied at %v", at)
	}
	all, err := r.History(ctx, "")
	if err != nil || len(all) != 3 {
		t.Fatalf("all history: %d %v", len(all), err)
	}
	latest, err := r.Latest(ctx)
	if err != nil || len(latest) != 2 || latest[0].Rev != 3 || latest[1].Rev != 2 {
		t.Fatalf("latest: %v %v", latest, err)
	}
	if at1, err := r.LatestAt(ctx, 1); err != nil || len(at1) != 1 || !proto.Equal(at1[0].Plant, a) {
		t.Fatalf("latest at 1: %v %v", at1, err)
	}
	if got, err := r.Get(ctx, "werk-a", 1); err != nil || !proto.Equal(got.Plant, a) {
		t.Errorf("revision 1: %v", err)
	}
	if got, err := r.Get(ctx, "werk-a", 0); err != nil || !proto.Equal(got.Plant, a2) {
		t.Errorf("latest: %v", err)
	}
	for _, c := range []struct {
		plant string
		rev   uint64
	}{{"werk-c", 0}, {"werk-a", 2}, {"werk-a", 9}} {
		if _, err := r.Get(ctx, c.plant, c.rev); !errors.Is(err, ErrNotFound) {
			t.Errorf("%v: %v", c, err)
		}
	}
}

// Another plant is applied between reading and appending: the apply tries
// again. The same plant: it is stale.
func TestApplyRace(t *testing.T) {
	ctx := t.Context()
	log := &memoryLog{}
	r, other := New(log), New(log)
	a := readPlant(t)
	b := proto.Clone(a).(*pb.Plant)
	b.Plant = "werk-b"
	log.steal = func() {
		if _, err := other.Apply(ctx, b, 0, "", "", noon); err != nil {
			t.Error(err)
		}
	}
	if rev, err := r.Apply(ctx, a, 0, "", "", noon); err != nil || rev != 2 {
		t.Fatalf("other plant first: %d %v", rev, err)
	}
	a2, a3 := proto.Clone(a).(*pb.Plant), proto.Clone(a).(*pb.Plant)
	a2.Name, a3.Name = "two", "three"
	log.steal = func() {
		if _, err := other.Apply(ctx, a3, 2, "", "", noon); err != nil {
			t.Error(err)
		}
	}
	var stale *StaleError
	if _, err := r.Apply(ctx, a2, 2, "", "", noon); !errors.As(err, &stale) || stale.Current != 3 {
		t.Fatalf("same plant first: %v", err)
	}
	log.fail = errors.New("no server")
	if _, err := r.Apply(ctx, a2, 3, "", "", noon); !errors.Is(err, log.fail) {
		t.Fatalf("a failing log: %v", err)
	}
}
