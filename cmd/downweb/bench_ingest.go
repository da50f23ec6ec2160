package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/warehouse/engine"
)

// ingestPlan is what `downweb bench ingest` does.
type ingestPlan struct {
	Events, Presses int
	Seed            uint64
	Runs            int
	BareRows        int           // rows of one bare INSERT
	LagFor          time.Duration // length of the lag phase; 0: none
	LagRate         int           // events/s of the lag phase
	Profiles        string        // directory for profiles of the line's processes; empty: none
}

// ingestFigures are what one run measured.
type ingestFigures struct {
	EventsPerSecond     float64 `json:"events_per_second"`           // spool to queryable
	BareRowsPerSecond   float64 `json:"bare_insert_rows_per_second"` // decode and clickhouse-go column insert, back to back
	Ratio               float64 `json:"ratio"`                       // of the two
	StreamPerSecond     float64 `json:"jetstream_events_per_second"` // publishing full frames alone
	FramesPerSecond     float64 `json:"jetstream_frames_per_second"`
	LagP50              float64 `json:"lag_p50_ms"` // publish to visible in a query
	LagP99              float64 `json:"lag_p99_ms"`
	LagEventsPerSecond  float64 `json:"lag_events_per_second"`
	CPUPerEvent         float64 `json:"cpu_us_per_event"`      // of the line; 0 where this system does not tell
	BareCPUPerRow       float64 `json:"bare_cpu_us_per_row"`   // of the bare inserts, the engine's too
	RSS                 float64 `json:"rss_mib"`               // largest resident memory of the line's processes together
	EventsPerInsert     float64 `json:"events_per_insert"`     // in the line, on average
	LoadBefore          float64 `json:"load_1m_before"`        // the machine's load when the run began
	SpoolMiB            float64 `json:"spool_mib"`             // what the agent had to send
	BytesPerEvent       float64 `json:"frame_bytes_per_event"` // on the wire
	SecondsBare         float64 `json:"seconds_bare"`          // how long each phase took
	SecondsLine         float64 `json:"seconds_line"`
	IdentitiesDifferent int     `json:"identities_missing_or_doubled"` // must be 0
	BareFirst           bool    `json:"bare_first"`                    // order of the phases

	Processes []processFigures `json:"processes"`
}

// processFigures are one process's share of a run's line phase.
type processFigures struct {
	Role        string  `json:"role"`
	CPUPerEvent float64 `json:"cpu_us_per_event"`
	RSS         float64 `json:"rss_mib"` // largest
}

// ingestReport is the median of the runs, figure by figure (the ratio is the median of the runs' ratios).
type ingestReport struct {
	ingestFigures
	Events      int               `json:"events"`
	Presses     int               `json:"presses"`
	Seed        uint64            `json:"seed"`
	BatchEvents int               `json:"batch_events"`
	BareRows    int               `json:"bare_rows_per_insert"`
	Arrangement string            `json:"arrangement"`
	Versions    map[string]string `json:"versions"`
	CPUs        int               `json:"cpus"`
	Runs        []ingestFigures   `json:"runs"`
}

const benchArrangement = "engine, nats, ingest (with the projector in it) and agent are the program's own roles, each a process of its own, over loopback; the bench fills the spool before the clock starts and only asks the engine for a count while it runs"

