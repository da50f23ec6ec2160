package projector

import (
	"context"
	"errors"
	"reflect"
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/warehouse"
)

// besideStore is the warehouse as a rebuild's target, as the program binds it.
type besideStore struct {
	*warehouse.DB
	set        warehouse.ProjectionSet
	beforeSwap func() error
}

func (s besideStore) MakeBeside(ctx context.Context) error { return s.DB.MakeBeside(ctx, s.set) }

func (s besideStore) WriteBeside(ctx context.Context, rows timeline.Projections, ver uint64) error {
	return s.DB.WriteProjections(ctx, s.set, rows, timeline.Projections{}, ver)
}

func (s besideStore) SwapBeside(ctx context.Context) error {
	if s.beforeSwap != nil {
		if err := s.beforeSwap(); err != nil {
			return err
		}
	}
	return s.DB.SwapBeside(ctx, s.set)
}

func (s besideStore) ArrivedAfter(ctx context.Context, pos uint64) ([]Dirty, error) {
	list, err := s.DB.ArrivedAfter(ctx, pos)
	out := make([]Dirty, len(list))
	for i, d := range list {
		out[i] = Dirty{Plant: d.Plant, Press: d.Press, From: d.From}
	}
	return out, err
}

func (s besideStore) MarkDirty(ctx context.Context, marks []Dirty) error {
	out := make([]warehouse.Dirty, len(marks))
	for i, m := range marks {
		out[i] = warehouse.Dirty{Plant: m.Plant, Press: m.Press, From: m.From}
	}
	return s.DB.MarkDirty(ctx, out)
}

func (e *env) checksums() map[string]string {
	e.t.Helper()
	c, err := e.db.Checksums(e.ctx)
	if err != nil {
		e.t.Fatal(err)
	}
	return c
}

// A rebuild gives the same projections, also over tables that hold rubbish.
func TestRebuildSameProjections(t *testing.T) {
	e := newEnv(t)
	for i, s := range []*script{earlyShift(), lateShift(true), springNight()} {
		e.insert(identify(s.evs, uint64(11+i)))
	}
	e.project()
	want := e.checksums()
	var seen []int
	got, err := Rebuild(e.ctx, e.db, besideStore{DB: e.db, set: warehouse.NewBeside()}, 2, nil, func(done, total int) { seen = append(seen, done, total) })
	if err != nil {
		t.Fatal(err)
	}
	if got.Presses != 3 || got.Rows == 0 || !reflect.DeepEqual(seen, []int{1, 3, 2, 3, 3, 3}) {
		t.Errorf("rebuilt %+v, progress %v", got, seen)
	}
	if now := e.checksums(); !reflect.DeepEqual(now, want) {
		t.Errorf("checksums %v, want %v", now, want)
	}
	// Spoil a row: the live tables are wrong until they are rebuilt.
	r := e.day("p1", "2026-06-15")
	r.PBT++
	if err := e.db.WriteProjections(e.ctx, warehouse.Live, timeline.Projections{Days: []timeline.PressDay{r}}, timeline.Projections{}, 99); err != nil {
		t.Fatal(err)
	}
	if reflect.DeepEqual(e.checksums(), want) {
		t.Fatal("the checksum does not see a spoiled row")
	}
	if _, err := Rebuild(e.ctx, e.db, besideStore{DB: e.db, set: warehouse.NewBeside()}, 1, nil, nil); err != nil {
		t.Fatal(err)
	}
	if now := e.checksums(); !reflect.DeepEqual(now, want) {
		t.Errorf("after a spoiled row: checksums %v, want %v", now, want)
	}
	// And projecting goes on on the new tables, writing nothing for nothing.
	rows := e.p.Counters().Rows
	if err := e.db.MarkDirty(e.ctx, []warehouse.Dirty{{Plant: "rhein", Press: "p2", From: 0}}); err != nil {
		t.Fatal(err)
	}
	e.project()
	if n := e.p.Counters().Rows; n != rows {
		t.Errorf("%d rows written for nothing after a rebuild", n-rows)
	}
}

// What arrives during a rebuild, and is projected on the old tables, is on the
// new ones too.
func TestRebuildWhileEventsArrive(t *testing.T) {
	calm := newEnv(t)
	e := newEnv(t)
	all := func() (first, later []*pb.Event) {
		evs := identify(lateShift(true).evs, 12)
		return append(identify(earlyShift().evs, 11), evs[:len(evs)-9]...), evs[len(evs)-9:]
	}
	first, later := all()
	calm.insert(append(first, later...))
	calm.project()
	want := calm.checksums()
	first, later = all()
	e.insert(first)
	e.project()
	store := besideStore{DB: e.db, set: warehouse.NewBeside(), beforeSwap: func() error {
		e.insert(later)
		e.project()
		return nil
	}}
	if _, err := Rebuild(e.ctx, e.db, store, 1, nil, nil); err != nil {
		t.Fatal(err)
	}
	if reflect.DeepEqual(e.checksums(), want) {
		t.Error("the rebuilt tables hold what came after they were folded: the test shows nothing")
	}
	e.project()
	if got := e.checksums(); !reflect.DeepEqual(got, want) {
		t.Errorf("checksums %v, want %v", got, want)
	}
}

// A rebuild that fails before the swap leaves the live tables alone.
func TestRebuildCutShort(t *testing.T) {
	e := newEnv(t)
	e.insert(identify(earlyShift().evs, 11))
	e.project()
	want := e.checksums()
	stop := errors.New("cut short")
	if _, err := Rebuild(e.ctx, e.db, besideStore{DB: e.db, set: warehouse.NewBeside(), beforeSwap: func() error { return stop }}, 1, nil, nil); !errors.Is(err, stop) {
		t.Fatalf("error %v", err)
	}
	if got := e.checksums(); !reflect.DeepEqual(got, want) {
		t.Errorf("checksums %v, want %v", got, want)
	}
	ctx, cancel := context.WithCancel(e.ctx)
	cancel()
	if _, err := Rebuild(ctx, e.db, besideStore{DB: e.db, set: warehouse.NewBeside()}, 1, nil, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v", err)
	}
}
