package stats

import (
	"math"
	"slices"
)

// orderOf returns the indices of p in ascending order, ties by index.
func orderOf(p []float64) ([]int, error) {
	idx := make([]int, len(p))
	for i, v := range p {
		if !(v >= 0 && v <= 1) {
			return nil, badInput("p-value %d is %v", i, v)
		}
		idx[i] = i
	}
	slices.SortStableFunc(idx, func(a, b int) int {
		switch {
		case p[a] < p[b]:
			return -1
		case p[a] > p[b]:
			return 1
		}
		return 0
	})
	return idx, nil
}

// BenjaminiHochberg returns adjusted p-values (q-values) that bound the false
// discovery rate under independence or positive dependence: Benjamini and
// Hochberg, JRSS-B 57 (1995). Empty in, empty out.
func BenjaminiHochberg(p []float64) ([]float64, error) { return stepUp(p, 1) }

// BenjaminiYekutieli is the variant for any dependence (Ann. Stat. 29, 2001).
func BenjaminiYekutieli(p []float64) ([]float64, error) {
	var h float64
	for i := range p {
		h += 1 / float64(i+1)
	}
	return stepUp(p, h)
}

func stepUp(p []float64, factor float64) ([]float64, error) {
	idx, err := orderOf(p)
	if err != nil {
		return nil, err
	}
	q, m, low := make([]float64, len(p)), float64(len(p)), 1.0
	for i := len(idx) - 1; i >= 0; i-- {
		low = min(low, p[idx[i]]*m*factor/float64(i+1))
		q[idx[i]] = low
	}
	return q, nil
}

// Holm returns step-down adjusted p-values that bound the family-wise error
// under any dependence (Holm, Scand. J. Stat. 6, 1979).
func Holm(p []float64) ([]float64, error) {
	idx, err := orderOf(p)
	if err != nil {
		return nil, err
	}
	q, high := make([]float64, len(p)), 0.0
	for i, j := range idx {
		high = max(high, min(1, p[j]*float64(len(p)-i)))
		q[j] = high
	}
	return q, nil
}

// EValue returns how strong an unmeasured driver would have to be, as a rate
// ratio with both exposure and outcome, to explain a rate ratio away:
// RR + √(RR(RR−1)), with 1/RR when RR < 1 (VanderWeele and Ding, Ann. Intern.
// Med. 167, 2017). A ratio of 1 gives 1.
func EValue(rr float64) (float64, error) {
	if !(rr > 0) || math.IsInf(rr, 0) {
		return 0, badInput("rate ratio %v", rr)
	}
	if rr < 1 {
		rr = 1 / rr
	}
	return rr + math.Sqrt(rr*(rr-1)), nil
}