func (a *app) benchIngest() *cobra.Command {
	plan := ingestPlan{}
	c := &cobra.Command{Use: "ingest", Short: "how fast events come from a filled spool into a query, against bare inserts of the same rows", Args: exactly(0),
		Long: "Runs a line of its own in a temporary directory and measures, in one run: bare clickhouse-go column inserts of the same\n" +
			"rows (decode and insert back to back, merges running), publishing to JetStream alone, the whole line from a filled spool\n" +
			"until a query counts every event, and the lag from publish to visible at a steady rate. Figures of a busy machine are\n" +
			"lower; compare the ratio, and repeat.",
		Example: "  downweb bench ingest -o json\n  downweb bench ingest --events 2000000 --presses 20 --runs 3 --seed 1"}
	load := a.settingFlags(c, "engine-lib", "engine-memory", "batch-events")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if plan.Events < 1000 || plan.Presses < 1 || plan.Events < plan.Presses || plan.Runs < 1 || plan.BareRows < 1000 || plan.LagRate < 100 || plan.LagFor < 0 {
			return usagef("--events must be at least 1000 and not below --presses; --presses and --runs at least 1; --bare-rows at least 1000; --lag-rate at least 100")
		}
		if plan.Events/plan.Presses > maxPressEvents {
			return usagef("--events: at most %s for each press", grouped(maxPressEvents))
		}
		a.environ = withoutSettings(a.environ) // this line is its own: no warehouse, log or agent of the user's
		report := &ingestReport{Events: plan.Events, Presses: plan.Presses, Seed: plan.Seed, BareRows: plan.BareRows, Arrangement: benchArrangement, CPUs: runtime.GOMAXPROCS(0)}
		root, err := os.MkdirTemp("", "downweb-bench-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(root)
		bar := a.progress("bench")
		defer bar.done()
		for n := range plan.Runs {
			a.dataDir = filepath.Join(root, fmt.Sprint(n))
			cfg, err := load()
			if err != nil {
				return err
			}
			if n == 0 {
				if err := installEngine(c.Context(), a.err, cfg); err != nil {
					return err
				}
			}
			b := &ingestBench{app: a, plan: plan, cfg: cfg, bareFirst: n%2 == 0, say: bar.say}
			fig, err := b.run(c.Context())
			if err != nil {
				return fmt.Errorf("run %d: %w", n+1, err)
			}
			report.Runs = append(report.Runs, *fig)
			report.BatchEvents, report.Versions = cfg.Ingest.BatchEvents, b.versions
			os.RemoveAll(a.dataDir)
		}
		bar.done()
		report.ingestFigures = medians(report.Runs)
		if err := report.print(a.out, a.format); err != nil {
			return err
		}
		if report.IdentitiesDifferent != 0 {
			return quietError
		}
		return nil
	}
	f := c.Flags()
	f.IntVar(&plan.Events, "events", 2_000_000, "events of a run")
	f.IntVar(&plan.Presses, "presses", 20, "presses they are of")
	f.Uint64Var(&plan.Seed, "seed", 1, "seed of the events")
	f.IntVar(&plan.Runs, "runs", 1, "runs, each with data of its own; printed is the median; every second run measures the line before the bare inserts")
	f.IntVar(&plan.BareRows, "bare-rows", 100_000, "rows of one bare INSERT")
	f.DurationVar(&plan.LagFor, "lag-for", 10*time.Second, "length of the lag phase; 0: none")
	f.IntVar(&plan.LagRate, "lag-rate", 10_000, "events/s of the lag phase")
	f.StringVar(&plan.Profiles, "profiles", "", "directory for CPU profiles of ingest, nats and agent while the line runs")
	a.outputFlag(c, "table", "json")
	return c
}

// installEngine installs the engine's library where none is named and none is there.
func installEngine(ctx context.Context, w io.Writer, cfg *Config) error {
	if _, err := locateEngine(cfg); err != nil {
		if cfg.Engine.Lib != "" {
			return err
		}
		if _, err := engine.Install(ctx, w); err != nil {
			return err
		}
	}
	return nil
}

