package stats

import "math"

// MaxIterations and Tolerance are the convergence rule of FitPoisson: every
// linear predictor of a used row must change by less than Tolerance relative
// to max(1, |η|).
const (
	MaxIterations = 50
	Tolerance     = 1e-10
)

// FitPoisson fits E[y] = exp(offset + effects + Xβ) by Poisson
// pseudo-likelihood (Gourieroux, Monfort and Trognon, Econometrica 52, 1984:
// only the mean must be right) with iteratively reweighted least squares.
// Rows of groups or cells without any positive outcome carry no information
// on β (their effect goes to −∞) and are left out and counted in Separated
// (Correia, Guimarães and Zylkin, Stata J. 20, 2020).
func FitPoisson(p Panel) (*Fit, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	for _, v := range p.Y {
		if v < 0 {
			return nil, badInput("negative outcome %v", v)
		}
	}
	f, err := newFit(&p)
	if err != nil {
		return nil, err
	}
	f.dropSeparated(&p)
	for i := range f.w {
		f.w[i] = 0
		if f.Used[i] {
			f.w[i] = 1
		}
	}
	if err := f.selectColumns(p.X); err != nil {
		return nil, err
	}
	f.Eta, f.Mu = startEta(&p, f), make([]float64, len(p.Y))
	err = f.reweighted(&p, MaxIterations, func() (bool, error) { return true, f.weigh() })
	if err != nil {
		return nil, err
	}
	if err := f.weigh(); err != nil {
		return nil, err
	}
	if err := f.finalColumns(p.X); err != nil {
		return nil, err
	}
	for i, mu := range f.Mu {
		if !f.Used[i] {
			continue
		}
		f.Resid[i] = (p.Y[i] - mu) / math.Sqrt(mu)
		d := mu - p.Y[i]
		if p.Y[i] > 0 {
			d += float64(p.Y[i] * Log(p.Y[i]/mu))
		}
		f.Deviance += 2 * d
	}
	return f, f.finish(&p)
}

// reweighted moves the linear predictor by iteratively reweighted least squares
// with the log link until it settles, most times at most. weigh sets fitted
// values and weights from it before each step and says whether all else that it
// estimates has settled too; those of the last predictor are left to the caller.
func (f *Fit) reweighted(p *Panel, most int, weigh func() (settled bool, err error)) error {
	offset := p.Offset
	if offset == nil {
		offset = make([]float64, len(p.Y))
	}
	z := make([]float64, len(p.Y))
	for f.Iterations = 1; ; f.Iterations++ {
		if f.Iterations > most {
			return ErrNotConverged
		}
		settled, err := weigh()
		if err != nil {
			return err
		}
		for i := range z {
			z[i] = 0
			if f.Used[i] {
				z[i] = f.Eta[i] - offset[i] + (p.Y[i]-f.Mu[i])/f.Mu[i]
			}
		}
		if err := f.solve(p.X, z); err != nil {
			return err
		}
		var change float64
		for i, r := range z {
			next := offset[i] - r
			if f.Used[i] {
				next += f.Eta[i] - offset[i] + (p.Y[i]-f.Mu[i])/f.Mu[i]
				change = max(change, math.Abs(next-f.Eta[i])/max(1, math.Abs(next)))
			}
			f.Eta[i] = next
		}
		if math.IsNaN(change) || math.IsInf(change, 0) {
			return ErrNotConverged
		}
		if change < Tolerance && settled {
			return nil
		}
	}
}

// finalColumns absorbs the columns at the weights there are and leaves the
// coefficients as they came out.
func (f *Fit) finalColumns(x [][]float64) error {
	beta := f.Beta
	if err := f.solve(x, make([]float64, len(f.Used))); err != nil {
		return err
	}
	f.Beta = beta
	return nil
}

// dropSeparated takes rows out whose group or cell has only zeros, until none
// is left.
func (f *Fit) dropSeparated(p *Panel) {
	for changed := true; changed; {
		changed = false
		for _, level := range [][]int{p.Effects.Group, p.Effects.Cell} {
			if level == nil {
				continue
			}
			sum := map[int]float64{}
			for i, g := range level {
				if f.Used[i] && g >= 0 {
					sum[g] += p.Y[i]
				}
			}
			for i, g := range level {
				if f.Used[i] && g >= 0 && sum[g] == 0 {
					f.Used[i], changed = false, true
					f.Separated++
				}
			}
		}
	}
}

// startEta is Start, or log of the mean of outcome and group mean.
func startEta(p *Panel, f *Fit) []float64 {
	if p.Start != nil {
		return append([]float64(nil), p.Start...)
	}
	sum, cnt := map[int]float64{}, map[int]float64{}
	key := func(i int) int {
		if p.Effects.Group == nil {
			return 0
		}
		return p.Effects.Group[i]
	}
	for i, y := range p.Y {
		if f.Used[i] {
			sum[key(i)] += y
			cnt[key(i)]++
		}
	}
	eta := make([]float64, len(p.Y))
	for i, y := range p.Y {
		if f.Used[i] {
			eta[i] = Log(max((y+sum[key(i)]/cnt[key(i)])/2, 1e-8))
		}
	}
	return eta
}

// weigh sets fitted values, and them as weights, from the linear predictor.
func (f *Fit) weigh() error {
	if err := f.expect(); err != nil {
		return err
	}
	for i, mu := range f.Mu {
		f.w[i] = 0
		if f.Used[i] {
			f.w[i] = mu
		}
	}
	return nil
}

// expect sets fitted values from the linear predictor.
func (f *Fit) expect() error {
	for i, e := range f.Eta {
		f.Mu[i] = Exp(e)
		if f.Used[i] && (!(f.Mu[i] > 0) || math.IsInf(f.Mu[i], 0)) {
			return ErrNotConverged
		}
	}
	return nil
}
