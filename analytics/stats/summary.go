package stats

import (
	"math"
	"slices"
)

// Sum adds x in order with Neumaier's compensation (Neumaier, ZAMM 54, 1974):
// the error does not grow with the number of terms.
func Sum(x []float64) float64 {
	var s, c float64
	for _, v := range x {
		t := s + v
		if math.Abs(s) >= math.Abs(v) {
			c += (s - t) + v
		} else {
			c += (v - t) + s
		}
		s = t
	}
	return s + c
}

// Summary describes one sample. Units are those of the values.
type Summary struct {
	N    int     `json:"n"`
	Mean float64 `json:"mean"`
	SD   float64 `json:"sd"` // divisor n − 1
	Min  float64 `json:"min"`
	Max  float64 `json:"max"`
}

// Summarize returns size, mean, standard deviation (two passes, divisor n − 1)
// and range. It needs two values.
func Summarize(x []float64) (Summary, error) {
	if !finite(x) {
		return Summary{}, badInput("a value is not finite")
	}
	if len(x) < 2 {
		return Summary{}, tooFew("a standard deviation needs 2 values, got %d", len(x))
	}
	m, ss := meanSSExact(x)
	return Summary{
		N: len(x), Mean: m, SD: math.Sqrt(ss / float64(len(x)-1)),
		Min: slices.Min(x), Max: slices.Max(x),
	}, nil
}

// Mean returns the arithmetic mean. It needs one value.
func Mean(x []float64) (float64, error) {
	if !finite(x) {
		return 0, badInput("a value is not finite")
	}
	if len(x) == 0 {
		return 0, tooFew("a mean needs 1 value")
	}
	return Sum(x) / float64(len(x)), nil
}

// SD returns the standard deviation with divisor n − 1. It needs two values.
func SD(x []float64) (float64, error) {
	s, err := Summarize(x)
	return s.SD, err
}

// meanSS returns the mean and the sum of squared deviations from it, with the
// correction (Σd)²/n of Chan, Golub and LeVeque (Am. Stat. 37, 1983) for the
// rounding of the mean.
func meanSS(x []float64) (mean, ss float64) {
	n := float64(len(x))
	mean = Sum(x) / n
	var d1 float64
	for _, v := range x {
		d := v - mean
		d1 += d
		ss += float64(d * d)
	}
	return mean, ss - float64(d1*d1)/n
}

// meanSSExact is meanSS with the squares added as in Sum. Correlations, whose
// last bits kept studies hold, stay with the plain sum.
func meanSSExact(x []float64) (mean, ss float64) {
	n := float64(len(x))
	mean = Sum(x) / n
	var d1 float64
	sq := make([]float64, len(x))
	for i, v := range x {
		d := v - mean
		d1 += d
		sq[i] = d * d
	}
	return mean, Sum(sq) - float64(d1*d1)/n
}

// Lag1 returns the lag-1 autocorrelation Σ(y_i−ȳ)(y_{i+1}−ȳ) / Σ(y_i−ȳ)², as
// NIST StRD defines it. It needs two values that differ.
func Lag1(x []float64) (float64, error) {
	if !finite(x) {
		return 0, badInput("a value is not finite")
	}
	if len(x) < 2 {
		return 0, tooFew("an autocorrelation needs 2 values, got %d", len(x))
	}
	m, ss := meanSSExact(x)
	if ss <= 0 {
		return 0, tooFew("all values are equal")
	}
	c := make([]float64, len(x)-1)
	for i := range c {
		c[i] = (x[i] - m) * (x[i+1] - m)
	}
	return Sum(c) / ss, nil
}

// Quantile types of Hyndman and Fan (Am. Stat. 50, 1996).
const (
	Type6 = 6 // p(n+1): the type of Minitab and most control-chart books
	Type7 = 7 // 1 + p(n−1): the default of R and NumPy
)

// Quantile returns the p-quantile of x (any order; x is not changed) by
// interpolation of the given Hyndman–Fan type. It needs one value.
func Quantile(x []float64, p float64, typ int) (float64, error) {
	if !finite(x) || !(p >= 0 && p <= 1) {
		return 0, badInput("a value is not finite or the share %v is outside 0…1", p)
	}
	if len(x) == 0 {
		return 0, tooFew("a quantile needs 1 value")
	}
	s := slices.Clone(x)
	slices.Sort(s)
	n := float64(len(s))
	var h float64
	switch typ {
	case Type6:
		h = p * (n + 1)
	case Type7:
		h = 1 + float64(p*(n-1))
	default:
		return 0, badInput("quantile type %d; 6 and 7 exist", typ)
	}
	h = min(max(h, 1), n)
	lo := math.Floor(h)
	f := h - lo
	v := s[int(lo)-1]
	if f > 0 && int(lo) < len(s) {
		v += float64(f * (s[int(lo)] - v))
	}
	return v, nil
}

// Median is the 0.5-quantile (both types agree).
func Median(x []float64) (float64, error) { return Quantile(x, 0.5, Type7) }