// medians is the middle of the runs, figure by figure.
func medians(runs []ingestFigures) ingestFigures {
	mid := func(of func(*ingestFigures) float64) float64 {
		var v []float64
		for i := range runs {
			v = append(v, of(&runs[i]))
		}
		slices.Sort(v)
		return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
	}
	out := runs[len(runs)-1]
	for _, f := range []func(*ingestFigures) *float64{
		func(f *ingestFigures) *float64 { return &f.EventsPerSecond }, func(f *ingestFigures) *float64 { return &f.BareRowsPerSecond },
		func(f *ingestFigures) *float64 { return &f.Ratio }, func(f *ingestFigures) *float64 { return &f.StreamPerSecond },
		func(f *ingestFigures) *float64 { return &f.FramesPerSecond }, func(f *ingestFigures) *float64 { return &f.LagP50 },
		func(f *ingestFigures) *float64 { return &f.LagP99 }, func(f *ingestFigures) *float64 { return &f.LagEventsPerSecond },
		func(f *ingestFigures) *float64 { return &f.CPUPerEvent }, func(f *ingestFigures) *float64 { return &f.BareCPUPerRow },
		func(f *ingestFigures) *float64 { return &f.RSS }, func(f *ingestFigures) *float64 { return &f.EventsPerInsert },
		func(f *ingestFigures) *float64 { return &f.LoadBefore }, func(f *ingestFigures) *float64 { return &f.SpoolMiB },
		func(f *ingestFigures) *float64 { return &f.BytesPerEvent }, func(f *ingestFigures) *float64 { return &f.SecondsBare },
		func(f *ingestFigures) *float64 { return &f.SecondsLine },
	} {
		*f(&out) = mid(func(r *ingestFigures) float64 { return *f(r) })
	}
	out.Processes = nil
	for i, p := range runs[0].Processes {
		p.CPUPerEvent = mid(func(r *ingestFigures) float64 { return r.Processes[i].CPUPerEvent })
		p.RSS = mid(func(r *ingestFigures) float64 { return r.Processes[i].RSS })
		out.Processes = append(out.Processes, p)
	}
	for _, r := range runs {
		out.IdentitiesDifferent = max(out.IdentitiesDifferent, r.IdentitiesDifferent)
	}
	return out
}

// Bars of an unhurried machine with two shared cores.
const (
	barEvents = 200_000.0 // events/s
	barRatio  = 0.5
	barLagMs  = 2000.0 // p99
)

func (r *ingestReport) print(w io.Writer, format string) error {
	if format == "json" {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(r)
	}
	n := func(v float64) string { return grouped(int64(v)) }
	g := newGrid("figure", ">measured", ">bar", "")
	bar := func(name, have, want string, ok bool) {
		verdict := "met"
		if !ok {
			verdict = "MISSED"
		}
		g.row(name, have, want, verdict)
	}
	bar("spool to queryable, events/s", n(r.EventsPerSecond), "≥ "+n(barEvents), r.EventsPerSecond >= barEvents)
	g.row("bare inserts, rows/s", n(r.BareRowsPerSecond), "", "")
	bar("ratio", number(r.Ratio, 2), "≥ "+number(barRatio, 2), r.Ratio >= barRatio)
	if r.LagEventsPerSecond > 0 {
		bar("lag p99, ms", number(r.LagP99, 0), "≤ "+n(barLagMs), r.LagP99 <= barLagMs)
		g.row("lag p50, ms", number(r.LagP50, 0), "", "")
		g.row("at events/s", n(r.LagEventsPerSecond), "", "")
	}
	g.row("JetStream alone, events/s", n(r.StreamPerSecond), "", "")
	g.row("CPU of the line, µs/event", number(r.CPUPerEvent, 2), "", "")
	g.row("CPU of bare inserts, µs/row", number(r.BareCPUPerRow, 2), "", "")
	g.row("memory of the line, MiB", number(r.RSS, 0), "", "")
	g.row("events of one INSERT", n(r.EventsPerInsert), "", "")
	g.print(w)
	p := newGrid("process", ">CPU µs/event", ">memory MiB")
	for _, f := range r.Processes {
		p.row(f.Role, number(f.CPUPerEvent, 2), number(f.RSS, 0))
	}
	p.print(w)
	var versions []string
	for name, v := range r.Versions {
		versions = append(versions, name+" "+v)
	}
	slices.Sort(versions)
	wrapped(w, "", "", fmt.Sprintf("%s events of %d presses, seed %d, %s; batches of %s events, %s rows a bare INSERT; %d CPUs, load %.1f before; %s; identities missing or doubled: %d",
		grouped(int64(r.Events)), r.Presses, r.Seed, plural(int64(len(r.Runs)), "run", "runs"), grouped(int64(r.BatchEvents)), grouped(int64(r.BareRows)), r.CPUs, r.LoadBefore, strings.Join(versions, ", "), r.IdentitiesDifferent))
	wrapped(w, "", "", r.Arrangement)
	return nil
}
