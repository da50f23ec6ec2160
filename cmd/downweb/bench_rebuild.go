package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"runtime/pprof"
	"time"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/projector"
	"github.com/downweb/downweb/services/warehouse"
)

// rebuildPlan is what `downweb bench rebuild` does.
type rebuildPlan struct {
	Presses, Days  int
	Seed           uint64
	Repeats, Voids float64 // shares of events stored twice, of slices taken back
	Workers        int
	BatchRows      int
	Merge          bool // merge the parts of each month before, as time does
	Check          bool // project by the projector too and compare
	Profile        string
}

// Bars of an unhurried machine with two shared cores, for 52.6 million slices.
const (
	barRebuildSlices  = 52_560_000
	barRebuildSeconds = 120.0
	barRebuildMiB     = 4096.0
	barSliceBytes     = 10.0
)

// rebuildReport is what one run measured.
type rebuildReport struct {
	Presses    int     `json:"presses"`
	Days       int     `json:"days"`
	Seed       uint64  `json:"seed"`
	Workers    int     `json:"workers"`
	Events     int64   `json:"events"` // each counted once
	Slices     int64   `json:"slices"`
	Repeats    int64   `json:"stored_twice"`
	Voids      int64   `json:"voids"`
	StoredRows uint64  `json:"rows_in_log"` // when the rebuild began
	Parts      uint64  `json:"parts_of_log"`
	LoadBefore float64 `json:"load_1m_before"`
	LoadAfter  float64 `json:"load_1m_after"`

	Fill            benchCost `json:"fill"`
	EventsPerSecond float64   `json:"fill_events_per_second"`
	Bare            benchCost `json:"sql_sums"` // the baseline: sums by press, day and state in one statement, once
	Rebuild         benchCost `json:"rebuild"`
	RebuiltDays     int64     `json:"press_days"`
	Rows            int64     `json:"projection_rows"`
	RebuildRate     float64   `json:"rebuild_events_per_second"`
	CPUPerEvent     float64   `json:"rebuild_cpu_us_per_event"` // both processes
	Ratio           float64   `json:"rebuild_cpu_over_sql_sums"`

	// For the bar's 52.6 million slices: measured where the run has that many, else in proportion.
	Extrapolated   bool    `json:"extrapolated"`
	SecondsForBar  float64 `json:"seconds_for_52_6_million"`
	TwoCoreSeconds float64 `json:"cpu_bound_seconds_for_52_6_million_on_two_cores"` // CPU seconds by two, were nothing else running
	MemoryMiB      float64 `json:"rss_mib_both"`                                    // does not grow with presses: two are folded at a time
	BytesPerSlice  float64 `json:"bytes_per_slice"`                                 // the whole log by its slices, as stored when the rebuild began
	BytesMerged    float64 `json:"bytes_per_slice_merged"`

	ChecksumProjector map[string]string `json:"checksum_projector,omitempty"`
	ChecksumRebuild   map[string]string `json:"checksum_rebuild"`
	ChecksumEqual     *bool             `json:"checksum_equal,omitempty"`
	Projector         *benchCost        `json:"projector,omitempty"`

	Versions map[string]string `json:"versions"`
	CPUs     int               `json:"cpus"`
}

func (a *app) benchRebuild() *cobra.Command {
	plan := rebuildPlan{}
	c := &cobra.Command{Use: "rebuild", Short: "how fast all projections are made anew from the log, and how large the log is", Args: exactly(0),
		Long: "Fills a log of its own in a temporary directory with a slice a minute of presses that run round the clock, with the\n" +
			"usual share of sign-offs, notes, bookings, jobs, repeats and voids; then rebuilds, and compares the checksum with that\n" +
			"of the projector. The baseline of the same run is one SQL statement that sums the slices. The bar is for 100 presses and\n" +
			"365 days; smaller runs are extrapolated in proportion and say so. CPU seconds are the figure to compare on a busy machine.",
		Example: "  downweb bench rebuild -o json\n  downweb bench rebuild --presses 100 --days 365 --check=false"}
	load := a.settingFlags(c, "engine-lib", "engine-memory")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if plan.Presses < 1 || plan.Presses > 10_000 || plan.Days < 1 || plan.Days > 3650 || plan.Workers < 1 || plan.BatchRows < 1000 {
			return usagef("--presses must be 1 to 10000, --days 1 to 3650, --workers at least 1, --batch-rows at least 1000")
		}
		if plan.Repeats < 0 || plan.Repeats > 1 || plan.Voids < 0 || plan.Voids > 1 {
			return usagef("--repeats and --voids are shares: 0 to 1")
		}
		return a.withBenchEngine(c.Context(), load, func(e *benchEngine, say func(string)) error {
			r, err := runRebuildBench(c.Context(), e, plan, say)
			if err != nil {
				return err
			}
			if err := r.print(a.out, a.format); err != nil {
				return err
			}
			if r.ChecksumEqual != nil && !*r.ChecksumEqual {
				return quietError
			}
			return nil
		})
	}
	f := c.Flags()
	f.IntVar(&plan.Presses, "presses", 10, "presses; the bar is for 100")
	f.IntVar(&plan.Days, "days", 365, "days of each")
	f.Uint64Var(&plan.Seed, "seed", 1, "seed of the events")
	f.Float64Var(&plan.Repeats, "repeats", 0.05, "share of the events that are stored twice")
	f.Float64Var(&plan.Voids, "voids", 0.01, "share of the slices that are taken back, each by a void of its own, and recorded anew")
	f.IntVar(&plan.Workers, "workers", 2, "presses folded at once")
	f.IntVar(&plan.BatchRows, "batch-rows", 100_000, "rows of one INSERT of the filling")
	f.BoolVar(&plan.Merge, "merge", false, "merge the log before, as time does: repeats are then gone")
	f.BoolVar(&plan.Check, "check", true, "let the projector make the same rows before and compare checksums")
	f.StringVar(&plan.Profile, "profile", "", "file for a CPU profile of the rebuild")
	a.outputFlag(c, "table", "json")
	return c
}

