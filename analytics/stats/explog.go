package stats

import "math"

// Exp and Log are pure Go with every product rounded before it is added, so
// that they give the same bits on every CPU. math.Exp takes fused instructions
// where the processor has them, math.Log differs between architectures. Both
// stay within 2 units in the last place of the true value.

const (
	ln2Hi = 0x1.62e42feep-1       // ln 2 with 20 low bits zero: k·ln2Hi is exact
	ln2Lo = 0x1.a39ef35793c76p-33 // ln 2 − ln2Hi
)

// expTerms are 1/n! from n = 13 down to 2.
var expTerms = [...]float64{
	1.0 / 6227020800, 1.0 / 479001600, 1.0 / 39916800, 1.0 / 3628800, 1.0 / 362880, 1.0 / 40320,
	1.0 / 5040, 1.0 / 720, 1.0 / 120, 1.0 / 24, 1.0 / 6, 1.0 / 2,
}

// Exp returns e^x: x = k·ln 2 + r with |r| ≤ ln 2 / 2, then the Taylor series
// of e^r to r¹³. Out of range it returns 0 or +Inf, NaN for NaN.
func Exp(x float64) float64 {
	switch {
	case math.IsNaN(x):
		return x
	case x > 709.79:
		return math.Inf(1)
	case x < -745.2:
		return 0
	}
	k := math.RoundToEven(x / math.Ln2)
	hi := x - float64(k*ln2Hi)
	lo := float64(k * ln2Lo)
	r := hi - lo
	rest := (hi - r) - lo
	p := expTerms[0]
	for _, t := range expTerms[1:] {
		p = float64(p*r) + t
	}
	// e^r = 1 + (r + (rest + r²·p)).
	return math.Ldexp(1+(r+(rest+float64(float64(r*r)*p))), int(k))
}

// logTerms are 1/(2n + 1) from n = 11 down to 1.
var logTerms = [...]float64{
	1.0 / 23, 1.0 / 21, 1.0 / 19, 1.0 / 17, 1.0 / 15, 1.0 / 13, 1.0 / 11, 1.0 / 9, 1.0 / 7, 1.0 / 5, 1.0 / 3,
}

// Log returns ln x: x = 2^k·m with m in [√½, √2), then the series
// ln m = 2(s + s³/3 + s⁵/5 + …), s = (m − 1)/(m + 1). Log(0) is −Inf, the
// logarithm of a negative number NaN.
func Log(x float64) float64 {
	switch {
	case math.IsNaN(x) || x < 0:
		return math.NaN()
	case x == 0:
		return math.Inf(-1)
	case math.IsInf(x, 1):
		return x
	}
	m, e := math.Frexp(x)
	if m < math.Sqrt2/2 {
		m *= 2
		e--
	}
	f := m - 1
	s := f / (2 + f)
	z := float64(s * s)
	p := logTerms[0]
	for _, t := range logTerms[1:] {
		p = float64(p*z) + t
	}
	// 2s = f − s·f exactly in real numbers, and f carries no error.
	k := float64(e)
	tail := float64(s*f) - float64(float64(2*s)*float64(z*p)) - float64(k*ln2Lo)
	return float64(k*ln2Hi) + (f - tail)
}
