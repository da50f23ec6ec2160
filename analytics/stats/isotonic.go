package stats

// Isotonic returns the never-falling values closest to y in weighted least
// squares, by pooling adjacent violators (Barlow, Bartholomew, Bremner and
// Brunk, Statistical Inference under Order Restrictions, 1972, ch. 1). weights
// nil is 1 each; else they must be above 0.
func Isotonic(y, weights []float64) ([]float64, error) {
	if !finite(y, weights) || weights != nil && len(weights) != len(y) {
		return nil, badInput("%d values, %d weights, all finite", len(y), len(weights))
	}
	type pool struct {
		sum, w float64
		n      int
	}
	var pools []pool
	for i, v := range y {
		w := 1.0
		if weights != nil {
			if w = weights[i]; !(w > 0) {
				return nil, badInput("weight %d is %v", i, w)
			}
		}
		p := pool{sum: w * v, w: w, n: 1}
		for len(pools) > 0 {
			last := pools[len(pools)-1]
			if last.sum/last.w < p.sum/p.w {
				break
			}
			p = pool{sum: last.sum + p.sum, w: last.w + p.w, n: last.n + p.n}
			pools = pools[:len(pools)-1]
		}
		pools = append(pools, p)
	}
	out := make([]float64, 0, len(y))
	for _, p := range pools {
		for range p.n {
			out = append(out, p.sum/p.w)
		}
	}
	return out, nil
}
