package api

import (
	"fmt"
	"math"
	"slices"

	"github.com/downweb/downweb/analytics/interval"
	"github.com/downweb/downweb/analytics/stats"
)

const (
	placeBits  = 32 // of a random number's place, for the failures of one day
	placements = 19 // other draws of when in its day each failure was
)

// coarse says how far the clock of the lives can be trusted. Stops are summed by
// production day, and of a clean only its time of day is on record, not what had
// been run by then: both are known to a day's run. The lives are therefore placed
// within their days again and fitted again; what that changes is what the clock
// cannot tell. chance is why the shape must not be acted on; empty: in every
// placement its interval lies on the same side of 1.
func (b *stationBook) coarse(lives []interval.Life, w interval.Weibull, fitted bool) (said, chance string) {
	var runs []float64
	for _, list := range b.days {
		for _, d := range list {
			if d.clock > 0 {
				runs = append(runs, d.clock)
			}
		}
	}
	day, err := stats.Median(runs)
	if err != nil {
		return "The clock is coarse: stops and cleans are known to the production day only.", ""
	}
	short, failed := 0, 0
	for _, l := range lives {
		if l.Failed {
			if failed++; l.Time < 2*day {
				short++
			}
		}
	}
	said = fmt.Sprintf("The clock is coarse: stops and cleans are known to the production day, whose run is %.1f %s at the median. When in its day a failure was is not on record; it is put at random in the day's run, which can make wear look smaller. %d of %d lives that failed are shorter than two such days.",
		day, b.unit, short, failed)
	if 2*short > failed {
		said += " As most of them are, the shape says little about wear."
	}
	if !fitted {
		return said, ""
	}
	low, high, other := w.Beta, w.Beta, 0
	for draw := range placements {
		again, _, _ := b.placed(false, uint64(draw+1))
		x, err := interval.FitWeibull(again)
		if err != nil || !(x.SEBeta > 0) || math.IsNaN(x.Beta) {
			other++
			continue
		}
		low, high = min(low, x.Beta), max(high, x.Beta)
		if side(x) != side(w) {
			other++
		}
	}
	said += fmt.Sprintf(" Placed otherwise %d times, the shape came out at %.2f to %.2f; it is %.2f here.", placements, low, high, w.Beta)
	if other > 0 {
		chance = fmt.Sprintf("whether it wears hangs on when in their days the failures were, which is not on record: placed otherwise, the interval of the Weibull shape lies elsewhere against 1 in %d of %d times", other, placements)
	}
	return said, chance
}

// side of 1 on which the interval of the shape lies; 0: it holds 1.
func side(w interval.Weibull) int {
	ends := []float64{w.BetaLow, w.BetaHigh}
	switch {
	case slices.Min(ends) > 1:
		return 1
	case slices.Max(ends) < 1:
		return -1
	}
	return 0
}
