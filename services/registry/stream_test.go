package registry

import (
	"errors"
	"fmt"
	"sync"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

func TestApplyOverStream(t *testing.T) {
	checkApply(t, StreamLog{eventlogtest.Start(t).JS})
}

// Eight authors apply eight plants at once: all get in, numbers have no hole.
// Then two apply the same plant at once: one is stale.
func TestApplyAtOnce(t *testing.T) {
	log := StreamLog{eventlogtest.Start(t).JS}
	a := readPlant(t)
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() {
			p := proto.Clone(a).(*pb.Plant)
			p.Plant = fmt.Sprintf("werk-%d", i)
			if _, err := New(log).Apply(t.Context(), p, 0, "", "", noon); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	r := New(log)
	latest, err := r.Latest(t.Context())
	if err != nil || len(latest) != 8 {
		t.Fatalf("%d plants, %v", len(latest), err)
	}
	rev := latest[0].Rev
	errs := make([]error, 2)
	for i := range errs {
		wg.Go(func() {
			p := proto.Clone(latest[0].Plant).(*pb.Plant)
			p.Name = fmt.Sprint("author ", i)
			_, errs[i] = New(log).Apply(t.Context(), p, rev, "", "", noon)
		})
	}
	wg.Wait()
	if stale := errors.Is(errs[0], ErrStale); stale == errors.Is(errs[1], ErrStale) || errs[0] != nil && errs[1] != nil {
		t.Fatalf("two authors: %v, %v", errs[0], errs[1])
	}
	if h, err := r.History(t.Context(), ""); err != nil || len(h) != 9 || h[0].Revision.Rev != 9 {
		t.Fatalf("history: %d, %v", len(h), err)
	}
}
