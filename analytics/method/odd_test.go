package method_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/method"
	"github.com/downweb/downweb/analytics/stats"
)

// Odd tables (few rows, nothing varies, much is missing, huge and tiny numbers)
// give an answer that JSON can hold or one of the three errors, never a panic.
func TestOddTables(t *testing.T) {
	asked := requests()
	names := method.Names()
	rapid.Check(t, func(t *rapid.T) {
		rows := rapid.IntRange(0, 70).Draw(t, "rows")
		presses := rapid.IntRange(1, 5).Draw(t, "presses")
		missing := rapid.SampledFrom([]int{0, 0, 10, 50}).Draw(t, "missing %")
		scale := rapid.SampledFrom([]float64{1, 1, 1e-9, 1e12, 0}).Draw(t, "scale")
		seed := rapid.Uint64().Draw(t, "seed")
		rnd := stats.Random{Seed: seed}
		table := &method.Table{}
		press, day := method.Column{Name: "press"}, method.Column{Name: "day"}
		for i := range rows {
			press.Text = append(press.Text, fmt.Sprint("P", i%presses))
			day.Numbers = append(day.Numbers, float64(i/presses))
		}
		table.Columns = append(table.Columns, press, day)
		for c, name := range []string{"km", "waste", "rate", "stops", "dirty", "other", "dose", "mix"} {
			kinds := rapid.IntRange(0, 3).Draw(t, name)
			col := method.Column{Name: name, Numbers: make([]float64, rows)}
			for i := range col.Numbers {
				u := rnd.Float64(uint64(c), uint64(i))
				switch kinds {
				case 0: // 0 or 1
					u = math.Round(u)
				case 1: // counts
					u = math.Floor(5 * u)
				case 2: // one value
					u = 1
				}
				if name != "dirty" && name != "stops" && kinds == 3 {
					u *= scale
				}
				if rnd.IntN(uint64(100+c), uint64(i), 100) < missing {
					u = math.NaN()
				}
				col.Numbers[i] = u
			}
			table.Columns = append(table.Columns, col)
		}
		q := asked[rapid.SampledFrom(names).Draw(t, "method")]
		if q.Options.Draws = 99; rapid.Bool().Draw(t, "lags") && q.Method == "pearson" {
			q.Options.Lags = 3
		}
		r, err := method.Run(table, q)
		switch {
		case err == nil:
			if _, err := json.Marshal(r); err != nil {
				t.Fatal(err)
			}
			for _, e := range r.Estimates {
				for _, p := range []*float64{e.P, e.Low, e.High, e.SE, e.BandLow, e.BandHigh} {
					if p != nil && (math.IsNaN(*p) || math.IsInf(*p, 0)) {
						t.Fatalf("%+v", e)
					}
				}
				if e.P != nil && (*e.P < 0 || *e.P > 1) || e.Low != nil && e.High != nil && *e.Low > *e.High {
					t.Fatalf("%+v", e)
				}
			}
		case !errors.Is(err, stats.ErrInput) && !errors.Is(err, stats.ErrTooFew) && !errors.Is(err, stats.ErrNotConverged):
			t.Fatal(err)
		}
	})
}
