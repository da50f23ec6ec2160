package duty_test

import (
	"testing"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
)

func TestLongestGap(t *testing.T) {
	iv := timeline.Interval{From: 100, To: 200}
	for _, c := range []struct {
		name   string
		cleans []int64
		want   timeline.Interval
		cut    bool
	}{
		{"none: all of it, or more", nil, iv, true},
		{"one early: up to the end, or more", []int64{110}, timeline.Interval{From: 110, To: 200}, true},
		{"one late: from the start, or more", []int64{190}, timeline.Interval{From: 100, To: 190}, true},
		{"between two", []int64{110, 180}, timeline.Interval{From: 110, To: 180}, false},
		{"two alike: the first", []int64{120, 160, 200}, timeline.Interval{From: 120, To: 160}, false},
		{"outside the interval", []int64{50, 130, 150, 170, 500}, timeline.Interval{From: 100, To: 130}, true},
		{"twice at once", []int64{140, 140}, timeline.Interval{From: 140, To: 200}, true},
	} {
		if got, cut := duty.LongestGap(c.cleans, iv); got != c.want || cut != c.cut {
			t.Errorf("%s: %v, %t", c.name, got, cut)
		}
	}
	if got, _ := duty.LongestGap([]int64{5}, timeline.Interval{From: 9, To: 9}); got.Len() != 0 {
		t.Errorf("an empty interval: %v", got)
	}
}
