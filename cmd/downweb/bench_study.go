package main

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/services/honesty"
)

// studyPlan is what `downweb bench study` does.
type studyPlan struct {
	Presses, Days, Stations int
	Draws, RDraws           int
	Repeats                 int
	Seed                    uint64
}

// Bars of an unhurried machine with two cores, for 100 presses, 365 days, 20 stations and 9,999 draws.
const (
	barStudySeconds = 3.0
	barStudyMiB     = 256.0
)

//go:embed bench_study.R
var studyInR string

// studyReport is what one run measured.
type studyReport struct {
	Presses       int               `json:"presses"`
	Days          int               `json:"days"`
	Stations      int               `json:"stations"`
	Lags          int               `json:"lags"`
	Draws         int               `json:"draws"`
	Rows          int               `json:"rows"`
	Repeats       int               `json:"repeats"`
	Test          studySeconds      `json:"test"` // the fit and the shift test of every station and lag
	Full          studySeconds      `json:"full"` // with every check, dose and grade
	BarSeconds    float64           `json:"bar_seconds"`
	RowsMiB       float64           `json:"rows_mib"` // largest resident memory once the rows stand, before the first study
	PeakMiB       float64           `json:"peak_mib"` // largest resident memory of the process, rows included
	BarMiB        float64           `json:"bar_mib"`
	R             *studyR           `json:"r,omitempty"`
	NoR           string            `json:"no_r,omitempty"`
	LoadBefore    float64           `json:"load_1m_before"`
	LoadAfter     float64           `json:"load_1m_after"`
	CPUs          int               `json:"cpus"`
	Versions      map[string]string `json:"versions"`
	Arrangement   string            `json:"arrangement"`
	DifferenceOfR float64           `json:"largest_difference_of_coefficients,omitempty"`
}

// studySeconds are the best and the middle of the repeats, and the CPU time of the middle one.
type studySeconds struct {
	Best   float64 `json:"best_s"`
	Median float64 `json:"median_s"`
	CPU    float64 `json:"cpu_s"`
}

// studyR is the same model and test in R, without plant-weeks and checks.
type studyR struct {
	Fit   float64   `json:"fit_s"`
	Table float64   `json:"table_s"`
	Shift float64   `json:"draws_s"` // of Draws draws
	Draws int       `json:"draws"`
	All   float64   `json:"all_s"` // fit, table and the draws scaled to those of the study
	Ratio float64   `json:"ratio"` // All to this program's time for the same model
	Own   float64   `json:"own_s"` // that time: best of the repeats, without plant-weeks
	Beta  []float64 `json:"beta"`
	From  string    `json:"version"`
}

const studyArrangement = "in this process, on simulated rows that stand in memory; R reads the same rows from a file, its reading not counted, and looks the shifts up in tables as this program does"

func (a *app) benchStudy() *cobra.Command {
	plan := studyPlan{}
	c := &cobra.Command{Use: "study", Short: "how fast a large study is, beside the same in R", Args: exactly(0),
		Long: "Runs the default study on simulated rows: once the fit and the shift test, once with every check. Where Rscript is\n" +
			"there, the same model and test are timed in R in the same run, on the same rows.",
		Example: "  downweb bench study -o json\n  downweb bench study --presses 20 --days 120"}
	c.RunE = func(c *cobra.Command, _ []string) error {
		if plan.Presses < 4 || plan.Presses > 2000 || plan.Days < 60 || plan.Days > 3650 || plan.Stations < 1 || plan.Stations > 100 || plan.Draws < 99 || plan.RDraws < 99 || plan.Repeats < 1 {
			return usagef("--presses must be 4 to 2000, --days 60 to 3650, --stations 1 to 100, --draws and --r-draws at least 99, --repeats at least 1")
		}
		bar := a.progress("bench study")
		defer bar.done()
		r, err := runStudyBench(c.Context(), plan, bar.say)
		if err != nil {
			return err
		}
		bar.done()
		return r.print(a.out, a.format)
	}
	f := c.Flags()
	f.IntVar(&plan.Presses, "presses", 100, "presses; the bars are for 100")
	f.IntVar(&plan.Days, "days", 365, "run days of each")
	f.IntVar(&plan.Stations, "stations", 20, "stations of each")
	f.IntVar(&plan.Draws, "draws", 9999, "shifts drawn")
	f.IntVar(&plan.RDraws, "r-draws", 999, "shifts drawn in R, scaled to --draws")
	f.IntVar(&plan.Repeats, "repeats", 3, "how often each is run")
	f.Uint64Var(&plan.Seed, "seed", 7, "seed of the rows")
	a.outputFlag(c, "table", "json")
	return c
}

