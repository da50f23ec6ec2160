package projector

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"slices"

	"golang.org/x/sync/errgroup"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/registry"
)

// Beside is where a rebuild puts its rows: tables beside those that answer
// questions, and put in their place at the end.
type Beside interface {
	MakeBeside(ctx context.Context) error
	WriteBeside(ctx context.Context, rows timeline.Projections, ver uint64) error
	SwapBeside(ctx context.Context) error
	// MaxPos is the highest insert number of the log.
	MaxPos(ctx context.Context) (uint64, error)
	// ArrivedAfter says which presses got events after an insert number and
	// the earliest instant that these can change.
	ArrivedAfter(ctx context.Context, pos uint64) ([]Dirty, error)
	MarkDirty(ctx context.Context, marks []Dirty) error
}

// Rebuilt says what a rebuild did.
type Rebuilt struct{ Presses, Days, Rows int64 }

// Rebuild folds every press of the registry from the beginning of the log into
// tables beside the live ones, swaps them, and marks dirty what arrived
// meanwhile. A projector may run all the time: until the swap it works on the
// old tables, and what it did there after the start is done again on the new
// ones. A rebuild cut short leaves the live tables as they were; one cut short
// between swap and marks has to be run again, which the error says. progress,
// if not nil, is called with the presses done and in all, never twice at once.
func Rebuild(ctx context.Context, log Log, to Beside, workers int, lg *slog.Logger, progress func(done, total int)) (Rebuilt, error) {
	var out Rebuilt
	if lg == nil {
		lg = slog.New(slog.DiscardHandler)
	}
	start, err := to.MaxPos(ctx)
	if err != nil {
		return out, err
	}
	revs, err := log.LatestRegistry(ctx)
	if err != nil {
		return out, err
	}
	presses, err := Resolve(revs)
	if err != nil {
		return out, err
	}
	if err := to.MakeBeside(ctx); err != nil {
		return out, err
	}
	if out, err = fillBeside(ctx, log, to, presses, max(1, workers), progress); err != nil {
		return out, err
	}
	if err := to.SwapBeside(ctx); err != nil {
		return out, fmt.Errorf("the projections may be half swapped, run the rebuild again: %w", err)
	}
	marks, err := changedSince(ctx, log, to, start, revs)
	if err == nil && len(marks) > 0 {
		err = to.MarkDirty(ctx, marks)
	}
	if err != nil {
		return out, fmt.Errorf("what arrived during the rebuild is not marked, run it again: %w", err)
	}
	lg.Info("projections rebuilt", "presses", out.Presses, "days", out.Days, "rows", out.Rows, "again", len(marks))
	return out, nil
}

// fillBeside folds all presses, some at once.
func fillBeside(ctx context.Context, log Log, to Beside, presses map[string]*timeline.Press, workers int, progress func(done, total int)) (Rebuilt, error) {
	done := make(chan Rebuilt, workers)
	g, work := errgroup.WithContext(ctx)
	g.SetLimit(workers)
	var out Rebuilt
	counted := make(chan struct{})
	go func() {
		defer close(counted)
		for r := range done {
			out.Presses, out.Days, out.Rows = out.Presses+r.Presses, out.Days+r.Days, out.Rows+r.Rows
			if progress != nil {
				progress(int(out.Presses), len(presses))
			}
		}
	}()
	for _, id := range slices.Sorted(maps.Keys(presses)) {
		if work.Err() != nil {
			break
		}
		g.Go(func() error {
			r, err := rebuildPress(work, log, to, presses[id])
			if err != nil {
				return fmt.Errorf("rebuild %s: %w", id, err)
			}
			done <- r
			return nil
		})
	}
	err := g.Wait()
	close(done)
	<-counted
	if err == nil {
		err = ctx.Err()
	}
	return out, err
}

func rebuildPress(ctx context.Context, log Log, to Beside, press *timeline.Press) (Rebuilt, error) {
	f, err := Load(ctx, log, nil, press, sinceEver)
	if err != nil || f == nil {
		return Rebuilt{Presses: 1}, err
	}
	rows, err := f.Run()
	if err != nil {
		return Rebuilt{}, err
	}
	if err := to.WriteBeside(ctx, rows, 1); err != nil {
		return Rebuilt{}, err
	}
	return Rebuilt{Presses: 1, Days: int64(len(rows.Days)), Rows: int64(count(rows))}, nil
}

// changedSince is what a log and a registry got since a rebuild began.
func changedSince(ctx context.Context, log Log, to Beside, start uint64, before []*pb.RegistryRevision) ([]Dirty, error) {
	marks, err := to.ArrivedAfter(ctx, start)
	if err != nil {
		return nil, err
	}
	now, err := log.LatestRegistry(ctx)
	if err != nil {
		return nil, err
	}
	old := map[string]*pb.RegistryRevision{}
	for _, r := range before {
		old[r.GetPlant().GetPlant()] = r
	}
	for _, r := range now {
		plant := r.GetPlant().GetPlant()
		if old[plant].GetRev() == r.GetRev() {
			continue
		}
		for press, from := range registry.DirtyFor(old[plant].GetPlant(), r.GetPlant()) {
			marks = append(marks, Dirty{Plant: plant, Press: press, From: from})
		}
	}
	return marks, nil
}
