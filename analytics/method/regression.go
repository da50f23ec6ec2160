package method

import (
	"math"

	"github.com/downweb/downweb/analytics/stats"
)

// fitted is a model with its inference prepared.
type fitted struct {
	fit    *stats.Fit
	robust *stats.Robust
	column []int // of each term of the design
	kind   stats.Kind
	rate   bool // values are log rate ratios

	working *stats.Working // of the correction CR2Power, else nil
}

// CR2Power is CR2 where the variance of the outcome goes as a power of its mean.
const CR2Power = "CR2-power"

var kinds = map[string]stats.Kind{"CR0": stats.CR0, "CR1": stats.CR1, "CR2": stats.CR2, CR2Power: stats.CR2, "CR3": stats.CR3}

// panel lays out the columns: a constant without groups, controls, then terms,
// so that a term that depends on the rest is the one dropped.
func (d *design) panel() (p stats.Panel, column []int) {
	p = stats.Panel{Y: d.y, Offset: d.offset, Use: d.use}
	if d.group != nil {
		p.Effects = stats.Effects{Group: d.group, Trend: d.trend, Cell: d.cell}
	} else {
		one := make([]float64, len(d.y))
		for i := range one {
			one[i] = 1
		}
		p.X = append(p.X, one)
	}
	for _, c := range d.controls {
		p.X = append(p.X, c.v)
	}
	for _, t := range d.terms {
		column = append(column, len(p.X))
		p.X = append(p.X, t.v)
	}
	return p, column
}

// clusters are the cluster column, else the groups, else every row by itself.
func (d *design) clusters() []int {
	switch {
	case d.cluster != nil:
		return d.cluster
	case d.group != nil:
		return d.group
	}
	out := make([]int, len(d.y))
	for i := range out {
		out[i] = i
	}
	return out
}

// fit fits the model and prepares cluster-robust inference.
func (j *job) fit(d *design, model string) (*fitted, error) {
	if d.group != nil && d.cluster != nil {
		of := map[int]int{}
		for i, g := range d.group {
			if c, ok := of[g]; ok && c != d.cluster[i] {
				return nil, input("every %s must lie inside one %s: rows of different clusters must not share a level that is taken out", j.roles.Group, j.roles.Cluster)
			}
			of[g] = d.cluster[i]
		}
	}
	p, column := d.panel()
	f := &fitted{column: column, kind: kinds[j.opt.Correction], rate: model != Linear}
	var err error
	switch model {
	case Linear:
		f.fit, err = stats.FitLinear(p)
	case Poisson:
		f.fit, err = stats.FitPoisson(p)
	default:
		var nb *stats.NegativeBinomial
		if nb, err = stats.FitNegativeBinomial(p); err == nil {
			f.fit = nb.Fit
			j.figure("θ", nb.Theta)
			j.figure("standard error of θ", nb.SETheta)
			j.figure("log likelihood", nb.LogLik)
		}
	}
	if err != nil {
		return nil, err
	}
	if f.robust, err = f.fit.Robust(d.clusters()); err != nil {
		return nil, err
	}
	if j.opt.Correction == CR2Power {
		power, _ := f.robust.VariancePower() // 1 where it cannot be told
		if f.working, err = f.robust.Working(f.robust.PowerVariance(power)); err != nil {
			return nil, err
		}
		j.figure("power of the mean that the variance goes by", power)
	}
	j.out.Rows, j.out.Clusters = f.fit.N, f.robust.Clusters
	if f.fit.Separated > 0 {
		j.out.LeftOut = append(j.out.LeftOut, LeftOut{"the group or cell has no outcome above 0", f.fit.Separated})
	}
	for k, c := range d.controls {
		if f.fit.Dropped[column0(column, k, len(d.controls))] {
			j.note("The control %s follows from the other columns and was left out.", c.name)
		}
	}
	return f, nil
}

// column0 is the column of control k.
func column0(column []int, k, controls int) int {
	return column[0] - controls + k
}

// describe adds the plain numbers of a fit.
func (j *job) describe(f *fitted) {
	j.figure("parameters, levels taken out included", float64(f.fit.Rank))
	if f.rate {
		j.figure("dispersion (1: as Poisson)", f.fit.Dispersion)
		j.figure("deviance", f.fit.Deviance)
		return
	}
	j.figure("residual standard deviation", math.Sqrt(f.fit.Dispersion))
}

