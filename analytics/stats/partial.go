package stats

import "math"

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
