package duty

import "github.com/downweb/downweb/analytics/timeline"

// LongestGap is the longest stretch of an interval without a clean. cleans are
// instants, unix ms, in order; those outside the interval are left aside. cut
// says that the stretch begins or ends with the interval, so that it may be
// longer than is seen. An empty interval has none.
func LongestGap(cleans []int64, iv timeline.Interval) (gap timeline.Interval, cut bool) {
	from, edge := iv.From, true
	see := func(to int64, last bool) {
		if x := (timeline.Interval{From: from, To: to}); x.Len() > gap.Len() {
			gap, cut = x, edge || last
		}
	}
	for _, at := range cleans {
		if !iv.Has(at) {
			continue
		}
		see(at, false)
		from, edge = at, false
	}
	see(iv.To, true)
	return gap, cut
}
