package cleaning

import (
	"maps"
	"slices"

	"github.com/downweb/downweb/analytics/stats"
)

// WeekMin is how few visits a week's median is charted from (common practice,
// no source).
const WeekMin = 5

// Week is one point of a station's trend. Times are milliseconds.
type Week struct {
	Key     string // ISO week "2026-W26"
	Visits  int    // in the median
	Median  float64
	LeftOut bool // fewer visits than WeekMin: not in the limits, no signals
	Signals stats.RunRule
}

// Trend is a station's weekly medians on a chart of individual values.
type Trend struct {
	Weeks []Week // in order of their keys; weeks without a visit have no point
	Chart stats.Xmr
	OK    bool // enough weeks for limits
}

// Weekly charts the visits of one station by ISO week: medians of press time
// without batch and shared visits, limits and run rules as package stats has
// them. A week left out breaks no run: its neighbors follow each other.
func Weekly(visits map[string][]Visit) Trend {
	var t Trend
	var used []float64
	for _, key := range slices.Sorted(maps.Keys(visits)) {
		var x []float64
		for i := range visits[key] {
			if v := &visits[key][i]; v.Mark != MarkBatch && v.Mark != MarkShared {
				x = append(x, float64(v.Time))
			}
		}
		w := Week{Key: key, Visits: len(x), LeftOut: len(x) < WeekMin}
		if len(x) > 0 {
			w.Median, _ = stats.Median(x)
		}
		if !w.LeftOut {
			used = append(used, w.Median)
		}
		t.Weeks = append(t.Weeks, w)
	}
	chart, err := stats.Individuals(used)
	t.Chart, t.OK = chart, err == nil
	if !t.OK {
		return t
	}
	var runs stats.Runs
	for i := range t.Weeks {
		if w := &t.Weeks[i]; !w.LeftOut {
			w.Signals = runs.Step(chart.Z(w.Median)) & stats.UsualRules
		}
	}
	return t
}
