package stats

import (
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// MedianInterval returns the median of x and the distribution-free interval
// from the k-th smallest to the k-th largest value, k being the largest number
// with P(B < k) ≤ (1 − level)/2 for B binomial(n, 1/2), so that the interval
// holds the median with at least the level asked for. Source: Conover,
// Practical Nonparametric Statistics, 3rd ed., 1999, section 3.2. It needs so
// many values that k is at least 1: 6 at 95 %.
func MedianInterval(x []float64, level float64) (median float64, iv Interval, err error) {
	if !finite(x) || !(level > 0 && level < 1) {
		return 0, Interval{}, badInput("level %v, finite values", level)
	}
	n := len(x)
	k := 0
	b := distuv.Binomial{N: float64(n), P: 0.5}
	for 2*(k+1) <= n && b.CDF(float64(k)) <= (1-level)/2 {
		k++
	}
	if k == 0 {
		return 0, Interval{}, tooFew("an interval of the median at level %v needs more values than %d", level, n)
	}
	s := slices.Clone(x)
	slices.Sort(s)
	median, err = Quantile(s, 0.5, Type7)
	return median, Interval{Low: s[k-1], High: s[n-k]}, err
}
