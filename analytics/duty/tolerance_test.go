package duty_test

import (
	"math"
	"testing"

	"github.com/downweb/downweb/analytics/duty"
)

// Grace of 20 % of the interval, at most 28 days: SMRP Best Practices, 6th
// edition (2020), metric 5.4.14, as quoted in public; the table by hand and by R
// (round half up of 0.2 × interval).
func TestToleranceDays(t *testing.T) {
	for interval, want := range map[int]int64{7: 1, 14: 3, 28: 6, 30: 6, 42: 8, 56: 11, 60: 12, 90: 18, 120: 24, 182: 28, 365: 28, 400: 28} {
		if got := duty.ToleranceDays(interval, 20); got != want {
			t.Errorf("%d days: %d, want %d", interval, got, want)
		}
	}
	// The stricter rule of the trade press, 10 %: 90 days give 9.
	if got := duty.ToleranceDays(90, 10); got != 9 {
		t.Errorf("10 %% of 90 days: %d", got)
	}
	for _, none := range []int64{duty.ToleranceDays(0, 20), duty.ToleranceDays(-7, 20), duty.ToleranceDays(7, 0), duty.ToleranceDays(7, math.NaN())} {
		if none != 0 {
			t.Errorf("%d days of none", none)
		}
	}
}
