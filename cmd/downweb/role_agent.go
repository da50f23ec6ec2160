package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"github.com/downweb/downweb/cmd/internal/mapcmd"
	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/agent/page"
	"github.com/downweb/downweb/services/eventlog/enrol"
)

func (a *app) agentCommand() *cobra.Command {
	run := a.agentRun("run", "take events (JSON Lines) into the log; done means stored in the warehouse")
	c := a.agentRun("agent", "role: take events (JSON Lines) of presses into the log")
	c.Example = "  downweb agent --press rhein/p1 --source events.jsonl\n  downweb agent run --press rhein/p1 --source /var/spool/press --follow\n  downweb agent check events.jsonl --press rhein/p1\n  downweb agent status"
	c.AddCommand(run, a.agentCheck(), a.agentStatus(), mapcmd.New(mapcmd.Program{Call: "downweb agent", Out: a.out, Err: a.err, Usage: usagef, Quiet: quietError}))
	return c
}

func (a *app) agentRun(use, short string) *cobra.Command {
	var presses, sources []string
	var follow, live bool
	var sim string
	c := &cobra.Command{Use: use, Short: short, Args: exactly(0)}
	path := "downweb agent"
	if use != "agent" {
		path += " " + use
	}
	c.Example = "  " + path + " --press linden/p1 --page 10.0.0.9:7730\n  " + path + " --press linden/p1 --source events.ndjson --follow"
	if use == "agent" {
		c.Args = func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usagef("unknown command %q; see \"%s --help\"", args[0], c.CommandPath())
			}
			return nil
		}
	}
	load := a.settingFlags(c, "agent-name", "spool-max", "page", "nats", "keys-dir")
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		if len(presses) > 0 {
			cfg.Agent.Presses = presses
		}
		if len(sources) > 0 {
			cfg.Agent.Sources = nil
			for _, path := range sources {
				cfg.Agent.Sources = append(cfg.Agent.Sources, Source{Path: path, Follow: follow})
			}
		} else if follow {
			return usagef("--follow goes with --source")
		}
		if err := cfg.Validate(); err != nil {
			return usageError{err}
		}
		if sim != "" {
			return a.agentSim(c.Context(), cfg, sim, live)
		}
		if len(cfg.Agent.Presses) == 0 {
			return usagef("say which presses: --press plant/press, or agent.presses in the config")
		}
		if len(cfg.Agent.Sources) == 0 && cfg.Agent.Page == "" {
			return usagef("say what to read: --source FILE, DIR or -, or agent.sources in the config; or --page for sign-offs alone")
		}
		var in []agent.Source
		for _, s := range cfg.Agent.Sources {
			in = append(in, agent.Source{Path: s.Path, Follow: s.Follow, Machine: s.Machine})
		}
		refused := 0
		err = a.role(c.Context(), "agent", cfg, func(ctx context.Context, log *slog.Logger, ready func(string)) error {
			ac, err := agentConfig(cfg, log, in...)
			if err != nil {
				return err
			}
			if !supervised(a.environ) { // by hand: every refusal on stderr, one line each, and no log of the same
				ac.Log = slog.New(skipRefusals{log.Handler()})
				ac.Refused = func(r agent.Refusal) { refused++; fmt.Fprintln(a.err, "refused "+oneLine(r.String())) }
			}
			ready(cfg.Agent.Name)
			ac.ByHand = cfg.Agent.Page != ""
			ag := agent.New(ac)
			ag.RegisterMetrics(a.metrics)
			stop := agent.KeepState(ctx, dataDir(cfg.DataDir).run(), cfg.Agent.Name, ag, log)
			g, gctx := errgroup.WithContext(ctx)
			g.Go(func() error { return ag.Run(gctx) })
			if cfg.Agent.Page != "" {
				pages := page.New(page.Config{Listen: cfg.Agent.Page, Presses: cfg.Agent.Presses, Names: cfg.Agent.PageNames, Dir: filepath.Join(ac.SpoolDir, cfg.Agent.Name+".page"),
					TextsDir: filepath.Join(cfg.DataDir, "texts"), Agent: ag, Log: log})
				g.Go(func() error { return pages.Run(gctx) })
			}
			err = g.Wait()
			last := stop()
			if err != nil {
				return err
			}
			if supervised(a.environ) { // a source without follow has ended: stay, so as not to be started again
				<-ctx.Done()
				return nil
			}
			fmt.Fprintf(a.err, "accepted %s, known already %s, refused %s\n", grouped(int64(last.Accepted)), grouped(int64(last.Duplicates)), grouped(int64(last.Refused)))
			return nil
		})
		if err == nil && refused > 0 && c.Context().Err() == nil {
			return quietError
		}
		return err
	}
	c.Flags().StringSliceVar(&presses, "press", nil, "plant/press served (may be repeated)")
	c.Flags().StringSliceVar(&sources, "source", nil, "file, directory, or - for stdin (may be repeated)")
	c.Flags().BoolVar(&follow, "follow", false, "go on reading what is added")
	c.Flags().StringVar(&sim, "sim", "", "SEED,DAY: read the simulated fleet")
	c.Flags().BoolVar(&live, "live", false, "with --sim: go on after DAY, once run/live is there")
	c.Flags().MarkHidden("sim")
	c.Flags().MarkHidden("live")
	return c
}

