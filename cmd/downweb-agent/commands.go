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
	"runtime"
	"runtime/debug"
	"strconv"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/cmd/internal/mapcmd"
	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/agent/page"
	"github.com/downweb/downweb/services/eventlog/enrol"
	"github.com/downweb/downweb/services/ops"
)

type app struct {
	in              io.Reader
	out, err        io.Writer
	environ         []string
	dataDir, config string
}

func (a *app) root() *cobra.Command {
	c := a.runCommand("downweb-agent", "take events (JSON Lines) of presses into the log")
	c.Args = func(c *cobra.Command, args []string) error {
		if len(args) > 0 {
			return usagef("unknown command %q; see \"%s --help\"", args[0], c.CommandPath())
		}
		return nil
	}
	c.SilenceErrors, c.SilenceUsage = true, true
	c.CompletionOptions.HiddenDefaultCmd = true
	c.Example = "  downweb-agent --press rhein/p1 --source /var/spool/press --follow --nats nats://10.0.0.5:7712\n  downweb-agent check events.jsonl --press rhein/p1\n  downweb-agent status"
	f := c.PersistentFlags()
	f.StringVar(&a.dataDir, "data-dir", "", "data directory (default: the user's state directory /downweb/main)")
	f.StringVar(&a.config, "config", "", "config file (default: DATA-DIR/downweb.yaml)")
	c.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return usagef("%w; see \"%s --help\"", err, c.CommandPath())
	})
	c.AddCommand(a.runCommand("run", "take events (JSON Lines) into the log; done means stored in the warehouse"), a.checkCommand(), a.statusCommand(), a.enrolCommand(), a.versionCommand(),
		mapcmd.New(mapcmd.Program{Call: "downweb-agent", Out: a.out, Err: a.err, Usage: usagef, Quiet: errQuiet}))
	return c
}

func noArgs(c *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usagef("want \"%s\", got %d argument(s)", c.UseLine(), len(args))
	}
	return nil
}

// settings adds the flags that set keys, and a function that loads the config.
func (a *app) settings(c *cobra.Command, names ...string) func() (*config, error) {
	texts := map[string]string{
		"agent-name": "name of the agent and its spool", "spool-max": "largest spool, e.g. 2GiB",
		"page": "address of the sign-off page for the crew, e.g. 10.0.0.9:7730 (default: none)",
		"nats": "NATS server, nats://host:port (default: the one that runs in the data directory)", "keys-dir": "directory of the NATS passwords (default: DATA-DIR/keys)",
		"log-level": "debug, info, warn or error", "log-format": "text or json",
		"metrics": "loopback address of metrics, health and profiles (default: none)",
	}
	values := map[string]*string{}
	for _, name := range append(names, "log-level", "log-format", "metrics") {
		values[name] = c.Flags().String(name, "", texts[name])
	}
	return func() (*config, error) {
		given := map[string]string{}
		if a.dataDir != "" {
			given["data_dir"] = a.dataDir
		}
		for name, v := range values {
			if c.Flags().Changed(name) {
				given[flagKeys[name]] = *v
			}
		}
		return loadConfig(a.environ, a.config, given)
	}
}

func (a *app) runCommand(use, short string) *cobra.Command {
	var presses, sources []string
	var follow bool
	c := &cobra.Command{Use: use, Short: short, Args: noArgs}
	load := a.settings(c, "agent-name", "spool-max", "page", "nats", "keys-dir")
	c.RunE = func(c *cobra.Command, _ []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		if len(presses) > 0 {
			cfg.presses = presses
		}
		if len(sources) > 0 {
			cfg.sources = nil
			for _, path := range sources {
				cfg.sources = append(cfg.sources, agent.Source{Path: path, Follow: follow})
			}
		} else if follow {
			return usagef("--follow goes with --source")
		}
		if len(cfg.presses) == 0 {
			if i, err := enrol.Load(cfg.keysDir); err == nil {
				cfg.presses = i.Presses
			}
		}
		if len(cfg.presses) == 0 {
			return usagef("say which presses: --press plant/press, or agent.presses in the config")
		}
		if len(cfg.sources) == 0 && cfg.page == "" {
			return usagef("say what to read: --source FILE, DIR or -, or agent.sources in the config; or --page for sign-offs alone")
		}
		return a.run(c.Context(), cfg)
	}
	c.Flags().StringSliceVar(&presses, "press", nil, "plant/press served (may be repeated)")
	c.Flags().StringSliceVar(&sources, "source", nil, "file, directory, or - for stdin (may be repeated)")
	c.Flags().BoolVar(&follow, "follow", false, "go on reading what is added")
	return c
}

