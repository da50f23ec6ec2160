package stats

import "math"

// RunRule is a pattern that a stable series rarely shows.
type RunRule uint16

// Run rules. The first four are those of the Western Electric Statistical
// Quality Control Handbook (1956); the others are those that Nelson, Journal of
// Quality Technology 16 (1984) 237, has beside them. "Beyond" is strict: a value
// on a limit is within it, a value on the center line is on neither side.
const (
	RuleBeyond3     RunRule = 1 << iota // 1 beyond 3 sigma
	RuleTwo2                            // 2 of 3 beyond 2 sigma, on one side, the last among them
	RuleFour1                           // 4 of 5 beyond 1 sigma, on one side, the last among them
	RuleEight                           // 8 in a row on one side
	RuleNine                            // 9 in a row on one side
	RuleSixTrend                        // 6 in a row rising or falling
	Rule14Alternate                     // 14 in a row alternating up and down
	Rule15Hug                           // 15 in a row within 1 sigma
	RuleEightFar                        // 8 in a row beyond 1 sigma, on either side
)

// WesternElectric are the four rules of 1956. A stable series gives a false
// alarm every 91.75 values on average (Champ & Woodall, Technometrics 29, 1987).
const WesternElectric = RuleBeyond3 | RuleTwo2 | RuleFour1 | RuleEight

// UsualRules are the rules that series of losses are read by: 1 beyond 3 sigma
// and 8 in a row on one side. A stable normal series gives a false alarm every
// 152.7 values on average (exact Markov chain after Champ & Woodall): with some
// twenty series of 26 weeks four rules would cry wolf too often.
const UsualRules = RuleBeyond3 | RuleEight

// Runs walks a series of z values and says after each which rules hold. Its
// zero value is ready; two that are equal answer alike for ever after.
type Runs struct {
	far2, far1         [2]uint8 // of the last 2 and 4 values, newest lowest: beyond 2, 1 sigma; by side
	side               int8     // of the last value
	onSide, hug, eight uint8
	rise, fall, turns  uint8 // steps in a row
	started            bool
	last               float64
}

// Step takes the next value and returns the rules that hold at it.
func (r *Runs) Step(z float64) RunRule {
	var out RunRule
	if math.Abs(z) > 3 {
		out |= RuleBeyond3
	}
	for s, v := range [2]float64{z, -z} {
		two, one := uint8(0), uint8(0)
		if v > 2 {
			two = 1
		}
		if v > 1 {
			one = 1
		}
		if two == 1 && r.far2[s]&3 != 0 {
			out |= RuleTwo2
		}
		if one == 1 && bitCount(r.far1[s]&15) >= 3 {
			out |= RuleFour1
		}
		r.far2[s] = (r.far2[s]<<1 | two) & 3
		r.far1[s] = (r.far1[s]<<1 | one) & 15
	}
	side := int8(0)
	if z > 0 {
		side = 1
	} else if z < 0 {
		side = -1
	}
	switch {
	case side == 0:
		r.onSide = 0
	case side == r.side:
		r.onSide = min(r.onSide+1, 9)
	default:
		r.onSide = 1
	}
	r.side = side
	if r.onSide >= 8 {
		out |= RuleEight
	}
	if r.onSide >= 9 {
		out |= RuleNine
	}
	within := math.Abs(z) < 1
	r.hug, r.eight = count(r.hug, within, 15), count(r.eight, math.Abs(z) > 1, 8)
	if r.hug >= 15 {
		out |= Rule15Hug
	}
	if r.eight >= 8 {
		out |= RuleEightFar
	}
	if r.started {
		up, down := z > r.last, z < r.last
		switch { // a turn is a step against the one before
		case up && r.fall > 0, down && r.rise > 0:
			r.turns = min(r.turns+1, 13)
		case up, down:
			r.turns = 1
		default:
			r.turns = 0
		}
		r.rise, r.fall = count(r.rise, up, 5), count(r.fall, down, 5)
	}
	r.started, r.last = true, z
	if r.rise >= 5 || r.fall >= 5 {
		out |= RuleSixTrend
	}
	if r.turns >= 13 {
		out |= Rule14Alternate
	}
	return out
}

func count(n uint8, holds bool, most uint8) uint8 {
	if !holds {
		return 0
	}
	return min(n+1, most)
}

func bitCount(b uint8) int {
	n := 0
	for ; b != 0; b &= b - 1 {
		n++
	}
	return n
}
