package cleaning

import (
	"github.com/downweb/downweb/analytics/stats"
)

// Expected is how long a task is likely to take: the median of its visits' own
// time if there are at least Small that are not batch, shared or doubtful; ok is
// false otherwise. Milliseconds.
func Expected(visits []Visit) (ms int64, ok bool) {
	var x []float64
	for i := range visits {
		if v := &visits[i]; v.Mark == MarkNone {
			x = append(x, float64(v.Own))
		}
	}
	if len(x) < Small {
		return 0, false
	}
	m, err := stats.Median(x)
	return int64(m), err == nil
}

// ExpectedEnd is when a session in progress is likely to be over: what is left
// (own ms of each task), shared by the chains at work, counted from the last
// sign-off (or the opening), and the time to close; never before the instant
// known, plus the time to close. Unix milliseconds.
func ExpectedEnd(last, known int64, left []int64, chains int, closing int64) int64 {
	var sum int64
	for _, ms := range left {
		sum += ms
	}
	return max(last+sum/int64(max(1, chains)), known) + closing
}
