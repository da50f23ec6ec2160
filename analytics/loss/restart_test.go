package loss

import (
	"math"
	"reflect"
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
)

// restartWorld is a press that runs 06:00 to 07:40 UTC at 100 m a minute, 100
// slices a day, 1 m of each waste.
func restartWorld(t *testing.T) (*timeline.Press, func(day string) timeline.DayPlan) {
	p := testPress(t, pattern("early", 360, 840, []int{1, 2, 3, 4, 5, 6, 7}))
	return p, func(day string) timeline.DayPlan {
		d, err := timeline.ParseDay(day)
		if err != nil {
			t.Fatal(err)
		}
		return p.Calendar.Plan(d)
	}
}

func minutesOf(from int64, n int, good, waste int64) []timeline.Slice {
	var out []timeline.Slice
	for i := range n {
		a := from + int64(i)*timeline.Minute
		out = append(out, timeline.Slice{ID: timeline.ID{Epoch: 1, Seq: uint64(a / timeline.Minute)}, Interval: timeline.Interval{From: a, To: a + timeline.Minute},
			State: timeline.StateProduction, Good: good, Waste: waste})
	}
	return out
}

// By hand: 28 dates of 10 km with 1 % waste, then a clean at 06:00Z and a
// restart of 250 m at 6 m a 100 m: 15 m of waste, of which 2.5 m are usual,
// leave 12.5 m. What is made after the window is steady again.
func TestRestartDay(t *testing.T) {
	_, plan := restartWorld(t)
	const restart = 250_000
	var st RestartState
	first := plan("2026-05-18").Day
	for d := first; d < first+28; d++ {
		p := plan(d.String())
		var r Restarts
		h := timeline.Build(minutesOf(p.Start+timeline.Hour, 100, 99_000, 1_000), nil, nil)
		if r, st = RestartDay(restart, st, h, p, nil); r != (Restarts{}) {
			t.Fatalf("%s: a window without a clean: %+v", d, r)
		}
	}
	p := plan("2026-06-15")
	clean := timeline.Interval{From: p.Start, To: p.Start + 20*timeline.Minute}
	sl := append(minutesOf(clean.To, 3, 94_000, 6_000), minutesOf(clean.To+3*timeline.Minute, 50, 99_000, 1_000)...)
	got, after := RestartDay(restart, st, timeline.Build(sl, nil, nil), p, []timeline.Interval{clean})
	if want := (Restarts{Cleans: 1, Len: 250_000, Waste: 15_000, Excess: 12_500, Squares: 1250 * 1250}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if last := after.days[len(after.days)-1]; last.len != 5_050_000 || last.bad != 53_000 || len(after.days) != 28 {
		t.Errorf("steady of the day %+v, %d dates", last, len(after.days))
	}
	// The window goes on the next day, with the share frozen at the clean.
	evening := timeline.Interval{From: p.Start + 4*timeline.Hour, To: p.Start + 5*timeline.Hour}
	sl = append(minutesOf(p.Start, 100, 90_000, 10_000), minutesOf(evening.To, 1, 100_000, 0)...)
	got, after = RestartDay(restart, st, timeline.Build(sl, nil, nil), p, []timeline.Interval{evening})
	if got != (Restarts{}) || !after.open || after.left != 150_000 {
		t.Errorf("%+v %+v", got, after)
	}
	next := plan("2026-06-16")
	got, _ = RestartDay(restart, after, timeline.Build(minutesOf(next.Start, 2, 100_000, 0), nil, nil), next, nil)
	if want := (Restarts{Cleans: 1, Len: 250_000, Excess: -2_500, Squares: 250 * 250}); got != want {
		t.Errorf("negative: got %+v, want %+v", got, want)
	}
	// The next clean cuts a window short; one without length is none.
	two := []timeline.Interval{clean, {From: clean.To + timeline.Minute, To: clean.To + 2*timeline.Minute}, {From: clean.To + 3*timeline.Minute, To: clean.To + 4*timeline.Minute}}
	got, _ = RestartDay(restart, st, timeline.Build(minutesOf(clean.To, 1, 94_000, 6_000), nil, nil), p, two)
	if want := (Restarts{Cleans: 1, Len: 100_000, Waste: 6_000, Excess: 5_000, Squares: 500 * 500}); got != want {
		t.Errorf("cut short: got %+v, want %+v", got, want)
	}
	// Without steady length before it a clean is not counted; the dates before
	// the last 28 say nothing.
	if got, _ = RestartDay(restart, RestartState{}, timeline.Build(sl, nil, nil), p, []timeline.Interval{clean}); got != (Restarts{}) {
		t.Errorf("nothing is known: %+v", got)
	}
	late := plan("2026-08-15")
	if got, _ = RestartDay(restart, st, timeline.Build(minutesOf(late.Start+timeline.Hour, 9, 99_000, 1_000), nil, nil), late,
		[]timeline.Interval{{From: late.Start, To: late.Start + timeline.Hour}}); got != (Restarts{}) {
		t.Errorf("steady share of another season: %+v", got)
	}
	// The state comes back as it was written.
	back, err := ParseRestartState(after.Append(nil))
	if err != nil || !reflect.DeepEqual(back, after) {
		t.Errorf("%+v %v", back, err)
	}
	for _, b := range [][]byte{{9}, after.Append(nil)[:20], append(after.Append(nil), 0)} {
		if _, err := ParseRestartState(b); err == nil {
			t.Errorf("%x was read", b)
		}
	}
}

// 10 cleans with an excess of 1 to 10 m: 55 m in all, s = 3.0277 m, t(9, 97.5 %)
// = 2.262157 (any t table; R: qt(0.975, 9)): 55 ± 2.262157 · 3.027650 · √10 =
// 55 ± 21.6586 m.
func TestRestartEstimate(t *testing.T) {
	var r Restarts
	for i := int64(1); i <= 10; i++ {
		if i == 10 {
			if e := r.Estimate(); e.OK || e.Value != 0 || e.Low != 0 || e.High != 0 || e.N != 9 {
				t.Errorf("9 cleans: %+v", e)
			}
		}
		r.Cleans, r.Excess, r.Squares = r.Cleans+1, r.Excess+i*1000, r.Squares+i*100*i*100
	}
	e := r.Estimate()
	if !e.OK || e.Value != 55_000 || math.Abs(e.High-76_658.6) > 0.5 || math.Abs(e.Low-33_341.4) > 0.5 {
		t.Errorf("%+v", e)
	}
}
