package main

import (
	"context"
	"log/slog"
	"time"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/ingest"
	"github.com/downweb/downweb/services/projector"
	"github.com/downweb/downweb/services/registry"
	"github.com/downweb/downweb/services/warehouse"
)

func (a *app) ingestCommand() *cobra.Command {
	c := &cobra.Command{Use: "ingest", Short: "role: frames from the log into the warehouse, and the projections beside it", Args: exactly(0),
		Example: "  downweb ingest --nats nats://log:4222 --warehouse clickhouse://downweb@wh:9000 --password-file /run/secrets/wh"}
	load := a.settingFlags(c, "nats", "keys-dir", "warehouse", "database", "password-file")
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		largeHeap()
		return a.role(c.Context(), "ingest", cfg, func(ctx context.Context, log *slog.Logger, ready func(string)) error {
			nc, js, err := openLog(ctx, cfg, "ingest", log)
			if err != nil {
				return err
			}
			defer nc.Close()
			db, err := openWarehouse(ctx, cfg, log)
			if err != nil {
				return err
			}
			defer db.Close()
			project := projector.New(projector.Config{Log: log}, db, liveStore{db})
			beside := func(ctx context.Context) error {
				if err := restoreRegistry(ctx, js, db, log); err != nil {
					return nil // ctx has ended
				}
				for {
					err := newRules(ctx, db, log)
					if err == nil {
						return project.Run(ctx)
					}
					log.Warn("making the projections anew failed, trying again", "error", err)
					select {
					case <-ctx.Done():
						return nil
					case <-time.After(5 * time.Second):
					}
				}
			}
			in := ingest.New(ingest.Config{BatchEvents: cfg.Ingest.BatchEvents, BatchWait: cfg.Ingest.BatchWait, FutureLimit: cfg.Ingest.FutureLimit, PastLimit: cfg.Ingest.PastLimit},
				ingest.Deps{NC: nc, JS: js, Warehouse: db, DirtyFor: registry.DirtyFor, Beside: beside, Log: log})
			in.RegisterMetrics(a.metrics)
			project.RegisterMetrics(a.metrics)
			db.RegisterMetrics(a.metrics)
			eventlog.RegisterConnMetrics(a.metrics)
			eventlog.RegisterLogMetrics(a.metrics, js, db.WarehouseID())
			ready(cfg.Warehouse.Database)
			go db.MindWrites(ctx, time.Minute)
			return in.Run(ctx)
		})
	}
	return c
}

// newRules rebuilds the projections when other accounting rules made them.
func newRules(ctx context.Context, db *warehouse.DB, log *slog.Logger) error {
	have, err := db.RulesVersion(ctx)
	if err != nil || have == projector.RulesVersion {
		return err
	}
	if have != 0 {
		log.Info("the accounting rules are new: all projections are made again", "from", have, "to", projector.RulesVersion)
		defer forRebuild()()
		if _, err := projector.Rebuild(ctx, db, newBesideStore(db), 2, log, nil); err != nil {
			return err
		}
	}
	return db.SetRulesVersion(ctx, projector.RulesVersion)
}
