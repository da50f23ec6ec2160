package duty

import (
	"math"

	"github.com/downweb/downweb/analytics/timeline"
)

// maxTolerance is the longest grace that a share of an interval gives, days.
const maxTolerance = 28

// ToleranceDays is the grace after due that a share of an interval gives:
// percent of the interval in days, rounded half up to whole days, at most 28.
// With 20 percent it is the third of the options that SMRP metric 5.4.14,
// preventive maintenance compliance (6th edition, 2020), names: due date; due
// date and one day; due date and 20 % of the interval, at most 28 days. An
// interval or share that is not positive gives none.
func ToleranceDays(interval int, percent float64) int64 {
	if interval <= 0 || !(percent > 0) {
		return 0
	}
	return int64(min(maxTolerance, math.Floor(float64(interval)*percent/100+0.5)))
}

// Grace is how long after due a sign-off of a task is still on time, ms: the
// share of its shortest interval in days where the plan gives one, else the
// task's own grace, else the press's.
func Grace(p *timeline.Press, t *timeline.Task) int64 {
	if t.Tolerance > 0 {
		days := 0
		for _, tr := range t.Triggers {
			n := 0
			switch tr.Cadence {
			case timeline.CadenceDays:
				n = int(math.Round(tr.Every))
			case timeline.CadenceWeekly:
				n = 7
			}
			if n > 0 && (days == 0 || n < days) {
				days = n
			}
		}
		return ToleranceDays(days, t.Tolerance) * dayMS
	}
	if t.Grace > 0 {
		return t.Grace
	}
	return p.Grace
}