// skipRefusals drops the agent's log records about refused lines, which are printed by themselves.
type skipRefusals struct{ slog.Handler }

func (h skipRefusals) Handle(ctx context.Context, r slog.Record) error {
	if r.Message == "line refused" || r.Message == "lines refused" {
		return nil
	}
	return h.Handler.Handle(ctx, r)
}

// agentConfig is the agent's part of the config.
func agentConfig(cfg *Config, log *slog.Logger, sources ...agent.Source) (agent.Config, error) {
	d := dataDir(cfg.DataDir)
	if err := d.make(); err != nil {
		return agent.Config{}, err
	}
	ac := agent.Config{Name: cfg.Agent.Name, Presses: cfg.Agent.Presses, Sources: sources, SpoolDir: filepath.Dir(d.spool(cfg.Agent.Name)), SpoolMax: cfg.Agent.SpoolMax,
		BadgeKeyDir: badgeDir(cfg), FutureLimit: cfg.Ingest.FutureLimit, Log: log}
	var err error
	if ac.URL, err = cfg.natsURL(); err != nil {
		return ac, err
	}
	if ac.TLS, err = cfg.logTLS(ac.URL); err != nil {
		return ac, err
	}
	i, err := enrol.Load(cfg.keysDir())
	switch {
	case err == nil:
		ac.Seed = []byte(i.Seed)
		if cfg.NATS.URL == "" && i.Server != "" {
			ac.URL, ac.TLS = i.Server, i.TLS()
		} else if len(i.Pins) > 0 && cfg.NATS.TLS.CA == "" {
			ac.TLS.Pins = i.Pins
		}
	case errors.Is(err, os.ErrNotExist):
		if ac.Password, err = password(cfg.keysDir(), keyPress); err != nil {
			return ac, err
		}
	default:
		return ac, err
	}
	return ac, nil
}

// badgeDir holds the keys that badges are made into pseudonyms with; agents and api of a plant share it.
func badgeDir(cfg *Config) string { return filepath.Join(cfg.keysDir(), "badges") }

// agentState is what an agent leaves in run/agent-NAME.json for `agent status`.
type agentState = agent.State

func (d dataDir) agentState(name string) string { return agent.StateFile(d.run(), name) }

// pressesOf lists the presses that JSON Lines name.
var pressesOf = agent.PressesOf

