package loss

import (
	"math/big"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/timeline"
)

func threeShifts(t *testing.T) *timeline.Press {
	p := testPress(t, pattern("early", 360, 840, weekdays, timeline.Break{Start: 600, Length: 30 * timeline.Minute}),
		pattern("late", 840, 1320, weekdays, timeline.Break{Start: 1080, Length: 30 * timeline.Minute}), pattern("night", 1320, 360, []int{1, 2, 3, 4, 5, 6}))
	p.Maintenance = []timeline.Interval{{From: 20500 * 24 * timeline.Hour, To: 20900 * 24 * timeline.Hour}}
	return p
}

// A slice cut in two, its length shared by time, gives the same rows: only how
// the agent cut differs. Lengths are whole millimeters a millisecond here, so
// that every cut is exact.
func TestCutSlicesGiveTheSameRows(t *testing.T) {
	press := threeShifts(t)
	rapid.Check(t, func(t *rapid.T) {
		w := drawWorld(t, press)
		// A void names seqs, which a cut changes.
		w.ev = slices.DeleteFunc(w.ev, func(e timeline.Event) bool { return e.Kind == timeline.KindVoided })
		for i := range w.sl {
			w.sl[i].Good, w.sl[i].Waste = w.sl[i].Good/1000*60_000, w.sl[i].Waste/1000*60_000
		}
		whole, _ := w.compute(press, w.sl, w.ev)
		at := rapid.Int64Range(1, 59_999).Draw(t, "cut")
		var cut []timeline.Slice
		for i, s := range w.sl {
			if i%3 != 0 {
				cut = append(cut, s)
				continue
			}
			a, b := s, s
			a.To, b.From = s.From+at, s.From+at
			a.Good, a.Waste = s.Good*at/timeline.Minute, s.Waste*at/timeline.Minute
			b.Good, b.Waste = s.Good-a.Good, s.Waste-a.Waste
			b.Seq += 1 << 40
			cut = append(cut, a, b)
		}
		got, _ := w.compute(press, cut, w.ev)
		if !reflect.DeepEqual(got, whole) {
			t.Fatal("cutting slices changes the rows")
		}
	})
}

// Sums add over any split of the days; planned busy time = valuable operating
// time + Σ leaves in them too; policy "outside" takes out exactly planned
// cleaning and planned maintenance; money is time × the rate of the hour +
// material.
func TestSumsOnRandomDays(t *testing.T) {
	press := threeShifts(t)
	rapid.Check(t, func(t *rapid.T) {
		var rows []DayRow
		var facts []timeline.FactSum
		want := [NumLeaves]*big.Rat{} // by hand: each day's time at its own rate
		for l := range want {
			want[l] = new(big.Rat)
		}
		for range rapid.IntRange(1, 4).Draw(t, "days") {
			w := drawWorld(t, press)
			res, _ := w.compute(press, w.sl, w.ev)
			rate := rapid.Int64Range(0, 900).Draw(t, "rate") * 1_000_000
			rows = append(rows, res.Day)
			for l := range want {
				a := res.Day.In[l]
				want[l].Add(want[l], TimeMoney(new(big.Int).Mul(big.NewInt(a.US), big.NewInt(rate))))
				want[l].Add(want[l], MaterialMoney(a.Material))
			}
			for _, f := range res.Facts {
				facts = append(facts, timeline.FactSum{HourMicro: rate, Planned: f.Planned, Leaf: uint8(f.Leaf), Sub: uint8(f.Sub), State: f.State, Rated: f.Rated,
					Dur: f.Dur, Good: f.Good, Waste: f.Waste, Material: f.Waste * press.WebNanoPerMM(w.day, "")})
			}
		}
		var all, a, b Sums
		cut := rapid.IntRange(0, len(rows)).Draw(t, "split")
		for i := range rows {
			all.Add(&rows[i])
			if i < cut {
				a.Add(&rows[i])
			} else {
				b.Add(&rows[i])
			}
		}
		a.Merge(&b)
		if a != all {
			t.Fatal("two parts do not add up to the whole")
		}
		if all.Valuable+all.Total().US != all.PBT*1000 {
			t.Fatal("planned busy time and leaves differ")
		}
		pbt, _ := all.OutsidePolicy()
		rest := all.Valuable
		for _, l := range Losses() {
			if l != PlannedCleaning && l != PlannedMaintenance {
				rest += all.In[l].US
			}
		}
		if pbt != rest {
			t.Fatalf("policy outside: planned %d µs, valuable and other leaves %d µs", pbt, rest)
		}
		// Facts are exact fractions, rows whole microseconds: at most half a
		// microsecond a day and leaf, other slow running the sum of the others.
		_, money := FactTree(facts)
		tolerance := big.NewRat(int64(len(rows)*NumLeaves)*900, 3_600_000_000)
		for _, l := range Losses() {
			if d := new(big.Rat).Sub(money[l], want[l]); d.Abs(d).Cmp(tolerance) > 0 {
				t.Fatalf("%s: money %s, time × rate + material %s", l, money[l].FloatString(9), want[l].FloatString(9))
			}
		}
	})
}
