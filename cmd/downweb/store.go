package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/projector"
	"github.com/downweb/downweb/services/warehouse"
)

// openWarehouse opens the warehouse of a role and waits for one that is down. What waiting cannot mend (an old
// server, a newer schema, a wrong password) is returned.
func openWarehouse(ctx context.Context, cfg *Config, log *slog.Logger) (*warehouse.DB, error) {
	said := false
	for wait := 50 * time.Millisecond; ; wait = min(2*wait, 2*time.Second) {
		dsn, err := cfg.warehouseDSN()
		if err != nil && !supervised(cfg.environ) {
			return nil, err
		}
		var db *warehouse.DB
		if err == nil {
			if db, err = warehouse.Open(ctx, warehouse.Config{DSN: dsn, Database: cfg.Warehouse.Database, Log: log}); err == nil {
				return db, nil
			}
			if !down(err) {
				return nil, err
			}
		}
		if !said {
			log.Info("waiting for the warehouse", "err", err)
			said = true
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(wait):
		}
	}
}

// down says whether an error is of a server that cannot be reached, or not yet.
func down(err error) bool {
	var n net.Error
	return errors.As(err, &n) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, net.ErrClosed)
}

// openLog connects to the event log as the core user and makes sure that its streams are there.
func openLog(ctx context.Context, cfg *Config, name string, log *slog.Logger) (*nats.Conn, jetstream.JetStream, error) {
	secret, err := password(cfg.keysDir(), keyCore)
	if err != nil {
		return nil, nil, err
	}
	url, err := cfg.natsURL()
	if err != nil {
		return nil, nil, err
	}
	secure, err := cfg.logTLS(url)
	if err != nil {
		return nil, nil, err
	}
	nc, err := eventlog.ConnectCore(ctx, url, secret, name, log, eventlog.WithTLS(secure))
	if err != nil {
		return nil, nil, err
	}
	js, err := jetstream.New(nc)
	if err != nil {
		nc.Close()
		return nil, nil, fmt.Errorf("event log: %w", err)
	}
	for wait := 50 * time.Millisecond; ; wait = min(2*wait, 2*time.Second) {
		if err = eventlog.EnsureStreams(ctx, js, cfg.streams()); err == nil {
			return nc, js, nil
		}
		log.Warn("event log: the streams cannot be made yet", "err", err)
		select {
		case <-ctx.Done():
			nc.Close()
			return nil, nil, ctx.Err()
		case <-time.After(wait):
		}
	}
}

// liveStore is the warehouse as the projector's Store: the projections that are served.
type liveStore struct{ *warehouse.DB }

func (s liveStore) TakeDirty(ctx context.Context) ([]projector.Dirty, error) {
	list, err := s.DB.TakeDirty(ctx)
	out := make([]projector.Dirty, len(list))
	for i, d := range list {
		out[i] = projector.Dirty(d)
	}
	return out, err
}

func (s liveStore) LastDay(ctx context.Context, plant, press string) (timeline.Day, bool, error) {
	return s.DB.LastDay(ctx, warehouse.Live, plant, press)
}

func (s liveStore) ReadPressDay(ctx context.Context, plant, press string, d timeline.Day) (timeline.PressDay, bool, error) {
	return s.DB.ReadPressDay(ctx, warehouse.Live, plant, press, d)
}

func (s liveStore) ReadProjections(ctx context.Context, plant, press string, from timeline.Day) (timeline.Projections, uint64, error) {
	return s.DB.ReadProjections(ctx, warehouse.Live, plant, press, from)
}

func (s liveStore) WriteProjections(ctx context.Context, changed, gone timeline.Projections, ver uint64) error {
	return s.DB.WriteProjections(ctx, warehouse.Live, changed, gone, ver)
}
