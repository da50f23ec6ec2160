package study

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"

	"github.com/downweb/downweb/analytics/stats"
)

const (
	minNotCleaned  = 20 // not-cleaned rows a finding needs
	minInformative = 4  // presses with both states a finding needs
	fitWork        = 250
)

// run is one study under way.
type run struct {
	ds      *DataSet
	spec    Spec
	frame   *frame
	units   []unit
	effects stats.Effects
	logKM   []float64
	main    *model
	root    []float64   // √μ̂ per row of the main fit
	q       [][]float64 // per unit: residualised exposure × root; nil when not in the model
	layout  *shiftLayout
	result  *Result
	done    int
	total   int
	tell    func(done, total int)
	method  string

	controlsOnce sync.Once
	control      struct {
		names []string
		cols  [][]float64
		logKM int
	}
}

// lines2 reports whether the lines that default-2 adds are asked for.
func (s *run) lines2() bool { return s.method != "default-1" }

// Run answers the spec from the data set. progress, when not nil, is called
// with rising done ≤ total, never from two goroutines at once. A question the
// data cannot answer is a Result with a refusal; the error is for a spec or a
// data set that breaks its own rules.
func Run(ds *DataSet, spec Spec, progress func(done, total int)) (*Result, error) {
	return RunMethod(ds, spec, Method, progress)
}

// RunMethod is Run under the method that a kept result names.
func RunMethod(ds *DataSet, spec Spec, method string, progress func(done, total int)) (*Result, error) {
	s, err := begin(ds, spec, method, progress)
	if err != nil {
		return nil, err
	}
	if s.result.Refused != "" {
		return s.result, nil
	}
	s.tick(fitWork)
	s.describeModel()
	s.findings()
	s.test()
	if !spec.SkipChecks {
		s.check()
	}
	if spec.Trial != nil {
		s.trial()
	}
	s.conclude()
	s.tick(s.total - s.done)
	return s.result, nil
}

// begin selects rows and units and fits the main model; a data set that cannot
// answer leaves the reason in the result.
func begin(ds *DataSet, spec Spec, method string, progress func(done, total int)) (*run, error) {
	if !slices.Contains(methods, method) {
		return nil, fmt.Errorf("%w: method is %q, this program has %s", ErrSpec, method, strings.Join(methods, ", "))
	}
	if err := spec.Validate(); err != nil {
		return nil, err
	}
	if err := ds.Check(); err != nil {
		return nil, err
	}
	f, err := newFrame(ds, &spec)
	if err != nil {
		return nil, err
	}
	s := &run{ds: ds, spec: spec, frame: f, tell: progress, method: method,
		result: &Result{Method: method, Spec: spec, Data: ds.SHA256()}}
	s.describeRows()
	if len(f.presses) < 2 || len(f.stations) == 0 {
		s.refuse(fmt.Sprintf("%d presses and %d stations have usable rows; at least 2 presses and 1 station are needed",
			len(f.presses), len(f.stations)))
		return s, nil
	}
	s.effects = f.effects(&spec)
	s.logKM = make([]float64, len(f.rows))
	for i, km := range f.km {
		s.logKM[i] = stats.Log(km)
	}
	s.units, s.result.Overlaps = newUnits(ds, f)
	s.plan()
	s.main, err = s.fitModel(design{})
	if err == nil {
		err = s.cluster(s.main)
	}
	switch {
	case errors.Is(err, stats.ErrNotConverged):
		s.refuse("the model did not converge")
	case errors.Is(err, stats.ErrTooFew):
		s.refuse(err.Error())
	case err != nil:
		return nil, fmt.Errorf("study: %w", err)
	}
	return s, nil
}

// plan sets how much work there is.
func (s *run) plan() {
	s.total = fitWork + s.spec.Permutations
	if s.spec.Trial != nil {
		s.total += s.spec.Permutations
	}
	if !s.spec.SkipChecks {
		s.total += 2*s.spec.Permutations + fitWork*(len(s.units)+len(secondaryOutcomes)+5)
	}
}

func (s *run) tick(n int) {
	s.done += n
	if s.tell != nil && n > 0 {
		s.tell(s.done, s.total)
	}
}

func (s *run) refuse(reason string) {
	s.result.Refused = reason
	s.result.Summary = append([]string{cannotAnswer(reason, "more presses and days on record, or a planned schedule")}, always()...)
}