func (a *app) run(ctx context.Context, cfg *config) error {
	log, err := ops.Logger(a.err, cfg.level, cfg.logFormat, "agent")
	if err != nil {
		return err
	}
	running := filepath.Join(cfg.dataDir, "run")
	if err := os.MkdirAll(running, 0o700); err != nil {
		return fmt.Errorf("data directory: %w", err)
	}
	refused := 0
	ac := agent.Config{
		Name: cfg.name, Presses: cfg.presses, Sources: cfg.sources, SpoolDir: filepath.Join(cfg.dataDir, "spool"), SpoolMax: cfg.spoolMax,
		BadgeKeyDir: filepath.Join(cfg.keysDir, "badges"), FutureLimit: cfg.futureLimit, ByHand: cfg.page != "",
		Log:     slog.New(skipRefusals{log.Handler()}),
		Refused: func(r agent.Refusal) { refused++; _, _ = fmt.Fprintln(a.err, "refused "+oneLine(r.String())) },
	}
	if err := cfg.login(&ac); err != nil {
		return err
	}
	if err := ac.Validate(); err != nil {
		return usageError{err}
	}
	ag := agent.New(ac)
	outer := ctx
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	listening := make(chan struct{})
	if cfg.metrics == "" {
		close(listening)
	} else {
		m := ops.NewMetrics()
		ag.RegisterMetrics(m)
		go func() { defer close(listening); listen(ctx, cfg.metrics, m, ag, log) }()
	}
	served := make(chan error, 1)
	if cfg.page == "" {
		served <- nil
	} else {
		pages := page.New(page.Config{Listen: cfg.page, Presses: cfg.presses, Names: cfg.pageNames, Dir: filepath.Join(ac.SpoolDir, cfg.name+".page"), TextsDir: filepath.Join(cfg.dataDir, "texts"), Agent: ag, Log: log})
		go func() { served <- pages.Run(ctx); stop() }()
	}
	stopState := agent.KeepState(ctx, running, cfg.name, ag, log)
	log.Info("ready", "agent", cfg.name, "server", ac.URL)
	err = ag.Run(ctx)
	last := stopState()
	stop()
	<-listening
	if err = errors.Join(err, <-served); err != nil {
		return err
	}
	_, _ = fmt.Fprintf(a.err, "accepted %d, known already %d, refused %d\n", last.Accepted, last.Duplicates, last.Refused)
	if refused > 0 && outer.Err() == nil {
		return errQuiet
	}
	return nil
}

