package interval

import (
	"fmt"
	"math"
)

// sensitivity says how the optimum moves when one thing at a time goes to its
// ends, in the order clean, meter, growth, shape.
func (q Question) sensitivity() (out []string) {
	g, k, m := q.Growth.mid(), mid(q.Clean), mid(q.Meter)
	say := func(what string, a, b float64) {
		out = append(out, fmt.Sprintf("%s: least cost at %s to %s.", what, kmText(min(a, b)), kmText(max(a, b))))
	}
	if q.Clean.Low != q.Clean.High {
		say(fmt.Sprintf("A clean at %g to %g", q.Clean.Low, q.Clean.High), g.optimum(q.Clean.Low, m), g.optimum(q.Clean.High, m))
	}
	if q.Meter.Low != q.Meter.High {
		say(fmt.Sprintf("A wasted meter at %g to %g", q.Meter.Low, q.Meter.High), g.optimum(k, q.Meter.Low), g.optimum(k, q.Meter.High))
	}
	say("The growth at the ends of its 95 % interval", q.Growth.low().optimum(k, m), q.Growth.high().optimum(k, m))
	if q.Other.check() == nil && q.Other.B != 0 {
		o := q.Other
		say(fmt.Sprintf("With %s instead, over the interval of that growth", o.Shape), o.low().optimum(k, m), o.high().optimum(k, m))
	}
	return out
}

func kmText(km float64) string {
	if math.IsInf(km, 1) || km >= 1e6 {
		return "beyond the data"
	}
	return fmt.Sprintf("%.1f km", km)
}

// sessions says the range on the grid of sessions: one station alone can only
// be left out of some of them.
func (q Question) sessions(a *Answer) {
	if !(q.Step > 0) {
		return
	}
	from, to := max(1, int(math.Ceil(a.From/q.Step-0.5))), max(1, int(math.Floor(a.To/q.Step+0.5)))
	text := fmt.Sprintf("Sessions come every %.1f km (median of a run day); opening and closing one is shared by its stations, so this station alone can only be", q.Step)
	switch {
	case to <= 1:
		a.Notes = append(a.Notes, text+" part of every session, or added to more of them.")
	case from >= to:
		a.Notes = append(a.Notes, fmt.Sprintf("%s part of every %s session.", text, ordinal(to)))
	default:
		a.Notes = append(a.Notes, fmt.Sprintf("%s part of every %s to every %s session.", text, ordinal(from), ordinal(to)))
	}
}

func ordinal(n int) string {
	switch {
	case n == 1:
		return "single"
	case n%10 == 2 && n%100 != 12:
		return fmt.Sprintf("%dnd", n)
	case n%10 == 3 && n%100 != 13:
		return fmt.Sprintf("%drd", n)
	case n%10 == 1 && n%100 != 11:
		return fmt.Sprintf("%dst", n)
	}
	return fmt.Sprintf("%dth", n)
}
