package study

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/downweb/downweb/analytics/stats"
)

// Trial is what assigning the windows at random showed. It rests on the
// assignment alone: under the null that a missed clean changes no run's waste,
// the assignments that the plan might have drawn are equally likely, whatever
// drives the waste (Fisher's randomisation test). The effect is the one for
// which that null, with the effect taken out of the runs that started not
// cleaned, is rejected least; its interval holds all effects that are not
// rejected (Rosenbaum, Observational Studies, 2002, section 2.4 and 5.3: the
// assignment as an instrument, so a crew that did not follow its schedule does
// not bias it). It needs that the schedule changes waste through this station's
// cleaning only.
type Trial struct {
	Station    string     `json:"station"`
	Refusal    string     `json:"refusal,omitempty"`
	Arms       []TrialArm `json:"arms,omitempty"`
	PressWeeks int        `json:"press_weeks"` // with a run
	Presses    int        `json:"presses"`
	Rows       int        `json:"rows"`
	Draws      int        `json:"draws"`
	// Share of runs that started not cleaned: after a window that the schedule
	// says to leave, and after one that it says to clean.
	LeftAsPlanned float64  `json:"left_as_planned"`
	LeftAnyway    float64  `json:"left_anyway"`
	P             float64  `json:"p"`                // of no effect at all, two-sided
	Beta          float64  `json:"beta"`             // log rate ratio of a run that started not cleaned
	BetaLow       float64  `json:"beta_low"`         // 1 − alpha interval
	BetaHigh      float64  `json:"beta_high"`        //
	Open          bool     `json:"open,omitempty"`   // the interval goes on beyond what was looked at (a ratio of e^±2)
	Mean          float64  `json:"mean_not_cleaned"` // m, runs that started not cleaned
	Effect        float64  `json:"effect"`           // m per run: Mean·(1 − exp(−Beta))
	Low           float64  `json:"low"`
	High          float64  `json:"high"`
	Detectable    float64  `json:"detectable"` // m, found by four of five such trials
	Sentences     []string `json:"sentences"`
}

// TrialArm is what one schedule came to.
type TrialArm struct {
	Every      int     `json:"every"`
	PressWeeks int     `json:"press_weeks"`
	Rows       int     `json:"rows"`
	NotCleaned float64 `json:"not_cleaned_share"`
	Waste      float64 `json:"mean_waste_m"`
}

const (
	trialReach    = 2.0 // log ratios looked at, each side
	trialFollowed = 0.2 // least difference in the share of not-cleaned runs between windows to leave and to clean
)

// trialWork is one trial under way.
type trialWork struct {
	s     *run
	unit  int
	rows  []int     // rows of the frame that belong to the trial
	cell  []int     // press-week of each of them
	nth   []int     // place of the window before each of them among its press-week's required ones, from 0
	draws [][]uint8 // schedule of each cell; the first is the plan
	use   []bool
	start []float64
}

// trial analyses the plan of the spec.
func (s *run) trial() {
	t := &Trial{Station: s.spec.Trial.Station, Draws: s.spec.Permutations}
	s.result.Trial = t
	w, refusal := s.newTrial(t)
	if refusal == "" {
		refusal = w.answer(t)
	}
	if refusal != "" {
		*t = Trial{Station: t.Station, Refusal: refusal, Arms: t.Arms, PressWeeks: t.PressWeeks, Presses: t.Presses, Rows: t.Rows}
		t.Sentences = []string{cannotAnswer("the trial has no answer: "+refusal, "a longer trial, or one whose schedules are followed")}
	}
	s.tick(s.spec.Permutations)
}