// withBenchEngine gives f an engine over a temporary directory.
func (a *app) withBenchEngine(ctx context.Context, load func() (*Config, error), f func(e *benchEngine, say func(string)) error) error {
	a.environ = withoutSettings(a.environ) // this engine is its own: no warehouse of the user's
	root, err := os.MkdirTemp("", "downweb-bench-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(root)
	a.dataDir = filepath.Join(root, "d")
	cfg, err := load()
	if err != nil {
		return err
	}
	if err := installEngine(ctx, a.err, cfg); err != nil {
		return err
	}
	e, err := a.startBenchEngine(ctx, cfg)
	if err != nil {
		return err
	}
	defer e.stop()
	bar := a.progress("bench")
	defer bar.done()
	return f(e, bar.say)
}

// sqlSums is the baseline of a rebuild: what no accounting costs. Rows are read once, repeats removed.
const sqlSums = `SELECT sum(n), sum(ms), sum(mm) FROM (
SELECT plant, press, toDate(occurred_at) AS d, state, reason, station, job, count() AS n, sum(dur_ms) AS ms, sum(good_mm + waste_mm) AS mm
FROM events FINAL WHERE kind = 10 GROUP BY plant, press, d, state, reason, station, job)
SETTINGS do_not_merge_across_partitions_select_final = 1`

func runRebuildBench(ctx context.Context, e *benchEngine, plan rebuildPlan, say func(string)) (*rebuildReport, error) {
	r := &rebuildReport{Presses: plan.Presses, Days: plan.Days, Seed: plan.Seed, Workers: plan.Workers, CPUs: runtime.GOMAXPROCS(0), LoadBefore: machineLoad()}
	db, err := e.open(ctx, "downweb")
	if err != nil {
		return nil, err
	}
	defer db.Close()
	r.Versions = map[string]string{"downweb": programVersion(), "clickhouse": db.ServerVersion(), "go": runtime.Version()}
	m := e.mark()
	filled, err := fillLog(ctx, db, plan, say)
	if err != nil {
		return nil, fmt.Errorf("fill the log: %w", err)
	}
	r.Fill = m.use()
	r.Events, r.Slices, r.Repeats, r.Voids = filled.events, filled.slices, filled.repeats, filled.voids
	r.EventsPerSecond = float64(filled.events+filled.repeats) / r.Fill.Seconds
	if plan.Merge {
		say("merging")
		if err := db.Conn().Exec(ctx, "OPTIMIZE TABLE events FINAL"); err != nil {
			return nil, err
		}
	}
	var bytes uint64
	if r.StoredRows, bytes, r.Parts, err = tableSize(ctx, db, "events"); err != nil {
		return nil, err
	}
	r.BytesPerSlice = float64(bytes) / float64(r.Slices)

	say("summing in SQL")
	m = e.mark()
	var n uint64
	var ms, mm int64
	if err := db.Conn().QueryRow(ctx, sqlSums).Scan(&n, &ms, &mm); err != nil {
		return nil, fmt.Errorf("baseline: %w", err)
	}
	r.Bare = m.use()
	if n != uint64(r.Slices) {
		return nil, fmt.Errorf("baseline: %d slices are there, not %d", n, r.Slices)
	}
	if plan.Check {
		say("projecting")
		if err := db.MarkDirty(ctx, rebuildMarks(plan.Presses)); err != nil {
			return nil, err
		}
		p := projector.New(projector.Config{Workers: plan.Workers}, db, liveStore{db})
		m = e.mark()
		if folded, err := p.Once(ctx); err != nil || folded != plan.Presses {
			return nil, fmt.Errorf("project: %d of %d presses: %w", folded, plan.Presses, err)
		}
		cost := m.use()
		r.Projector = &cost
		if r.ChecksumProjector, err = db.Checksums(ctx); err != nil {
			return nil, err
		}
	}
	say("rebuilding")
	defer forRebuild()() // as `downweb rebuild` does
	if plan.Profile != "" {
		f, err := os.Create(plan.Profile)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		if err := pprof.StartCPUProfile(f); err != nil {
			return nil, err
		}
		defer pprof.StopCPUProfile()
	}
	m = e.mark()
	rebuilt, err := projector.Rebuild(ctx, db, newBesideStore(db), plan.Workers, nil, func(done, total int) {
		say(fmt.Sprintf("rebuilding: %d of %d presses", done, total))
	})
	if err != nil {
		return nil, err
	}
	r.Rebuild = m.use()
	if plan.Profile != "" {
		pprof.StopCPUProfile()
	}
	r.LoadAfter = machineLoad()
	r.RebuiltDays, r.Rows = rebuilt.Days, rebuilt.Rows
	cpu := r.Rebuild.CPUSelf + r.Rebuild.CPUEngine
	r.RebuildRate = float64(r.Events) / r.Rebuild.Seconds
	r.CPUPerEvent = cpu * 1e6 / float64(r.Events)
	if base := r.Bare.CPUSelf + r.Bare.CPUEngine; base > 0 {
		r.Ratio = cpu / base
	}
	scale := barRebuildSlices / float64(r.Slices)
	if r.Extrapolated = scale > 1.001; !r.Extrapolated {
		scale = 1
	}
	r.SecondsForBar, r.TwoCoreSeconds = r.Rebuild.Seconds*scale, cpu/2*scale
	r.MemoryMiB = r.Rebuild.RSSSelf + r.Rebuild.RSSEngine
	if r.ChecksumRebuild, err = db.Checksums(ctx); err != nil {
		return nil, err
	}
	if plan.Check {
		same := maps.Equal(r.ChecksumProjector, r.ChecksumRebuild)
		r.ChecksumEqual = &same
	}
	say("merging")
	if err := db.Conn().Exec(ctx, "OPTIMIZE TABLE events FINAL"); err != nil {
		return nil, err
	}
	if _, bytes, _, err = tableSize(ctx, db, "events"); err != nil {
		return nil, err
	}
	r.BytesMerged = float64(bytes) / float64(r.Slices)
	return r, nil
}

func rebuildMarks(presses int) []warehouse.Dirty {
	var out []warehouse.Dirty
	for i := range presses {
		out = append(out, warehouse.Dirty{Plant: benchPlant, Press: benchPress(i), From: -1 << 55})
	}
	return out
}

func (r *rebuildReport) print(w io.Writer, format string) error {
	if format == "json" {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(r)
	}
	g := newGrid("figure", ">measured", ">bar", "")
	bar := func(name string, have float64, digits int, limit float64) {
		verdict := "met"
		if have > limit {
			verdict = "MISSED"
		}
		g.row(name, number(have, digits), "≤ "+number(limit, 0), verdict)
	}
	what := "52.6 M slices, seconds"
	if r.Extrapolated {
		what += " (extrapolated)"
	}
	bar(what, r.SecondsForBar, 1, barRebuildSeconds)
	bar("the same if two cores did nothing else", r.TwoCoreSeconds, 1, barRebuildSeconds)
	bar("memory of both processes, MiB", r.MemoryMiB, 0, barRebuildMiB)
	bar("bytes per slice, as stored", r.BytesPerSlice, 2, barSliceBytes)
	bar("bytes per slice, merged", r.BytesMerged, 2, barSliceBytes)
	g.row("rebuild, seconds", number(r.Rebuild.Seconds, 1), "", "")
	g.row("events/s", grouped(int64(r.RebuildRate)), "", "")
	g.row("CPU, µs/event", number(r.CPUPerEvent, 2), "", "")
	g.row("CPU program, engine, seconds", number(r.Rebuild.CPUSelf, 1)+", "+number(r.Rebuild.CPUEngine, 1), "", "")
	g.row("memory program, engine, MiB", number(r.Rebuild.RSSSelf, 0)+", "+number(r.Rebuild.RSSEngine, 0), "", "")
	g.row("sums in one SQL statement, seconds", number(r.Bare.Seconds, 1), "", "")
	g.row("CPU against that", number(r.Ratio, 1), "", "")
	g.print(w)
	same := ""
	if r.ChecksumEqual != nil {
		same = "; checksums equal to the projector's"
		if !*r.ChecksumEqual {
			same = "; CHECKSUMS DIFFER from the projector's"
		}
	}
	fmt.Fprintf(w, "%s slices of %d presses, %s other events, %s stored twice, %s voids; %s press-days, %s rows%s; load %.1f to %.1f; %s\n",
		grouped(r.Slices), r.Presses, grouped(r.Events-r.Slices), grouped(r.Repeats), grouped(r.Voids), grouped(r.RebuiltDays), grouped(r.Rows), same, r.LoadBefore, r.LoadAfter, time.Now().UTC().Format(time.DateOnly))
	return nil
}
