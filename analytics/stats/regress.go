package stats

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Linear is an ordinary least-squares fit.
type Linear struct {
	Beta    []float64 `json:"beta"`
	SE      []float64 `json:"se"`       // classical standard errors
	ResidSD float64   `json:"resid_sd"` // √(RSS / DF)
	R2      float64   `json:"r2"`       // centred when a column is constant, else uncentred
	DF      int       `json:"df"`       // n − number of columns
}

// FitQR regresses y on the columns by Householder QR of the column-scaled
// matrix (scales are powers of two, so scaling costs no digit), followed by
// iterative refinement of estimates and residuals together with sums in twice
// the precision (Björck, BIT 7, 1967). It needs more rows than columns and
// independent columns.
func FitQR(y []float64, columns [][]float64) (*Linear, error) {
	n, k := len(y), len(columns)
	for _, c := range columns {
		if len(c) != n {
			return nil, badInput("a column has %d rows, the outcome %d", len(c), n)
		}
		if !finite(c) {
			return nil, badInput("a value is not finite")
		}
	}
	if !finite(y) {
		return nil, badInput("a value is not finite")
	}
	if k == 0 || n <= k {
		return nil, tooFew("%d rows for %d columns", n, k)
	}
	scale := make([]float64, k)
	a := mat.NewDense(n, k, nil)
	constant := false
	for j, c := range columns {
		var m float64
		same := true
		for _, v := range c {
			m = max(m, math.Abs(v))
			same = same && v == c[0]
		}
		if m == 0 {
			return nil, tooFew("column %d is zero", j)
		}
		constant = constant || same
		_, e := math.Frexp(m)
		scale[j] = math.Ldexp(1, -e)
		for i, v := range c {
			a.Set(i, j, v*scale[j])
		}
	}
	var qr mat.QR
	qr.Factorize(a)
	var r mat.Dense
	qr.RTo(&r)
	for j := range k {
		var norm float64
		for i := 0; i <= j; i++ {
			norm = math.Hypot(norm, r.At(i, j))
		}
		if math.Abs(r.At(j, j)) <= 1e-15*norm {
			return nil, tooFew("column %d depends on those before it", j)
		}
	}
	ref := refiner{qr: &qr, a: a, y: y}
	b := ref.solve(y, false)
	res := ref.refine(b)

	fit := &Linear{Beta: make([]float64, k), SE: make([]float64, k), DF: n - k}
	var rss float64
	for _, e := range res {
		rss += float64(e * e)
	}
	fit.ResidSD = math.Sqrt(rss / float64(n-k))
	for j := range k {
		fit.Beta[j] = b[j] * scale[j]
		// Row j of R⁻¹ by back substitution on the unit vectors.
		var ss float64
		x := make([]float64, k)
		for c := j; c < k; c++ {
			// x solves x'R = e_c restricted to row j: (R⁻¹)[j][c].
			if c == j {
				x[c] = 1 / r.At(j, j)
			} else {
				var s float64
				for m := j; m < c; m++ {
					s += float64(x[m] * r.At(m, c))
				}
				x[c] = -s / r.At(c, c)
			}
			ss += float64(x[c] * x[c])
		}
		fit.SE[j] = fit.ResidSD * math.Sqrt(ss) * scale[j]
	}
	tss := 0.0
	if constant {
		_, tss = meanSS(y)
	} else {
		for _, v := range y {
			tss += float64(v * v)
		}
	}
	if tss > 0 {
		fit.R2 = 1 - rss/tss
	}
	return fit, nil
}
