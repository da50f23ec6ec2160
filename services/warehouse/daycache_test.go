package warehouse

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
)

// What is answered from memory is what the table answers, after any writes: days
// changed, taken back and put into another table, memory large, small or none.
func TestDaysFromMemoryAsFromTheTable(t *testing.T) {
	ctx := context.Background()
	for _, budget := range []int{1 << 20, 40_000, 1} {
		t.Run(fmt.Sprint(budget), func(t *testing.T) {
			db := openTest(t)
			db.days = newDayCache(budget)
			rng := rand.New(rand.NewPCG(5, uint64(budget)))
			p := lossRows(rng, 5, 200, func(press int, d timeline.Day) int64 { return int64(press)*1e6 + int64(d)/40 })
			p.Facts = nil
			ids := []string{"a0/p0", "a1/p1", "a0/p2", "a1/p3", "a0/p4"}
			days := p.Days
			set, ver := Live, uint64(0)
			for round := range 12 {
				var changed, gone Projections
				for _, d := range days {
					switch {
					case round == 0 || rng.IntN(60) == 0:
						d.PBT, d.In[2].US, d.Through = rng.Int64N(1e8), rng.Int64N(1e11)-1e9, rng.Int64N(1e12)
						changed.Days = append(changed.Days, d)
					case rng.IntN(300) == 0:
						gone.Days = append(gone.Days, d)
					}
				}
				ver++
				if err := db.WriteProjections(ctx, set, changed, gone, ver); err != nil {
					t.Fatal(err)
				}
				if round == 7 { // another table, with versions that the first had too
					beside := NewBeside()
					if err := db.MakeBeside(ctx, beside); err != nil {
						t.Fatal(err)
					}
					for i := range days {
						days[i].Made = rng.Int64N(1e9)
					}
					if err := db.WriteProjections(ctx, beside, Projections{Days: days}, Projections{}, ver); err != nil {
						t.Fatal(err)
					}
					if err := db.SwapBeside(ctx, beside); err != nil {
						t.Fatal(err)
					}
				}
				if round == 9 { // other parts, the same rows
					if err := db.conn.Exec(ctx, "OPTIMIZE TABLE press_days_by_month FINAL"); err != nil {
						t.Fatal(err)
					}
				}
				for range 2 { // the second time from memory whole
					if got, want := frontiersOf(t, ctx, db, db.days), frontiersOf(t, ctx, db, nil); !maps.Equal(got, want) {
						t.Fatalf("round %d: frontiers %v, the table has %v", round, got, want)
					}
				}
				for _, by := range []LossGroup{ByPress, ByDay} {
					scope := [][]string{nil, {}, ids[:1], ids[2:], {"a9/none"}}[rng.IntN(5)]
					from := timeline.Day(90 + rng.IntN(220))
					to := from + timeline.Day(rng.IntN(120))
					want, err := db.tableLossSums(ctx, by, scope, from, to)
					if err != nil {
						t.Fatal(err)
					}
					got, err := db.LossSums(ctx, by, scope, from, to)
					if err != nil {
						t.Fatal(err)
					}
					if len(got)+len(want) > 0 && !reflect.DeepEqual(got, want) {
						t.Fatalf("round %d, by %v of %v, %v to %v: %d sums, the table has %d:\n%v", round, by, scope, from, to, len(got), len(want), differ(got, want))
					}
				}
			}
			if budget == 1<<20 && len(db.days.cells) < 30 {
				t.Errorf("%d cells are kept", len(db.days.cells))
			}
			if db.days.size > max(budget, 1) {
				t.Errorf("%d bytes are kept, the budget is %d", db.days.size, budget)
			}
		})
	}
}

// frontiersOf are the frontiers by some memory, or none.
func frontiersOf(t *testing.T, ctx context.Context, db *DB, days *dayCache) map[string]int64 {
	t.Helper()
	defer func(was *dayCache) { db.days = was }(db.days)
	db.days = days
	f, err := db.Frontiers(ctx)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// differ shows the first sums that are not equal.
func differ(got, want []timeline.LossSum) string {
	for i := range min(len(got), len(want)) {
		if !reflect.DeepEqual(got[i], want[i]) {
			return strings.Join([]string{fmt.Sprintf("%+v", got[i]), fmt.Sprintf("%+v", want[i])}, "\n")
		}
	}
	return "one has more"
}

// A row is read as written, and months are those of the calendar.
func TestDayCellRows(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 1000 {
		in := make([]int64, 115)
		for i := range in {
			if rng.IntN(3) == 0 {
				in[i] = int64(rng.Uint64()) >> rng.IntN(64)
			}
		}
		out := make([]int64, len(in))
		addRow(out, appendRow(nil, in))
		if !reflect.DeepEqual(in, out) {
			t.Fatalf("%v\n%v", in, out)
		}
	}
	for _, s := range []string{"2024-02-29", "2025-12-31", "2026-01-01", "1970-01-01"} {
		d, err := timeline.ParseDay(s)
		if err != nil {
			t.Fatal(err)
		}
		if m := monthOf(d); m%12+1 != int32(s[5]-'0')*10+int32(s[6]-'0') || firstOf(m).String() != s[:8]+"01" || monthOf(firstOf(m+1)-1) != m {
			t.Errorf("%s is in month %d, from %v", s, m, firstOf(m))
		}
	}
	if n := len(sumColumns()); n > 255 {
		t.Errorf("%d columns do not fit a byte", n)
	}
}
