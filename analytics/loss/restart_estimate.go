package loss

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// minCleans is the number of cleans under which no estimate is given (common
// practice, no source).
const minCleans = 10

// RestartEstimate is the waste above the usual of all windows of a sum, mm.
type RestartEstimate struct {
	OK        bool
	Value     float64
	Low, High float64 // 95 %
	N         int64   // cleans
	Method    string
}

// Estimate adds windows up. The interval is Student's for the mean excess of a
// clean, times the number of cleans: n·(x̄ ± t·s/√n), t the 97.5 % point with
// n − 1 degrees of freedom. What is uncertain in the steady share itself is not
// in it.
func (r Restarts) Estimate() RestartEstimate {
	e := RestartEstimate{N: r.Cleans, Method: "first meters after each clean (the press's restart length, in PRODUCTION) less the press's waste share over the 28 dates before the clean, windows after cleans left out; 95 % interval by Student's t over cleans; beside the tree, not in its sum"}
	if r.Cleans < minCleans {
		e.Method = fmt.Sprintf("not enough data: %d cleans with a restart length and a steady share, %d are needed", r.Cleans, minCleans)
		return e
	}
	n := float64(r.Cleans)
	e.OK, e.Value = true, float64(r.Excess)
	mean := e.Value / n
	ss := float64(r.Squares)*100 - n*mean*mean // cm² to mm²
	s := math.Sqrt(max(0, ss) / (n - 1))
	half := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile(0.975) * s * math.Sqrt(n)
	e.Low, e.High = e.Value-half, e.Value+half
	return e
}
