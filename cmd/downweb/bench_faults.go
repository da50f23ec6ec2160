package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/warehouse/engine"
)

func (a *app) benchFaults() *cobra.Command {
	plan := faultPlan{}
	keep := ""
	c := &cobra.Command{Use: "faults", Short: "kill -9 the parts of a whole line while it streams; nothing may be lost or counted twice", Args: exactly(0),
		Long: "Starts two lines in a temporary directory: one is left in peace, the other's parts are killed at random moments while\n" +
			"the same simulated fleet is fed. Then every input line must be stored once and only once, which is computed from the\n" +
			"input files alone, and both lines must have the same projections. Exit code 1 if anything is lost or doubled.",
		Example: "  downweb bench faults --kills 200 --seed 1 -o json\n  downweb bench faults --kills 40 --pauses 4"}
	load := a.settingFlags(c, "engine-lib", "engine-memory")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if plan.Kills < 0 || plan.Pauses < 0 || plan.Weeks < 1 || plan.Gap <= 0 || plan.Bound <= 0 {
			return usagef("--kills and --pauses must not be negative; --weeks, --gap and --bound must be positive")
		}
		if !c.Flags().Changed("seed") {
			plan.Seed = uint64(time.Now().UnixNano())
		}
		own := *a
		own.environ = withoutSettings(a.environ) // this line is its own: no warehouse, log or agent of the user's
		a.environ = own.environ
		dir, err := os.MkdirTemp("", "downweb-faults-")
		if keep != "" {
			dir, err = keep, os.MkdirAll(keep, 0o700)
		} else {
			defer os.RemoveAll(dir)
		}
		if err != nil {
			return err
		}
		a.dataDir = dir // for load alone: each line has a directory in it
		cfg, err := load()
		if err != nil {
			return err
		}
		if _, err := locateEngine(cfg); err != nil {
			if cfg.Engine.Lib != "" {
				return err
			}
			if _, err := engine.Install(c.Context(), a.err); err != nil {
				return err
			}
		}
		fmt.Fprintf(a.err, "faults: seed %d, %d kills, %d pauses, data in %s\n", plan.Seed, plan.Kills, plan.Pauses, dir)
		bar := a.progress("faults")
		defer bar.done()
		report, err := a.runFaults(c.Context(), dir, cfg, plan, bar.say)
		bar.done()
		if report != nil {
			if err := report.print(a.out, a.format); err != nil {
				return err
			}
		}
		if err != nil {
			return err
		}
		if len(report.Broken) > 0 {
			return quietError
		}
		return nil
	}
	f := c.Flags()
	f.IntVar(&plan.Kills, "kills", 200, "how many times a part is killed")
	f.IntVar(&plan.Pauses, "pauses", 0, "how many times an ingest is stopped (SIGSTOP) for longer than its lease; a second ingest stands by")
	f.Uint64Var(&plan.Seed, "seed", 0, "seed of all chance (default: from the clock; printed)")
	f.IntVar(&plan.Weeks, "weeks", 1, "weeks of the simulated fleet that are fed")
	f.DurationVar(&plan.Gap, "gap", 600*time.Millisecond, "mean time between two kills")
	f.DurationVar(&plan.Bound, "bound", 3*time.Minute, "longest time in which the line must have settled once the kills are over")
	f.StringVar(&keep, "keep", "", "an empty directory to use and to leave (default: a temporary one)")
	a.outputFlag(c, "table", "json")
	return c
}

// withoutSettings is an environment without downweb's settings.
func withoutSettings(environ []string) []string {
	return slices.DeleteFunc(slices.Clone(environ), func(e string) bool {
		values, _, _ := envSettings([]string{e})
		return len(values) > 0
	})
}

// print writes the report as JSON or as a few lines.
func (r *faultReport) print(w io.Writer, format string) error {
	if format == "json" {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(r)
	}
	fmt.Fprintf(w, "kills %d, pauses %d, lost %d, doubled %d, %.1f s, seed %d\n", r.Kills, r.Pauses, r.Lost, r.Doubled, r.Seconds, r.Seed)
	fmt.Fprintf(w, "%s events fed; %s rows were stored again and count once; settled %.1f s after the last fault\n", grouped(r.Events), grouped(r.Repeats), r.ConvergedSeconds)
	g := newGrid("part", ">kills", ">recoveries")
	for _, role := range r.Roles {
		g.row(role.Role, grouped(int64(role.Kills)), grouped(int64(role.Recoveries)))
	}
	g.print(w)
	same := "equal to the undisturbed run's"
	if !r.ChecksumEqual {
		same = "NOT equal to the undisturbed run's " + r.ChecksumUndisturbed
	}
	fmt.Fprintf(w, "checksum %s, %s\n", r.Checksum, same)
	for _, b := range r.Broken {
		fmt.Fprintln(w, "BROKEN: "+b)
	}
	return nil
}