// listen gives health and metrics out until ctx ends; a port that is taken is
// tried again.
func listen(ctx context.Context, addr string, m *ops.Metrics, ag *agent.Agent, log *slog.Logger) {
	for ctx.Err() == nil {
		l := ops.NewListener(addr, ag.Ready, log).WithMetrics(m)
		bound := make(chan struct{})
		go func() {
			select {
			case at := <-l.Bound():
				log.Info("metrics", "at", "http://"+at+"/metrics")
			case <-bound:
			}
		}()
		err := l.Run(ctx)
		close(bound)
		if err != nil && ctx.Err() == nil {
			log.Error("metrics are not given out, trying again", "at", addr, "err", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(10 * time.Second):
		}
	}
}

// skipRefusals drops log records about refused lines, which are printed.
type skipRefusals struct{ slog.Handler }

func (h skipRefusals) Handle(ctx context.Context, r slog.Record) error {
	if r.Message == "line refused" || r.Message == "lines refused" {
		return nil
	}
	return h.Handler.Handle(ctx, r)
}

func (a *app) checkCommand() *cobra.Command {
	var presses []string
	c := &cobra.Command{Use: "check FILE", Short: "check a file of events without taking it in; - is stdin"}
	c.Args = func(c *cobra.Command, args []string) error {
		if len(args) != 1 {
			return usagef("want \"%s\", got %d argument(s)", c.UseLine(), len(args))
		}
		return nil
	}
	load := a.settings(c)
	c.RunE = func(_ *cobra.Command, args []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		if len(presses) == 0 {
			presses = cfg.presses
		}
		in := a.in
		if args[0] != "-" {
			f, err := os.Open(args[0])
			if err != nil {
				return err
			}
			defer func() { _ = f.Close() }()
			in = f
		}
		if len(presses) == 0 {
			text, err := io.ReadAll(in)
			if err != nil {
				return err
			}
			if presses = agent.PressesOf(text); len(presses) == 0 {
				return usagef("no line of %s names a press: give --press plant/press", args[0])
			}
			in = bytes.NewReader(text)
		}
		good, bad, err := agent.CheckFile(in, presses, func(line int, field, reason string) {
			if field != "" {
				field += ": "
			}
			_, _ = fmt.Fprintf(a.out, "%s:%d: %s%s\n", args[0], line, field, oneLine(reason))
		})
		if err != nil {
			return err
		}
		_, _ = fmt.Fprintf(a.err, "good lines %d, bad %d\n", good, bad)
		if bad > 0 {
			return errQuiet
		}
		return nil
	}
	c.Flags().StringSliceVar(&presses, "press", nil, "plant/press served (may be repeated; default: the presses that the lines name)")
	return c
}

func (a *app) statusCommand() *cobra.Command {
	format := "table"
	c := &cobra.Command{Use: "status", Short: "what the agents of this data directory have taken, sent and got confirmed", Args: noArgs}
	load := a.settings(c)
	c.RunE = func(*cobra.Command, []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		states, err := agent.ReadStates(filepath.Join(cfg.dataDir, "run"))
		switch {
		case err != nil:
			return err
		case format == "json":
			e := json.NewEncoder(a.out)
			e.SetIndent("", "  ")
			return e.Encode(states)
		case format != "table":
			return usagef("-o %s: want table or json", format)
		case len(states) == 0:
			return fmt.Errorf("no agent has run in %s", cfg.dataDir)
		}
		return printStates(a.out, states, time.Now())
	}
	c.Flags().StringVarP(&format, "output", "o", "table", "table or json")
	return c
}

func printStates(w io.Writer, states []agent.State, now time.Time) error {
	t := tabwriter.NewWriter(w, 0, 8, 2, ' ', tabwriter.AlignRight)
	for _, s := range states {
		how := "running, process " + strconv.Itoa(s.PID)
		switch st := s.Status; {
		case !s.Running:
			how = "ended " + now.Sub(s.Written).Round(time.Second).String() + " ago"
		case now.Sub(s.Written) > 5*time.Second:
			how = "silent for " + now.Sub(s.Written).Round(time.Second).String() + ": it is not running or hangs"
		case st.DeniedNow(now):
			how += ", REFUSED BY THE LOG SERVER: " + st.LastDenied
		case st.Full:
			how += ", SPOOL FULL: reading has stopped"
		case !st.Connected:
			how += ", waiting for the log server"
		case st.Unproven:
			how += ", holding new events back until the warehouse has answered"
		}
		if s.Status.ClockAlarm {
			how += ", CLOCK: the server's is " + s.Status.ClockOffset.Round(100*time.Millisecond).String() + " ahead"
		}
		st := s.Status
		_, _ = fmt.Fprintf(t, "agent %s: %s\n", s.Name, how)
		_, _ = fmt.Fprintf(t, "  accepted %d, known already %d, refused %d; spool %d of %d bytes; lost to damage %d\n", st.Accepted, st.Duplicates, st.Refused, st.SpoolBytes, st.SpoolMax, st.Lost)
		_, _ = fmt.Fprintln(t, "press\ttaken\tsent\tconfirmed\twaiting\t")
		for _, p := range st.Presses {
			_, _ = fmt.Fprintf(t, "%s\t%d\t%d\t%d\t%d\t\n", p.Press, p.Last, p.Published, p.Confirmed, p.Last-min(p.Last, p.Confirmed))
		}
		for _, m := range st.Machines {
			state := "told"
			if m.Why != "" {
				state = "NOT TOLD: " + m.Why
			}
			_, _ = fmt.Fprintf(t, "  machine of %s (%s): %s; samples %d, connections lost %d\n", m.Press, m.Kind, state, m.Samples, m.Lost)
		}
	}
	return t.Flush()
}

func (a *app) versionCommand() *cobra.Command {
	return &cobra.Command{Use: "version", Short: "the version of this program", Args: noArgs, RunE: func(*cobra.Command, []string) error {
		v := "devel"
		if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
			v = info.Main.Version
		}
		_, err := fmt.Fprintf(a.out, "downweb-agent %s (%s %s/%s)\n", v, runtime.Version(), runtime.GOOS, runtime.GOARCH)
		return err
	}}
}
