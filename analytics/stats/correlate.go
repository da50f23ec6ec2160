package stats

import (
	"cmp"
	"math"
	"slices"
)

// Correlation is a measure of association of two samples with its test
// against zero.
type Correlation struct {
	N         int     `json:"n"`
	Value     float64 `json:"value"`     // −1…1
	Statistic float64 `json:"statistic"` // t for Pearson and Spearman, z for Kendall
	DF        float64 `json:"df"`        // of t; 0 for Kendall
	P         float64 `json:"p"`         // two-sided
	Exact     bool    `json:"exact"`     // P is from the exact distribution
}

func checkPairs(x, y []float64, need int) error {
	if len(x) != len(y) {
		return badInput("samples of %d and %d values", len(x), len(y))
	}
	if !finite(x, y) {
		return badInput("a value is not finite")
	}
	if len(x) < need {
		return tooFew("%d pairs, %d needed", len(x), need)
	}
	return nil
}

// Pearson returns the product-moment correlation with t = r√(df/(1−r²)),
// df = n − 2. It needs three pairs and spread in both samples.
func Pearson(x, y []float64) (Correlation, error) {
	if err := checkPairs(x, y, 3); err != nil {
		return Correlation{}, err
	}
	mx, sx := meanSS(x)
	my, sy := meanSS(y)
	if sx <= 0 || sy <= 0 {
		return Correlation{}, tooFew("one sample has no spread")
	}
	var c float64
	for i := range x {
		c += float64((x[i] - mx) * (y[i] - my))
	}
	r := min(1, max(-1, c/math.Sqrt(sx)/math.Sqrt(sy)))
	out := Correlation{N: len(x), Value: r, DF: float64(len(x) - 2)}
	if d := 1 - float64(r*r); d > 0 {
		out.Statistic = r * math.Sqrt(out.DF/d)
		p, err := TTwoSided(out.Statistic, out.DF)
		if err != nil {
			return Correlation{}, err
		}
		out.P = p
	} else {
		// A perfect line: t is infinite, which JSON cannot carry.
		out.Statistic = math.Copysign(math.MaxFloat64, r)
	}
	return out, nil
}

// FisherInterval is the interval of a Pearson correlation r of n independent
// pairs through z = atanh r, s.e. 1/√(n−3). It needs four pairs and |r| < 1.
func FisherInterval(r float64, n int, level float64) (Interval, error) {
	if !(r > -1 && r < 1) || !(level > 0 && level < 1) {
		return Interval{}, badInput("r %v, level %v", r, level)
	}
	if n < 4 {
		return Interval{}, tooFew("%d pairs, 4 needed", n)
	}
	q, err := NormalQuantile(0.5 + level/2)
	if err != nil {
		return Interval{}, err
	}
	z, h := math.Atanh(r), q/math.Sqrt(float64(n-3))
	return Interval{Low: math.Tanh(z - h), High: math.Tanh(z + h)}, nil
}

// RankInterval is the interval of Spearman's ρ or Kendall's τ-b of n
// independent pairs through z = atanh, with the variances (1 + ρ²/2)/(n − 3)
// and 0.437/(n − 4) of Bonett and Wright (Psychometrika 65, 2000). It needs
// five pairs and |r| < 1.
func RankInterval(r float64, n int, kendall bool, level float64) (Interval, error) {
	if !(r > -1 && r < 1) || !(level > 0 && level < 1) {
		return Interval{}, badInput("r %v, level %v", r, level)
	}
	if n < 5 {
		return Interval{}, tooFew("%d pairs, 5 needed", n)
	}
	q, err := NormalQuantile(0.5 + level/2)
	if err != nil {
		return Interval{}, err
	}
	v := (1 + r*r/2) / float64(n-3)
	if kendall {
		v = 0.437 / float64(n-4)
	}
	z, h := math.Atanh(r), q*math.Sqrt(v)
	return Interval{Low: math.Tanh(z - h), High: math.Tanh(z + h)}, nil
}

// Ranks returns the ranks 1…n, tied values sharing the mean of their ranks.
func Ranks(x []float64) []float64 {
	idx := make([]int, len(x))
	for i := range idx {
		idx[i] = i
	}
	slices.SortFunc(idx, func(a, b int) int {
		switch {
		case x[a] < x[b]:
			return -1
		case x[a] > x[b]:
			return 1
		}
		return 0
	})
	r := make([]float64, len(x))
	for i := 0; i < len(idx); {
		j := i + 1
		for j < len(idx) && x[idx[j]] == x[idx[i]] {
			j++
		}
		for k := i; k < j; k++ {
			r[idx[k]] = float64(i+j+1) / 2
		}
		i = j
	}
	return r
}

// spearmanExact is the number of pairs up to which Spearman's p counts every
// order; 9! = 362,880.
const spearmanExact = 9

// Spearman is Pearson's correlation of mid-ranks. Without ties and up to 9
// pairs p is exact over all orders, else it is that of t = ρ√((n−2)/(1−ρ²)).
func Spearman(x, y []float64) (Correlation, error) {
	if err := checkPairs(x, y, 3); err != nil {
		return Correlation{}, err
	}
	rx, ry := Ranks(x), Ranks(y)
	out, err := Pearson(rx, ry)
	if err != nil || len(x) > spearmanExact || len(tieSizes(x)) < len(x) || len(tieSizes(y)) < len(y) {
		return out, err
	}
	all, err := PermuteWithin(rx, ry, nil, 99, 0)
	if err != nil {
		return Correlation{}, err
	}
	// R doubles the smaller tail; the distribution is symmetric, so both tails
	// together are the same.
	out.P, out.Exact = all.PTwoSided(), true
	return out, nil
}

