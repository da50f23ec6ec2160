package stats

import "math"

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
