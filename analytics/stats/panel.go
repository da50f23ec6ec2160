package stats

import (
	"math"
)

// Panel is the input of a weighted regression with absorbed effects.
type Panel struct {
	Y       []float64   // outcome; ≥ 0 for FitPoisson
	X       [][]float64 // columns, each as long as Y; a column that depends on earlier ones or on the effects is dropped
	Offset  []float64   // FitPoisson: added to the linear predictor; nil is 0
	Weights []float64   // FitLinear: row weights ≥ 0; nil is 1
	Effects Effects
	Use     []bool    // rows that shape the fit; nil is all. The others are predicted
	Start   []float64 // FitPoisson: linear predictor to start from; nil starts from the data
}

// Fit is a converged regression. Slices over rows have a value for every row,
// also for those outside Use (predicted there).
type Fit struct {
	Beta       []float64 // per column of X; 0 where dropped
	Dropped    []bool    // columns left out because they depend on what came before
	Eta        []float64 // linear predictor
	Mu         []float64 // fitted value
	Resid      []float64 // √weight-scaled working residual (Pearson residual for FitPoisson); 0 outside Use
	Used       []bool    // rows the fit rests on
	Separated  int       // rows of Use left out because their group or cell has no positive outcome
	N          int       // rows used
	Rank       int       // parameters in all, absorbed ones included
	Deviance   float64   // FitPoisson
	Dispersion float64   // Σ Resid² / (N − Rank)
	Iterations int       // FitPoisson

	abs  *absorber
	w    []float64   // final weights, 0 outside Used
	kept []int       // columns in the fit
	xt   [][]float64 // residualised kept columns, unscaled, all rows
	chol []float64   // lower Cholesky factor of X̃'WX̃ over kept
}

// MaxIterations and Tolerance are the convergence rule of FitPoisson: every
// linear predictor of a used row must change by less than Tolerance relative
// to max(1, |η|).
const (
	MaxIterations = 50
	Tolerance     = 1e-10
)

func (p *Panel) check() error {
	n := len(p.Y)
	if n == 0 {
		return tooFew("no rows")
	}
	for _, c := range append([][]float64{p.Y, p.Offset, p.Weights, p.Start}, p.X...) {
		if c != nil && len(c) != n {
			return badInput("a column has %d rows, the outcome %d", len(c), n)
		}
		if !finite(c) {
			return badInput("a value is not finite")
		}
	}
	for _, v := range p.Weights {
		if v < 0 {
			return badInput("negative weight")
		}
	}
	if p.Use != nil && len(p.Use) != n {
		return badInput("the row mask has %d rows, the outcome %d", len(p.Use), n)
	}
	return nil
}

// FitLinear fits E[y] = effects + Xβ by weighted least squares.
func FitLinear(p Panel) (*Fit, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	f, err := newFit(&p)
	if err != nil {
		return nil, err
	}
	for i := range f.w {
		f.w[i] = 0
		if f.Used[i] {
			f.w[i] = 1
			if p.Weights != nil {
				f.w[i] = p.Weights[i]
			}
		}
	}
	if err := f.selectColumns(p.X); err != nil {
		return nil, err
	}
	z := append([]float64(nil), p.Y...)
	if err := f.solve(p.X, z); err != nil {
		return nil, err
	}
	f.Eta, f.Mu = make([]float64, len(z)), make([]float64, len(z))
	for i, r := range z {
		f.Eta[i] = p.Y[i] - r
		f.Mu[i] = f.Eta[i]
		if f.w[i] > 0 {
			f.Resid[i] = math.Sqrt(f.w[i]) * r
		}
	}
	return f, f.finish(&p)
}

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
	n := len(p.Y)
	for i := range f.w {
		f.w[i] = 0
		if f.Used[i] {
			f.w[i] = 1
		}
	}
	if err := f.selectColumns(p.X); err != nil {
		return nil, err
	}
	offset := p.Offset
	if offset == nil {
		offset = make([]float64, n)
	}
	f.Eta, f.Mu = startEta(&p, f), make([]float64, n)
	z := make([]float64, n)
	for f.Iterations = 1; ; f.Iterations++ {
		if f.Iterations > MaxIterations {
			return nil, ErrNotConverged
		}
		if err := f.weigh(); err != nil {
			return nil, err
		}
		for i := range z {
			z[i] = 0
			if f.Used[i] {
				z[i] = f.Eta[i] - offset[i] + (p.Y[i]-f.Mu[i])/f.Mu[i]
			}
		}
		if err := f.solve(p.X, z); err != nil {
			return nil, err
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
			return nil, ErrNotConverged
		}
		if change < Tolerance {
			break
		}
	}
	if err := f.weigh(); err != nil {
		return nil, err
	}
	beta := f.Beta
	if err := f.solve(p.X, make([]float64, n)); err != nil { // columns at the final weights
		return nil, err
	}
	f.Beta = beta
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

