package duty

import (
	"cmp"
	"slices"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/timeline"
)

// findGaps lists the planned time around the day of which nothing is known: no
// slice, no cleaning session, no reason note. Time behind the frontier is not
// unknown, it has not been reported yet.
func (f *fold) findGaps() {
	var planned []timeline.Interval
	seen := timeline.Interval{From: f.own.From - lookAround, To: min(f.own.To+lookAround, f.frontier)}
	for d := f.day.Day - 3; d <= f.day.Day+3; d++ {
		pl := f.plan(d)
		for _, s := range pl.Segments {
			if iv := s.Interval.And(seen); s.Planned && iv.Len() > 0 {
				planned = append(planned, iv)
			}
		}
	}
	slices.SortFunc(planned, func(a, b timeline.Interval) int { return cmp.Compare(a.From, b.From) })
	known := f.h.Covered()
	gaps := without(planned, known)
	if len(gaps) == 0 {
		return
	}
	known = known[:0]
	for _, g := range cleaning.Groups(f.p, f.h, nil) {
		known = append(known, g.Union...)
	}
	for i := range f.h.Notes {
		known = append(known, f.h.Notes[i].Interval)
	}
	slices.SortFunc(known, func(a, b timeline.Interval) int { return cmp.Compare(a.From, b.From) })
	f.gaps = without(gaps, known)
}

// without is a less b; both sorted, a disjoint.
func without(a, b []timeline.Interval) []timeline.Interval {
	var out []timeline.Interval
	j := 0
	for _, x := range a {
		at := x.From
		for j < len(b) && b[j].To <= x.From && (j+1 == len(b) || b[j+1].From <= x.From) {
			j++
		}
		for k := j; k < len(b) && b[k].From < x.To; k++ {
			if b[k].From > at {
				out = append(out, timeline.Interval{From: at, To: b[k].From})
			}
			at = max(at, b[k].To)
		}
		if at < x.To {
			out = append(out, timeline.Interval{From: at, To: x.To})
		}
	}
	return out
}

// longestGap is the longest unknown stretch inside an interval.
func (f *fold) longestGap(iv timeline.Interval) int64 {
	var n int64
	for _, g := range f.gaps {
		n = max(n, g.And(iv).Len())
	}
	return n
}

// hides says whether an unknown stretch is long enough to hide the task's clean
// and its sign-off: ten minutes at least, and the task's whole standard. A gap
// of a few minutes hides none.
func hides(gap int64, t *timeline.Task) bool {
	return gap >= minRun && gap >= t.Standard
}

// gapAfter says whether any of the day's planned time from an instant on is
// unknown.
func (f *fold) gapAfter(from int64) bool {
	return f.longestGap(timeline.Interval{From: from, To: f.end}) > 0
}
