package stats

import "math"

// Constants of a chart of individual values with moving ranges of two, in
// closed form for normal values: d2 = 2/√π and d3 = √(2 − 4/π) are mean and
// standard deviation of the range of two, E2 = 3/d2 and D4 = 1 + 3·d3/d2.
// Handbook tables print E2 as 2.66 and D4 as 3.267, some 3.268 (from d2 and d3
// rounded before dividing); the exact values, 2.6587 and 3.2665, are used here.
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
var (
	xmrD2 = 2 / math.Sqrt(math.Pi)
	xmrD3 = math.Sqrt(2 - 4/math.Pi)
	XmrE2 = 3 / xmrD2
	XmrD4 = 1 + 3*xmrD3/xmrD2
)

// XmrMin is how few values limits are drawn from (common practice, no source:
// fewer make limits that move with every new value).
const XmrMin = 8

// Xmr is a chart of individual values: the mean, the natural process limits
// mean ± E2 · mean moving range, and the upper limit D4 · mean moving range of
// the ranges themselves. Units are those of the values.
type Xmr struct {
	N          int
	Center     float64
	Low, High  float64
	MeanRange  float64
	RangeUpper float64
}

// Individuals draws the limits of values in order of time. It needs XmrMin
// values; moving ranges are taken between neighbors of the list, also where a
// step between them was left out of it.
func Individuals(values []float64) (Xmr, error) {
	if len(values) < XmrMin {
		return Xmr{N: len(values)}, tooFew("limits of variation need %d values, there are %d", XmrMin, len(values))
	}
	if !finite(values) {
		return Xmr{}, badInput("a value of the chart is not a finite number")
	}
	x := Xmr{N: len(values)}
	for i, v := range values {
		x.Center += v
		if i > 0 {
			x.MeanRange += math.Abs(v - values[i-1])
		}
	}
	x.Center /= float64(len(values))
	x.MeanRange /= float64(len(values) - 1)
	x.Low, x.High = x.Center-XmrE2*x.MeanRange, x.Center+XmrE2*x.MeanRange
	x.RangeUpper = XmrD4 * x.MeanRange
	return x, nil
}

// Sigma is the standard deviation that the chart works with: mean moving range
// ÷ d2.
func (x Xmr) Sigma() float64 { return x.MeanRange / xmrD2 }

// Z is how many sigmas a value stands from the center; 0 where the values do
// not vary.
func (x Xmr) Z(v float64) float64 {
	if x.MeanRange == 0 {
		return 0
	}
	return (v - x.Center) / x.Sigma()
}
