package interval

import (
	"fmt"
	"math"

	"github.com/downweb/downweb/analytics/stats"
)

// MinFailures below which no Weibull distribution is fitted for advice.
const MinFailures = 10

// Weibull distribution of lives: survival exp(-(t/Eta)^Beta).
type Weibull struct {
	Beta, Eta float64
	// BetaLow, BetaHigh: 95 % interval by the normal limits of log Beta.
	BetaLow, BetaHigh float64
	// SEs by the observed information (delta method).
	SEBeta, SEEta float64
	// covLog is the covariance of log Eta and log Beta.
	covLog float64
	LogLik float64
	// N lives, Failures of them failed.
	N, Failures int
	// PExponential is the p-value of the likelihood ratio test of Beta = 1.
	PExponential float64
}

// FitWeibull is the maximum likelihood fit with right-censoring. The profile
// equation of the shape (e.g. Lawless, Statistical Models and Methods for
// Lifetime Data, 2nd ed. 2003, 5.2, from memory),
//
//	Σ t^β log t / Σ t^β − 1/β − Σ_failed log t / r = 0,
//
// rises in β and is solved by bisection and Newton; then η^β = Σ t^β / r. Fewer
// than two failures, or all at one time, is ErrTooFew.
func FitWeibull(lives []Life) (Weibull, error) {
	s, r, err := checked(lives)
	if err != nil {
		return Weibull{}, err
	}
	distinct := map[float64]bool{}
	logMean, top := 0.0, 0.0
	for _, l := range s {
		top = max(top, l.Time)
		if l.Failed {
			distinct[l.Time] = true
			logMean += math.Log(l.Time)
		}
	}
	if r < 2 || len(distinct) < 2 && len(s) == r {
		return Weibull{}, fmt.Errorf("%w: %d failures at %d times", stats.ErrTooFew, r, len(distinct))
	}
	logMean /= float64(r)
	// Times are scaled by the longest, so that powers stay in range.
	sums := func(b float64) (s0, s1, s2 float64) {
		for _, l := range s {
			x := math.Log(l.Time / top)
			p := math.Exp(b * x)
			s0 += p
			s1 += p * x
			s2 += p * x * x
		}
		return
	}
	f := func(b float64) float64 {
		s0, s1, _ := sums(b)
		return s1/s0 - 1/b - (logMean - math.Log(top))
	}
	lo, hi := 1e-3, 1.0
	for f(hi) < 0 {
		if hi *= 2; hi > 1e4 {
			return Weibull{}, fmt.Errorf("%w: the failures lie too close together for a shape", stats.ErrTooFew)
		}
	}
	if f(lo) > 0 {
		return Weibull{}, fmt.Errorf("%w: the lives are too spread for a shape", stats.ErrTooFew)
	}
	for range 200 {
		if mid := (lo + hi) / 2; f(mid) < 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	w := Weibull{Beta: (lo + hi) / 2, N: len(s), Failures: r}
	s0, s1, s2 := sums(w.Beta)
	w.Eta = top * math.Pow(s0/float64(r), 1/w.Beta)
	w.LogLik = weibullLogLik(s, w.Beta, w.Eta)
	// Observed information in (log η, log β): at the fit, with x = log(t/η),
	// Σ (t/η)^β = r, it is r·β² | −β(…); see Lawless, 5.2.
	le := math.Log(w.Eta / top)
	scale := math.Exp(-w.Beta * le)
	e0, e1, e2 := s0*scale, (s1-le*s0)*scale, (s2-2*le*s1+le*le*s0)*scale // Σ y, Σ y x, Σ y x², x from η
	b := w.Beta
	rr := float64(r)
	iee := b * b * e0
	// d²/d(log β)²: −Σ_failed β x + Σ (β x + β² x²) y, and the fit's score is 0.
	sumX := rr * (logMean - math.Log(w.Eta))
	ibb := -b*sumX + b*e1 + b*b*e2
	ieb := b*rr - b*e0 - b*b*e1
	det := iee*ibb - ieb*ieb
	if det > 0 && iee > 0 && ibb > 0 {
		varLogEta, varLogBeta := ibb/det, iee/det
		w.covLog = -ieb / det
		w.SEEta, w.SEBeta = w.Eta*math.Sqrt(varLogEta), w.Beta*math.Sqrt(varLogBeta)
		w.BetaLow, w.BetaHigh = w.Beta*math.Exp(-z975*math.Sqrt(varLogBeta)), w.Beta*math.Exp(z975*math.Sqrt(varLogBeta))
	}
	total := 0.0
	for _, l := range s {
		total += l.Time
	}
	lr := 2 * (w.LogLik - weibullLogLik(s, 1, total/rr))
	if w.PExponential, err = stats.ChiSquareUpper(max(0, lr), 1); err != nil {
		return Weibull{}, err
	}
	return w, nil
}

func weibullLogLik(s []Life, beta, eta float64) float64 {
	ll := 0.0
	for _, l := range s {
		x := math.Log(l.Time / eta)
		if l.Failed {
			ll += math.Log(beta/eta) + (beta-1)*x
		}
		ll -= math.Exp(beta * x)
	}
	return ll
}

// Survival at age t.
func (w Weibull) Survival(t float64) float64 { return math.Exp(-math.Pow(t/w.Eta, w.Beta)) }

// Mean life, η·Γ(1+1/β).
func (w Weibull) Mean() float64 { return w.Eta * math.Gamma(1+1/w.Beta) }

// SD is the standard deviation of a life.
func (w Weibull) SD() float64 {
	g1, g2 := math.Gamma(1+1/w.Beta), math.Gamma(1+2/w.Beta)
	return w.Eta * math.Sqrt(g2-g1*g1)
}

// Quantile is the age by which the share p has failed (p = 0.1: the "B10"
// life).
func (w Weibull) Quantile(p float64) float64 {
	return w.Eta * math.Pow(-math.Log1p(-p), 1/w.Beta)
}

// QuantileInterval is the 95 % interval of Quantile by the delta method on its
// logarithm, log Eta + log(−log(1−p))/Beta. ok is false where the fit gave no
// standard errors.
func (w Weibull) QuantileInterval(p float64) (low, high float64, ok bool) {
	if !(w.SEBeta > 0 && w.SEEta > 0) {
		return 0, 0, false
	}
	g := -math.Log(-math.Log1p(-p)) / w.Beta // derivative by log Beta
	e, b := w.SEEta/w.Eta, w.SEBeta/w.Beta
	v := e*e + g*g*b*b + 2*g*w.covLog
	if !(v >= 0) {
		return 0, 0, false
	}
	t := w.Quantile(p)
	return t * math.Exp(-z975*math.Sqrt(v)), t * math.Exp(z975*math.Sqrt(v)), true
}
