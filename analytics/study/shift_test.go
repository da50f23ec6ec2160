package study

import (
	"math"
	"testing"

	"github.com/downweb/downweb/analytics/stats"
)

// started returns a run that has been fitted and tested.
func started(t *testing.T, ds *DataSet, spec Spec) *run {
	t.Helper()
	f, err := newFrame(ds, &spec)
	if err != nil {
		t.Fatal(err)
	}
	s := &run{ds: ds, spec: spec, frame: f, result: &Result{}}
	s.describeRows()
	s.effects = f.effects(&spec)
	s.logKM = make([]float64, len(f.rows))
	for i, km := range f.km {
		s.logKM[i] = math.Log(km)
	}
	s.units, _ = newUnits(ds, f)
	if s.main, err = s.fitModel(design{}); err != nil {
		t.Fatal(err)
	}
	if err := s.cluster(s.main); err != nil {
		t.Fatal(err)
	}
	s.describeModel()
	s.findings()
	s.test()
	return s
}

// naiveStatistic is the shift test read aloud: for one station and lag it rotates q
// by k rows in every press, sums over blocks, takes the mean over all rotations
// off and studentises.
func naiveStatistic(s *run, unit, lag int, shifts []int32) float64 {
	f := s.frame
	u, used := s.main.fit.Resid, s.main.fit.Used
	beta := s.main.fit.Beta[s.main.column[unit]]
	var sum, sq float64
	g := 0
	for p := range f.presses {
		if f.start[p+1]-f.start[p] >= 40 {
			g++
		}
	}
	for p := range f.presses {
		lo, n := f.start[p], f.start[p+1]-f.start[p]
		if n < 40 {
			continue
		}
		m := max(1, min(n/20, int(math.Ceil(60/float64(g)))))
		for b := range m {
			at := func(k int) (c float64) {
				for i := b * n / m; i < (b+1)*n/m; i++ {
					r := u[lo+i]
					if lag == 0 && used[lo+i] {
						r += beta * s.q[unit][lo+i]
					}
					c += r * s.q[unit][lo+(((i-k-lag)%n)+n)%n]
				}
				return c
			}
			var mean float64
			for k := range n {
				mean += at(k) / float64(n)
			}
			c := at(int(shifts[p])) - mean
			sum += c
			sq += c * c
		}
	}
	return sum / math.Sqrt(sq)
}

// The table path equals the naive one to rounding, for identity and drawn
// shifts, stations and lags.
func TestShiftTableEqualsNaive(t *testing.T) {
	for _, plain := range []bool{true, false} {
		shiftEqualsNaive(t, plain)
	}
}

func shiftEqualsNaive(t *testing.T, plain bool) {
	ds := fleet{seed: 4, plants: 2, presses: 6, days: 60, stations: 3, effect: 0.4}.make()
	// One press too short for the shifts, long enough for the fit.
	for i := 0; i < len(ds.Rows); i++ {
		if ds.Rows[i].Press == ds.Rows[0].Press && i >= 30 {
			ds.Rows = append(ds.Rows[:i], ds.Rows[i+1:]...)
			i--
		}
	}
	spec := DefaultSpec()
	spec.MaxLag, spec.Permutations, spec.PlainShift = 5, 99, plain
	s := started(t, ds, spec)
	if s.layout.joined[0] || !s.layout.joined[1] {
		t.Fatal("the short press must stay out of the shifts")
	}
	shifts := s.layout.rotations(&spec)
	presses := len(s.frame.presses)
	var cols []shiftColumn
	for k := range s.units {
		beta := s.main.fit.Beta[s.main.column[k]]
		cols = append(cols, shiftColumn{q: s.q[k], beta: beta, lags: spec.MaxLag, factor: s.leverage(s.q[k], beta)})
	}
	res := shiftTest(s.layout, s.main.fit.Resid, s.main.fit.Used, cols, &spec, nil)
	for k := range s.units {
		for lag := 0; lag <= spec.MaxLag; lag++ {
			want := naiveStatistic(s, k, lag, make([]int32, presses))
			if d := math.Abs(res[k].T[lag] - want); d > 1e-10 {
				t.Errorf("unit %d lag %d: T %.14g, naive %.14g", k, lag, res[k].T[lag], want)
			}
			count := 1
			for j := range spec.Permutations {
				x := naiveStatistic(s, k, lag, shifts[j*presses:(j+1)*presses])
				if lag == 0 {
					if d := math.Abs(res[k].draws[j] - math.Abs(x)); d > 1e-10 {
						t.Fatalf("unit %d draw %d: |T| %.14g, naive %.14g", k, j, res[k].draws[j], math.Abs(x))
					}
				}
				factor := 1.0
				if lag == 0 && !plain {
					factor = naiveFactor(s, k)
				}
				if math.Abs(x) >= factor*math.Abs(want)-1e-9 {
					count++
				}
			}
			if p := float64(count) / float64(spec.Permutations+1); p != res[k].P[lag] {
				t.Errorf("unit %d lag %d: p %v, naive %v", k, lag, res[k].P[lag], p)
			}
		}
	}
}

