package method

import (
	"math"
	"slices"

	"github.com/downweb/downweb/analytics/stats"
)

const (
	binRows     = 20   // rows a bin needs
	binClusters = 4    // clusters a bin needs
	doseTop     = 0.95 // doses above this quantile are not shown

	rivalCorrelation = 0.8 // from which a control's clock cannot be told from the dose
)

// bands puts a band around estimates of one model that holds for all of them at
// once.
func (j *job) bands(f *fitted, es []Estimate, column []int) error {
	sup, err := j.supT(f, column)
	if err != nil {
		return err
	}
	for i := range es {
		e := &es[i]
		c, err := sup.Critical(j.opt.Level, *e.DF)
		if err != nil {
			return err
		}
		e.BandLow, e.BandHigh = number(e.Value-float64(c**e.SE)), number(e.Value+float64(c**e.SE))
	}
	return nil
}

func (j *job) supT(f *fitted, column []int) (*stats.SupT, error) {
	var scores [][]float64
	for _, c := range column {
		s, err := f.robust.ClusterScores(c, f.kind)
		if err != nil {
			return nil, err
		}
		scores = append(scores, s)
	}
	return stats.MaxOverCoefficients(scores, j.opt.Draws, j.opt.Seed)
}

// doseBin is (from, to], or the base: everything up to `to`.
type doseBin struct{ from, to float64 }

// bins cuts the doses: the base is the lowest dose where at least 20 rows have
// it, else the lowest of equal shares; bins with too few rows or clusters are
// joined with the one before.
func (j *job) bins(v []float64, cluster []int) (base float64, out []doseBin, err error) {
	low := slices.Min(v)
	var above []float64
	atLow := 0
	for _, x := range v {
		if x > low {
			above = append(above, x)
		} else {
			atLow++
		}
	}
	n, first := j.opt.Bins, 1
	base = low
	if atLow < binRows {
		above, n, first = v, n+1, 2
		if base, err = stats.Quantile(v, doseTop/float64(n), stats.Type7); err != nil {
			return 0, nil, err
		}
	}
	if len(above) == 0 {
		return 0, nil, tooFew("all doses are the same")
	}
	enough := func(b doseBin) bool {
		rows, seen := 0, map[int]bool{}
		for i, x := range v {
			if x > b.from && x <= b.to {
				rows++
				seen[cluster[i]] = true
			}
		}
		return rows >= binRows && len(seen) >= binClusters
	}
	from := base
	for b := first; b <= n; b++ {
		to, err := stats.Quantile(above, doseTop*float64(b)/float64(n), stats.Type7)
		if err != nil {
			return 0, nil, err
		}
		if to <= from {
			continue
		}
		if k := len(out); k > 0 && !enough(out[k-1]) {
			from, out = out[k-1].from, out[:k-1]
		}
		out = append(out, doseBin{from, to})
		from = to
	}
	if k := len(out); k > 0 && !enough(out[k-1]) {
		if out = out[:k-1]; k > 1 {
			j.note("The highest bin had fewer than %d rows or %d clusters and is not shown.", binRows, binClusters)
		}
	}
	if len(out) == 0 {
		return 0, nil, tooFew("no bin has %d rows of %d clusters", binRows, binClusters)
	}
	return base, out, nil
}

// rivals notes controls that run alongside the dose.
func (j *job) rivals(d *design) {
	for _, c := range d.controls {
		r := 0.0
		if d.group == nil {
			if p, err := stats.Pearson(d.terms[0].v, c.v); err == nil {
				r = p.Value
			}
		} else if w, err := stats.CorrelationWithin(stats.KindPearson, d.terms[0].v, c.v, d.group, j.opt.Level); err == nil {
			r = w.Value
		}
		if math.Abs(r) >= rivalCorrelation {
			j.note("%s and %s move together (correlation %.2f): the curve cannot tell one from the other.", d.terms[0].name, c.name, r)
		}
	}
}

