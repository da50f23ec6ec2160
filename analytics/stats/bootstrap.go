package stats

// BootstrapMean returns the mean of x and its percentile bootstrap interval
// (Efron and Tibshirani, An Introduction to the Bootstrap, 1993, ch. 13) from
// the given number of resamples. The same x in the same order, seed and
// resamples give the same bits. It needs two values and 100 resamples.
func BootstrapMean(x []float64, level float64, resamples int, seed uint64) (mean float64, iv Interval, err error) {
	if !finite(x) || !(level > 0 && level < 1) || resamples < 100 {
		return 0, Interval{}, badInput("level %v, %d resamples (at least 100), finite values", level, resamples)
	}
	if len(x) < 2 {
		return 0, Interval{}, tooFew("a bootstrap needs 2 values, got %d", len(x))
	}
	n := len(x)
	mean = Sum(x) / float64(n)
	means := make([]float64, resamples)
	rnd := Random{Seed: seed}
	for b := range means {
		var s float64
		for i := range n {
			s += x[rnd.IntN(uint64(b), uint64(i), n)]
		}
		means[b] = s / float64(n)
	}
	if iv.Low, err = Quantile(means, (1-level)/2, Type7); err != nil {
		return 0, Interval{}, err
	}
	iv.High, err = Quantile(means, (1+level)/2, Type7)
	return mean, iv, err
}
