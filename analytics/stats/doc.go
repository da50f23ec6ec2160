// Package stats holds the estimators that the studies, the station times and
// the interval economics share.
//
// It promises: functions of values only (no context, clock, logger, file or
// hidden random source); "not enough data" is an error that wraps ErrTooFew,
// never a NaN and never a panic; the same input gives the same bits on one CPU
// family, whatever GOMAXPROCS is, because every sum has a fixed order and every
// random number is a function of a seed and a counter. Kernels round every
// product before adding it (no fused instructions) and use Exp and Log of this
// package; what gonum computes may differ in the last bits on another CPU
// family, where results agree to about 1e-12.
//
// Decompositions (QR, eigenvectors) and distributions come from gonum.
package stats

import (
	"errors"
	"fmt"
	"math"
	"runtime"
	"sync"
	"sync/atomic"
)

var (
	// ErrTooFew occurs when the input has fewer usable values than the
	// statistic needs, or when it has no spread where spread is needed.
	ErrTooFew = errors.New("not enough data")
	// ErrInput occurs when the arguments contradict each other: slices of
	// unequal length, a share outside 0…1, a value that is NaN or infinite.
	ErrInput = errors.New("unusable input")
	// ErrNotConverged occurs when an iterative fit did not settle. No number
	// of such a fit may be used.
	ErrNotConverged = errors.New("did not converge")
)

func tooFew(format string, a ...any) error {
	return fmt.Errorf("%w: %s", ErrTooFew, fmt.Sprintf(format, a...))
}

func badInput(format string, a ...any) error {
	return fmt.Errorf("%w: %s", ErrInput, fmt.Sprintf(format, a...))
}

// finite reports whether every value of every slice is a finite number.
func finite(xs ...[]float64) bool {
	for _, x := range xs {
		for _, v := range x {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return false
			}
		}
	}
	return true
}

// Parallel calls f(0) … f(n−1), each once, on up to GOMAXPROCS goroutines and
// returns when all are done. Results are independent of the number of
// goroutines as long as f(i) writes only what belongs to i.
func Parallel(n int, f func(i int)) {
	workers := min(runtime.GOMAXPROCS(0), n)
	if workers <= 1 {
		for i := range n {
			f(i)
		}
		return
	}
	var next atomic.Int64
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				f(i)
			}
		})
	}
	wg.Wait()
}
