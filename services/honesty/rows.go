package honesty

import (
	"fmt"
	"math"

	"github.com/downweb/downweb/analytics/study"
)

// Rule says how a measure is judged.
type Rule int

const (
	// Shown is not judged.
	Shown Rule = iota
	// Covers: a 95 % interval. Fails when the exact binomial test rejects 95 %
	// at 1 %, on either side.
	Covers
	// CoversAtLeast: as Covers, but too wide is no failure.
	CoversAtLeast
	// CallsFalsely: a 5 % error. Fails when the exact binomial test rejects 5 %
	// at 1 %, above.
	CallsFalsely
	// FalseShare: a mean of shares, 10 % at most. Fails when it lies more than
	// 2.58 standard errors above.
	FalseShare
	// MustFail: an error that cannot be kept and has to be seen. Fails when the
	// exact binomial test does not reject 5 % at 1 %, above.
	MustFail
	// MustExceed15: an error of more than 15 % that has to be seen.
	MustExceed15
	// MustFire: a check that has to see it, in half of the fleets at least.
	MustFire
)

// Measure is one column of a row.
type Measure struct {
	Key  string
	Text string // what is counted, for the table
	Rule Rule
}

// Row is one scenario.
type Row struct {
	Name     string
	What     string // the scenario, in one line
	Fleet    Fleet
	Measures []Measure
	ask      func(f Fleet) (Outcome, error)
}

// Outcome is the answer to one fleet: what was so, and numbers to average. A
// key that is absent could not be asked.
type Outcome struct {
	Yes    map[string]bool
	Number map[string]float64
}

// Ask draws fleet n of the row, n from 1, and asks the study about it.
func (r *Row) Ask(n int) (Outcome, error) {
	f := r.Fleet
	f.Seed = uint64(n)
	o, err := r.ask(f)
	if err != nil {
		return o, fmt.Errorf("%s, fleet %d: %w", r.Name, n, err)
	}
	return o, nil
}

const alpha = 0.05

// spec is the default study with fewer shifts: 999 keep the level exact.
func spec(shifts int) study.Spec {
	s := study.DefaultSpec()
	s.Permutations, s.SkipChecks, s.Alpha = shifts, true, alpha
	return s
}

func bare() study.Controls {
	return study.Controls{NoTrend: true, NoWeekday: true, NoLogKM: true, NoLaggedWaste: true, NoJobMix: true, NoPlantWeek: true}
}

// usual is the fleet of the rows that do not say otherwise.
func usual(presses int) Fleet {
	return Fleet{Plants: max(1, presses/6), Presses: presses, Days: 130, Stations: 8}
}

var (
	planted = Measure{"planted", "95 % interval holds the planted ratio", Covers}
	meters  = Measure{"meters", "95 % interval for other presses holds the planted meters", CoversAtLeast}
	nothing = Measure{"nothing", "95 % interval of a station without a difference holds 0", Covers}
	level   = Measure{"level", "shift test calls a station without a difference (5 %)", CallsFalsely}
	family  = Measure{"family", "max-T calls any station without a difference (5 %)", CallsFalsely}
	bh      = Measure{"bh", "share of cells called falsely on the map (q ≤ 10 %)", FalseShare}
	found   = Measure{"found", "planted difference called (max-T, 5 %)", Shown}
)