func (a *app) agentCheck() *cobra.Command {
	var presses []string
	c := &cobra.Command{Use: "check FILE", Short: "check a file of events without taking it in; - is stdin", Args: exactly(1),
		Example: "  downweb agent check events.ndjson"}
	load := a.settingFlags(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		if len(presses) == 0 {
			presses = cfg.Agent.Presses
		}
		in := a.in
		if args[0] != "-" {
			f, err := os.Open(args[0])
			if err != nil {
				return err
			}
			defer f.Close()
			in = f
		}
		if len(presses) == 0 {
			if in, presses, err = namedPresses(in); err != nil {
				return err
			}
			if len(presses) == 0 {
				return usagef("no line of %s names a press: give --press plant/press", args[0])
			}
		}
		accepted, rejected, err := agent.CheckFile(in, presses, func(line int, field, reason string) {
			if field != "" {
				field += ": "
			}
			fmt.Fprintf(a.out, "%s:%d: %s%s\n", args[0], line, field, oneLine(reason))
		})
		if err != nil {
			return err
		}
		fmt.Fprintf(a.err, "%s good, %s bad\n", plural(int64(accepted), "line is", "lines are"), grouped(int64(rejected)))
		if rejected > 0 {
			return quietError
		}
		return nil
	}
	c.Flags().StringSliceVar(&presses, "press", nil, "plant/press served (may be repeated; default: the presses that the lines name)")
	return c
}

// namedPresses reads all lines and lists the presses that they name.
func namedPresses(in io.Reader) (again io.Reader, presses []string, err error) {
	text, err := io.ReadAll(in)
	if err != nil {
		return nil, nil, err
	}
	presses = pressesOf(text)
	return bytes.NewReader(text), presses, nil
}

func (a *app) agentStatus() *cobra.Command {
	c := &cobra.Command{Use: "status", Short: "what the agents of this data directory have taken, sent and got confirmed", Args: exactly(0), Example: "  downweb agent status"}
	load := a.settingFlags(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		states, err := agent.ReadStates(dataDir(cfg.DataDir).run())
		if err != nil {
			return err
		}
		if a.format == "json" {
			e := json.NewEncoder(a.out)
			e.SetIndent("", "  ")
			return e.Encode(states)
		}
		if len(states) == 0 {
			return fmt.Errorf("no agent has run in %s", cfg.DataDir)
		}
		printAgents(a.out, states, time.Now())
		return nil
	}
	a.outputFlag(c, "table", "json")
	return c
}

func printAgents(w io.Writer, states []agentState, now time.Time) {
	for _, s := range states {
		how := "running, process " + strconv.Itoa(s.PID)
		switch {
		case !s.Running:
			how = "ended " + age(now.Sub(s.Written)) + " ago"
		case now.Sub(s.Written) > 5*time.Second:
			how = "silent for " + age(now.Sub(s.Written)) + ": it is not running or hangs"
		case !s.Status.Connected:
			how += ", waiting for the log server"
		}
		if s.Status.DeniedNow(now) {
			how += ", REFUSED BY THE LOG SERVER: " + s.Status.LastDenied
		}
		if s.Status.Full {
			how += ", SPOOL FULL: reading has stopped"
		}
		if s.Status.Unproven {
			how += ", holding new events back until the warehouse has answered"
		}
		if s.Status.OldCopy {
			how += ", THE SPOOL IS AN OLDER COPY: a new epoch is about to begin"
		}
		if s.Status.ClockAlarm {
			how += ", CLOCK: the server's is " + s.Status.ClockOffset.Round(100*time.Millisecond).String() + " ahead"
		}
		fmt.Fprintf(w, "agent %s: %s\n", s.Name, how)
		st := s.Status
		wrapped(w, "  ", "    ", fmt.Sprintf("lines accepted %s, known already %s, refused %s since its start; spool %s of %s MB; publishes tried again %s; events lost to damage %s",
			grouped(int64(st.Accepted)), grouped(int64(st.Duplicates)), grouped(int64(st.Refused)), number(float64(st.SpoolBytes)/1e6, 1), number(float64(st.SpoolMax)/1e6, 0), grouped(int64(st.Retries)), grouped(int64(st.Lost))))
		g := newGrid("press", ">taken", ">sent", ">confirmed", ">waiting")
		for _, p := range st.Presses {
			g.row(p.Press, grouped(int64(p.Last)), grouped(int64(p.Published)), grouped(int64(p.Confirmed)), grouped(int64(p.Last-min(p.Last, p.Confirmed))))
		}
		if len(st.Presses) > 0 {
			g.print(w)
		}
	}
}
