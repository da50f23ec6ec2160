package main

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/ops"
	"github.com/downweb/downweb/services/ops/traces"
	"github.com/downweb/downweb/services/warehouse"
)

func (a *app) apiCommand() *cobra.Command {
	c := &cobra.Command{Use: "api", Short: "role: answers over gRPC, and in a browser", Args: exactly(0),
		Example: "  downweb api --grpc 127.0.0.1:7710 --nats nats://log:4222 --warehouse clickhouse://downweb@wh:9000 --password-file /run/secrets/wh"}
	load := a.settingFlags(c, "grpc", "http", "web", "nats", "keys-dir", "warehouse", "database", "password-file")
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		return a.role(c.Context(), "api", cfg, func(ctx context.Context, log *slog.Logger, ready func(string)) error {
			nc, js, err := openLog(ctx, cfg, "api", log)
			if err != nil {
				return err
			}
			defer nc.Close()
			db, err := openWarehouse(ctx, cfg, log)
			if err != nil {
				return err
			}
			defer db.Close()
			db.KeepDays(int(cfg.API.DayMemory))
			if err := restoreRegistry(ctx, js, db, log); err != nil { // before anybody can apply a document to an empty stream
				return err
			}
			health := &roleHealth{nc: nc, js: js, db: db, log: log}
			s := api.New(api.Config{Listen: cfg.API.GRPC, Version: programVersion(), Schema: warehouse.SchemaVersion(), Log: log}, apiDeps(db, nc, js, eventlog.NewBadges(badgeDir(cfg)), health.roles))
			s.RegisterMetrics(a.metrics)
			eventlog.RegisterConnMetrics(a.metrics)
			stopTraces, err := traces.Start(ctx, "api", programVersion(), log)
			if err != nil {
				return err
			}
			defer func() {
				last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
				defer cancel()
				stopTraces(last)
			}()
			sheets, err := eventlog.ServeSheets(ctx, nc, s.SheetFor)
			if err != nil {
				return err
			}
			defer func() { _ = sheets.Unsubscribe() }()
			g, ctx := errgroup.WithContext(ctx)
			g.Go(func() error { return s.Run(ctx) })
			if cfg.API.HTTP != "" {
				l := ops.NewListener(cfg.API.HTTP, health.ready, log)
				g.Go(func() error { return l.Run(ctx) })
			}
			if cfg.Web.Listen != "" {
				g.Go(func() error { return serveWeb(ctx, cfg, s, log) })
			}
			g.Go(func() error {
				select {
				case <-s.Ready():
					ready(s.Addr())
				case <-ctx.Done():
				}
				return nil
			})
			return g.Wait()
		})
	}
	return c
}

// roleHealth says how the parts are that the api sees.
type roleHealth struct {
	nc  *nats.Conn
	js  jetstream.JetStream
	db  *warehouse.DB
	log *slog.Logger
}

const healthTimeout = 2 * time.Second

func (h *roleHealth) eventLog() string {
	if !h.nc.IsConnected() {
		return "not reached"
	}
	return "ok"
}

func (h *roleHealth) warehouse(ctx context.Context) string {
	ctx, stop := context.WithTimeout(ctx, healthTimeout)
	defer stop()
	if err := h.db.Conn().Ping(ctx); err != nil {
		return "not reached"
	}
	return "ok"
}

// ingest asks who holds the lease.
func (h *roleHealth) ingest(ctx context.Context) string {
	ctx, stop := context.WithTimeout(ctx, healthTimeout)
	defer stop()
	holder, err := eventlog.NewLease(h.js, "ingest", "", 0, h.log).Holder(ctx)
	switch {
	case err != nil:
		return "not known: the event log does not answer"
	case holder == "":
		return "nobody holds the lease"
	}
	return "ok"
}

// roles lists the parts with their health, each asked at the same time.
func (h *roleHealth) roles() []*pb.RoleStatus {
	out := []*pb.RoleStatus{{Role: "api", Version: programVersion(), Health: "ok"}, {Role: "ingest"}, {Role: "log"}, {Role: "warehouse", Version: h.db.ServerVersion()}}
	var wait sync.WaitGroup
	wait.Go(func() { out[1].Health = h.ingest(context.Background()) })
	wait.Go(func() { out[2].Health, out[2].Version = h.eventLog(), h.nc.ConnectedServerVersion() })
	wait.Go(func() { out[3].Health = h.warehouse(context.Background()) })
	wait.Wait()
	return out
}

// ready says why the api cannot answer now.
func (h *roleHealth) ready() error {
	if w := h.warehouse(context.Background()); w != "ok" {
		return errors.New("warehouse " + w)
	}
	if l := h.eventLog(); l != "ok" {
		return errors.New("event log " + l)
	}
	return nil
}