// The residual of the regression without a station reproduces the
// coefficient, and q is orthogonal to every other column (Frisch–Waugh–Lovell).
func TestPartialReproducesCoefficient(t *testing.T) {
	s := started(t, demoFleet(2).make(), DefaultSpec())
	_, cols, _ := s.controls(false)
	for k := range s.units {
		beta := s.main.fit.Beta[s.main.column[k]]
		var num, den float64
		for i, used := range s.main.fit.Used {
			if used {
				q := s.q[k][i]
				num += (s.main.fit.Resid[i] + beta*q) * q
				den += q * q
			}
		}
		if math.Abs(num/den-beta) > 1e-9 {
			t.Errorf("unit %d: r'q/q'q %.12g, β %.12g", k, num/den, beta)
		}
		for _, c := range cols {
			var dot, n1 float64
			for i, used := range s.main.fit.Used {
				if used {
					dot += s.q[k][i] * s.root[i] * c[i]
					n1 += s.root[i] * c[i] * s.root[i] * c[i]
				}
			}
			if math.Abs(dot) > 1e-8*math.Sqrt(den*n1) {
				t.Errorf("unit %d is not orthogonal to a control: %g", k, dot)
			}
		}
	}
}

// W̄(1 − e^(−β)) is the average of fitted with minus fitted without
// the exposure, by the score equation.
func TestDifferenceIsTheModelAverage(t *testing.T) {
	s := started(t, demoFleet(3).make(), DefaultSpec())
	for k := range s.units {
		e := s.result.Findings[k].Waste
		var sum, n float64
		for i, used := range s.main.fit.Used {
			if used && s.units[k].d[i] == 1 {
				mu := s.main.fit.Mu[i]
				sum += mu - mu*math.Exp(-e.Beta)
				n++
			}
		}
		if math.Abs(sum/n-e.Difference) > 1e-8*math.Abs(e.Difference)+1e-9 {
			t.Errorf("unit %d: average difference %.12g, closed form %.12g", k, sum/n, e.Difference)
		}
	}
}

// The closed form for one press left out is one Newton step: close to the refit.
func TestLeftOutPressAgainstRefit(t *testing.T) {
	s := started(t, demoFleet(6).make(), DefaultSpec())
	x := s.result.Findings[0]
	for p, share := range x.ByPress {
		use := make([]bool, len(s.frame.rows))
		for i := range use {
			use[i] = s.frame.use[i] && s.frame.press[i] != p
		}
		m, err := s.fitModel(design{use: use})
		if err != nil {
			t.Fatal(err)
		}
		refit := m.fit.Beta[m.column[0]]
		if math.Abs(refit-share.BetaWithout) > 0.25*x.Waste.SE {
			t.Errorf("%s left out: closed form %.4f, refit %.4f, se %.4f", share.Press, share.BetaWithout, refit, x.Waste.SE)
		}
	}
}

// Step-down max-T on a table worked by hand: two columns, four draws.
func TestMaxTByHand(t *testing.T) {
	res := []shiftResult{
		{T: []float64{-2}, fair: 2, draws: []float64{1, 3, 0.5, 0.1}},
		{T: []float64{1}, fair: 1, draws: []float64{2.5, 0.2, 0.3, 1.2}},
	}
	// Column 0: max per draw 2.5, 3, 0.5, 1.2 ≥ 2 twice → 3/5.
	// Column 1: own draws ≥ 1 twice → 3/5, not below the one before.
	p := maxT(res)
	if p[0] != 0.6 || p[1] != 0.6 {
		t.Errorf("adjusted %v, want 0.6 and 0.6", p)
	}
	res[1].draws = []float64{0.5, 0.2, 0.3, 0.4}
	// Column 0: 1, 3, 0.5, 0.4 → 2/5; column 1: none → 1/5, raised to 2/5.
	p = maxT(res)
	if p[0] != 0.4 || p[1] != 0.4 {
		t.Errorf("adjusted %v, want 0.4 and 0.4", p)
	}
}

// A shift is uniform over the rows of a press: chi-square over 100 presses'
// worth of draws, and the plant block gives all presses of a plant one share.
func TestRotations(t *testing.T) {
	l := newLayout([]int{0, 50, 110}, []int{50, 60}, []int{0, 0}, 1, 1)
	spec := DefaultSpec()
	spec.Permutations = 20000
	x := l.rotations(&spec)
	count := make([]float64, 50)
	for j := range spec.Permutations {
		count[x[2*j]]++
	}
	var chi float64
	for _, c := range count {
		chi += (c - 400) * (c - 400) / 400
	}
	if p, _ := stats.ChiSquareUpper(chi, 49); p < 0.001 {
		t.Errorf("shifts are not uniform: chi-square %.1f, p %.5f", chi, p)
	}
	spec.Block = BlockPlant
	x = l.rotations(&spec)
	for j := range spec.Permutations {
		if a, b := float64(x[2*j])/50, float64(x[2*j+1])/60; math.Abs(a-b) > 1.0/50 {
			t.Fatalf("draw %d: shares %v and %v of one plant differ", j, a, b)
		}
	}
	weeks := newLayout([]int{0, 70, 140}, []int{50, 50}, []int{0, 0}, 1, 7)
	for _, k := range weeks.rotations(&spec) {
		if k%7 != 0 || k < 0 || k >= 70 {
			t.Fatalf("whole-week shift %d", k)
		}
	}
}

// naiveFactor is the HC2 factor by its formula: the variance of a column's sum as its residuals show it, over that which
// the errors have.
func naiveFactor(s *run, unit int) float64 {
	q, beta, lev := s.q[unit], s.main.fit.Beta[s.main.column[unit]], s.main.robust.Leverage()
	var qq, seen, had float64
	for i := range q {
		if s.main.fit.Used[i] {
			qq += q[i] * q[i]
		}
	}
	for i := range q {
		if s.main.fit.Used[i] {
			r := s.main.fit.Resid[i] + beta*q[i]
			seen += q[i] * q[i] * r * r
			had += q[i] * q[i] * r * r / (1 - lev[i] + q[i]*q[i]/qq)
		}
	}
	return math.Sqrt(seen / had)
}
