package interval

import "math"

// Shape of the growth of waste with the age of a clean.
type Shape uint8

// Shapes. The last two are what a log-linear model of the waste rate says.
const (
	Linear      Shape = iota // B · A
	Logarithmic              // B · log(1 + A)
	Exponential              // Base · (exp(B·A) − 1)
	Power                    // Base · ((1 + A)^B − 1)
)

// String says how it grows.
func (s Shape) String() string {
	switch s {
	case Linear, Exponential:
		return "waste that keeps growing with the km"
	}
	return "waste that grows fast after a clean and then flattens"
}

// Growth of waste with the age A of a clean, both in km: the extra waste in
// meters per km of web at age A, over that at age 0.
type Growth struct {
	Shape Shape
	// B, with its 95 % interval: m/km per km (linear), per unit of log; per km or
	// per unit of log of the rate's logarithm (exponential, power).
	B, Low, High float64
	// Base is the rate at age 0, m/km, that goes with B and with the ends of its
	// interval; of the exponential and power shapes only.
	Base, BaseLow, BaseHigh float64
}

// curve is a growth with one slope.
type curve struct {
	shape   Shape
	b, base float64
}

func (g Growth) mid() curve  { return curve{g.Shape, g.B, g.Base} }
func (g Growth) low() curve  { return curve{g.Shape, g.Low, g.BaseLow} }
func (g Growth) high() curve { return curve{g.Shape, g.High, g.BaseHigh} }

// at age a, m/km.
func (c curve) at(a float64) float64 {
	switch c.shape {
	case Logarithmic:
		return c.b * math.Log1p(a)
	case Exponential:
		return c.base * math.Expm1(c.b*a)
	case Power:
		return c.base * math.Expm1(c.b*math.Log1p(a))
	}
	return c.b * a
}

// area is the integral of at from 0 to t.
func (c curve) area(t float64) float64 {
	switch c.shape {
	case Logarithmic:
		return c.b * ((1+t)*math.Log1p(t) - t)
	case Exponential:
		x := c.b * t
		if math.Abs(x) < 1e-4 { // (e^x − 1)/x − 1 to x³
			return c.base * t * x * (0.5 + x*(1.0/6+x/24))
		}
		return c.base * t * (math.Expm1(x)/x - 1)
	case Power:
		if math.Abs(1+c.b) < 1e-12 {
			return c.base * (math.Log1p(t) - t)
		}
		return c.base * (math.Expm1((1+c.b)*math.Log1p(t))/(1+c.b) - t)
	}
	return c.b * t * t / 2
}

// cost rate of cleaning every t km, money per km: (k + m·∫₀ᵗ g) / t, where k is
// the marginal cost of one clean and m the money of a meter wasted.
func (c curve) cost(t, k, m float64) float64 { return (k + m*c.area(t)) / t }

// optimum of cost: the t with t·g(t) − ∫₀ᵗ g = k/m (the derivative of cost is
// 0 there; the left side rises with t where g does). For a linear growth it is
// √(2k/(m·b)). No growth: +Inf.
func (c curve) optimum(k, m float64) float64 {
	if !(c.b > 0) || !(m > 0) || c.shape >= Exponential && !(c.base > 0) {
		return math.Inf(1)
	}
	want := k / m
	if c.shape == Linear {
		return math.Sqrt(2 * want / c.b)
	}
	h := func(t float64) float64 { return t*c.at(t) - c.area(t) }
	lo, hi := 0.0, 1.0
	for h(hi) < want {
		if hi *= 2; hi > 1e12 {
			return math.Inf(1)
		}
	}
	for range 200 {
		if mid := (lo + hi) / 2; h(mid) < want {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// At age a, m/km.
func (g Growth) At(a float64) float64 { return g.mid().at(a) }

// Cost rate of cleaning every t km, money per km: (k + m·∫₀ᵗ g) / t.
func (g Growth) Cost(t, k, m float64) float64 { return g.mid().cost(t, k, m) }
