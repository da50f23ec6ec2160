package loss

import (
	"math/big"

	"github.com/downweb/downweb/analytics/timeline"
)

// Money is an exact amount of one currency.
type Money = big.Rat

// perHour turns µs × millionths an hour into currency: 3.6e9 µs an hour times
// 1e6.
var perHour = new(big.Int).Mul(big.NewInt(3_600_000_000), big.NewInt(1_000_000))

// TimeMoney is a priced time (µs × millionths an hour) as money.
func TimeMoney(priced *big.Int) *Money {
	if priced == nil {
		return new(Money)
	}
	return new(Money).SetFrac(priced, perHour)
}

// MaterialMoney is billionths of the currency as money.
func MaterialMoney(nano int64) *Money { return big.NewRat(nano, 1_000_000_000) }

// RoundMoney rounds half to even to a number of decimals and writes it with
// all of them.
func RoundMoney(m *Money, decimals int) string {
	scale := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimals)), nil))
	n := roundHalfEvenInt(new(big.Rat).Mul(m, scale))
	return new(big.Rat).Quo(new(big.Rat).SetInt(n), scale).FloatString(decimals)
}

// Decimals of a currency's amounts (ISO 4217 minor units; from memory, the
// currencies that differ from two).
func Decimals(currency string) int {
	switch currency {
	case "JPY", "KRW", "CLP", "ISK", "VND", "PYG", "UGX", "XAF", "XOF", "XPF":
		return 0
	case "BHD", "JOD", "KWD", "OMR", "TND", "IQD", "LYD":
		return 3
	}
	return 2
}

// LeafMoney is the money of one leaf of a sum: time at its press-days' rates
// plus material.
func LeafMoney(s *timeline.LossSum, l Leaf) *Money {
	m := TimeMoney(s.Priced[l])
	return m.Add(m, MaterialMoney(s.In[l].Material))
}

// SumOf is the sums of a stored sum of press-days.
func SumOf(s *timeline.LossSum) Sums {
	out := Sums{
		PBT: s.PBT, APT: s.APT, SetupCleaning: s.PartSetupCleaning, Valuable: s.Valuable, Good: s.Good, Made: s.Made,
		Measured: s.Measured, Stated: s.Stated, Unknown: s.Unknown, GoodOutside: s.GoodOutside, ExtraGood: s.ExtraGood,
		Excess: s.Excess, NoteSpill: s.NoteSpill, AssumedMM: s.AssumedMM, UnknownReason: s.UnknownReasons, PressDays: s.PressDays,
	}
	out.Parts[SubNoRecord], out.Parts[SubCleaning] = s.PartNoRecord, s.PartDirtCleaning
	for l := range s.In {
		out.In[l], out.Out[l] = Amount(s.In[l]), Amount(s.Out[l])
	}
	return out
}

// Merge adds another sum to this one.
func (s *Sums) Merge(o *Sums) {
	n := s.PressDays + o.PressDays
	row := DayRow{PBT: o.PBT, APT: o.APT, In: o.In, Out: o.Out, Parts: o.Parts, SetupCleaning: o.SetupCleaning,
		Valuable: o.Valuable, Good: o.Good, Made: o.Made, Measured: o.Measured, Stated: o.Stated, Unknown: o.Unknown,
		GoodOutside: o.GoodOutside, ExtraGood: o.ExtraGood, Excess: o.Excess, NoteSpill: o.NoteSpill,
		AssumedMM: o.AssumedMM, UnknownReason: o.UnknownReason}
	s.Add(&row)
	s.PressDays = n
}

// FactTree adds facts up to sums and, beside them, to money by leaf. Times of
// waste and slow running are exact fractions per rated speed, rounded once for
// the whole sum; other slow running is the remainder, so the identity holds
// here too.
func FactTree(facts []timeline.FactSum) (Sums, [NumLeaves]*Money) {
	var s Sums
	var money [NumLeaves]*Money
	for l := range money {
		money[l] = new(Money)
	}
	good := rational{}
	waste := [NumLeaves]rational{}
	for l := range waste {
		waste[l] = rational{}
	}
	slowMS, slowLen := int64(0), rational{}
	total := new(Money) // of production less good, at each rate: what slow and quality leaves share
	for _, f := range facts {
		if int(f.Leaf) >= NumLeaves {
			continue
		}
		l := Leaf(f.Leaf)
		if !f.Planned {
			s.Out[l].US += f.Dur * 1000
			s.Out[l].MM += f.Waste
			s.Out[l].Material += f.Material
			continue
		}
		s.PBT += f.Dur
		hour := new(Money).SetFrac(big.NewInt(f.HourMicro), perHour)
		at := func(us *big.Rat) *Money { return new(Money).Mul(us, hour) }
		dur := new(big.Rat).SetInt64(f.Dur * 1000)
		if f.State == timeline.StateNone && l == Unaccounted {
			s.Unknown += f.Dur
		} else if f.State == timeline.StateNone {
			s.Stated += f.Dur
		} else {
			s.Measured += f.Dur
		}
		s.In[l].MM += f.Waste
		s.In[l].Material += f.Material
		money[l].Add(money[l], MaterialMoney(f.Material))
		if f.State != timeline.StateProduction {
			s.In[l].US += f.Dur * 1000
			money[l].Add(money[l], at(dur))
			if l == ContaminationStop && Sub(f.Sub) == SubCleaning {
				s.Parts[SubCleaning] += f.Dur * 1000
			}
			if Sub(f.Sub) == SubNoRecord {
				s.Parts[SubNoRecord] += f.Dur * 1000
			}
			if l == Setup && Sub(f.Sub) == SubCleaning {
				s.SetupCleaning += f.Dur * 1000
			}
			continue
		}
		length := ratedTime(f.Good+f.Waste, f.Rated)
		if l == LeafProduction {
			s.APT += f.Dur
		} else {
			waste[l][f.Rated] += f.Waste
			money[l].Add(money[l], at(ratedTime(f.Waste, f.Rated)))
		}
		good[f.Rated] += f.Good
		s.Good += f.Good
		s.Made += f.Good + f.Waste
		lost := at(new(big.Rat).Sub(dur, length))
		if Sub(f.Sub) == SubSlowDirt {
			slowMS += f.Dur
			slowLen[f.Rated] -= f.Good + f.Waste
			money[ContaminationSlow].Add(money[ContaminationSlow], lost)
		} else {
			total.Add(total, lost)
		}
	}
	s.Valuable = good.us()
	s.In[ContaminationSlow].US = slowMS*1000 + slowLen.us()
	quality := int64(0)
	for l := SetupWaste; l <= UnbookedWaste; l++ {
		s.In[l].US = waste[l].us()
		quality += s.In[l].US
	}
	s.In[LeafProduction] = Amount{}
	s.In[OtherSlow].US = s.APT*1000 - s.Valuable - quality - s.In[ContaminationSlow].US
	money[OtherSlow] = total
	return s, money
}

// ratedTime is a length at a rated speed, µs.
func ratedTime(mm, rated int64) *big.Rat {
	if rated <= 0 {
		return new(big.Rat)
	}
	return new(big.Rat).Mul(big.NewRat(mm, rated), big.NewRat(60_000_000, 1))
}