// KendallS returns Kendall's score S (concordant minus discordant pairs) and
// its null variance with the correction for ties (Kendall, Rank Correlation
// Methods, 4th ed. 1970, ch. 4).
func KendallS(x, y []float64) (s int, variance float64, err error) {
	if err := checkPairs(x, y, 3); err != nil {
		return 0, 0, err
	}
	s = kendallScore(x, y)
	n := float64(len(x))
	t, u := tieSizes(x), tieSizes(y)
	var vt, vu, t1, u1, t2, u2 float64
	for _, k := range t {
		vt += k * (k - 1) * (2*k + 5)
		t1 += k * (k - 1)
		t2 += k * (k - 1) * (k - 2)
	}
	for _, k := range u {
		vu += k * (k - 1) * (2*k + 5)
		u1 += k * (k - 1)
		u2 += k * (k - 1) * (k - 2)
	}
	variance = (n*(n-1)*(2*n+5)-vt-vu)/18 +
		t1*u1/(2*n*(n-1)) + t2*u2/(9*n*(n-1)*(n-2))
	return s, variance, nil
}

// kendallScore counts in n·log n steps (Knight, JASA 61, 1966, 436–439): with
// rows in the order of x, then y, the discordant pairs are the exchanges that
// sorting by y takes; of all pairs they count −1, those tied in x or y 0.
func kendallScore(x, y []float64) int {
	n := len(x)
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Or(cmp.Compare(x[a], x[b]), cmp.Compare(y[a], y[b])) })
	pairs := func(k int) int { return k * (k - 1) / 2 }
	var tiedX, tiedBoth int
	for i := 0; i < n; {
		j, k := i+1, i // run of equal x; inside it, of equal y
		for ; j < n && x[order[j]] == x[order[i]]; j++ {
			if y[order[j]] != y[order[k]] {
				tiedBoth += pairs(j - k)
				k = j
			}
		}
		tiedBoth += pairs(j - k)
		tiedX += pairs(j - i)
		i = j
	}
	v, buf := make([]float64, n), make([]float64, n)
	for i, o := range order {
		v[i] = y[o]
	}
	exchanges := 0
	for width := 1; width < n; width *= 2 {
		for lo := 0; lo < n; lo += 2 * width {
			mid, hi := min(lo+width, n), min(lo+2*width, n)
			i, j := lo, mid
			for k := lo; k < hi; k++ {
				if i < mid && (j == hi || v[i] <= v[j]) {
					buf[k] = v[i]
					i++
				} else {
					buf[k] = v[j]
					exchanges += mid - i
					j++
				}
			}
		}
		v, buf = buf, v
	}
	tiedY := 0
	for i := 0; i < n; {
		j := i + 1
		for j < n && v[j] == v[i] {
			j++
		}
		tiedY += pairs(j - i)
		i = j
	}
	return pairs(n) - tiedX - tiedY + tiedBoth - 2*exchanges
}

// Kendall returns τ-b. Without ties and up to 50 pairs p is exact; else it is
// the normal approximation z = S/√var with the tie-corrected variance, and
// with S moved one towards zero when continuity is set.
func Kendall(x, y []float64, continuity bool) (Correlation, error) {
	s, v, err := KendallS(x, y)
	if err != nil {
		return Correlation{}, err
	}
	n := len(x)
	pairs := float64(n) * float64(n-1) / 2
	dx, dy := pairs, pairs
	ties := false
	for _, k := range tieSizes(x) {
		dx -= k * (k - 1) / 2
		ties = ties || k > 1
	}
	for _, k := range tieSizes(y) {
		dy -= k * (k - 1) / 2
		ties = ties || k > 1
	}
	if dx <= 0 || dy <= 0 || v <= 0 {
		return Correlation{}, tooFew("one sample has no spread")
	}
	z := float64(s)
	if continuity {
		z = float64(sign(z)) * max(0, math.Abs(z)-1)
	}
	out := Correlation{N: n, Value: float64(s) / math.Sqrt(dx) / math.Sqrt(dy), Statistic: z / math.Sqrt(v)}
	if !ties && n <= 50 {
		out.P, out.Exact = kendallExact(n, s), true
	} else {
		out.P = math.Erfc(math.Abs(out.Statistic) / math.Sqrt2)
	}
	return out, nil
}

// kendallExact returns P(|S| ≥ |s|) over all n! orders: the number of orders
// with a given count of inversions grows by one element at a time.
func kendallExact(n, s int) float64 {
	p := []float64{1} // share of the orders with i inversions
	for k := 2; k <= n; k++ {
		next := make([]float64, len(p)+k-1)
		for i, v := range p {
			for j := range k {
				next[i+j] += v / float64(k)
			}
		}
		p = next
	}
	most := n * (n - 1) / 2
	var sum float64
	for i, v := range p {
		if d := most - 2*i; d >= abs(s) || d <= -abs(s) {
			sum += v
		}
	}
	return min(1, sum)
}

func tieSizes(x []float64) []float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	var out []float64
	for i := 0; i < len(s); {
		j := i + 1
		for j < len(s) && s[j] == s[i] {
			j++
		}
		out = append(out, float64(j-i))
		i = j
	}
	return out
}

func sign(v float64) int {
	switch {
	case v > 0:
		return 1
	case v < 0:
		return -1
	}
	return 0
}

func abs(v int) int {
	if v < 0 {
		return -v
	}
	return v
}
