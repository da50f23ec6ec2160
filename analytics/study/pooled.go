package study

import (
	"fmt"
	"math"

	"github.com/downweb/downweb/analytics/stats"
)

// Pooled compares what all rows together show with what presses show by
// themselves (Simpson, JRSS-B 13 (1951) 238–241: both can be true and point
// apart, when presses that skip more differ in waste anyway). Ratios are of waste
// per km, not cleaned to cleaned. The pooled one has no interval: it takes rows of
// different presses for alike.
type Pooled struct {
	Ratio  float64 `json:"ratio"`        // all rows together, nothing held
	Within float64 `json:"ratio_within"` // press levels held, nothing else
	Held   float64 `json:"ratio_held"`   // the study's own
	Turned bool    `json:"signs_differ"` // Ratio lies on the other side of 1 than Within or Held, in two decimals
	Line   string  `json:"line"`         // in words
}

// pooled fills the check of one finding; nil where one of the states has no
// waste or length to compare.
func (s *run) pooled(k int) *Pooled {
	f, u := s.frame, s.units[k]
	var waste, km [2]float64
	use := make([]bool, len(f.rows))
	for i := range f.rows {
		if !s.main.fit.Used[i] || u.state[i] != Cleaned && u.state[i] != NotCleaned {
			continue
		}
		use[i] = true
		waste[int(u.d[i])] += f.waste[i]
		km[int(u.d[i])] += f.km[i]
	}
	if waste[0] == 0 || waste[1] == 0 {
		return nil
	}
	fit, err := stats.FitPoisson(stats.Panel{Y: f.waste, X: [][]float64{u.d}, Offset: s.logKM, Use: use, Effects: stats.Effects{Group: f.press}})
	if err != nil || fit.Dropped[0] {
		return nil
	}
	e := s.result.Findings[k].Waste
	p := &Pooled{Ratio: finiteOr(waste[1] / km[1] / (waste[0] / km[0])), Within: exp(fit.Beta[0]), Held: e.Ratio}
	side := func(r float64) float64 { return r - 1 }
	if s.variancePower() { // since default-4 as printed: 1.00 lies on no side
		side = func(r float64) float64 { return math.Round(100*r) - 100 }
	}
	apart := func(r float64) bool { return side(p.Ratio)*side(r) < 0 }
	p.Turned = apart(p.Within) || apart(p.Held)
	p.Line = fmt.Sprintf("All rows together: %.2f times the waste per km after a window without a clean; with each press compared with itself %.2f; with everything held %.2f.", p.Ratio, p.Within, p.Held)
	if p.Turned {
		p.Line += " They point apart: presses, days and jobs that go with skipped cleans differ in waste anyway. Only the last figure is used, and the first must not be quoted."
	}
	return p
}