// newTrial finds the rows of the trial and counts what the schedules came to.
func (s *run) newTrial(t *Trial) (*trialWork, string) {
	f, plan := s.frame, s.spec.Trial
	w := &trialWork{s: s, unit: -1, use: make([]bool, len(f.rows))}
	for k, u := range s.units {
		if len(u.stations) == 1 && s.ds.Stations[u.stations[0]] == plan.Station {
			w.unit = k
		}
	}
	if w.unit < 0 {
		return nil, fmt.Sprintf("%s is not a station by itself in this data", plan.Station)
	}
	press, week := map[string]int{}, map[int32]int{}
	for i, p := range plan.Presses {
		press[p] = i
	}
	for i, m := range plan.Mondays {
		week[m] = i
	}
	cells := map[[2]int]int{}
	var at [][2]int
	var met []int // required windows of each press-week so far
	placed := s.windowPlaces(plan.Station)
	for i, r := range f.rows {
		p, ok := press[r.Press]
		m, in := week[r.Day-int32(r.Weekday()-1)]
		state := s.units[w.unit].state[i]
		if !ok || !in || !f.use[i] || state != Cleaned && state != NotCleaned {
			continue
		}
		c, seen := cells[[2]int{p, m}]
		if !seen {
			c = len(at)
			cells[[2]int{p, m}] = c
			at, met = append(at, [2]int{p, m}), append(met, 0)
		}
		nth := met[c]
		if placed != nil {
			nth = placed[r]
		}
		w.rows, w.cell, w.nth, w.use[i] = append(w.rows, i), append(w.cell, c), append(w.nth, nth), true
		met[c]++
	}
	schedule := map[int]uint8{}
	for k, n := range plan.Every {
		schedule[n] = uint8(k)
	}
	read := func(a [][]int) []uint8 {
		out := make([]uint8, len(at))
		for c, pm := range at {
			out[c] = schedule[a[pm[0]][pm[1]]]
		}
		return out
	}
	w.draws = make([][]uint8, s.spec.Permutations+1)
	w.draws[0] = read(plan.Assign(plan.Seed, 0))
	blocks := (s.spec.Permutations + drawBlock - 1) / drawBlock
	stats.Parallel(blocks, func(b int) {
		for j := b*drawBlock + 1; j <= min(s.spec.Permutations, (b+1)*drawBlock); j++ {
			w.draws[j] = read(plan.Assign(s.spec.Seed, uint64(j)))
		}
	})
	w.count(t, plan, at)
	if t.Presses < 2 || len(at) < 2*minTrialBlocks*len(plan.Every) {
		return nil, fmt.Sprintf("%d press-weeks on %d presses have usable runs, at least %d on 2 are needed", len(at), t.Presses, 2*minTrialBlocks*len(plan.Every))
	}
	for _, a := range t.Arms {
		if a.Rows == 0 {
			return nil, fmt.Sprintf("no run fell under the schedule of every %d windows", a.Every)
		}
	}
	if t.LeftAsPlanned-t.LeftAnyway < trialFollowed {
		return nil, fmt.Sprintf("the schedules were not followed: %.0f %% of the runs after a window to leave started not cleaned, and %.0f %% of those after a window to clean",
			100*t.LeftAsPlanned, 100*t.LeftAnyway)
	}
	return w, ""
}

// windowPlaces is the place of each row's window among the required ones of its press and week, from 0, over all rows of
// the data set: a run that the study leaves out had a window too, and the crew counted it. A row whose state is unknown
// had one. Before default-4 only the rows of the model were counted: nil.
func (s *run) windowPlaces(station string) map[*Row]int {
	if !s.variancePower() {
		return nil
	}
	at := slices.Index(s.ds.Stations, station)
	type pressWeek struct {
		press  string
		monday int32
	}
	met, out := map[pressWeek]int{}, make(map[*Row]int, len(s.ds.Rows))
	for i := range s.ds.Rows {
		r := &s.ds.Rows[i]
		if r.Stations[at].State == NotExposed {
			continue
		}
		week := pressWeek{r.Press, r.Day - int32(r.Weekday()-1)}
		out[r] = met[week]
		met[week]++
	}
	return out
}

// leaves is 1 where a schedule says to leave the window before row k, else 0:
// the first window of a press-week is cleaned under every schedule, so that no
// week starts with what the one before left.
func (w *trialWork) leaves(k, schedule int) int {
	if w.nth[k]%w.s.spec.Trial.Every[schedule] != 0 {
		return 1
	}
	return 0
}

