package honesty

import (
	"math"
	"runtime"
	"sync"
)

// Share counts fleets in which something was so.
type Share struct {
	Of  int `json:"of"` // fleets in which it could be asked
	Yes int `json:"yes"`
}

// Mean sums a number over fleets.
type Mean struct {
	N   int     `json:"n"`
	Sum float64 `json:"sum"`
	Sq  float64 `json:"sq"`
}

// Tally is what fleets 1…Fleets of a row gave.
type Tally struct {
	Fleets int              `json:"fleets"`
	Shares map[string]Share `json:"shares"`
	Means  map[string]Mean  `json:"means"`
}

// NewTally counts nothing yet.
func NewTally() *Tally { return &Tally{Shares: map[string]Share{}, Means: map[string]Mean{}} }

// Add asks the row about its next n fleets, on all processors. The sums are
// taken in the order of the fleets.
func (t *Tally) Add(r *Row, n int) error {
	out := make([]Outcome, n)
	errs := make([]error, n)
	var wg sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				out[i], errs[i] = r.Ask(t.Fleets + i + 1)
			}
		})
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
	for i, o := range out {
		if errs[i] != nil {
			return errs[i]
		}
		for k, yes := range o.Yes {
			s := t.Shares[k]
			s.Of++
			if yes {
				s.Yes++
			}
			t.Shares[k] = s
		}
		for k, v := range o.Number {
			m := t.Means[k]
			m.N++
			m.Sum += v
			m.Sq += float64(v * v)
			t.Means[k] = m
		}
	}
	t.Fleets += n
	return nil
}

// Verdict on a measure.
type Verdict int

// Verdicts.
const (
	NotJudged Verdict = iota
	Passed
	Failed
)

// tailLevel is the error of one side of the exact test at 1 %.
const tailLevel = 0.005

// judge applies the measure's rule.
func (t *Tally) judge(m Measure) Verdict {
	s := t.Shares[m.Key]
	ok := true
	switch m.Rule {
	case Shown:
		return NotJudged
	case FalseShare:
		x := t.Means[m.Key]
		if x.N < 2 {
			return NotJudged
		}
		mean := x.Sum / float64(x.N)
		se := math.Sqrt(max(0, x.Sq/float64(x.N)-mean*mean) / float64(x.N-1))
		return verdict(mean-2.58*se <= 0.10)
	case Covers:
		ok = lowerTail(s.Yes, s.Of, 0.95) >= tailLevel && lowerTail(s.Of-s.Yes, s.Of, 0.05) >= tailLevel
	case CoversAtLeast:
		ok = lowerTail(s.Yes, s.Of, 0.95) >= tailLevel
	case CallsFalsely:
		ok = lowerTail(s.Of-s.Yes, s.Of, 0.95) >= tailLevel
	case MustFail:
		ok = lowerTail(s.Of-s.Yes, s.Of, 0.95) < tailLevel
	case MustExceed15:
		ok = float64(s.Yes) > 0.15*float64(s.Of)
	case MustFire:
		ok = 2*s.Yes >= s.Of
	}
	if s.Of == 0 {
		return NotJudged
	}
	return verdict(ok)
}

func verdict(ok bool) Verdict {
	if ok {
		return Passed
	}
	return Failed
}

// lowerTail is P(X ≤ k) for X binomial (n, p), summed exactly.
func lowerTail(k, n int, p float64) (sum float64) {
	lgN, _ := math.Lgamma(float64(n + 1))
	for i := range k + 1 {
		a, _ := math.Lgamma(float64(i + 1))
		b, _ := math.Lgamma(float64(n - i + 1))
		sum += math.Exp(lgN - a - b + float64(i)*math.Log(p) + float64(n-i)*math.Log1p(-p))
	}
	return sum
}
