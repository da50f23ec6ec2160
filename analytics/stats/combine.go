package stats

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Combination returns Σ w·β over the given columns with its cluster-robust
// standard error (degrees of freedom as for SE, with the contrast in place of
// one coefficient). Keys are columns of X.
func (r *Robust) Combination(weights map[int]float64, kind Kind) (value float64, se RobustSE, err error) {
	l := make([]float64, len(r.fit.kept))
	for col := range r.fit.Beta { // in order, so that sums have one
		w, ok := weights[col]
		if !ok {
			continue
		}
		k := r.fit.position(col)
		if k < 0 {
			return 0, RobustSE{}, tooFew("column %d was dropped", col)
		}
		l[k] = w
		value += float64(w * r.fit.Beta[col])
	}
	forward(r.fit.chol, len(l), make([]bool, len(l)), l)
	se, err = r.standardError(l, kind)
	return value, se, err
}

// ClusterScores returns what each cluster adds to the error of the coefficient
// of column col: the squares sum to SE² (CR1 without its factor). Clusters are
// in the order of their first used row.
func (r *Robust) ClusterScores(col int, kind Kind) ([]float64, error) {
	l, err := r.contrast(col)
	if err != nil {
		return nil, err
	}
	return r.scores(l, kind.power()), nil
}

// enumerateClusters is the largest number of clusters whose sign patterns are
// all counted out, 2^(G−1): v and −v give the same |t|.
const enumerateClusters = 12

// signs fills v with the signs of draw j of G clusters: all patterns with
// v₀ = +1 in turn for G ≤ 12 (patterns gives how many), else random ones.
func signs(rnd Random, j int, v []float64) {
	all := len(v) <= enumerateClusters
	for g := range v {
		v[g] = 1
		if all {
			if g > 0 && j>>(g-1)&1 == 1 {
				v[g] = -1
			}
		} else if rnd.Uint64(uint64(j+1), uint64(g))>>63 == 1 {
			v[g] = -1
		}
	}
}

func patterns(clusters, draws int) (n int, all bool) {
	if clusters <= enumerateClusters {
		return 1 << (clusters - 1), true
	}
	return draws, false
}

// SupT is the distribution of the largest |z| over several coefficients when
// all are 0.
type SupT struct{ draws []float64 } // the largest of each draw, sorted

// MaxOverCoefficients draws z = Σ_g v_g s_g / √Σ s_g² for every coefficient
// with the same standard normal v per cluster and keeps the largest |z|: normal
// draws with the correlations of the cluster-robust covariance, for the sup-t
// band of Montiel Olea and Plagborg-Møller (J. Applied Econometrics 34, 2019).
// scores[k] are the ClusterScores of coefficient k. Few clusters are met where
// the draws are used: Critical and P go by way of each coefficient's own t.
func MaxOverCoefficients(scores [][]float64, draws int, seed uint64) (*SupT, error) {
	if len(scores) == 0 || draws < 99 {
		return nil, badInput("%d coefficients, %d draws (at least 99)", len(scores), draws)
	}
	g := len(scores[0])
	norm := make([]float64, len(scores))
	for k, s := range scores {
		if len(s) != g {
			return nil, badInput("coefficients with %d and %d clusters", g, len(s))
		}
		if norm[k] = math.Sqrt(dot(s, s)); !(norm[k] > 0) {
			return nil, tooFew("no variation between clusters")
		}
	}
	out := &SupT{draws: make([]float64, draws)}
	rnd := Random{Seed: seed}
	v := make([]float64, g)
	for j := range out.draws {
		for i := range v {
			v[i] = distuv.UnitNormal.Quantile(rnd.Float64(uint64(j+1), uint64(i)) + 0x1p-54)
		}
		for k, s := range scores {
			out.draws[j] = max(out.draws[j], math.Abs(dot(v, s))/norm[k])
		}
	}
	slices.Sort(out.draws)
	return out, nil
}

// Critical is how many standard errors of a coefficient with df degrees of
// freedom the band reaches: the level-quantile of the largest |z|, carried to
// Student's t at the same tail.
func (s *SupT) Critical(level, df float64) (float64, error) {
	i := int(math.Ceil(level*float64(len(s.draws)))) - 1
	z := s.draws[min(max(i, 0), len(s.draws)-1)]
	return TQuantile(1-math.Erfc(z/math.Sqrt2)/2, df)
}

// P is the p-value of the largest of several |t|, given the smallest of their
// own two-sided p-values: the share of draws whose largest |z| has at most that
// tail, the data counted as one of them. It is never below that p.
func (s *SupT) P(smallest float64) float64 {
	n := 1
	for i := len(s.draws) - 1; i >= 0 && math.Erfc(s.draws[i]/math.Sqrt2) <= smallest; i-- {
		n++
	}
	return max(smallest, float64(n)/float64(len(s.draws)+1))
}
