package warehouse

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
)

// A year of 500 presses in memory, by press and by day. The engine is not asked.
func BenchmarkSumCells(b *testing.B) {
	cols := sumColumns()
	rng := rand.New(rand.NewPCG(1, 2))
	rates := []rate{{"EUR", true, 80_000_000}, {"EUR", false, 60_000_000}}
	var keys []cellKey
	var cells []*dayCell
	from := timeline.Day(20454) // 1 January 2026
	for press := range 500 {
		for m := range int32(12) {
			month := monthOf(from) + m
			c := &dayCell{}
			for d := firstOf(month); d < firstOf(month+1); d++ {
				values := make([]int64, len(cols))
				for i := range values {
					if rng.IntN(2) == 0 {
						values[i] = rng.Int64N(1e9)
					}
				}
				c.data = appendRow(c.data, values)
				c.rows = append(c.rows, dayRow{day: d, rate: uint16(press % 2), end: uint32(len(c.data)), last: int64(d)})
			}
			c.addUp(len(cols))
			keys, cells = append(keys, cellKey{fmt.Sprintf("a/p%03d", press), month}), append(cells, c)
		}
	}
	c := newDayCache(128 << 20)
	for name, by := range map[string]LossGroup{"press": ByPress, "day": ByDay} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				c.sumCells(by, keys, cells, rates, cols, from, from+364)
			}
		})
	}
}
