package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// TQuantile returns the p-quantile of Student's t with df > 0 degrees of
// freedom (df need not be whole).
func TQuantile(p, df float64) (float64, error) {
	if !(p > 0 && p < 1) || !(df > 0) {
		return 0, badInput("t quantile of p %v, df %v", p, df)
	}
	if math.IsInf(df, 1) || df > 1e7 {
		return distuv.UnitNormal.Quantile(p), nil
	}
	v := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(p)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, tooFew("t quantile of p %v, df %v is out of range", p, df)
	}
	return v, nil
}

// TTwoSided returns P(|T| ≥ |t|) for Student's t with df > 0.
func TTwoSided(t, df float64) (float64, error) {
	if math.IsNaN(t) || !(df > 0) {
		return 0, badInput("t %v with df %v", t, df)
	}
	if math.IsInf(df, 1) || df > 1e7 {
		return math.Erfc(math.Abs(t) / math.Sqrt2), nil
	}
	return min(1, 2*distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.CDF(-math.Abs(t))), nil
}

// ChiSquareUpper returns P(X ≥ x) for chi-square with df > 0.
func ChiSquareUpper(x, df float64) (float64, error) {
	if math.IsNaN(x) || !(df > 0) {
		return 0, badInput("chi-square %v with df %v", x, df)
	}
	if x <= 0 {
		return 1, nil
	}
	return distuv.ChiSquared{K: df}.Survival(x), nil
}

// ChiSquareQuantile returns the p-quantile of chi-square with df > 0.
func ChiSquareQuantile(p, df float64) (float64, error) {
	if !(p > 0 && p < 1) || !(df > 0) {
		return 0, badInput("chi-square quantile of p %v, df %v", p, df)
	}
	return distuv.ChiSquared{K: df}.Quantile(p), nil
}

// FUpper returns P(F ≥ f) for F with d1 and d2 degrees of freedom.
func FUpper(f, d1, d2 float64) (float64, error) {
	if math.IsNaN(f) || !(d1 > 0 && d2 > 0) {
		return 0, badInput("F %v with df %v, %v", f, d1, d2)
	}
	if f <= 0 {
		return 1, nil
	}
	return distuv.F{D1: d1, D2: d2}.Survival(f), nil
}

// NormalQuantile returns the p-quantile of the standard normal, 0 < p < 1.
func NormalQuantile(p float64) (float64, error) {
	if !(p > 0 && p < 1) {
		return 0, badInput("normal quantile of p %v", p)
	}
	return distuv.UnitNormal.Quantile(p), nil
}

// Interval is a two-sided interval at the confidence level asked for.
type Interval struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Wilson returns the score interval of a share of k out of n (Wilson, JASA 22,
// 1927) at level 0 < level < 1.
func Wilson(k, n int, level float64) (Interval, error) {
	if n < 1 {
		return Interval{}, tooFew("a share needs 1 trial")
	}
	if k < 0 || k > n || !(level > 0 && level < 1) {
		return Interval{}, badInput("%d of %d at level %v", k, n, level)
	}
	z := distuv.UnitNormal.Quantile(0.5 + level/2)
	nf, p := float64(n), float64(k)/float64(n)
	d := 1 + z*z/nf
	mid := (p + z*z/(2*nf)) / d
	h := z / d * math.Sqrt(p*(1-p)/nf+z*z/(4*nf*nf))
	iv := Interval{Low: max(0, mid-h), High: min(1, mid+h)}
	if k == 0 {
		iv.Low = 0
	}
	if k == n {
		iv.High = 1
	}
	return iv, nil
}
