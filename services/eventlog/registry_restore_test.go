package eventlog_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

// keptRevisions stands for the warehouse's copy: revisions from 1 on.
type keptRevisions []*pb.RegistryRevision

func (k keptRevisions) MaxRegistryRev(context.Context) (uint64, error) { return uint64(len(k)), nil }

func (k keptRevisions) RegistryAfter(_ context.Context, rev uint64) ([]*pb.RegistryRevision, error) {
	return k[min(rev, uint64(len(k))):], nil
}

// An empty stream gets all revisions of the copy, one that is behind the rest, one that is ahead nothing; a stream with
// another history is refused. Two who do it at once do it once.
func TestRestoreRevisions(t *testing.T) {
	rev := func(n int, author string) *pb.RegistryRevision {
		return &pb.RegistryRevision{Rev: uint64(n), Author: author, Plant: &pb.Plant{Plant: "rhein", Currency: "EUR"}}
	}
	kept := keptRevisions{}
	for n := range 40 {
		kept = append(kept, rev(n+1, fmt.Sprint("author ", n)))
	}
	env, ctx := eventlogtest.Start(t), limited(t)
	holds := func(want keptRevisions) {
		t.Helper()
		got, err := eventlog.ReadRevisions(ctx, env.JS, 0)
		if err != nil || len(got) != len(want) {
			t.Fatalf("%d revisions in the stream, want %d (%v)", len(got), len(want), err)
		}
		for i := range got {
			if !proto.Equal(got[i], want[i]) {
				t.Fatalf("revision %d is %v, want %v", i+1, got[i], want[i])
			}
		}
	}
	for _, step := range []struct {
		kept keptRevisions
		n    int
	}{{nil, 0}, {kept[:3], 3}, {kept[:3], 0}, {kept[:9], 6}, {kept[:5], 0}} {
		if n, err := eventlog.RestoreRevisions(ctx, env.JS, step.kept); err != nil || n != step.n {
			t.Errorf("copy of %d: %d restored, want %d (%v)", len(step.kept), n, step.n, err)
		}
	}
	holds(kept[:9])

	var wg sync.WaitGroup
	sum := make([]int, 3)
	for i := range sum {
		wg.Go(func() {
			var err error
			if sum[i], err = eventlog.RestoreRevisions(ctx, env.JS, kept); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	holds(kept)
	if all := sum[0] + sum[1] + sum[2]; all < 31 {
		t.Errorf("%d of 31 revisions restored", all)
	}

	for _, other := range []keptRevisions{{rev(1, "another")}, append(kept[:39:39], rev(40, "another"), rev(41, "a"))} {
		if _, err := eventlog.RestoreRevisions(ctx, env.JS, other); !errors.Is(err, eventlog.ErrDiverged) {
			t.Errorf("a copy of %d with another history: %v", len(other), err)
		}
	}
	holds(kept)
}