func runDose(j *job) error {
	if len(j.roles.Exposure) != 1 {
		return input("takes one exposure, the dose")
	}
	terms, err := j.numeric()
	if err != nil {
		return err
	}
	d, err := j.design(terms)
	if err != nil {
		return err
	}
	dose := d.terms[0]
	j.rivals(d)
	base, bins, err := j.bins(dose.v, d.clusters())
	if err != nil {
		return err
	}
	indicator := func(in func(x float64) bool) term {
		t := term{name: dose.name, v: make([]float64, len(dose.v))}
		for i, x := range dose.v {
			if in(x) {
				t.v[i] = 1
			}
		}
		return t
	}
	binned := *d
	binned.terms = nil
	for _, b := range bins {
		t := indicator(func(x float64) bool { return x > b.from && x <= b.to })
		t.from, t.to = number(b.from), number(b.to)
		binned.terms = append(binned.terms, t)
	}
	last := bins[len(bins)-1].to
	if slices.Max(dose.v) > last {
		binned.controls = append(slices.Clone(d.controls), indicator(func(x float64) bool { return x > last }))
	}
	f, err := j.fit(&binned, j.opt.Model)
	if err != nil {
		return err
	}
	j.describe(f)
	var columns []int
	for k, t := range binned.terms {
		e, ok, err := j.estimate(f, t, k)
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		for i, x := range t.v {
			if x == 1 && f.fit.Used[i] {
				e.N++
			}
		}
		j.out.Estimates, columns = append(j.out.Estimates, e), append(columns, f.column[k])
	}
	if len(columns) == 0 {
		return tooFew("no bin can be told from the controls and the levels taken out")
	}
	if err := j.bands(f, j.out.Estimates, columns); err != nil {
		return err
	}
	j.figure("compared with doses up to", base)
	j.note("Values compare a bin with the lowest doses; doses above %.4g are in the model but not shown.", last)
	if j.info.Name == "dose-isotonic" {
		return j.isotonic(d)
	}
	return nil
}

// isotonic pools the binned estimates and adds the straight line's test.
func (j *job) isotonic(d *design) error {
	es := j.out.Estimates
	pool := func(get func(e *Estimate) *float64, set func(e *Estimate, v float64), least float64) error {
		y, w := make([]float64, len(es)), make([]float64, len(es))
		for i := range es {
			p := get(&es[i])
			if p == nil {
				return nil
			}
			y[i], w[i] = *p, 1/(*es[i].SE**es[i].SE)
		}
		fit, err := stats.Isotonic(y, w)
		if err != nil {
			return err
		}
		for i := range es {
			set(&es[i], max(least, fit[i]))
		}
		return nil
	}
	open := math.Inf(-1)
	for _, err := range []error{
		pool(func(e *Estimate) *float64 { return &e.Value }, func(e *Estimate, v float64) { e.Value = v }, 0),
		pool(func(e *Estimate) *float64 { return e.BandLow }, func(e *Estimate, v float64) { e.BandLow = number(v) }, open),
		pool(func(e *Estimate) *float64 { return e.BandHigh }, func(e *Estimate, v float64) { e.BandHigh = number(v) }, 0),
		pool(func(e *Estimate) *float64 { return e.Low }, func(e *Estimate, v float64) { e.Low = number(v) }, open),
		pool(func(e *Estimate) *float64 { return e.High }, func(e *Estimate, v float64) { e.High = number(v) }, 0),
	} {
		if err != nil {
			return err
		}
	}
	for i := range es {
		e := &es[i]
		e.Statistic, e.P, e.SE, e.DF = nil, nil, nil, nil
		if e.Ratio != nil {
			e.Ratio, e.RatioLow, e.RatioHigh = number(math.Exp(e.Value)), number(math.Exp(*e.Low)), number(math.Exp(*e.High))
		}
	}
	f, err := j.fit(d, j.opt.Model)
	if err != nil {
		return err
	}
	e, ok, err := j.estimate(f, d.terms[0], 0)
	if err != nil || !ok {
		return err
	}
	j.figure("straight line, per unit of dose", e.Value)
	j.out.Tests = append(j.out.Tests, Test{Name: "straight line in the dose", Statistic: *e.Statistic, P: *e.P,
		Note: "t of the slope in the same model, all doses"})
	return nil
}
