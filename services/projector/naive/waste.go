package naive

import (
	"math/big"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// cell is what one kind of stretch held of one slice.
type cell struct {
	where
	ms          *big.Rat
	good, waste *big.Rat // mm; waste: as counted by the press
	moved       *big.Rat // mm of good that turned out bad later
	claimed     *big.Rat // mm of counted waste that bookings took
	rated       int64    // mm/min
}

// claim is waste of a cell that a booking took.
type claim struct {
	c     *cell
	cause pb.WasteCause
	mm    *big.Rat
}

func wasteLeaf(c pb.WasteCause) Leaf {
	switch c {
	case pb.WasteCause_WASTE_CAUSE_SETUP:
		return "setup_waste"
	case pb.WasteCause_WASTE_CAUSE_SPLICE:
		return "splice_waste"
	case pb.WasteCause_WASTE_CAUSE_RESTART:
		return "restart_waste"
	case pb.WasteCause_WASTE_CAUSE_CONTAMINATION:
		return "contamination_waste"
	case pb.WasteCause_WASTE_CAUSE_CURE:
		return "cure_waste"
	case pb.WasteCause_WASTE_CAUSE_REGISTER:
		return "register_waste"
	case pb.WasteCause_WASTE_CAUSE_MATERIAL:
		return "material_waste"
	}
	return "other_waste"
}

// book lets bookings claim. It gives what they took, what each could not take
// (by booking), and whether stretches overlap only partly, where the rules leave
// open who yields.
func (w *walk) book(cells []*cell) (took []claim, excess []*big.Rat, open bool) {
	excess = make([]*big.Rat, len(w.booked))
	left := make([]*big.Rat, len(w.booked))
	body := make([]*pb.WasteBooked, len(w.booked))
	for i, b := range w.booked {
		body[i] = b.ev.GetWasteBooked()
		left[i] = whole(body[i].LengthMm)
	}
	// pass lets the bookings of a kind claim a pool, each in proportion to what
	// the pool holds, all in proportion where a cell has too little.
	pass := func(which func(*pb.WasteBooked) bool, in pb.State, pool func(*cell) *big.Rat, take func(*cell, *big.Rat)) {
		mine := func(i int, c *cell) bool {
			return c.booked[i] == '1' && w.state(c) == in && pool(c).Sign() > 0
		}
		var list []int
		for i := range body {
			if which(body[i]) && left[i].Sign() > 0 {
				list = append(list, i)
			}
		}
		sum := map[int]*big.Rat{}
		for _, i := range list {
			sum[i] = new(big.Rat)
			for _, c := range cells {
				if mine(i, c) {
					sum[i].Add(sum[i], pool(c))
				}
			}
			for _, j := range list {
				same, apart := true, true
				for _, c := range cells {
					same = same && mine(i, c) == mine(j, c)
					apart = apart && !(mine(i, c) && mine(j, c))
				}
				open = open || !same && !apart
			}
		}
		got := map[int]*big.Rat{}
		type taken struct {
			c  *cell
			mm *big.Rat
		}
		var all []taken
		for _, c := range cells {
			asked := map[int]*big.Rat{}
			total := new(big.Rat)
			for _, i := range list {
				if mine(i, c) {
					a := new(big.Rat).Mul(left[i], new(big.Rat).Quo(pool(c), sum[i]))
					asked[i] = a
					total.Add(total, a)
				}
			}
			out := new(big.Rat)
			for _, i := range list {
				a := asked[i]
				if a == nil {
					continue
				}
				if total.Cmp(pool(c)) > 0 {
					a = new(big.Rat).Mul(pool(c), new(big.Rat).Quo(a, total))
				}
				if got[i] == nil {
					got[i] = new(big.Rat)
				}
				got[i].Add(got[i], a)
				out.Add(out, a)
				took = append(took, claim{c, body[i].Cause, a})
			}
			if out.Sign() > 0 {
				all = append(all, taken{c, out})
			}
		}
		for _, t := range all {
			take(t.c, t.mm)
		}
		for i, g := range got {
			left[i] = new(big.Rat).Sub(left[i], g)
		}
	}
	downstream := func(b *pb.WasteBooked) bool { return b.Found == pb.WhereFound_WHERE_FOUND_DOWNSTREAM }
	good := func(c *cell) *big.Rat { return new(big.Rat).Sub(c.good, c.moved) }
	count := func(c *cell) *big.Rat { return new(big.Rat).Sub(c.waste, c.claimed) }
	claimed := func(c *cell, mm *big.Rat) { c.claimed = new(big.Rat).Add(c.claimed, mm) }
	pass(downstream, pb.State_STATE_PRODUCTION, good, func(c *cell, mm *big.Rat) { c.moved = new(big.Rat).Add(c.moved, mm) })
	pass(func(b *pb.WasteBooked) bool {
		return !downstream(b) && b.Cause == pb.WasteCause_WASTE_CAUSE_SETUP
	}, pb.State_STATE_SETUP, count, claimed)
	pass(func(b *pb.WasteBooked) bool { return !downstream(b) }, pb.State_STATE_PRODUCTION, count, claimed)
	for i := range left {
		excess[i] = left[i]
	}
	return took, excess, open
}

func (w *walk) state(c *cell) pb.State {
	if c.slice < 0 {
		return pb.State_STATE_UNSPECIFIED
	}
	return w.log.slices[c.slice].ev.GetSlice().State
}

// rated is the speed a slice is held against, mm/min.
func (w *walk) rated(s *pb.Slice) (speed int64, assumed bool) {
	var best *fact
	for i, f := range w.log.facts {
		c := f.ev.GetJobCorrected()
		if c != nil && c.RatedMmPerMin != nil && s.Job != "" && c.Job == s.Job && (best == nil || earlier(*best, f)) {
			best = &w.log.facts[i]
		}
	}
	if best != nil {
		return *best.ev.GetJobCorrected().RatedMmPerMin, false
	}
	if s.RatedMmPerMin != nil {
		return *s.RatedMmPerMin, false
	}
	return w.press.RatedMmPerMin, true
}
