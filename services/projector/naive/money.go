package naive

import (
	"math/big"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// price finds the value of an hour on a production day.
func (w *walk) price(d *Day) {
	d.HourRate = new(big.Rat)
	if r := w.pressRate(d.Day); r != nil {
		d.Constrained = r.Constrained
		d.HourRate = amount(r.PressHour)
		if r.Constrained {
			d.HourRate = amount(r.ContributionHour)
		}
	}
}

func (w *walk) pressRate(day string) *pb.PressRate {
	var best *pb.PressRate
	for _, r := range w.press.Rates {
		if r.ValidFrom <= day && (best == nil || r.ValidFrom >= best.ValidFrom) {
			best = r
		}
	}
	return best
}

// webRate is the price of one mm of web on a production day: the press's own
// per meter, else by substrate and width.
func (w *walk) webRate(day, job string) *big.Rat {
	if r := w.pressRate(day); r != nil && r.WebMeter != "" {
		return new(big.Rat).Quo(amount(r.WebMeter), whole(1000))
	}
	substrate := ""
	for _, f := range w.log.facts {
		if j := f.ev.GetJobStarted(); j != nil && job != "" && j.Job == job {
			substrate = j.Substrate
		}
	}
	var named, other *pb.WebRate
	for _, r := range w.plant.WebRates {
		switch {
		case r.ValidFrom > day:
		case r.Substrate == "" && (other == nil || r.ValidFrom >= other.ValidFrom):
			other = r
		case r.Substrate != "" && r.Substrate == substrate && (named == nil || r.ValidFrom >= named.ValidFrom):
			named = r
		}
	}
	if named == nil {
		named = other
	}
	if named == nil {
		return new(big.Rat)
	}
	// per m² × width in m ÷ 1000 mm of length
	return new(big.Rat).Mul(amount(named.SquareMeter), big.NewRat(w.press.WebWidthMm, 1_000_000))
}
