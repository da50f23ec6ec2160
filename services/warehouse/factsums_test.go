package warehouse

import (
	"context"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
)

// Facts add up by press with what tells stops apart: minor or not, with a job
// open or without.
func TestFactSumsByPress(t *testing.T) {
	ctx := context.Background()
	db := openTest(t)
	fact := func(press, job string, minor bool, dur, stops int64) timeline.ShiftFact {
		return timeline.ShiftFact{Plant: "a", Press: press, Day: 1, Shift: "early", Planned: true, Leaf: 6, State: timeline.StateDown, Job: job, Minor: minor, Dur: dur, Stops: stops}
	}
	p := Projections{Facts: []timeline.ShiftFact{fact("b", "", false, 1, 1), fact("b", "J1", false, 2, 0), fact("b", "J2", false, 4, 2), fact("b", "J2", true, 8, 3), fact("c", "", false, 16, 5)}}
	for _, press := range []string{"b", "c"} {
		p.Days = append(p.Days, timeline.PressDay{Plant: "a", Press: press, Day: 1, Currency: "EUR", HourMicro: 7})
	}
	if err := db.WriteProjections(ctx, Live, p, Projections{}, 1); err != nil {
		t.Fatal(err)
	}
	got, err := db.FactSums(ctx, FactsByPress, nil, 0, 2)
	if err != nil {
		t.Fatal(err)
	}
	sum := func(press string, open, minor bool, dur, stops int64) timeline.FactSum {
		return timeline.FactSum{Key: "a/" + press, Currency: "EUR", HourMicro: 7, Planned: true, Leaf: 6, State: timeline.StateDown, JobOpen: open, Minor: minor, Dur: dur, Stops: stops}
	}
	want := []timeline.FactSum{sum("b", false, false, 1, 1), sum("b", true, false, 6, 2), sum("b", true, true, 8, 3), sum("c", false, false, 16, 5)}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

// Sums of facts kept by month are what the table gives, after any writes to facts or to the rates that price them.
func TestFactSumsFromMemoryAsFromTheTable(t *testing.T) {
	ctx := context.Background()
	for _, budget := range []int{64 << 20, 100_000} {
		db := openTest(t)
		db.days = newDayCache(budget)
		rng := rand.New(rand.NewPCG(11, uint64(budget)))
		p := lossRows(rng, 4, 120, func(press int, d timeline.Day) int64 { return int64(press)*1e6 + int64(d)/40 })
		ids := []string{"a0/p0", "a1/p1", "a0/p2", "a1/p3"}
		for round := range 8 {
			var changed, gone Projections
			for _, f := range p.Facts {
				switch {
				case round == 0 || rng.IntN(200) == 0:
					f.Dur, f.Waste = rng.Int64N(1e6), rng.Int64N(1e6)
					changed.Facts = append(changed.Facts, f)
				case rng.IntN(500) == 0:
					gone.Facts = append(gone.Facts, f)
				}
			}
			for i := range p.Days {
				if round == 0 || round == 5 && p.Days[i].Day > 150 { // another rate, facts as they were
					p.Days[i].HourMicro += int64(round) * 1000
					changed.Days = append(changed.Days, p.Days[i])
				}
			}
			if err := db.WriteProjections(ctx, Live, changed, gone, uint64(round+1)); err != nil {
				t.Fatal(err)
			}
			for _, by := range append(slices.Clone(keptFacts), FactsByPress) {
				for range 2 {
					scope := [][]string{nil, {}, ids[:1], ids[1:], {"a9/none"}}[rng.IntN(5)]
					from := timeline.Day(90 + rng.IntN(100))
					to := from + timeline.Day(rng.IntN(100))
					want, err := db.tableFactSums(ctx, by, scope, from, to)
					if err != nil {
						t.Fatal(err)
					}
					got, err := db.FactSums(ctx, by, scope, from, to)
					if err != nil {
						t.Fatal(err)
					}
					if len(got)+len(want) > 0 && !reflect.DeepEqual(got, want) {
						t.Fatalf("budget %d, round %d, by %q of %v, %v to %v: %d sums, the table has %d", budget, round, by, scope, from, to, len(got), len(want))
					}
				}
			}
		}
		if budget > 1<<20 && len(db.days.facts) < 10 {
			t.Errorf("%d sums are kept", len(db.days.facts))
		}
	}
}