func runStudyBench(ctx context.Context, plan studyPlan, say func(string)) (*studyReport, error) {
	r := &studyReport{Presses: plan.Presses, Days: plan.Days, Stations: plan.Stations, Draws: plan.Draws, Repeats: plan.Repeats, BarSeconds: barStudySeconds,
		BarMiB: barStudyMiB, CPUs: runtime.GOMAXPROCS(0), LoadBefore: machineLoad(), Arrangement: studyArrangement, Versions: map[string]string{"downweb": programVersion(), "go": runtime.Version()}}
	sim := honesty.Fleet{Seed: plan.Seed, Plants: max(1, min(9, plan.Presses/10)), Presses: plan.Presses, Days: plan.Days, Stations: plan.Stations, Effect: math.Log(1.2)}.Make()
	runtime.GC()
	_, rss := processUse(os.Getpid())
	r.RowsMiB, r.Rows = mib(rss), len(sim.Data.Rows)
	defer forStudy()() // as the api does
	spec := study.DefaultSpec()
	spec.Permutations, spec.SkipChecks, r.Lags = plan.Draws, true, spec.MaxLag+1
	var res *study.Result
	measure := func(what string, spec study.Spec) (out studySeconds, err error) {
		var took, cpu []float64
		for range plan.Repeats {
			if err := ctx.Err(); err != nil {
				return out, err
			}
			say(what)
			c0, _ := processUse(os.Getpid())
			start := time.Now()
			if res, err = study.Run(sim.Data, spec, nil); err != nil {
				return out, err
			}
			took = append(took, time.Since(start).Seconds())
			c1, _ := processUse(os.Getpid())
			cpu = append(cpu, (c1 - c0).Seconds())
		}
		if res.Refused != "" {
			return out, fmt.Errorf("the study answers nothing: %s", res.Refused)
		}
		return studySeconds{Best: percentile(took, 0), Median: percentile(took, 0.5), CPU: percentile(cpu, 0.5)}, nil
	}
	var err error
	if r.Test, err = measure("fit and shift test", spec); err != nil {
		return nil, err
	}
	spec.SkipChecks = false
	if r.Full, err = measure("with every check", spec); err != nil {
		return nil, err
	}
	_, rss = processUse(os.Getpid())
	r.PeakMiB = mib(rss)
	rscript, err := exec.LookPath("Rscript")
	if err != nil {
		r.NoR = "Rscript is not installed"
		r.LoadAfter = machineLoad()
		return r, nil
	}
	spec.SkipChecks, spec.Controls.NoPlantWeek = true, true
	own, err := measure("without plant-weeks", spec)
	if err != nil {
		return nil, err
	}
	say("the same in R")
	if r.R, err = inR(ctx, rscript, sim.Data, plan); err != nil {
		return nil, err
	}
	r.R.Own = own.Best
	r.R.All = r.R.Fit + r.R.Table + r.R.Shift*float64(plan.Draws)/float64(r.R.Draws)
	r.R.Ratio = r.R.All / own.Best
	r.Versions["R"] = r.R.From
	if len(r.R.Beta) != len(res.Findings) {
		return nil, fmt.Errorf("R has %d coefficients, the study %d stations", len(r.R.Beta), len(res.Findings))
	}
	for i, f := range res.Findings {
		if f.Waste != nil {
			r.DifferenceOfR = max(r.DifferenceOfR, math.Abs(f.Waste.Beta-r.R.Beta[i]))
		}
	}
	r.LoadAfter = machineLoad()
	return r, nil
}

// inR runs the script, fed by stdin, on the rows in a file.
func inR(ctx context.Context, rscript string, ds *study.DataSet, plan studyPlan) (*studyR, error) {
	dir, err := os.MkdirTemp("", "downweb-bench-study-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	file := filepath.Join(dir, "rows.csv")
	var rows bytes.Buffer
	if err := ds.WriteCSV(&rows); err != nil {
		return nil, err
	}
	if err := os.WriteFile(file, rows.Bytes(), 0o600); err != nil {
		return nil, err
	}
	var out, errs bytes.Buffer
	cmd := exec.CommandContext(ctx, rscript, "--vanilla", "-", file, strconv.Itoa(plan.RDraws))
	cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader([]byte(studyInR)), &out, &errs
	if err := cmd.Run(); err != nil {
		return nil, fmt.Errorf("R: %w: %s", err, oneLine(errs.String()))
	}
	r := &studyR{}
	if err := json.Unmarshal(out.Bytes(), r); err != nil {
		return nil, fmt.Errorf("R printed %q: %w", out.String(), err)
	}
	return r, nil
}

func (r *studyReport) print(w io.Writer, format string) error {
	if format == "json" {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(r)
	}
	verdict := func(v, bar float64) string {
		if v > bar {
			return "MISSED"
		}
		return "met"
	}
	g := newGrid("what", ">best", ">middle", ">CPU", ">bar", "")
	g.row("fit and shift test, s", number(r.Test.Best, 2), number(r.Test.Median, 2), number(r.Test.CPU, 2), "≤ "+number(r.BarSeconds, 0), verdict(r.Test.Best, r.BarSeconds))
	g.row("with every check, s", number(r.Full.Best, 2), number(r.Full.Median, 2), number(r.Full.CPU, 2), "", "")
	g.row("largest memory, MiB", number(r.PeakMiB, 0), "", "", "≤ "+number(r.BarMiB, 0), verdict(r.PeakMiB, r.BarMiB))
	g.print(w)
	if r.Presses != 100 || r.Days != 365 || r.Stations != 20 || r.Draws != 9999 {
		fmt.Fprintln(w, "The bars are for 100 presses, 365 days, 20 stations and 9,999 draws.")
	}
	if x := r.R; x != nil {
		wrapped(w, "", "  ", fmt.Sprintf("R %s, the same model without plant-weeks: fit %.2f s, tables %.2f s, %d draws %.2f s, so %.1f s for %d; this program %.2f s; ratio %.1f. Coefficients differ by at most %.1g.",
			x.From, x.Fit, x.Table, x.Draws, x.Shift, x.All, r.Draws, x.Own, x.Ratio, r.DifferenceOfR))
	} else {
		fmt.Fprintln(w, r.NoR)
	}
	wrapped(w, "", "  ", fmt.Sprintf("%d presses, %s rows, %d stations, %d lags, %d draws; %.0f MiB with the rows alone; %d CPUs, load %.1f to %.1f; %s", r.Presses, grouped(int64(r.Rows)), r.Stations, r.Lags, r.Draws,
		r.RowsMiB, r.CPUs, r.LoadBefore, r.LoadAfter, r.Arrangement))
	return nil
}
