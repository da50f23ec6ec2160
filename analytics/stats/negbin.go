package stats

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// NegativeBinomial is a converged NB2 regression. Its Fit can be used like any
// other: Robust, ModelSE with scale 1 (θ taken as known), Partial.
type NegativeBinomial struct {
	*Fit
	Theta   float64 // Var[y] = μ + μ²/Theta
	SETheta float64 // from the observed information at fixed μ
	LogLik  float64
}

// thetaMost is where the spread beyond Poisson can no longer be told from none.
const thetaMost = 1e5

// FitNegativeBinomial fits E[y] = μ = exp(offset + effects + Xβ), Var[y] =
// μ + μ²/θ, by maximum likelihood in β and θ in turn until neither moves
// (Venables and Ripley, Modern Applied Statistics with S, 4th ed. 2002, 7.4):
// β by iteratively reweighted least squares with weights μ/(1 + μ/θ), θ by
// Newton's method on log θ. The outcome must be counts: whole numbers from 0.
// Counts that spread no more than Poisson have no finite θ: ErrTooFew.
// Weights and Use must be nil or all; rows of groups without any count are
// left out as in FitPoisson.
func FitNegativeBinomial(p Panel) (*NegativeBinomial, error) {
	for _, v := range p.Y {
		if v != math.Trunc(v) {
			return nil, badInput("outcome %v is not a count", v)
		}
	}
	first, err := FitPoisson(p)
	if err != nil {
		return nil, err
	}
	f, err := newFit(&p)
	if err != nil {
		return nil, err
	}
	copy(f.Used, first.Used)
	copy(f.w, first.w)
	f.Separated = first.Separated
	if err := f.selectColumns(p.X); err != nil {
		return nil, err
	}
	f.Eta, f.Mu = append([]float64(nil), first.Eta...), append([]float64(nil), first.Mu...)
	out := &NegativeBinomial{Fit: f}
	err = f.reweighted(&p, 20*MaxIterations, func() (bool, error) {
		if err := f.expect(); err != nil {
			return false, err
		}
		theta, se, err := thetaML(p.Y, f.Mu, f.Used, out.Theta)
		if err != nil {
			return false, err
		}
		moved := math.Abs(theta-out.Theta) / theta
		out.Theta, out.SETheta = theta, se
		f.weighNB(theta)
		return moved < Tolerance, nil
	})
	if err != nil {
		return nil, err
	}
	if err := f.expect(); err != nil {
		return nil, err
	}
	f.weighNB(out.Theta)
	if err := f.finalColumns(p.X); err != nil {
		return nil, err
	}
	th := out.Theta
	for i, mu := range f.Mu {
		if !f.Used[i] {
			continue
		}
		y := p.Y[i]
		f.Resid[i] = (y - mu) / math.Sqrt(mu*(1+mu/th))
		// 2·[y·ln(y/μ) − (y+θ)·ln((y+θ)/(μ+θ))]
		d := float64(-(y + th) * Log((y+th)/(mu+th)))
		if y > 0 {
			d += float64(y * Log(y/mu))
		}
		f.Deviance += 2 * d
		g, _ := math.Lgamma(th + y)
		g0, _ := math.Lgamma(th)
		g1, _ := math.Lgamma(y + 1)
		out.LogLik += g - g0 - g1 + float64(th*Log(th)) - float64((th+y)*Log(th+mu))
		if y > 0 {
			out.LogLik += float64(y * Log(mu))
		}
	}
	return out, f.finish(&p)
}

// weighNB sets the weights μ/(1 + μ/θ).
func (f *Fit) weighNB(theta float64) {
	for i, mu := range f.Mu {
		f.w[i] = 0
		if f.Used[i] {
			f.w[i] = mu / (1 + mu/theta)
		}
	}
}

// thetaML solves Σ ψ(θ+y) − ψ(θ) + ln θ + 1 − ln(θ+μ) − (y+θ)/(μ+θ) = 0 for
// θ; se is 1/√(observed information).
func thetaML(y, mu []float64, used []bool, start float64) (theta, se float64, err error) {
	score := func(t float64) (s, info float64) {
		d, tri := mathext.Digamma(t), mathext.Zeta(2, t)
		for i, m := range mu {
			if !used[i] {
				continue
			}
			s += mathext.Digamma(t+y[i]) - d + Log(t) + 1 - Log(t+m) - (y[i]+t)/(m+t)
			info += -mathext.Zeta(2, t+y[i]) + tri - 1/t + 2/(m+t) - (y[i]+t)/((m+t)*(m+t))
		}
		return s, info
	}
	if !(start > 0) {
		// Moments: Σ((y/μ − 1)²) ≈ Σ 1/θ.
		var n, s float64
		for i, m := range mu {
			if used[i] {
				n++
				s += float64((y[i]/m - 1) * (y[i]/m - 1))
			}
		}
		start = n / s
	}
	// The score is positive below the root and negative above: bracket, then
	// Newton steps that stay inside.
	lo, hi := 1e-8, thetaMost
	if s, _ := score(hi); s > 0 {
		return 0, 0, tooFew("the counts spread no more than Poisson: no θ")
	}
	if s, _ := score(lo); s < 0 {
		return 0, 0, tooFew("θ below %g", lo)
	}
	theta = min(max(start, lo*2), hi/2)
	for range 200 {
		s, info := score(theta)
		if s > 0 {
			lo = theta
		} else {
			hi = theta
		}
		// Newton on log θ: d/dlogθ = θ·s, second derivative about θ²·(−info) + θ·s.
		next := theta * Exp(s/(float64(theta*info)-s))
		if !(next > lo && next < hi) {
			next = math.Sqrt(lo * hi)
		}
		if math.Abs(next-theta) <= 1e-14*theta {
			theta = next
			break
		}
		theta = next
	}
	_, info := score(theta)
	if !(info > 0) {
		return 0, 0, ErrNotConverged
	}
	return theta, 1 / math.Sqrt(info), nil
}
