package stats

import (
	"math"
	"slices"
)

// maxArrangements up to which PermuteWithin counts every arrangement.
const maxArrangements = 1_000_000

// Permuted is the outcome of a permutation test of a sum of products.
type Permuted struct {
	Statistic float64 // Σ over groups of Σ(x−x̄)(y−ȳ)
	AtLeast   int     // arrangements (or draws, the data counted) with a sum ≥ Statistic
	AtLeastIn int     // … with a sum at least as far from 0
	Total     int
	Exact     bool // every arrangement was counted
}

// POneSided is the share of arrangements with a sum at least as large.
func (p Permuted) POneSided() float64 { return float64(p.AtLeast) / float64(p.Total) }

// PTwoSided is the share of arrangements with a sum at least as far from 0.
func (p Permuted) PTwoSided() float64 { return float64(p.AtLeastIn) / float64(p.Total) }

// PermuteWithin tests whether x and y have to do with each other by giving the
// values of x to the rows of a group in every order (Fisher, The Design of
// Experiments, 1935, section 21; Pitman, JRSS Supplement 4, 1937): with x of
// two values it compares two means, with pairs as groups it flips the signs of
// their differences, else it is the test of a correlation. Up to a million
// distinct arrangements are counted exactly, else draws are random ones. group
// nil is one group.
func PermuteWithin(x, y []float64, group []int, draws int, seed uint64) (Permuted, error) {
	if err := checkPairs(x, y, 2); err != nil {
		return Permuted{}, err
	}
	if group != nil && len(group) != len(x) || draws < 99 {
		return Permuted{}, badInput("%d rows, %d group marks, %d draws (at least 99)", len(x), len(group), draws)
	}
	rows := map[int][]int{}
	var ids []int
	for i := range x {
		g := 0
		if group != nil {
			g = group[i]
		}
		if rows[g] == nil {
			ids = append(ids, g)
		}
		rows[g] = append(rows[g], i)
	}
	var gx, gy [][]float64 // centred, per group
	out := Permuted{}
	total, scale := 1.0, 0.0
	for _, g := range ids {
		var a, b []float64
		for _, i := range rows[g] {
			a, b = append(a, x[i]), append(b, y[i])
		}
		ma, sa := meanSS(a)
		mb, sb := meanSS(b)
		for i := range a {
			a[i] -= ma
			b[i] -= mb
		}
		out.Statistic += dot(a, b)
		if sa <= 0 || sb <= 0 {
			continue // one arrangement, sum 0
		}
		scale += math.Sqrt(sa) * math.Sqrt(sb)
		total = math.Min(total*arrangements(a), 1e18)
		gx, gy = append(gx, a), append(gy, b)
	}
	if len(gx) == 0 {
		return Permuted{}, tooFew("one sample has no spread inside its groups")
	}
	tie := 1e-12 * scale // sums that differ by less are the same
	count := func(s float64) {
		if s >= out.Statistic-tie {
			out.AtLeast++
		}
		if math.Abs(s) >= math.Abs(out.Statistic)-tie {
			out.AtLeastIn++
		}
		out.Total++
	}
	if total <= maxArrangements {
		out.Exact = true
		sums := make([][]float64, len(gx))
		for g := range gx {
			slices.Sort(gx[g])
			for ok := true; ok; ok = nextArrangement(gx[g]) {
				sums[g] = append(sums[g], dot(gx[g], gy[g]))
			}
		}
		var walk func(g int, s float64)
		walk = func(g int, s float64) {
			if g == len(sums) {
				count(s)
				return
			}
			for _, v := range sums[g] {
				walk(g+1, s+v)
			}
		}
		walk(0, 0)
		return out, nil
	}
	rnd := Random{Seed: seed}
	count(out.Statistic)
	for j := range draws {
		var s float64
		for g, a := range gx {
			for i := len(a) - 1; i > 0; i-- {
				k := rnd.IntN(uint64(j+1), uint64(g)<<32|uint64(i), i+1)
				a[i], a[k] = a[k], a[i]
			}
			s += dot(a, gy[g])
		}
		count(s)
	}
	return out, nil
}

// arrangements is n! / Π ties!, as a float.
func arrangements(x []float64) float64 {
	lg := func(n float64) float64 { v, _ := math.Lgamma(n + 1); return v }
	s := lg(float64(len(x)))
	for _, t := range tieSizes(x) {
		s -= lg(t)
	}
	return math.Round(math.Exp(min(s, 40)))
}

// nextArrangement puts x into the next one of its distinct orders; false after
// the last.
func nextArrangement(x []float64) bool {
	i := len(x) - 2
	for i >= 0 && x[i] >= x[i+1] {
		i--
	}
	if i < 0 {
		return false
	}
	j := len(x) - 1
	for x[j] <= x[i] {
		j--
	}
	x[i], x[j] = x[j], x[i]
	slices.Reverse(x[i+1:])
	return true
}