// Rows are the scenarios, in the order of the table.
func Rows() []Row {
	rows := []Row{}
	for _, g := range []int{4, 6, 12, 30} {
		f := usual(g)
		f.Effect = math.Log(1.5)
		rows = append(rows, Row{Name: fmt.Sprintf("presses-%d", g), Fleet: f, ask: askPlanted,
			What:     fmt.Sprintf("%d presses, a ratio of 1.5 planted at one of 8 stations", g),
			Measures: []Measure{planted, meters, nothing, level, family, bh, found}})
	}
	mix := usual(12)
	mix.Mix = 2
	rows = append(rows, Row{Name: "job-mix", Fleet: mix, ask: askMix,
		What: "the job mix moves waste and skips alike, no difference planted",
		Measures: []Measure{nothing, level, family,
			{"bare level", "without controls: shift test calls a station", MustExceed15},
			{"bare nothing", "without controls: interval leaves 0 out", Shown}}})
	back := usual(12)
	back.Feedback, back.Lasting = -1.5, 0.5
	rows = append(rows, Row{Name: "feedback", Fleet: back, ask: askFeedback,
		What: "bad luck lasts for some runs and a bad run makes the crew clean, no difference planted",
		Measures: []Measure{nothing, level,
			{"bare level", "without lagged waste: shift test calls a station", MustFail},
			{"lead", "without lagged waste: the next window's state gives it away (p ≤ 10 %)", MustFire}}})
	day := usual(24)
	day.Plants, day.PlantDay = 1, 0.8
	rows = append(rows, Row{Name: "plant-day", Fleet: day, ask: askPlantDay,
		What: "presses of a plant share shocks of a day in waste and, apart from that, in skips; no difference planted",
		Measures: []Measure{
			{"level", "each press rotated by itself: shift test calls a station", MustFail},
			{"cross", "presses are seen to move together (correlation above 0.1)", MustFire},
			{"plant level", "plants rotated: shift test calls a station", CallsFalsely},
			{"not nothing", "95 % interval leaves 0 out", Shown}}})
	apart := usual(12)
	apart.Effect, apart.Apart = math.Log(1.5), 1
	rows = append(rows, Row{Name: "press-differences", Fleet: apart, ask: askPlanted,
		What:     "presses differ in waste by a factor of 3 up or down (one standard deviation), a ratio of 1.5 planted",
		Measures: []Measure{planted, meters, nothing, level, family, found}})
	wrong := usual(12)
	wrong.Effect, wrong.Wrong = math.Log(1.5), 0.2
	rows = append(rows, Row{Name: "wrong-sign-offs", Fleet: wrong, ask: askPlanted,
		What: "one sign-off in five says the opposite, a ratio of 1.5 planted: part of it is credited to other stations of the same sessions",
		Measures: []Measure{
			{"attenuation", "mean estimate as a share of the planted log ratio", Shown},
			{"planted", "95 % interval holds the planted ratio", Shown},
			{"nothing", "95 % interval of a station without a difference holds 0", Shown},
			{"level", "shift test calls a station without a difference", Shown},
			{"family", "max-T calls any station without a difference", Shown}, found}})
	wrong.Effect = 0
	rows = append(rows, Row{Name: "wrong-sign-offs-none", Fleet: wrong, ask: askNone,
		What:     "one sign-off in five says the opposite, no difference planted",
		Measures: []Measure{nothing, level, family}})
	shut := usual(12)
	shut.Effect, shut.Shutdown = math.Log(1.5), true
	rows = append(rows, Row{Name: "shut-down", Fleet: shut, ask: askPlanted,
		What:     "cleans are due at shut-down: busy days skip them, the next run starts dirty; a ratio of 1.5 planted",
		Measures: []Measure{planted, meters, nothing, level, family, found}})
	restart := usual(12)
	restart.RestartMM = 4000
	rows = append(rows, Row{Name: "restart-waste", Fleet: restart, ask: askRestart,
		What: "every clean wastes 4 m at the restart, no difference planted",
		Measures: []Measure{nothing, level, family,
			{"net", "net of restart waste the interval lies below 0 or holds it (never above)", CoversAtLeast},
			{"net meters", "mean net difference, m", Shown}}})
	trial := usual(12)
	trial.Effect, trial.Follow, trial.Stations = math.Log(1.4), 0.8, 3
	rows = append(rows, Row{Name: "trial", Fleet: trial, ask: askTrial,
		What: "schedules of one station assigned at random, followed at four windows in five, elsewhere a bad run is cleaned after; a ratio of 1.4 planted",
		Measures: []Measure{
			{"planted", "95 % interval of the trial holds the planted ratio", Covers},
			{"level", "no effect planted: the trial calls one (5 %)", CallsFalsely},
			{"found", "the planted effect is called", Shown},
			{"attenuation", "mean estimate as a share of the planted log ratio", Shown}}})
	return rows
}

// askTrial asks about a trial with the planted effect, and about the same one
// without.
func askTrial(f Fleet) (Outcome, error) {
	o := outcome()
	s := spec(499)
	s.MaxLag = 0
	sim := f.Make()
	s.Trial = sim.Plan
	r, err := study.Run(sim.Data, s, nil)
	if err != nil {
		return o, err
	}
	if t := r.Trial; t != nil && t.Refusal == "" {
		o.Yes["planted"] = t.BetaLow <= f.Effect && f.Effect <= t.BetaHigh
		o.Yes["found"] = t.P <= alpha
		o.Number["attenuation"] = t.Beta / f.Effect
	}
	f.Effect = 0
	sim = f.Make()
	if r, err = study.Run(sim.Data, s, nil); err != nil {
		return o, err
	}
	if t := r.Trial; t != nil && t.Refusal == "" {
		o.Yes["level"] = t.P <= alpha
	}
	return o, nil
}

