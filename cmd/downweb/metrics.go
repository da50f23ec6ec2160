package main

import (
	"context"
	"log/slog"
	"net"
	"strconv"
	"sync/atomic"
	"time"

	"github.com/downweb/downweb/services/ops"
)

// metricsPorts are the ports of the processes of one installation, counted from metrics.listen.
var metricsPorts = map[string]int{"engine": 0, "nats": 1, "ingest": 2, "api": 3, "agent": 4}

// metricsAddr is where a role gives its metrics out, empty for nowhere: metrics.listen itself, under a supervisor a
// port of its own counted from it. Port 0 takes a free one.
func (c *Config) metricsAddr(role string) string {
	host, port, err := net.SplitHostPort(c.Metrics.Listen)
	n, _ := strconv.Atoi(port)
	if err != nil || n == 0 || !supervised(c.environ) {
		return c.Metrics.Listen
	}
	return net.JoinHostPort(host, strconv.Itoa(n+metricsPorts[role]))
}

// giveMetrics listens until ctx ends. A port that is taken is tried again: what a role does is worth more than
// what it tells of it.
func giveMetrics(ctx context.Context, addr string, m *ops.Metrics, ready func() error, log *slog.Logger) {
	for ctx.Err() == nil {
		l := ops.NewListener(addr, ready, log).WithMetrics(m)
		go func() {
			select {
			case at := <-l.Bound():
				log.Info("metrics", "at", "http://"+at+"/metrics")
			case <-ctx.Done():
			}
		}()
		if err := l.Run(ctx); err != nil && ctx.Err() == nil {
			log.Error("metrics are not given out, trying again", "at", addr, "err", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(10 * time.Second):
		}
	}
}

// startedFlag is ready once it is set.
type startedFlag struct{ atomic.Bool }

func (s *startedFlag) ready() error {
	if !s.Load() {
		return errStarting
	}
	return nil
}
