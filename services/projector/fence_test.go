package projector

import (
	"context"
	"errors"
	"reflect"
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/services/warehouse"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// sleepy is the warehouse of a projector that is paused: between its reads and its write, or after its write and
// before it clears its marks.
type sleepy struct {
	testStore
	beforeWrite, beforeClear func()
}

func (s *sleepy) WriteProjections(ctx context.Context, changed, gone timeline.Projections, ver uint64) error {
	if f := s.beforeWrite; f != nil {
		s.beforeWrite = nil
		f()
	}
	return s.testStore.WriteProjections(ctx, changed, gone, ver)
}

func (s *sleepy) ClearDirty(ctx context.Context, plant, press string, upTo uint64) error {
	if f := s.beforeClear; f != nil {
		s.beforeClear = nil
		f()
	}
	return s.testStore.ClearDirty(ctx, plant, press, upTo)
}

// A projector sleeps between load and write. Meanwhile another takes over, more events come, and it projects them,
// under version numbers of which the sleeper had counted the first. What the sleeper then writes is older: it must not
// come in, whether its version is lower or as high, and the marks of what came meanwhile must not be lost.
func TestSleepingProjector(t *testing.T) {
	for _, at := range []string{"before write", "before clear", "without more events"} {
		t.Run(at, func(t *testing.T) {
			calm := newEnv(t)
			early, late := identify(earlyShift().evs, 11), identify(lateShift(true).evs, 12)
			half := len(early) / 2
			first, more := early[:half], append(early[half:], late...)
			calm.insert(append(append(first[:half:half], more[:len(early)-half]...), late...))
			calm.project()
			want := calm.checksums()

			e := newEnv(t)
			floor, err := e.db.Fence(e.ctx)
			if err != nil {
				t.Fatal(err)
			}
			e.pos = floor
			next, err := warehouse.Open(e.ctx, warehouse.Config{DSN: warehousetest.DSN(t), Database: e.db.Database()})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { next.Close() })
			n := &env{t: t, ctx: e.ctx, db: next, p: New(Config{}, next, testStore{next})}
			takeOver := func() {
				if n.pos, err = next.Fence(e.ctx); err != nil {
					t.Fatal(err)
				}
				if at != "without more events" {
					n.insert(more)
				}
				n.project()
			}
			store := &sleepy{testStore: testStore{e.db}}
			if at == "before clear" {
				store.beforeClear = takeOver
			} else {
				store.beforeWrite = takeOver
			}
			e.insert(first)
			_, err = New(Config{Workers: 1}, e.db, store).Once(e.ctx)
			if refused := errors.Is(err, warehouse.ErrFenced); refused != (at != "before clear") {
				t.Errorf("the sleeper's round: %v", err)
			}
			if at == "without more events" {
				n.insert(more)
			}
			n.project()
			if got := n.checksums(); !reflect.DeepEqual(got, want) {
				t.Errorf("checksums %v, undisturbed %v", got, want)
			}
			if left, err := next.TakeDirty(e.ctx); err != nil || len(left) != 0 {
				t.Errorf("marks left: %v %v", left, err)
			}
			// What is stored is what a fold from the beginning gives.
			if _, err := Rebuild(e.ctx, next, besideStore{DB: next, set: warehouse.NewBeside()}, 1, nil, nil); err != nil {
				t.Fatal(err)
			}
			if got := n.checksums(); !reflect.DeepEqual(got, want) {
				t.Errorf("checksums of a rebuild %v, undisturbed %v", got, want)
			}
		})
	}
}
