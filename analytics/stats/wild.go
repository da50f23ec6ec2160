package stats

import "math"

// WildWeights are the random factors of the wild cluster bootstrap.
type WildWeights int

const (
	// Rademacher: +1 or −1 with the same chance. Up to 12 clusters every
	// pattern is taken instead of draws.
	Rademacher WildWeights = iota
	// Webb: ±√½, ±1, ±√1½ with the same chance (Webb, Canadian J. of Economics
	// 56, 2023), for five clusters or fewer, where signs give too few patterns.
	Webb
)

// Wild is the outcome of a wild cluster bootstrap of one coefficient.
type Wild struct {
	T        float64 // β̂ over its CR0 standard error (a constant factor, CR1's, changes no comparison)
	P        float64 // two-sided
	Draws    int
	Exact    bool     // every pattern of signs was taken
	Low      *float64 // interval of all β₀ with p > α; nil: no end was found
	High     *float64
	Smallest float64 // the smallest p-value this test can give
}

// WildCluster tests the coefficient of column col of a FitLinear by the wild
// cluster bootstrap with the null imposed (Cameron, Gelbach and Miller, Review
// of Economics and Statistics 90, 2008): y* = fit under β = β₀ plus v_g times
// that fit's residuals, t* against the t of the data. Every quantity of a draw
// is a sum of per-cluster vectors of the residualised columns (MacKinnon,
// Econometrics and Statistics 28, 2023, from memory), so no draw is fitted
// again. Absorbed groups must lie inside clusters; cells must be given as
// columns. Weights of rows are allowed. The interval inverts the test; it is
// open where no β₀ within 1000 standard errors is rejected.
func WildCluster(f *Fit, col int, cluster []int, weights WildWeights, draws int, seed uint64, level float64) (*Wild, error) {
	if len(f.abs.comps) > 0 {
		return nil, badInput("the wild bootstrap takes cells as columns only")
	}
	if !(level > 0 && level < 1) || draws < 99 {
		return nil, badInput("level %v, %d draws (at least 99)", level, draws)
	}
	r, err := f.Robust(cluster)
	if err != nil {
		return nil, err
	}
	k := f.position(col)
	if k < 0 {
		return nil, tooFew("column %d was dropped", col)
	}
	one := make([]float64, len(f.w))
	for i := range one {
		one[i] = 1
	}
	x, err := f.Partial(col, one) // column net of all else
	if err != nil {
		return nil, err
	}
	w := newWildSums(f, r, cluster, x, k)
	var n int
	out := &Wild{}
	if n, out.Exact = patterns(r.Clusters, draws); weights == Webb {
		n, out.Exact = draws, false
	}
	out.Draws = n
	factors := make([][]float64, n)
	rnd := Random{Seed: seed}
	for j := range factors {
		factors[j] = make([]float64, r.Clusters)
		if weights == Rademacher {
			signs(rnd, j, factors[j])
			continue
		}
		for g := range factors[j] {
			i := rnd.IntN(uint64(j+1), uint64(g), 6)
			factors[j][g] = math.Sqrt([]float64{0.5, 1, 1.5}[i%3]) * float64(1-2*(i/3))
		}
	}
	beta := f.Beta[col]
	se, err := r.SE(col, CR0)
	if err != nil {
		return nil, err
	}
	p := func(b0 float64) float64 {
		count := w.count(beta-b0, (beta-b0)/se.SE, factors)
		if out.Exact {
			return float64(count) / float64(n)
		}
		return float64(count+1) / float64(n+1)
	}
	out.T, out.P = beta/se.SE, p(0)
	out.Smallest = 1 / float64(n+1)
	if out.Exact {
		out.Smallest = 1 / float64(n)
	}
	alpha := 1 - level
	end := func(side float64) *float64 {
		in, step := beta, side*se.SE
		for p(in+step) > alpha {
			in += step
			if step *= 2; math.Abs(in-beta) > 1000*se.SE {
				return nil
			}
		}
		lo, hi := in, in+step // p(lo) > α ≥ p(hi)
		for range 60 {
			if mid := (lo + hi) / 2; p(mid) > alpha {
				lo = mid
			} else {
				hi = mid
			}
		}
		return &hi
	}
	if out.Smallest <= alpha {
		out.Low, out.High = end(-1), end(1)
	}
	return out, nil
}

// wildSums holds, per cluster g, with X the residualised columns and x the
// tested one net of the others, X'We and X'Wx.
type wildSums struct {
	xe, xx [][]float64 // per cluster, per kept column: X_g'W e_g and X_g'W x_g
	m      []float64   // row of (X'WX)⁻¹ that gives β from X'Wy
	mkk    float64     // its entry of the tested column
	inv    func(v []float64) []float64
}

func newWildSums(f *Fit, r *Robust, cluster []int, x []float64, k int) *wildSums {
	at := make(map[int]int, r.Clusters)
	for c := range r.clusters {
		at[r.clusters[c].id] = c
	}
	row := f.row(k)
	s := &wildSums{m: row, mkk: row[k], xe: make([][]float64, r.Clusters), xx: make([][]float64, r.Clusters)}
	for c := range s.xe {
		s.xe[c], s.xx[c] = make([]float64, len(f.kept)), make([]float64, len(f.kept))
	}
	for i, w := range f.w {
		if w == 0 || !f.Used[i] {
			continue
		}
		c := at[cluster[i]]
		root := math.Sqrt(w)
		for j, col := range f.xt {
			s.xe[c][j] += float64(float64(root*col[i]) * f.Resid[i])
			s.xx[c][j] += float64(float64(w*col[i]) * x[i])
		}
	}
	none := make([]bool, len(f.kept))
	s.inv = func(v []float64) []float64 {
		out := append([]float64(nil), v...)
		forward(f.chol, len(out), none, out)
		backward(f.chol, len(out), none, out)
		return out
	}
	return s
}

// count returns how many draws give |t*| ≥ |t|, with the residuals of the fit
// under the null: e + d·x.
func (s *wildSums) count(d, t float64, factors [][]float64) int {
	g, k := len(s.xe), len(s.m)
	a := make([][]float64, g) // X_g'W ẽ_g
	own := make([]float64, g) // x_g'W ẽ_g up to the constant 1/m_kk: m'a
	for c := range a {
		a[c] = make([]float64, k)
		for j := range a[c] {
			a[c][j] = s.xe[c][j] + float64(d*s.xx[c][j])
		}
		own[c] = dot(s.m, a[c])
	}
	hits := make([]int, (len(factors)+chunk-1)/chunk)
	Parallel(len(hits), func(b int) {
		sum := make([]float64, k)
		for _, v := range factors[b*chunk : min(len(factors), (b+1)*chunk)] {
			clear(sum)
			for c, ac := range a {
				for j, x := range ac {
					sum[j] += float64(v[c] * x)
				}
			}
			coef := s.inv(sum) // β* − β₀ of every column
			num := dot(s.m, sum)
			// x_g'W ê*_g in units of β: m'(v a_g − X_g'WX_g coef); the part of
			// X_g'WX_g that m picks is x_g'WX_g · m_kk.
			var ss float64
			for c := range a {
				e := float64(v[c]*own[c]) - float64(s.mkk*dot(s.xx[c], coef))
				ss += float64(e * e)
			}
			if ss > 0 && math.Abs(num)/math.Sqrt(ss) >= math.Abs(t)*(1-1e-9) {
				hits[b]++
			}
		}
	})
	n := 0
	for _, h := range hits {
		n += h
	}
	return n
}