// count fills what the schedules came to.
func (w *trialWork) count(t *Trial, plan *TrialPlan, at [][2]int) {
	f := w.s.frame
	t.Arms, t.PressWeeks, t.Rows = make([]TrialArm, len(plan.Every)), len(at), len(w.rows)
	seen := map[int]bool{}
	for c, pm := range at {
		seen[pm[0]] = true
		t.Arms[w.draws[0][c]].PressWeeks++
	}
	t.Presses = len(seen)
	var sum, n float64
	var rows, left [2]float64
	for k, i := range w.rows {
		own := w.draws[0][w.cell[k]]
		a, leave := &t.Arms[own], w.leaves(k, int(own))
		d := w.s.units[w.unit].d[i]
		a.Rows++
		a.Waste += f.waste[i]
		rows[leave]++
		left[leave] += d
		if d == 1 {
			a.NotCleaned++
			sum += f.waste[i]
			n++
		}
	}
	t.LeftAnyway, t.LeftAsPlanned = left[0]/max(1, rows[0]), left[1]/max(1, rows[1])
	for k := range t.Arms {
		a := &t.Arms[k]
		a.Every = plan.Every[k]
		if a.Rows > 0 {
			a.NotCleaned /= float64(a.Rows)
			a.Waste /= float64(a.Rows)
		}
	}
	if n > 0 {
		t.Mean = sum / n
	}
}

// scores returns, for a supposed log ratio and for each press-week and schedule,
// the waste above what the controls expect in the runs whose window that
// schedule leaves, once the supposed difference is taken out of the runs that
// started not cleaned. Under that supposition none of it depends on the assignment.
func (w *trialWork) scores(beta float64) ([]float64, error) {
	s, f := w.s, w.s.frame
	y := make([]float64, len(f.rows))
	for i := range y {
		y[i] = f.waste[i] * exp(-float64(beta*s.units[w.unit].d[i]))
	}
	lag := make([]float64, len(f.rows))
	for p := range f.presses {
		lo, hi := f.start[p], f.start[p+1]
		var sum float64
		for i := lo + 1; i < hi; i++ {
			lag[i] = stats.Log((y[i-1] + f.c) / f.km[i-1])
			sum += lag[i]
		}
		lag[lo] = sum / float64(hi-lo-1)
	}
	exposure := make([][]float64, len(s.units))
	for k := range s.units {
		if k != w.unit {
			exposure[k] = s.units[k].d
		}
	}
	d := design{y: y, use: w.use, exposure: exposure, noLag: true, start: w.start}
	if !s.spec.Controls.NoLaggedWaste {
		d.extra = [][]float64{lag}
	}
	m, err := s.fitModel(d)
	if err != nil {
		return nil, err
	}
	w.start = m.fit.Eta
	schedules := len(s.spec.Trial.Every)
	out := make([]float64, len(w.draws[0])*schedules)
	for k, i := range w.rows {
		for j := range schedules {
			if m.fit.Used[i] && w.leaves(k, j) == 1 {
				out[w.cell[k]*schedules+j] += y[i] - m.fit.Mu[i]
			}
		}
	}
	return out, nil
}

// test returns the statistic of the plan less its mean over all draws, its p,
// and the spread over the draws.
func (w *trialWork) test(beta float64) (t, p, sd float64, err error) {
	score, err := w.scores(beta)
	if err != nil {
		return 0, 0, 0, err
	}
	all, schedules := make([]float64, len(w.draws)), len(w.s.spec.Trial.Every)
	stats.Parallel((len(all)+drawBlock-1)/drawBlock, func(b int) {
		for j := b * drawBlock; j < min(len(all), (b+1)*drawBlock); j++ {
			var sum float64
			for c, k := range w.draws[j] {
				sum += score[c*schedules+int(k)]
			}
			all[j] = sum
		}
	})
	mean := stats.Sum(all) / float64(len(all))
	size, n := math.Abs(all[0]-mean), 0
	for _, v := range all {
		sd += float64((v - mean) * (v - mean))
		if math.Abs(v-mean) >= size-1e-9*(1+size) {
			n++
		}
	}
	return all[0] - mean, float64(n) / float64(len(all)), math.Sqrt(sd / float64(len(all))), nil
}