// estimate reads one term off a model; ok false: it could not be told from the
// rest, which is noted.
func (j *job) estimate(f *fitted, t term, k int) (e Estimate, ok bool, err error) {
	c := f.column[k]
	if f.fit.Dropped[c] {
		j.note("%s cannot be told from the controls and the levels taken out.", t.name)
		return e, false, nil
	}
	se, err := f.robust.SE(c, f.kind)
	if f.working != nil {
		se, err = f.working.SE(c)
	}
	if err != nil {
		return e, false, err
	}
	e, err = j.estimateOf(f, t, f.fit.Beta[c], se)
	return e, err == nil, err
}

func (j *job) estimateOf(f *fitted, t term, value float64, se stats.RobustSE) (Estimate, error) {
	e := Estimate{Term: t.name, Lag: t.lag, From: t.from, To: t.to, Value: value, Scale: "difference"}
	p, err := stats.TTwoSided(value/se.SE, se.DF)
	if err != nil {
		return e, err
	}
	q, err := stats.TQuantile(0.5+j.opt.Level/2, se.DF)
	if err != nil {
		return e, err
	}
	e.SE, e.DF, e.Statistic, e.P = number(se.SE), number(se.DF), number(value/se.SE), number(p)
	half := float64(q * se.SE)
	e.Low, e.High = number(value-half), number(value+half)
	if f.rate {
		e.Scale = "log rate ratio"
		e.Ratio, e.RatioLow, e.RatioHigh = number(math.Exp(value)), number(math.Exp(value-half)), number(math.Exp(value+half))
	}
	if se.DF < 4 {
		j.note("Very few clusters carry %s: fewer than 4 degrees of freedom.", t.name)
	}
	return e, nil
}

// estimates reads all terms; it needs one that could be told.
func (j *job) estimates(f *fitted, d *design) error {
	for k, t := range d.terms {
		e, ok, err := j.estimate(f, t, k)
		if err != nil {
			return err
		}
		if ok {
			j.out.Estimates = append(j.out.Estimates, e)
		}
	}
	if len(j.out.Estimates) == 0 {
		return tooFew("no exposure can be told from the controls and the levels taken out")
	}
	return nil
}

func (j *job) regress(model string) error {
	terms, err := j.terms(j.roles.Exposure)
	if err != nil {
		return err
	}
	d, err := j.design(terms)
	if err != nil {
		return err
	}
	f, err := j.fit(d, model)
	if err != nil {
		return err
	}
	j.describe(f)
	return j.estimates(f, d)
}

func runRegression(j *job) error {
	if j.info.Name == "poisson" {
		return j.regress(Poisson)
	}
	return j.regress(Linear)
}

func runNegativeBinomial(j *job) error {
	if j.roles.Group != "" {
		j.note("With many groups of few rows θ comes out too large.")
	}
	return j.regress("negative binomial")
}

func runWild(j *job) error {
	terms, err := j.terms(j.roles.Exposure)
	if err != nil {
		return err
	}
	if j.roles.Cell != "" { // as columns: the bootstrap takes no absorbed cells
		if j.levels, err = j.levelTerms(j.roles.Cell); err != nil {
			return err
		}
		j.roles.Cell = ""
	}
	d, err := j.design(terms)
	if err != nil {
		return err
	}
	j.opt.Correction = "CR1"
	f, err := j.fit(d, Linear)
	if err != nil {
		return err
	}
	weights := stats.Rademacher
	if j.opt.Weights == "webb" {
		weights = stats.Webb
	}
	for k, t := range d.terms {
		e, ok, err := j.estimate(f, t, k)
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		w, err := stats.WildCluster(f.fit, f.column[k], d.clusters(), weights, j.opt.Draws, j.opt.Seed, j.opt.Level)
		if err != nil {
			return err
		}
		e.DF, e.P, e.Exact, e.Low, e.High = nil, number(w.P), w.Exact, w.Low, w.High
		if w.Low == nil || w.High == nil {
			j.note("The interval of %s is open: with so few clusters the smallest p is %.3g.", t.name, w.Smallest)
		}
		j.out.Estimates = append(j.out.Estimates, e)
	}
	if len(j.out.Estimates) == 0 {
		return tooFew("no exposure can be told from the controls and the levels taken out")
	}
	j.opt.Correction = ""
	return nil
}
