package stats

import "math"

// MeanTime is a mean time per failure with its limits, in the unit of the time
// it was made from.
type MeanTime struct {
	Value, Low, High float64
}

// MTBF is time ÷ failures with two-sided chi-square limits at a level, for a
// test that ends at an instant (time-censored) and failures at a constant rate:
// lower 2T / χ²(1 − α/2; 2r + 2), upper 2T / χ²(α/2; 2r), χ² being quantiles.
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1. Without a
// failure there is no mean: see MTBFAtLeast.
func MTBF(time float64, failures int64, level float64) (MeanTime, error) {
	if !(time >= 0) || math.IsInf(time, 0) || failures < 0 {
		return MeanTime{}, badInput("%d failures in %v", failures, time)
	}
	if failures == 0 || time == 0 {
		return MeanTime{}, tooFew("a mean time between failures needs a failure and time")
	}
	r := float64(failures)
	lo, err := ChiSquareQuantile(0.5+level/2, 2*r+2)
	if err != nil {
		return MeanTime{}, err
	}
	hi, err := ChiSquareQuantile(0.5-level/2, 2*r)
	if err != nil {
		return MeanTime{}, err
	}
	return MeanTime{Value: time / r, Low: 2 * time / lo, High: 2 * time / hi}, nil
}

// MTBFAtLeast is the one-sided lower limit of the mean after a time without a
// failure: −T / ln α with α = 1 − level (e-Handbook 8.4.5.1).
func MTBFAtLeast(time, level float64) (float64, error) {
	if !(time > 0) || math.IsInf(time, 0) || !(level > 0 && level < 1) {
		return 0, badInput("no failure in %v at level %v", time, level)
	}
	return -time / math.Log(1-level), nil
}

// MeanOfExponential is the mean of n times that add up to total, with the exact
// two-sided limits 2T / χ²(1 − α/2; 2n) and 2T / χ²(α/2; 2n) that hold if the
// times are exponential: the same e-Handbook page, for a test that ends with
// its last failure.
func MeanOfExponential(total float64, n int64, level float64) (MeanTime, error) {
	if !(total >= 0) || math.IsInf(total, 0) || n < 0 {
		return MeanTime{}, badInput("%d times of %v together", n, total)
	}
	if n == 0 || total == 0 {
		return MeanTime{}, tooFew("a mean needs one time")
	}
	lo, err := ChiSquareQuantile(0.5+level/2, 2*float64(n))
	if err != nil {
		return MeanTime{}, err
	}
	hi, err := ChiSquareQuantile(0.5-level/2, 2*float64(n))
	if err != nil {
		return MeanTime{}, err
	}
	return MeanTime{Value: total / float64(n), Low: 2 * total / lo, High: 2 * total / hi}, nil
}
