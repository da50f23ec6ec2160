package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/projector"
	"github.com/downweb/downweb/services/warehouse"
)

func (a *app) rebuildCommand() *cobra.Command {
	workers := 2
	c := &cobra.Command{Use: "rebuild", Short: "make all projections anew from the log, beside the old ones, and swap them", Args: exactly(0),
		Long: "Folds the log of every press from its beginning into tables beside those that answer questions, and swaps them.\n" +
			"The line may run all the time; what arrives meanwhile is projected again. The checksum of \"status\" must not change.",
		Example: "  downweb rebuild\n  downweb rebuild --warehouse clickhouse://downweb@wh:9000 --password-file /run/secrets/wh"}
	load := a.settingFlags(c, "warehouse", "database", "password-file")
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		if workers < 1 {
			return usagef("--workers %d: want at least 1", workers)
		}
		log, err := ops.Logger(a.err, cfg.Log.Level, cfg.Log.Format, "rebuild")
		if err != nil {
			return err
		}
		db, err := openWarehouse(c.Context(), cfg, log)
		if err != nil {
			return err
		}
		defer db.Close()
		bar := a.progress("rebuild")
		defer bar.done()
		defer forRebuild()()
		r, err := projector.Rebuild(c.Context(), db, newBesideStore(db), workers, nil, func(done, total int) {
			bar.say(fmt.Sprintf("%d of %d presses", done, total))
		})
		if err != nil {
			return err
		}
		bar.finish(fmt.Sprintf("%s presses, %s press-days, %s rows", grouped(r.Presses), grouped(r.Days), grouped(r.Rows)))
		return nil
	}
	c.Flags().IntVar(&workers, "workers", 2, "presses folded at once")
	return c
}

// besideStore is the warehouse as the place where one rebuild puts its rows.
type besideStore struct {
	*warehouse.DB
	set warehouse.ProjectionSet
}

func newBesideStore(db *warehouse.DB) besideStore { return besideStore{db, warehouse.NewBeside()} }

func (s besideStore) MakeBeside(ctx context.Context) error { return s.DB.MakeBeside(ctx, s.set) }

func (s besideStore) SwapBeside(ctx context.Context) error {
	if !eventlog.Held(ctx) { // under a lease that ended while this process slept
		return errors.New("another has taken over")
	}
	return s.DB.SwapBeside(ctx, s.set)
}

func (s besideStore) MaxPos(ctx context.Context) (uint64, error) { return s.StoredPos(ctx) }

func (s besideStore) WriteBeside(ctx context.Context, rows timeline.Projections, ver uint64) error {
	return s.DB.WriteProjections(ctx, s.set, rows, timeline.Projections{}, ver)
}

func (s besideStore) ArrivedAfter(ctx context.Context, pos uint64) ([]projector.Dirty, error) {
	list, err := s.DB.ArrivedAfter(ctx, pos)
	out := make([]projector.Dirty, len(list))
	for i, d := range list {
		out[i] = projector.Dirty{Plant: d.Plant, Press: d.Press, From: d.From}
	}
	return out, err
}

func (s besideStore) MarkDirty(ctx context.Context, marks []projector.Dirty) error {
	out := make([]warehouse.Dirty, len(marks))
	for i, m := range marks {
		out[i] = warehouse.Dirty{Plant: m.Plant, Press: m.Press, From: m.From}
	}
	return s.DB.MarkDirty(ctx, out)
}
