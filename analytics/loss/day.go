package loss

import (
	"math/big"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// Amount is what one leaf holds: time in microseconds, length in millimeters,
// material in billionths of the currency.
type Amount struct {
	US       int64
	MM       int64
	Material int64
}

// DayRow is one press-day: every leaf rounded once to whole microseconds, the
// other slow leaf being the remainder of actual production time, so that
// PBT·1000 = Valuable + Σ In[leaf].US holds in integers.
type DayRow struct {
	Day timeline.Day
	PBT int64 // planned busy time, ms
	APT int64 // actual production time inside it, ms

	In    [NumLeaves]Amount // inside planned busy time
	Out   [NumLeaves]Amount // outside it
	Parts [4]int64          // by Sub: no record, cleaning in contamination stop; µs, inside
	// SetupCleaning is the cleaning inside set-up, µs, inside planned time.
	SetupCleaning int64

	Valuable int64 // rated time of good length made in planned PRODUCTION, µs
	Good     int64 // good length made in planned PRODUCTION, mm
	Made     int64 // all length made in planned PRODUCTION, mm

	Measured, Stated, Unknown int64 // coverage of planned time, ms

	GoodOutside   int64            // good length outside PRODUCTION, mm
	ExtraGood     int64            // good length of PRODUCTION outside planned time, mm
	Excess        int64            // booked above the count, mm
	Downstream    int64            // moved from good to waste by what was found later, mm
	NoteSpill     int64            // notes over states they may not cover, ms
	AssumedMM     int64            // PRODUCTION at the press's own rated speed, mm
	UnknownReason int64            // distinct reason slugs the registry does not know
	OutLabour     int64            // ms × millionths per hour × hands of cleaning outside planned time
	OutLabourLeaf [NumLeaves]int64 // the same by leaf

	RunWaste  int64 // waste counted in PRODUCTION, in and out of plan, mm
	StopWaste int64 // waste counted in DOWN and WAITING, mm
}

// rational sums millimeters by rated speed and gives exact times.
type rational map[int64]int64 // rated speed mm/min -> mm

// us is Σ mm / rated in microseconds, rounded half to even once.
func (r rational) us() int64 {
	sum := new(big.Rat)
	for _, rated := range sortedRates(r) {
		if mm := r[rated]; mm != 0 && rated > 0 {
			sum.Add(sum, big.NewRat(mm, rated))
		}
	}
	sum.Mul(sum, big.NewRat(60_000_000, 1))
	return roundHalfEven(sum)
}

func sortedRates(r rational) []int64 {
	out := make([]int64, 0, len(r))
	for k := range r {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// roundHalfEven rounds to the nearest whole number, ties to even.
func roundHalfEven(r *big.Rat) int64 { return roundHalfEvenInt(r).Int64() }

func roundHalfEvenInt(r *big.Rat) *big.Int {
	n, d := r.Num(), r.Denom()
	q, m := new(big.Int).DivMod(n, d, new(big.Int)) // floored: d > 0
	twice := new(big.Int).Lsh(m, 1)
	switch twice.Cmp(d) {
	case 1:
		q.Add(q, big.NewInt(1))
	case 0:
		if q.Bit(0) == 1 {
			q.Add(q, big.NewInt(1))
		}
	}
	return q
}

// dayRow sums the day's facts.
func (w *walk) dayRow(facts []Fact) DayRow {
	r := w.row
	r.UnknownReason = int64(len(w.unknown))
	day, press := w.in.Day.Day, w.in.Press
	var good, slowLen rational = rational{}, rational{}
	var slowMS int64
	wasteIn, wasteOut := [NumLeaves]rational{}, [NumLeaves]rational{}
	for i := range wasteIn {
		wasteIn[i], wasteOut[i] = rational{}, rational{}
	}
	for _, f := range facts {
		a := &r.Out[f.Leaf]
		waste := wasteOut[f.Leaf]
		if f.Planned {
			a, waste = &r.In[f.Leaf], wasteIn[f.Leaf]
		}
		a.US += f.Dur * 1000
		if f.Waste != 0 {
			a.MM += f.Waste
			a.Material += f.Waste * press.WebNanoPerMM(day, w.h.Job(f.Job, w.span.To).Substrate)
			if f.State == timeline.StateProduction {
				waste[f.Rated] += f.Waste
			}
		}
		if f.Planned && f.Sub == SubNoRecord || f.Planned && f.Sub == SubCleaning && f.Leaf == ContaminationStop {
			r.Parts[f.Sub] += f.Dur * 1000
		}
		if f.Planned && f.Sub == SubCleaning && f.Leaf == Setup {
			r.SetupCleaning += f.Dur * 1000
		}
		if f.State != timeline.StateProduction {
			continue
		}
		if !f.Planned {
			r.ExtraGood += f.Good
			continue
		}
		good[f.Rated] += f.Good
		r.Good += f.Good
		r.Made += f.Good + f.Waste
		if f.Leaf == LeafProduction {
			r.APT += f.Dur
		}
		if f.Sub == SubSlowDirt {
			slowMS += f.Dur
			slowLen[f.Rated] -= f.Good + f.Waste
		}
	}
	r.In[LeafProduction] = Amount{} // inside the plan it is APT, no loss
	r.Valuable = good.us()
	if len(slowLen) > 0 || slowMS > 0 {
		r.In[ContaminationSlow].US = slowMS*1000 + slowLen.us()
	}
	quality := int64(0)
	for l := SetupWaste; l <= UnbookedWaste; l++ {
		r.In[l].US = wasteIn[l].us()
		r.Out[l].US = wasteOut[l].us()
		quality += r.In[l].US
	}
	r.In[OtherSlow].US = r.APT*1000 - r.Valuable - quality - r.In[ContaminationSlow].US
	return r
}

// Check verifies the identity of the row: planned busy time = valuable
// operating time + Σ loss leaves. It returns the difference in microseconds,
// which is 0 for every row that Compute made.
func (r *DayRow) Check() int64 {
	sum := r.Valuable
	for _, l := range Losses() {
		sum += r.In[l].US
	}
	return r.PBT*1000 - sum
}
