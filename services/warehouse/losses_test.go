package warehouse

import (
	"context"
	"fmt"
	"math/big"
	"math/rand/v2"
	"reflect"
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
)

// lossRows are press-days and facts of some presses, with a rate that the day
// and the press decide.
func lossRows(rng *rand.Rand, presses, days int, rate func(press int, d timeline.Day) int64) Projections {
	var p Projections
	for i := range presses {
		for d := range timeline.Day(days) {
			day := timeline.PressDay{Plant: fmt.Sprintf("a%d", i%2), Press: fmt.Sprintf("p%d", i), Day: 100 + d, Currency: []string{"EUR", "USD"}[i%2],
				HourMicro: rate(i, d), Constrained: i%3 == 0, PBT: rng.Int64N(1e8), Through: rng.Int64N(1e12)}
			for l := range day.In {
				if hasTime(l, true) {
					day.In[l].US = rng.Int64N(1e11) - 1e9
				}
			}
			p.Days = append(p.Days, day)
			for n := range 5 {
				p.Facts = append(p.Facts, timeline.ShiftFact{Plant: day.Plant, Press: day.Press, Day: day.Day, Shift: "early", Planned: n > 1, Leaf: uint8(1 + rng.IntN(20)),
					State: timeline.StateDown, Station: fmt.Sprintf("s%d", rng.IntN(3)), Job: fmt.Sprintf("j%d", n), Family: "f", Rated: 1000 * rng.Int64N(3),
					Minor: rng.IntN(2) == 0, Stops: rng.Int64N(3), Dur: rng.Int64N(1e6), Good: rng.Int64N(1e6), Waste: rng.Int64N(1e6), Material: rng.Int64N(1e9)})
			}
		}
	}
	return p
}

// Facts priced by stretches of one rate are those priced by a join with their
// press-day, also where rates change on different days and where one comes back.
func TestFactSumsByStretchAsJoined(t *testing.T) {
	ctx := context.Background()
	for name, rate := range map[string]func(press int, d timeline.Day) int64{
		"one":     func(press int, _ timeline.Day) int64 { return int64(press%3) * 1e6 },
		"changes": func(press int, d timeline.Day) int64 { return int64(press)*1e6 + int64(int(d)/(7+press)) },
		"returns": func(press int, d timeline.Day) int64 { return int64(d) / 10 % 2 },
	} {
		t.Run(name, func(t *testing.T) {
			db := openTest(t)
			p := lossRows(rand.New(rand.NewPCG(1, 2)), 4, 60, rate)
			if err := db.WriteProjections(ctx, Live, p, Projections{}, 1); err != nil {
				t.Fatal(err)
			}
			presses := []string{"a0/p0", "a1/p1", "a0/p2"}
			where, args := scopeWhere(presses, 110, 150)
			want, err := db.joinedFactSums(ctx, "f.station", where, args)
			if err != nil {
				t.Fatal(err)
			}
			got, err := db.FactSums(ctx, FactsByStation, presses, 110, 150)
			if err != nil {
				t.Fatal(err)
			}
			if len(want) < 50 || !reflect.DeepEqual(got, want) {
				t.Errorf("%d sums, joined %d", len(got), len(want))
			}
			defer func(n int) { maxRateTable = n }(maxRateTable)
			maxRateTable = 1 // too long: by press
			if got, err := db.FactSums(ctx, FactsByStation, presses, 110, 150); err != nil || !reflect.DeepEqual(got, want) {
				t.Errorf("by press: %d sums, joined %d, %v", len(got), len(want), err)
			}
			r, err := db.rates(ctx, where, args)
			if err != nil || (r == nil) != (name == "returns") || r != nil && (len(r.cuts) > 0) != (name == "changes") {
				t.Errorf("rates %+v, %v", r, err)
			}
		})
	}
}

