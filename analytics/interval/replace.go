package interval

import (
	"fmt"
	"math"

	"github.com/downweb/downweb/analytics/stats"
)

// Replacement is the age at which planned replacement costs least.
type Replacement struct {
	// Age of planned replacement; 0 with RunToFailure.
	Age float64
	// Rate is the cost a unit of age at that age; RateRunToFailure without
	// planned replacement.
	Rate, RateRunToFailure float64
	// RunToFailure: no finite age is cheaper, e.g. as lives do not wear.
	RunToFailure bool
}

// AgeReplacement minimises, over T, the long-run cost rate of replacing at
// failure (cost failure) or at age T (cost planned), whichever comes first:
//
//	C(T) = (planned·S(T) + failure·(1−S(T))) / ∫₀ᵀ S
//
// (Barlow & Hunter, Operations Research 8 (1960) 90–100, from memory.) survival
// falls from 1 at age 0; most is an age by which it is 0 to working precision,
// mean its integral. Costs are in one currency, planned below failure, else the
// answer is to run to failure.
func AgeReplacement(survival func(t float64) float64, mean, most, planned, failure float64) (Replacement, error) {
	if !(planned > 0 && failure > 0 && mean > 0 && most > 0) || math.IsInf(most, 0) || math.IsInf(failure, 0) {
		return Replacement{}, fmt.Errorf("%w: costs %v, %v, mean %v, longest %v", stats.ErrInput, planned, failure, mean, most)
	}
	out := Replacement{RateRunToFailure: failure / mean, RunToFailure: true, Rate: failure / mean}
	if planned >= failure {
		return out, nil
	}
	// ∫S on a fine grid by Simpson's rule, then the least C refined by a golden
	// section between the grid's neighbors.
	const n = 4000
	h := most / n
	integral := make([]float64, n+1)
	for i := 1; i <= n; i++ {
		a := float64(i-1) * h
		integral[i] = integral[i-1] + h/6*(survival(a)+4*survival(a+h/2)+survival(a+h))
	}
	cost := func(t float64) float64 {
		i := min(int(t/h), n)
		a := float64(i) * h
		d := t - a
		area := integral[i] + d/6*(survival(a)+4*survival(a+d/2)+survival(t))
		s := survival(t)
		return (planned*s + failure*(1-s)) / area
	}
	best, at := math.Inf(1), 0
	for i := 1; i <= n; i++ {
		if c := cost(float64(i) * h); c < best {
			best, at = c, i
		}
	}
	lo, hi := float64(at-1)*h, math.Min(float64(at+1)*h, most)
	lo = math.Max(lo, h*1e-6)
	const golden = 0.6180339887498949
	for range 200 {
		a, b := hi-golden*(hi-lo), lo+golden*(hi-lo)
		if cost(a) < cost(b) {
			hi = b
		} else {
			lo = a
		}
	}
	t := (lo + hi) / 2
	if c := cost(t); at < n && c < out.RateRunToFailure*(1-1e-9) {
		out = Replacement{Age: t, Rate: c, RateRunToFailure: out.RateRunToFailure}
	}
	return out, nil
}

// Replace is AgeReplacement of a Weibull distribution. With a shape of at most
// 1 lives do not wear, and the answer is to run to failure.
func (w Weibull) Replace(planned, failure float64) (Replacement, error) {
	if w.Beta <= 1 {
		return Replacement{RunToFailure: true, Rate: failure / w.Mean(), RateRunToFailure: failure / w.Mean()}, nil
	}
	return AgeReplacement(w.Survival, w.Mean(), w.Quantile(1-1e-12), planned, failure)
}