// describeRows fills what the selection says.
func (s *run) describeRows() {
	f := s.frame
	r := &s.result.Rows
	r.InDataSet, r.Kept, r.BurnIn, r.LeftOut = f.inData, len(f.rows), f.burnIn, f.leftRows
	s.result.LeftOut = f.leftOut
	var covered int64
	for _, row := range f.rows {
		covered += int64(row.CoveragePPM)
	}
	if len(f.rows) > 0 {
		r.Coverage = float64(covered) / 1e6 / float64(len(f.rows))
	}
	for p, name := range f.presses {
		x := Press{Press: name, Plant: f.plants[f.plantOf[p]], Rows: f.start[p+1] - f.start[p]}
		x.Shifts = x.Rows >= minShiftRows
		if x.Shifts {
			r.InShifts++
		}
		for i := f.start[p]; i < f.start[p+1]; i++ {
			x.Waste += f.waste[i]
			x.KM += f.km[i]
		}
		s.result.Presses = append(s.result.Presses, x)
	}
}

// describeModel fills what the main fit says beside the stations.
func (s *run) describeModel() {
	f, m := s.frame, s.main
	res := s.result
	res.Rows.Fitted, res.Rows.Separated = m.fit.N, m.fit.Separated
	kept := 0
	for _, d := range m.fit.Dropped {
		if !d {
			kept++
		}
	}
	mod := &Model{Absorbed: m.fit.Rank - kept, Iterations: m.fit.Iterations, Dispersion: m.fit.Dispersion,
		LagOffset: f.c, PlantWeeks: s.effects.Cell != nil, Trend: s.effects.Trend != nil, VariancePower: m.power}
	for j, name := range m.names {
		if m.fit.Dropped[j] {
			mod.Dropped = append(mod.Dropped, name)
			continue
		}
		if m.kinds[j] != "control" {
			continue
		}
		c := Coefficient{Name: name, Beta: m.fit.Beta[j], Low: m.fit.Beta[j], High: m.fit.Beta[j]}
		if se, err := m.se(j); err == nil {
			if t, err := stats.TQuantile(1-float64(s.spec.Alpha/2), se.DF); err == nil {
				half := float64(t * se.SE)
				c.Low, c.High = finiteOr(c.Beta-half), finiteOr(c.Beta+half)
			}
		}
		mod.Controls = append(mod.Controls, c)
	}
	res.Model = mod
	var waste []float64
	var sum float64
	for i, p := range f.press {
		if m.fit.Used[i] {
			res.Presses[p].Fitted++
			waste = append(waste, f.waste[i])
			sum += f.waste[i]
		}
	}
	slices.Sort(waste)
	for _, w := range waste[len(waste)-topRows(len(waste)):] {
		res.Rows.TopShare += w / sum
	}
	res.Rows.CrossPress, res.Rows.Pairs = s.crossPress()
	s.root = make([]float64, len(f.rows))
	for i, mu := range m.fit.Mu {
		s.root[i] = math.Sqrt(mu)
	}
}

// topRows is 1 % of n, at least one.
func topRows(n int) int { return max(1, (n+99)/100) }

// crossPress is the mean correlation of Pearson residuals between presses of a
// plant on the same day, over pairs with at least 20 common days.
func (s *run) crossPress() (mean float64, pairs int) {
	f := s.frame
	byDay := make([]map[int32]float64, len(f.presses))
	for i, p := range f.press {
		if byDay[p] == nil {
			byDay[p] = map[int32]float64{}
		}
		if s.main.fit.Used[i] {
			byDay[p][f.rows[i].Day] = s.main.fit.Resid[i]
		}
	}
	for a := range f.presses {
		for b := range a {
			if f.plantOf[a] != f.plantOf[b] {
				continue
			}
			var x, y []float64
			for i := f.start[a]; i < f.start[a+1]; i++ {
				if v, ok := byDay[b][f.rows[i].Day]; ok && s.main.fit.Used[i] {
					x, y = append(x, s.main.fit.Resid[i]), append(y, v)
				}
			}
			if len(x) < 20 {
				continue
			}
			if r, ok := correlation(x, y); ok {
				mean += r
				pairs++
			}
		}
	}
	if pairs > 0 {
		mean /= float64(pairs)
	}
	return mean, pairs
}

// correlation is Pearson's, with arithmetic of its own: kept results hang on its
// last bits, and a better summation elsewhere must not change them. ok is false
// where one sample has no spread.
func correlation(x, y []float64) (r float64, ok bool) {
	spread := func(v []float64) (mean, ss float64) {
		mean = stats.Sum(v) / float64(len(v))
		var d1 float64
		for _, a := range v {
			d := a - mean
			d1 += d
			ss += float64(d * d)
		}
		return mean, ss - float64(d1*d1)/float64(len(v))
	}
	mx, sx := spread(x)
	my, sy := spread(y)
	if sx <= 0 || sy <= 0 {
		return 0, false
	}
	var c float64
	for i := range x {
		c += float64((x[i] - mx) * (y[i] - my))
	}
	return min(1, max(-1, c/math.Sqrt(sx)/math.Sqrt(sy))), true
}

