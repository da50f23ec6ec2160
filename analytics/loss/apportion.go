package loss

import (
	"math/bits"
	"slices"
)

// apportion divides n among weights by the largest-remainder method (Hamilton;
// Balinski & Young, Fair Representation, 1982): whole shares that add up to n,
// ties to the lower index. n and weights are not negative; with no weight at
// all every share is 0.
func apportion(n int64, weights []int64) []int64 {
	out := make([]int64, len(weights))
	var total uint64
	for _, w := range weights {
		total += uint64(w)
	}
	if total == 0 || n <= 0 {
		return out
	}
	type rem struct {
		i int
		r uint64
	}
	rems := make([]rem, len(weights))
	left := n
	for i, w := range weights {
		hi, lo := bits.Mul64(uint64(n), uint64(w))
		q, r := bits.Div64(hi, lo, total) // hi < total: n*w/total <= n < 2^63
		out[i] = int64(q)
		rems[i] = rem{i, r}
		left -= int64(q)
	}
	slices.SortFunc(rems, func(a, b rem) int {
		switch {
		case a.r > b.r:
			return -1
		case a.r < b.r:
			return 1
		}
		return a.i - b.i
	})
	for i := int64(0); i < left; i++ {
		out[rems[i].i]++
	}
	return out
}

// Apportion is the largest-remainder method for callers that print columns
// which must add up: see apportion.
func Apportion(n int64, weights []int64) []int64 { return apportion(n, weights) }
