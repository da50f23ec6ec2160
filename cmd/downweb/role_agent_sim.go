package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/fleetsim"
)

// simState is what the demo's agent tells of its feed, in run/sim.json.
type simState struct {
	Day   string `json:"day"`   // last production day begun
	Days  int    `json:"days"`  // days begun
	Of    int    `json:"of"`    // days in all
	Lines int64  `json:"lines"` // handed to the agent
	Done  bool   `json:"done"`  // the history is read, and every event of it is in the warehouse
}

func (d dataDir) simState() string { return filepath.Join(d.run(), "sim.json") }
func (d dataDir) live() string     { return filepath.Join(d.run(), "live") }
func (d dataDir) truth() string    { return filepath.Join(string(d), "truth.json") }

// liveSpeed is how many simulated seconds pass in one.
const liveSpeed = 60

// agentSim runs the agent over the simulated fleet: the history until all of it is confirmed, then, when the demo
// asks for it, the days that follow.
func (a *app) agentSim(ctx context.Context, cfg *Config, sim string, live bool) error {
	sc, err := parseSim(sim)
	if err != nil {
		return err
	}
	f, err := newFleet(sc)
	if err != nil {
		return err
	}
	cfg.Agent.Presses = nil
	for i := range f.Len() {
		cfg.Agent.Presses = append(cfg.Agent.Presses, f.Press(i))
	}
	return a.role(ctx, "agent", cfg, func(ctx context.Context, log *slog.Logger, ready func(string)) error {
		d := dataDir(cfg.DataDir)
		ready(sim)
		history := newHistory(ctx, f)
		err := a.runSim(ctx, cfg, log, "sim "+sim, history)
		if err != nil || ctx.Err() != nil {
			return err
		}
		truth, err := f.Truth()
		if err != nil {
			return err
		}
		if err := os.WriteFile(d.truth(), truth, 0o600); err != nil {
			return fmt.Errorf("truth: %w", err)
		}
		done := history.state(f)
		done.Done = true
		if err := writeJSON(d.simState(), done); err != nil {
			return fmt.Errorf("sim: %w", err)
		}
		for live {
			if _, err := os.Stat(d.live()); err == nil {
				return a.runSim(ctx, cfg, log, "live "+sim, newLive(ctx, f, liveSpeed))
			}
			select {
			case <-ctx.Done():
				return nil
			case <-time.After(200 * time.Millisecond):
			}
		}
		<-ctx.Done()
		return nil
	})
}

// runSim runs an agent over one feed, to its end or until ctx ends.
func (a *app) runSim(ctx context.Context, cfg *Config, log *slog.Logger, name string, feed *simFeed) error {
	ac, err := agentConfig(cfg, log, agent.Source{Reader: feed, Name: name})
	if err != nil {
		return err
	}
	ag := agent.New(ac)
	ag.RegisterMetrics(a.metrics)
	stop := agent.KeepState(ctx, dataDir(cfg.DataDir).run(), cfg.Agent.Name, ag, log)
	told := make(chan struct{})
	tell, end := context.WithCancel(ctx)
	go func() {
		defer close(told)
		for feed.live == nil {
			if err := writeJSON(dataDir(cfg.DataDir).simState(), feed.state(feed.fleet)); err != nil {
				log.Warn("sim: write its state", "err", err)
			}
			select {
			case <-tell.Done():
				return
			case <-time.After(250 * time.Millisecond):
			}
		}
	}()
	err = ag.Run(ctx)
	end()
	<-told
	stop()
	return err
}

// state of a history feed.
func (f *simFeed) state(of *fleet) simState {
	day := fleetsim.Day(f.day.Load())
	return simState{Day: day.String(), Days: max(0, int(day-of.First())+1), Of: int(of.Last()-of.First()) + 1, Lines: f.lines.Load()}
}
