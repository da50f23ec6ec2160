package method

import (
	"math"
	"strconv"

	"github.com/downweb/downweb/analytics/stats"
)

// runPermutation tests exposures (at lags) by moving them inside groups
// against the residuals of one fit.
func runPermutation(j *job) error {
	terms, err := j.terms(j.roles.Exposure)
	if err != nil {
		return err
	}
	d, err := j.design(terms)
	if err != nil {
		return err
	}
	d.use = make([]bool, len(d.y))
	for g := range len(d.start) - 1 {
		for i := d.start[g]; i < d.start[g+1]; i++ {
			d.use[i] = i >= d.start[g]+j.opt.Lags // the first rows have no full past
		}
	}
	p, column := d.panel()
	fit, rate := stats.FitLinear, false
	if j.opt.Model == Poisson {
		fit, rate = stats.FitPoisson, true
	}
	f, err := fit(p)
	if err != nil {
		return err
	}
	if j.out.Rows = f.N; j.opt.Lags > 0 {
		j.note("The first %d rows of a group are read only as the past of later ones.", j.opt.Lags)
	}
	j.describe(&fitted{fit: f, rate: rate})
	root := make([]float64, len(d.y))
	for i, mu := range f.Mu {
		if root[i] = 1; rate {
			root[i] = math.Sqrt(mu)
		}
	}
	factor := func([]float64, float64) float64 { return math.Sqrt(1 - float64(f.Rank)/float64(f.N)) }
	if r, err := f.Robust(p.Effects.Group); err == nil {
		factor = r.ShuffleFactor
	}
	var cols []stats.ShuffleColumn
	for k, t := range d.terms {
		c := column[k]
		if f.Dropped[c] {
			j.note("%s cannot be told from the controls and the levels taken out.", t.name)
			continue
		}
		q, err := f.Partial(c, root)
		if err != nil {
			return err
		}
		own := make([]float64, len(q)) // residual without the exposure
		for i := range own {
			if f.Used[i] {
				own[i] = f.Resid[i] + float64(f.Beta[c]*q[i])
			}
		}
		for lag := range j.opt.Lags + 1 {
			e := Estimate{Term: t.name, Scale: "difference"}
			sc := stats.ShuffleColumn{R: own, Q: q, Lag: lag, Factor: factor(q, f.Beta[c])}
			if lag > 0 {
				sc.R, sc.Factor = f.Resid, 0 // every exposure's lag 0 is held fixed
			}
			if rate {
				e.Scale = "log rate ratio"
			}
			if j.opt.Lags > 0 {
				e.Lag = whole(lag)
			}
			e.Value = d.slope(sc)
			if e.Ratio = number(math.Exp(e.Value)); !rate {
				e.Ratio = nil
			}
			cols, j.out.Estimates = append(cols, sc), append(j.out.Estimates, e)
		}
	}
	if len(cols) == 0 {
		return tooFew("no exposure can be told from the controls and the levels taken out")
	}
	plan := stats.ShufflePlan{Start: d.start, Draws: j.opt.Draws, Seed: j.opt.Seed}
	if j.info.Name == "block-permutation" {
		plan.Block = j.opt.BlockLength
	}
	s, err := stats.ShuffleTest(plan, cols)
	if err != nil {
		return err
	}
	j.shuffled(j.out.Estimates, s)
	return nil
}

// slope is Σ r·q / Σ q² with the exposure read so many rows before.
func (d *design) slope(c stats.ShuffleColumn) float64 {
	var rq, qq float64
	for g := range len(d.start) - 1 {
		for i := d.start[g] + c.Lag; i < d.start[g+1]; i++ {
			if d.use[i] {
				q := c.Q[i-c.Lag]
				rq += float64(c.R[i] * q)
				qq += float64(q * q)
			}
		}
	}
	if qq == 0 {
		return 0
	}
	return rq / qq
}

// runExact is the plain permutation test of one exposure at a time.
func runExact(j *job) error {
	terms, err := j.terms(j.roles.Exposure)
	if err != nil {
		return err
	}
	d, err := j.design(terms)
	if err != nil {
		return err
	}
	for _, t := range d.terms {
		p, err := stats.PermuteWithin(t.v, d.y, d.group, j.opt.Draws, j.opt.Seed)
		if err != nil {
			return err
		}
		x := stats.ShuffleColumn{R: d.y, Q: make([]float64, len(t.v))}
		var ss float64
		for g := range len(d.start) - 1 {
			lo, hi := d.start[g], d.start[g+1]
			m := stats.Sum(t.v[lo:hi]) / float64(hi-lo)
			for i := lo; i < hi; i++ {
				x.Q[i] = t.v[i] - m
				ss += float64(x.Q[i] * x.Q[i])
			}
		}
		j.out.Estimates = append(j.out.Estimates, Estimate{Term: t.name, Scale: "difference",
			Value: p.Statistic / ss, P: number(p.PTwoSided()), Exact: p.Exact})
		j.figure(t.name+": p, at least as large (one-sided)", p.POneSided())
		j.figure(t.name+": arrangements", float64(p.Total))
	}
	return nil
}

func runAdjust(j *job) error {
	p, err := j.numbers(j.roles.Outcome)
	if err != nil {
		return err
	}
	name := j.roles.Outcome
	var code []int
	var values []string
	if len(j.roles.Exposure) > 0 {
		name = j.roles.Exposure[0]
		if values, code, err = j.codes(name); err != nil {
			return err
		}
	}
	var kept []float64
	for i, v := range p {
		if math.IsNaN(v) {
			continue
		}
		e := Estimate{Scale: "p", Value: v, P: number(v)}
		if e.Term = "row " + strconv.Itoa(j.order[i]+1); code != nil && code[i] >= 0 {
			e.Term = values[code[i]]
		}
		j.out.Estimates, kept = append(j.out.Estimates, e), append(kept, v)
	}
	if len(kept) == 0 {
		return tooFew("no p-value")
	}
	if n := len(p) - len(kept); n > 0 {
		j.out.LeftOut = []LeftOut{{j.roles.Outcome + " is missing", n}}
	}
	j.out.Rows = len(kept)
	return adjust(j.out.Estimates, kept)
}
