package cleaning_test

import (
	"testing"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/analytics/timeline/timelinetest"
)

const minute = timeline.Minute

func granted(w timelinetest.Worked, h *timeline.History) map[timeline.ID]int64 {
	cal := w.Press.Calendar
	r, _ := duty.Fold(w.Press, duty.State{}, h, cal.Plan(w.Day), cal.Plan(w.Day+1), w.Frontier())
	g := map[timeline.ID]int64{}
	for _, x := range r.Grants {
		g[x.SignOff] += x.Standard
	}
	return g
}

// The late worked shift: own excess 4 + 0 + 10 + 3 and closing 6 = 23, the web
// cleaner saved 1, overrun 22 = 12 in planned time + 10 after it.
func TestReconcileWorkedShift(t *testing.T) {
	w := timelinetest.Monday(t, true)
	day := w.Press.Calendar.Plan(w.Day)
	h := w.Window(day)
	grants := granted(w, h)
	groups := cleaning.Groups(w.Press, h, grants)[1:2]
	visits, closing := cleaning.Visits(w.Press, h, groups, timelinetest.Breaks(day), func(task, _ string) int64 { return 0 })
	if closing["shut"] != 6*minute || groups[0].Sessions[0].Closing != 6*minute {
		t.Errorf("closing %d", closing["shut"])
	}
	got := cleaning.Reconcile(w.Press, groups, visits, grants)
	want := cleaning.Reconciliation{Excess: 23 * minute, Saved: minute, Overrun: 22 * minute}
	if got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// 12, 4, 20, 13 min: median 12.5 and 90th percentile 17.9 by type 7 of Hyndman
// and Fan (1996), worked by hand: h = 1 + 0.9·3 = 3.7, 13 + 0.7·7.
func TestSummarize(t *testing.T) {
	var v []cleaning.Visit
	for _, x := range []int64{12, 4, 20, 13} {
		v = append(v, cleaning.Visit{Time: x * minute, Standard: 10 * minute})
	}
	v = append(v, cleaning.Visit{Time: minute, Standard: 10 * minute, Mark: cleaning.MarkBatch})
	f := cleaning.Summarize(v, 1)
	if f.Visits != 4 || f.LeftOut != 1 || !f.Small {
		t.Errorf("%+v", f)
	}
	if f.Median != 12.5*60000 || f.P90 != 17.9*60000 || f.Mean != 12.25*60000 {
		t.Errorf("median %v p90 %v mean %v", f.Median/60000, f.P90/60000, f.Mean/60000)
	}
	if !(f.Low < f.Mean && f.Mean < f.High && f.Low >= 4*60000 && f.High <= 20*60000) {
		t.Errorf("interval %v to %v", f.Low, f.High)
	}
	if f.Excess != 15*minute || f.Saved != 15*minute || f.Total != 50*minute || f.Standard != 600000 {
		t.Errorf("excess %d saved %d total %d standard %v", f.Excess, f.Saved, f.Total, f.Standard)
	}
	if z := cleaning.Summarize(nil, 1); z != (cleaning.Figures{Small: true}) {
		t.Errorf("no visits: %+v", z)
	}
}