// Sums and priced time are those added up here, whole numbers, for presses of a
// scope only.
func TestLossSumsAsAdded(t *testing.T) {
	ctx := context.Background()
	db := openTest(t)
	p := lossRows(rand.New(rand.NewPCG(3, 4)), 4, 40, func(press int, d timeline.Day) int64 { return 123_456_789*int64(press+1) + int64(d)/9 })
	if err := db.WriteProjections(ctx, Live, p, Projections{}, 1); err != nil {
		t.Fatal(err)
	}
	for _, by := range []LossGroup{ByPress, ByDay} {
		got, err := db.LossSums(ctx, by, []string{"a0/p2", "a1/p1"}, 105, 130)
		if err != nil {
			t.Fatal(err)
		}
		want := map[string]*timeline.LossSum{}
		for _, d := range p.Days {
			if d.Day < 105 || d.Day > 130 || d.Press != "p1" && d.Press != "p2" {
				continue
			}
			key := d.Plant + "/" + d.Press
			if by == ByDay {
				key = d.Day.String()
			}
			id := fmt.Sprint(key, d.Currency, d.Constrained)
			w := want[id]
			if w == nil {
				w = &timeline.LossSum{}
				want[id] = w
			}
			w.PressDays++
			w.PBT += d.PBT
			w.Through = max(w.Through, d.Through)
			for l := range d.In {
				if !hasTime(l, true) || LeafColumns[l] == "" {
					continue
				}
				w.In[l].US += d.In[l].US
				if w.Priced[l] == nil {
					w.Priced[l] = new(big.Int)
				}
				w.Priced[l].Add(w.Priced[l], new(big.Int).Mul(big.NewInt(d.In[l].US), big.NewInt(d.HourMicro)))
			}
		}
		if len(got) != len(want) || len(got) == 0 {
			t.Fatalf("%d sums, want %d", len(got), len(want))
		}
		for _, s := range got {
			w := want[fmt.Sprint(s.Key, s.Currency, s.Constrained)]
			if w == nil || s.PressDays != w.PressDays || s.PBT != w.PBT || s.Through != w.Through || !reflect.DeepEqual(s.Priced, w.Priced) || !reflect.DeepEqual(s.In, w.In) {
				t.Errorf("%s: %+v\nwant %+v", s.Key, s, w)
			}
		}
	}
}

// A question about one press or one month reads the granules and partitions
// that hold it and few others: by the engine's own plan, and by its count of the
// rows it read.
func TestLossQueriesReadWhatTheyNeed(t *testing.T) {
	ctx := context.Background()
	db := openTest(t)
	const presses, days = 120, 240 // 28,800 press-days, 144,000 facts: some granules of 8,192 rows of each
	p := lossRows(rand.New(rand.NewPCG(5, 6)), presses, days, func(int, timeline.Day) int64 { return 1e6 })
	if err := db.WriteProjections(ctx, Live, p, Projections{}, 1); err != nil {
		t.Fatal(err)
	}
	for _, table := range []string{tablePressDays, tableShiftFacts} {
		if err := db.conn.Exec(ctx, "OPTIMIZE TABLE "+table+" FINAL"); err != nil {
			t.Fatal(err)
		}
	}
	// What the plan of a reading takes of a table, of what there is.
	estimate := func(table string, presses []string, from, to timeline.Day) (rows uint64) {
		t.Helper()
		where, args := scopeWhere(presses, from, to)
		var database, name string
		var parts, marks uint64
		if err := db.conn.QueryRow(readContext(ctx), "EXPLAIN ESTIMATE SELECT sum(ver) FROM "+table+" WHERE "+where, args...).Scan(&database, &name, &parts, &rows, &marks); err != nil {
			t.Fatal(err)
		}
		return rows
	}
	selected := func() (n uint64) {
		t.Helper()
		if err := db.conn.QueryRow(ctx, "SELECT sum(value) FROM system.events WHERE event = 'SelectedRows'").Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	const granule = 8192
	one := []string{"a1/p51"}
	for _, c := range []struct {
		name     string
		table    string
		presses  []string
		from, to timeline.Day
		most     uint64
	}{
		{"press-days of one press", tablePressDays, one, 100, 100 + days, 2 * granule},
		{"facts of one press, in up to nine months", tableShiftFacts, one, 100, 100 + days, days*5 + 9*2*granule},
		{"facts of one month", tableShiftFacts, nil, 151, 180, presses * 5 * 31 * 2}, // 1970-06: the day is in one partition
		{"facts of one press in one month", tableShiftFacts, one, 151, 180, 2 * granule},
	} {
		if rows := estimate(c.table, c.presses, c.from, c.to); rows == 0 || rows > c.most {
			t.Errorf("%s: the plan reads %d rows, want at most %d", c.name, rows, c.most)
		}
	}
	// The same by what was read. Other tests may use the engine at the same time, so the least of some tries counts.
	least := func(f func() error) uint64 {
		t.Helper()
		best := ^uint64(0)
		for range 5 {
			before := selected()
			if err := f(); err != nil {
				t.Fatal(err)
			}
			best = min(best, selected()-before)
		}
		return best
	}
	all := least(func() error { _, err := db.LossSums(ctx, ByPress, nil, 100, 100+days); return err })
	few := least(func() error { _, err := db.LossSums(ctx, ByPress, one, 100, 100+days); return err })
	if all < presses*days || few == 0 || few > 3*granule {
		t.Errorf("one press's sums read %d rows, all %d", few, all)
	}
	all = least(func() error { _, err := db.FactSums(ctx, FactsByStation, nil, 100, 100+days); return err })
	few = least(func() error { _, err := db.FactSums(ctx, FactsByStation, one, 151, 180); return err })
	if all < presses*days*4 || few == 0 || few > 5*granule {
		t.Errorf("one press's month of facts read %d rows, all %d", few, all)
	}
}
