package ingest

import (
	"context"
	"fmt"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// registry copies revisions of the registry into the warehouse and marks dirty what they change, until ctx ends.
func (in *Ingest) registry(ctx context.Context) error {
	var rev uint64
	plants := map[string]*pb.Plant{}
	err := in.retry(ctx, "read the registry", func(ctx context.Context) error {
		latest, err := in.wh.LatestRegistry(ctx)
		if err != nil {
			return err
		}
		for _, r := range latest {
			plants[r.GetPlant().GetPlant()] = r.GetPlant()
		}
		rev, err = in.wh.MaxRegistryRev(ctx)
		return err
	})
	if err != nil {
		return err
	}
	err = eventlog.WatchRevisions(ctx, in.deps.JS, rev, func(r *pb.RegistryRevision) error {
		if err := in.copyRevision(ctx, plants[r.GetPlant().GetPlant()], r); err != nil {
			return err
		}
		plants[r.GetPlant().GetPlant()] = r.GetPlant()
		return nil
	})
	if err != nil {
		return fmt.Errorf("copy the registry: %w", err)
	}
	return nil
}

func (in *Ingest) copyRevision(ctx context.Context, old *pb.Plant, r *pb.RegistryRevision) error {
	var dirty []Dirty
	if in.deps.DirtyFor != nil {
		for press, from := range in.deps.DirtyFor(old, r.GetPlant()) {
			dirty = append(dirty, Dirty{Plant: r.GetPlant().GetPlant(), Press: press, From: from})
		}
	}
	var done func()
	err := in.retry(ctx, "mark presses dirty", func(ctx context.Context) (err error) {
		done, err = in.wh.BeginDirty(ctx, dirty)
		return err
	})
	if err != nil {
		return err
	}
	defer done()
	if !eventlog.Held(ctx) { // whoever took over may have folded and cleared these marks already
		return errNotHeld
	}
	if err := in.retry(ctx, "copy a registry revision", func(ctx context.Context) error { return in.wh.InsertRegistry(ctx, r) }); err != nil {
		return err
	}
	in.metrics.Revisions.Add(1)
	in.log.Info("registry revision copied", "rev", r.GetRev(), "plant", r.GetPlant().GetPlant(), "presses", len(dirty))
	return nil
}