// answer fills the test, the effect and its interval.
func (w *trialWork) answer(t *Trial) string {
	failed := func(err error) string { return "the model of the trial failed: " + err.Error() }
	t0, p, sd, err := w.test(0)
	if err != nil {
		return failed(err)
	}
	t.P = p
	// More waste under the seldom schedule makes the statistic positive; taking
	// out a larger effect lowers it.
	above := func(beta float64) (bool, error) {
		x, _, _, err := w.test(beta)
		return x > 0, err
	}
	if t.Beta, _, err = cross(-trialReach, trialReach, above); err != nil {
		return failed(err)
	}
	step := t.Beta / 8
	if math.Abs(step) < 0.02 {
		step = 0.02
	}
	if t1, _, _, err := w.test(step); err == nil && t1 < t0 == (step > 0) && t1 != t0 {
		slope := math.Abs((t1 - t0) / step)
		t.Detectable = meters(t.Mean, (1.959964+0.841621)*sd/slope)
	}
	inside := func(beta float64) (bool, error) {
		_, p, _, err := w.test(beta)
		return p > w.s.spec.Alpha, err
	}
	var openHigh, openLow bool
	if t.BetaHigh, openHigh, err = cross(t.Beta, trialReach, inside); err != nil {
		return failed(err)
	}
	if t.BetaLow, openLow, err = cross(t.Beta, -trialReach, inside); err != nil {
		return failed(err)
	}
	t.Open = openHigh || openLow
	t.Effect, t.Low, t.High = meters(t.Mean, t.Beta), meters(t.Mean, t.BetaLow), meters(t.Mean, t.BetaHigh)
	t.Sentences = w.sentences(t)
	return ""
}

// cross finds where holds, true at from, turns false on the way to to, by
// halving; open: it holds at to still (or half way there, where the model does
// not converge farther out). What is false at from as well crosses
// there.
func cross(from, to float64, holds func(float64) (bool, error)) (at float64, open bool, err error) {
	ok, err := holds(to)
	for try := 0; errors.Is(err, stats.ErrNotConverged) && try < 4; try++ { // a supposed difference that no model follows
		to = (from + to) / 2
		ok, err = holds(to)
	}
	if err != nil || ok {
		return to, ok, err
	}
	for range 11 {
		mid := (from + to) / 2
		ok, err := holds(mid)
		if err != nil {
			return 0, false, err
		}
		if ok {
			from = mid
		} else {
			to = mid
		}
	}
	return (from + to) / 2, false, nil
}

// sentences of a trial: the only ones that may speak of an effect.
func (w *trialWork) sentences(t *Trial) (out []string) {
	level := 100 * (1 - w.s.spec.Alpha)
	where := fmt.Sprintf("schedules of %s were assigned at random over %d weeks of presses, on %d presses", t.Station, t.PressWeeks, t.Presses)
	if t.P <= w.s.spec.Alpha {
		word, e, lo, hi := "more", t.Effect, t.Low, t.High
		if e < 0 {
			word, e, lo, hi = "less", -e, -hi, -lo
		}
		out = append(out, fmt.Sprintf("A trial: %s. Its effect: a run that started with %s not cleaned wasted %s m %s (%s to %s m, %.4g %%; p %s) than it would have, had it started clean.",
			where, t.Station, Meters(e), word, Meters(lo), Meters(hi), level, pText(t.P)))
	} else {
		out = append(out, fmt.Sprintf("A trial: %s. No effect was seen (p %s); such a trial would usually have found %s m a run or more, and effects up to %s m are not ruled out.",
			where, pText(t.P), Meters(t.Detectable), Meters(max(0, t.High))))
	}
	if t.Open {
		out = append(out, "The interval goes on beyond what was looked at.")
	}
	for _, a := range t.Arms {
		out = append(out, fmt.Sprintf("Every %d windows: %d weeks of presses, %d runs, %.0f %% of them started not cleaned, %s m wasted a run.",
			a.Every, a.PressWeeks, a.Rows, 100*a.NotCleaned, Meters(a.Waste)))
	}
	return append(out, "The trial speaks for these presses, these weeks and these schedules. It needs that the schedule changed the waste through this station's cleaning only.")
}

func pText(p float64) string {
	if p < 0.0001 {
		return "below 0.0001"
	}
	return fmt.Sprintf("%.4f", p)
}