// askPlanted asks about station 0, where the fleet plants, and the others.
func askPlanted(f Fleet) (Outcome, error) {
	sim := f.Make()
	r, err := study.Run(sim.Data, spec(999), nil)
	o := outcome()
	if err != nil || r.Refused != "" {
		return o, err
	}
	if e := r.Findings[0].Waste; e != nil {
		o.Yes["planted"] = e.BetaLow <= f.Effect && f.Effect <= e.BetaHigh
		o.Number["attenuation"] = e.Beta / f.Effect
		if extra, n := sim.extra(r); n > 0 {
			o.Yes["meters"] = e.OtherLow <= extra && extra <= e.OtherHigh
		}
		o.Yes["found"] = r.Findings[0].Test.Adjusted <= alpha
	}
	o.others(r, 1, "")
	var false_, called float64
	for _, c := range r.Map {
		if c.Q <= 0.10 {
			called++
			if c.Name != sim.Data.Stations[0] || c.Lag > 0 {
				false_++
			}
		}
	}
	o.Number["bh"] = false_ / max(1, called)
	return o, nil
}

func outcome() Outcome { return Outcome{Yes: map[string]bool{}, Number: map[string]float64{}} }

// others counts one station without a difference (first), and all from it on as
// a family.
func (o *Outcome) others(r *study.Result, first int, prefix string) {
	if x := &r.Findings[first]; x.Waste != nil {
		o.Yes[prefix+"nothing"] = x.Waste.BetaLow <= 0 && 0 <= x.Waste.BetaHigh
		o.Yes[prefix+"level"] = x.Test.P <= alpha
	}
	any, tested := false, false
	for i := range r.Findings[first:] {
		if t := r.Findings[first+i].Test; t != nil {
			tested = true
			any = any || t.Adjusted <= alpha
		}
	}
	if tested {
		o.Yes[prefix+"family"] = any
	}
}

// extra is the mean planted meters over the rows of the model that started with
// station 0 not cleaned.
func (s *Simulated) extra(r *study.Result) (mean float64, rows int) {
	seen, press := 0, ""
	for i := range s.Data.Rows {
		row := &s.Data.Rows[i]
		if row.Press != press {
			seen, press = 0, row.Press
		}
		if seen++; seen > r.Spec.MaxLag && row.Stations[0].State == study.NotCleaned {
			mean += s.Extra[i]
			rows++
		}
	}
	return mean / float64(max(1, rows)), rows
}

func askMix(f Fleet) (Outcome, error) {
	ds := f.Make().Data
	o := outcome()
	for prefix, controls := range map[string]study.Controls{"": {}, "bare ": bare()} {
		s := spec(999)
		s.Controls = controls
		r, err := study.Run(ds, s, nil)
		if err != nil || r.Refused != "" {
			return o, err
		}
		o.others(r, 0, prefix)
	}
	if v, ok := o.Yes["bare nothing"]; ok {
		o.Yes["bare nothing"] = !v
	}
	return o, nil
}

func askFeedback(f Fleet) (Outcome, error) {
	ds := f.Make().Data
	o := outcome()
	r, err := study.Run(ds, spec(999), nil)
	if err != nil || r.Refused != "" {
		return o, err
	}
	o.others(r, 0, "")
	s := spec(199)
	s.Controls.NoLaggedWaste, s.SkipChecks, s.Stations, s.MaxLag = true, false, ds.Stations[:2], 0
	if r, err = study.Run(ds, s, nil); err != nil || r.Refused != "" {
		return o, err
	}
	o.others(r, 0, "bare ")
	if c := r.Findings[0].Checks; c != nil && c.Lead != nil {
		o.Yes["lead"] = c.Lead.P <= 0.10
	}
	return o, nil
}

func askPlantDay(f Fleet) (Outcome, error) {
	ds := f.Make().Data
	o := outcome()
	for prefix, block := range map[string]study.Block{"": study.BlockPress, "plant ": study.BlockPlant} {
		s := spec(999)
		s.Block, s.MaxLag = block, 0
		r, err := study.Run(ds, s, nil)
		if err != nil || r.Refused != "" {
			return o, err
		}
		o.others(r, 0, prefix)
		o.Yes["cross"] = r.Rows.CrossPress > 0.1
	}
	if v, ok := o.Yes["nothing"]; ok {
		o.Yes["not nothing"] = !v
	}
	return o, nil
}

// askNone asks about a fleet without any difference.
func askNone(f Fleet) (Outcome, error) {
	r, err := study.Run(f.Make().Data, spec(999), nil)
	o := outcome()
	if err != nil || r.Refused != "" {
		return o, err
	}
	o.others(r, 0, "")
	return o, nil
}

func askRestart(f Fleet) (Outcome, error) {
	ds := f.Make().Data
	o := outcome()
	r, err := study.Run(ds, spec(999), nil)
	if err != nil || r.Refused != "" {
		return o, err
	}
	o.others(r, 0, "")
	s := spec(99)
	s.SkipChecks, s.MaxLag, s.Stations = false, 0, ds.Stations[:2]
	if r, err = study.Run(ds, s, nil); err != nil || r.Refused != "" {
		return o, err
	}
	if net := r.Findings[0].Secondary["net_waste"]; net != nil {
		o.Yes["net"] = net.Low <= 0
		o.Number["net meters"] = net.Difference
	}
	return o, nil
}
