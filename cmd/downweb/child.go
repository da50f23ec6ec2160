package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"

	"github.com/downweb/downweb/services/ops"
)

// supervisedVar says, in a child's environment, that a supervisor started it: its stdin is its lifeline and
// file 3 is where it says that it is ready.
const supervisedVar = "DOWNWEB_SUPERVISED"

func supervised(environ []string) bool { return lookup(environ, supervisedVar) == "1" }

// stopDeadline ends a child whose orderly stop takes too long, so that it never outlives its supervisor.
const stopDeadline = 25 * time.Second

var errStarting = errors.New("starting")

// role runs one role's work: by hand until a signal, supervised until stdin closes. The work calls ready once
// it can be used; detail is for the supervisor, e.g. the address that was taken.
func (a *app) role(ctx context.Context, name string, cfg *Config, work func(ctx context.Context, log *slog.Logger, ready func(detail string)) error) error {
	log, err := ops.Logger(a.err, cfg.Log.Level, cfg.Log.Format, name)
	if err != nil {
		return err
	}
	a.metrics = ops.NewMetrics()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var started startedFlag
	if addr := cfg.metricsAddr(name); addr != "" {
		go giveMetrics(ctx, addr, a.metrics, started.ready, log)
	}
	if !supervised(a.environ) {
		return work(ctx, log, func(detail string) {
			started.Store(true)
			log.Info("ready", "at", detail)
		})
	}
	ignorePipe()
	go func() {
		io.Copy(io.Discard, a.in)
		log.Info("stopping")
		stop()
		time.Sleep(stopDeadline)
		log.Error("the stop takes too long; leaving")
		os.Exit(1)
	}()
	pipe := os.NewFile(3, "ready")
	err = work(ctx, log, func(detail string) {
		started.Store(true)
		fmt.Fprintln(pipe, detail)
		pipe.Close()
	})
	if err != nil && ctx.Err() == nil {
		log.Error("ended", "err", err)
	}
	return err
}