func newFit(p *Panel) (*Fit, error) {
	n := len(p.Y)
	abs, err := newAbsorber(p.Effects, n)
	if err != nil {
		return nil, err
	}
	f := &Fit{abs: abs, w: make([]float64, n), Resid: make([]float64, n), Used: make([]bool, n)}
	for i := range f.Used {
		f.Used[i] = p.Use == nil || p.Use[i]
	}
	return f, nil
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

// weigh sets fitted values and weights from the linear predictor.
func (f *Fit) weigh() error {
	for i, e := range f.Eta {
		f.Mu[i] = Exp(e)
		f.w[i] = 0
		if f.Used[i] {
			if !(f.Mu[i] > 0) || math.IsInf(f.Mu[i], 0) {
				return ErrNotConverged
			}
			f.w[i] = f.Mu[i]
		}
	}
	return nil
}

// selectColumns decides, at the starting weights, which columns are kept: a
// column is dropped when what earlier columns and effects leave of it is below
// 1e-9 of its variation.
func (f *Fit) selectColumns(x [][]float64) error {
	n := len(f.w)
	f.Dropped = make([]bool, len(x))
	var sw float64
	used := 0
	for i, w := range f.w {
		sw += w
		if f.Used[i] {
			used++
		}
	}
	f.N = used
	if used == 0 || sw == 0 {
		return tooFew("no usable rows")
	}
	f.abs.setWeights(f.w)
	f.xt = make([][]float64, len(x))
	limit := make([]float64, len(x))
	for j, c := range x {
		var m float64
		if f.abs.eff.Group != nil {
			for i, w := range f.w {
				m += float64(w * c[i])
			}
			m /= sw
		}
		for i, w := range f.w {
			limit[j] += float64(float64(w*(c[i]-m)) * (c[i] - m))
		}
		// The second term catches a column whose whole variation is rounding.
		limit[j] = float64(1e-9*limit[j]) + float64(1e-24*sw*m*m)
	}
	Parallel(len(x), func(j int) {
		f.xt[j] = append(make([]float64, 0, n), x[j]...)
		f.abs.project(f.xt[j])
	})
	gram := f.gram()
	choleskyDrop(gram, len(x), limit, f.Dropped)
	for j, d := range f.Dropped {
		if !d {
			f.kept = append(f.kept, j)
		}
	}
	f.xt = make([][]float64, len(f.kept))
	for k := range f.xt {
		f.xt[k] = make([]float64, n)
	}
	return nil
}

// solve residualises the kept columns and z at the current weights, sets Beta
// and replaces z by the residual of the whole regression.
func (f *Fit) solve(x [][]float64, z []float64) error {
	f.abs.setWeights(f.w)
	k := len(f.kept)
	Parallel(k+1, func(j int) {
		if j == k {
			f.abs.project(z)
			return
		}
		copy(f.xt[j], x[f.kept[j]])
		f.abs.project(f.xt[j])
	})
	f.chol = f.gram()
	drop := make([]bool, k)
	choleskyDrop(f.chol, k, make([]float64, k), drop)
	for _, d := range drop {
		if d {
			return ErrNotConverged
		}
	}
	b := f.inner(z)
	forward(f.chol, k, drop, b)
	backward(f.chol, k, drop, b)
	f.Beta = make([]float64, len(f.Dropped))
	for j, v := range b {
		f.Beta[f.kept[j]] = v
	}
	axpyColumns(z, f.xt, b)
	return nil
}

// axpyColumns subtracts Σ b·column from z.
func axpyColumns(z []float64, cols [][]float64, b []float64) {
	for j, c := range cols {
		v := b[j]
		for i, ci := range c {
			z[i] -= float64(v * ci)
		}
	}
}

const chunk = 2048 // rows per block of the blocked sums; fixed, so that sums never depend on the machine

// gram returns the lower triangle of X̃'WX̃ of the columns in f.xt.
func (f *Fit) gram() []float64 {
	k, n := len(f.xt), len(f.w)
	blocks := (n + chunk - 1) / chunk
	part := make([][]float64, blocks)
	Parallel(blocks, func(b int) {
		lo, hi := b*chunk, min(n, (b+1)*chunk)
		g := make([]float64, k*k)
		wx := make([]float64, hi-lo)
		for j := range k {
			for i := lo; i < hi; i++ {
				wx[i-lo] = f.w[i] * f.xt[j][i]
			}
			for m := 0; m <= j; m++ {
				g[j*k+m] = dot(wx, f.xt[m][lo:hi])
			}
		}
		part[b] = g
	})
	out := make([]float64, k*k)
	for _, g := range part {
		for i, v := range g {
			out[i] += v
		}
	}
	return out
}

// inner returns X̃'Wv.
func (f *Fit) inner(v []float64) []float64 {
	n := len(f.w)
	wv := make([]float64, n)
	for i, w := range f.w {
		wv[i] = w * v[i]
	}
	out := make([]float64, len(f.xt))
	for j, c := range f.xt {
		for lo := 0; lo < n; lo += chunk {
			hi := min(n, lo+chunk)
			out[j] += dot(wv[lo:hi], c[lo:hi])
		}
	}
	return out
}

// finish sets what follows from residuals and rank.
func (f *Fit) finish(p *Panel) error {
	if !finite(f.Eta, f.Beta) {
		return ErrNotConverged
	}
	absorbed, _ := f.abs.rank()
	f.Rank = absorbed + len(f.kept)
	if f.N <= f.Rank {
		return tooFew("%d rows for %d parameters", f.N, f.Rank)
	}
	var ss float64
	for _, r := range f.Resid {
		ss += float64(r * r)
	}
	f.Dispersion = ss / float64(f.N-f.Rank)
	return nil
}

// position returns where column col sits among the kept ones, or −1.
func (f *Fit) position(col int) int {
	for k, j := range f.kept {
		if j == col {
			return k
		}
	}
	return -1
}

// row returns the row of (X̃'WX̃)⁻¹ that belongs to kept position k.
func (f *Fit) row(k int) []float64 {
	n := len(f.kept)
	e, drop := make([]float64, n), make([]bool, n)
	e[k] = 1
	forward(f.chol, n, drop, e)
	backward(f.chol, n, drop, e)
	return e
}

// ModelSE returns the standard error of column col under variance = scale ×
// weight⁻¹: scale 1 is the Poisson one, Dispersion the quasi-Poisson or the
// least-squares one.
func (f *Fit) ModelSE(col int, scale float64) (float64, error) {
	k := f.position(col)
	if k < 0 {
		return 0, tooFew("column %d was dropped", col)
	}
	return math.Sqrt(scale * f.row(k)[k]), nil
}

// Partial returns column col net of every other column and effect, scaled by
// the root of the fitted weight √μ̂ on every row (outside Used too, with the
// fit's coefficients): the q of the shift test. root gives √weight per row.
func (f *Fit) Partial(col int, root []float64) ([]float64, error) {
	k := f.position(col)
	if k < 0 {
		return nil, tooFew("column %d was dropped", col)
	}
	m := f.row(k)
	q := make([]float64, len(f.w))
	for j, c := range f.xt {
		v := m[j] / m[k]
		for i, ci := range c {
			q[i] += float64(v * ci)
		}
	}
	for i := range q {
		q[i] *= root[i]
	}
	return q, nil
}

// Residualise returns a new column net of every column and effect of the fit
// at its final weights, unscaled, on every row. ok is false when the column
// depends on them.
func (f *Fit) Residualise(x []float64) (resid []float64, ok bool) {
	z := append([]float64(nil), x...)
	var before, sw, m float64
	for i, w := range f.w {
		sw += w
		m += float64(w * x[i])
	}
	m /= sw
	for i, w := range f.w {
		before += float64(float64(w*(x[i]-m)) * (x[i] - m))
	}
	f.abs.project(z)
	b, drop := f.inner(z), make([]bool, len(f.kept))
	forward(f.chol, len(f.kept), drop, b)
	backward(f.chol, len(f.kept), drop, b)
	axpyColumns(z, f.xt, b)
	var after float64
	for i, w := range f.w {
		after += float64(float64(w*z[i]) * z[i])
	}
	return z, after > 1e-9*before && before > 0
}