// findings fills counts, refusals and the primary difference per unit.
func (s *run) findings() {
	f := s.frame
	s.q = make([][]float64, len(s.units))
	for k, u := range s.units {
		x := Finding{Name: u.name}
		for _, st := range u.stations {
			x.Stations = append(x.Stations, s.ds.Stations[st])
		}
		both := make([][2]int, len(f.presses))
		for i, p := range f.press {
			if !s.main.fit.Used[i] {
				continue
			}
			switch u.state[i] {
			case Cleaned:
				x.Cleaned++
				both[p][0]++
			case NotCleaned:
				x.NotCleaned++
				both[p][1]++
			}
		}
		for _, b := range both {
			if b[1] > 0 {
				x.Presses++
				if b[0] > 0 {
					x.Informative++
				}
			}
		}
		switch {
		case x.NotCleaned < minNotCleaned:
			x.Refusal = fmt.Sprintf("%d runs started with it not cleaned, at least %d are needed", x.NotCleaned, minNotCleaned)
		case x.Informative < minInformative:
			x.Refusal = fmt.Sprintf("both states were seen on %d presses, at least %d are needed; look at each press by itself", x.Informative, minInformative)
		case s.main.column[k] < 0:
			x.Refusal = "when it was not cleaned cannot be told apart from the job mix and the calendar"
		}
		if c := s.main.column[k]; c >= 0 {
			q, err := s.main.fit.Partial(c, s.root)
			if err == nil {
				s.q[k] = q
			}
		}
		if x.Refusal == "" {
			e, err := s.estimate(s.main, k)
			if err != nil {
				x.Refusal = "the spread between presses cannot be told: " + err.Error()
			} else {
				x.Waste = e
				b := (e.critical + e.power) * e.SE
				x.Detectable = &Detectable{Beta: b, Meters: meters(e.Mean, b)}
				s.byPress(&x, k, both)
			}
		}
		s.result.Findings = append(s.result.Findings, x)
	}
	s.main.working = nil // as large as the eigenvectors, and asked for nothing more
}

// byPress fills each press's part in a finding.
func (s *run) byPress(x *Finding, k int, both [][2]int) {
	info := make([]float64, len(both))
	var sum float64
	for i, p := range s.frame.press {
		if s.main.fit.Used[i] {
			v := float64(s.q[k][i] * s.q[k][i])
			info[p] += v
			sum += v
		}
	}
	for p, b := range both {
		d, ok := x.Waste.without[p]
		if !ok || sum == 0 {
			continue
		}
		x.ByPress = append(x.ByPress, PressShare{Press: s.frame.presses[p], NotCleaned: b[1],
			Information: info[p] / sum, BetaWithout: finiteOr(x.Waste.Beta + d)})
	}
}

// assessed returns the indices of findings with a number.
func (s *run) assessed() (out []int) {
	for k := range s.result.Findings {
		if s.result.Findings[k].Waste != nil {
			out = append(out, k)
		}
	}
	return out
}

// test runs the shift test and fills both families.
func (s *run) test() {
	s.layout = s.rowLayout()
	which := s.assessed()
	if len(which) == 0 {
		return
	}
	if s.result.Rows.InShifts == 0 {
		for _, k := range which {
			x := &s.result.Findings[k]
			x.Refusal = fmt.Sprintf("no press has the %d rows the shift test needs", minShiftRows)
			x.Waste, x.Detectable, x.ByPress = nil, nil, nil
		}
		return
	}
	var cols []shiftColumn
	for _, k := range which {
		cols = append(cols, s.column(k))
	}
	res := shiftTest(s.layout, s.main.fit.Resid, s.main.fit.Used, cols, &s.spec, s.tick)
	if s.spec.Block == BlockPlant && s.sharpLeverage() {
		for i, r := range s.plantShifts(which, nil) { // lags count runs: they stay on rows
			res[i].fair, res[i].draws, res[i].NullSE = r.fair, r.draws, r.NullSE
			res[i].T[0], res[i].P[0] = r.T[0], r.P[0]
		}
	}
	adjusted := maxT(res)
	var p0, pAll []float64
	for i, k := range which {
		p0 = append(p0, res[i].P[0])
		for lag := range res[i].P {
			s.result.Map = append(s.result.Map, Cell{Name: s.units[k].name, Lag: lag, T: res[i].T[lag], P: res[i].P[lag]})
			pAll = append(pAll, res[i].P[lag])
		}
	}
	holm, _ := stats.Holm(p0) // p-values are in (0, 1] by construction
	q, _ := stats.BenjaminiHochberg(pAll)
	if s.spec.AnyDependence {
		q, _ = stats.BenjaminiYekutieli(pAll)
	}
	for i := range q {
		s.result.Map[i].Q = q[i]
	}
	for i, k := range which {
		s.result.Findings[k].Test = &Test{T: res[i].T[0], P: p0[i], Adjusted: adjusted[i], Holm: holm[i],
			Q: q[i*(s.spec.MaxLag+1)], NullSE: res[i].NullSE, Leverage: cols[i].factor}
	}
}
