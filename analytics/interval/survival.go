package interval

import (
	"fmt"
	"math"
	"slices"

	"github.com/downweb/downweb/analytics/stats"
)

// Life is one stretch of use: its length (in whatever unit the clock counts:
// km, hours), and whether it ended in a failure. Not failed: it was still good
// when it was ended or last seen (right-censored).
type Life struct {
	Time   float64
	Failed bool
}

// Step of a survival curve, at a time at which something failed.
type Step struct {
	Time   float64
	AtRisk int
	Failed int
	// Survival just after Time, its Greenwood standard error, and 95 % limits
	// by the log transform (Kalbfleisch & Prentice, The Statistical Analysis of
	// Failure Time Data, 2nd ed. 2002, 1.4, from memory), cut to 0 … 1.
	Survival, SE, Low, High float64
	// Hazard is Nelson and Aalen's cumulative hazard.
	Hazard float64
}

func checked(lives []Life) ([]Life, int, error) {
	failed := 0
	for _, l := range lives {
		if !(l.Time > 0) || math.IsInf(l.Time, 0) {
			return nil, 0, fmt.Errorf("%w: a life of length %v", stats.ErrInput, l.Time)
		}
		if l.Failed {
			failed++
		}
	}
	s := slices.Clone(lives)
	slices.SortFunc(s, func(a, b Life) int {
		switch {
		case a.Time < b.Time:
			return -1
		case a.Time > b.Time:
			return 1
		case a.Failed && !b.Failed: // a life censored at a failure's time was at risk of it
			return -1
		case b.Failed && !a.Failed:
			return 1
		}
		return 0
	})
	return s, failed, nil
}

// KaplanMeier is the product-limit curve (Kaplan & Meier, JASA 53 (1958)
// 457–481) with Greenwood's variance. No life, or none that failed, is
// ErrTooFew.
func KaplanMeier(lives []Life) ([]Step, error) {
	s, failed, err := checked(lives)
	if err != nil {
		return nil, err
	}
	if failed == 0 {
		return nil, fmt.Errorf("%w: none of %d lives failed", stats.ErrTooFew, len(lives))
	}
	var out []Step
	surv, greenwood, hazard := 1.0, 0.0, 0.0
	for i := 0; i < len(s); {
		j, d := i, 0
		for ; j < len(s) && s[j].Time == s[i].Time; j++ {
			if s[j].Failed {
				d++
			}
		}
		if n := len(s) - i; d > 0 {
			surv *= float64(n-d) / float64(n)
			hazard += float64(d) / float64(n)
			step := Step{Time: s[i].Time, AtRisk: n, Failed: d, Survival: surv, Hazard: hazard}
			if n > d {
				greenwood += float64(d) / (float64(n) * float64(n-d))
				se := math.Sqrt(greenwood)
				step.SE = surv * se
				step.Low, step.High = surv*math.Exp(-z975*se), min(1, surv*math.Exp(z975*se))
			}
			out = append(out, step)
		}
		i = j
	}
	return out, nil
}

// z975 is the 97.5 % point of the standard normal distribution.
const z975 = 1.959963984540054

// MedianLife is the first time at which survival is at most one half; ok false:
// the curve does not fall so far.
func MedianLife(curve []Step) (t float64, ok bool) {
	for _, s := range curve {
		if s.Survival <= 0.5 {
			return s.Time, true
		}
	}
	return 0, false
}
