package loss

import (
	"cmp"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// KnownLeast is the known share of planned time below which a scope is left out
// of comparisons, targets and limits.
const KnownLeast = 0.90

// Cell is a press (or, between different presses, a press kind) and a product
// family: inside it, jobs are alike.
type Cell struct{ Unit, Family string }

// Side is one side of a comparison, by cell: planned and production time and the
// rated times of all and of good length.
type Side struct {
	planned, production map[string]int64 // ms, by unit
	cells               map[Cell]cellSum
	sums                Sums
}

type cellSum struct{ apt, rated, valuable int64 } // ms, µs, µs

// SideOf adds facts up by cell. Facts are in order of their key, which cellOf
// reads; ok false leaves a fact out.
func SideOf(facts []timeline.FactSum, cellOf func(key string) (c Cell, ok bool)) *Side {
	out := &Side{planned: map[string]int64{}, production: map[string]int64{}, cells: map[Cell]cellSum{}}
	by := map[Cell][]timeline.FactSum{}
	for _, f := range facts {
		if c, ok := cellOf(f.Key); ok {
			by[c] = append(by[c], f)
		}
	}
	for _, c := range sortedCells(by) {
		s, _ := FactTree(by[c])
		out.planned[c.Unit] += s.PBT
		out.production[c.Unit] += s.APT
		out.cells[c] = cellSum{s.APT, s.Rated(), s.Valuable}
		out.sums.Merge(&s)
	}
	return out
}

func sortedCells[T any](m map[Cell]T) []Cell {
	out := make([]Cell, 0, len(m))
	for c := range m {
		out = append(out, c)
	}
	slices.SortFunc(out, func(a, b Cell) int { return cmp.Or(cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Family, b.Family)) })
	return out
}

// Factors of the whole side.
func (s *Side) Factors() Factors { return s.sums.Factors() }

// Shares is what each factor and the mix contribute to OEE of b less OEE of a,
// as shares of 1: they add up to the difference. MixOnly is the OEE that a's
// figures would give with b's mix.
type Shares struct {
	Availability, Effectiveness, Quality, Mix float64
	MixOnly                                   float64
	A, B                                      float64 // OEE
}

// Decompose shares the difference in OEE among availability, effectiveness,
// quality and mix. With units u (presses) and families f,
//
//	OEE = Σu pu · Au · Σf tuf · Euf · Quf
//
// where pu is the unit's share of planned busy time and tuf the family's share of
// its production time (together the mix), A availability of the unit, E and Q
// effectiveness and quality of the cell. A counterfactual tree takes each of the
// four from either side; what one of the four contributes is its Shapley value
// over the 4! orders in which they can be exchanged (Shapley, A value for
// n-person games, 1953; as a decomposition: Shorrocks, J. Economic Inequality 11,
// 2013; weights apart from figures after Kitagawa, JASA 50, 1955; from memory).
// So the terms add up to the difference and change only their sign when the sides
// are exchanged. Stops name no family: availability is the unit's.
// A unit or cell that one side does not have takes the other side's figures: all
// its difference is mix.
func Decompose(a, b *Side) Shares {
	sides := [2]*Side{a, b}
	cells := sortedCells(merged(a.cells, b.cells))
	value := func(mix, av, ef, qu int) float64 {
		planned := total(sides[mix].planned)
		if planned == 0 {
			return 0
		}
		sum := 0.0
		for _, c := range cells {
			w := ratio(sides[mix].planned[c.Unit], planned)
			if w == 0 {
				continue
			}
			sum += w * pick(sides, av, func(s *Side) (float64, bool) {
				return ratio(s.production[c.Unit], s.planned[c.Unit]), s.planned[c.Unit] > 0
			}) * pick(sides, mix, func(s *Side) (float64, bool) {
				return ratio(s.cells[c].apt, s.production[c.Unit]), s.production[c.Unit] > 0
			}) * pick(sides, ef, func(s *Side) (float64, bool) {
				return ratio(s.cells[c].rated, s.cells[c].apt*1000), s.cells[c].apt > 0
			}) * pick(sides, qu, func(s *Side) (float64, bool) {
				return ratio(s.cells[c].valuable, s.cells[c].rated), s.cells[c].rated > 0
			})
		}
		return sum
	}
	var v [16]float64
	for set := range v {
		v[set] = value(set>>3&1, set&1, set>>1&1, set>>2&1)
	}
	// Weight of a set of n players that one more joins: n! (3 − n)! / 4!.
	weights := [4]float64{6.0 / 24, 2.0 / 24, 2.0 / 24, 6.0 / 24}
	var share [4]float64
	for p := range share {
		for set := range v {
			if set>>p&1 == 0 {
				n := set&1 + set>>1&1 + set>>2&1 + set>>3&1
				share[p] += weights[n] * (v[set|1<<p] - v[set])
			}
		}
	}
	return Shares{Availability: share[0], Effectiveness: share[1], Quality: share[2], Mix: share[3], MixOnly: v[8], A: v[0], B: v[15]}
}

// pick takes a figure from a side, or from the other where that side has none.
func pick(sides [2]*Side, i int, figure func(*Side) (float64, bool)) float64 {
	if v, ok := figure(sides[i]); ok {
		return v
	}
	v, _ := figure(sides[1-i])
	return v
}

func merged(a, b map[Cell]cellSum) map[Cell]bool {
	out := map[Cell]bool{}
	for c := range a {
		out[c] = true
	}
	for c := range b {
		out[c] = true
	}
	return out
}

func total(m map[string]int64) int64 {
	var n int64
	for _, v := range m {
		n += v
	}
	return n
}

// Difference is one leaf of b less the same leaf of a, in points of planned busy
// time and minutes per 100 hours of it.
type Difference struct {
	Leaf             Leaf
	A, B             float64
	MinutesPer100Hrs float64
}

// Differences of all leaves, in the order of the ladder. Points of b less points
// of a add up over the leaves to OEE of a less OEE of b.
func Differences(a, b *Sums) []Difference {
	var out []Difference
	for _, l := range Losses() {
		d := Difference{Leaf: l, A: a.Points(a.In[l].US), B: b.Points(b.In[l].US)}
		d.MinutesPer100Hrs = (d.B - d.A) * 60 // a point of 100 h is an hour
		out = append(out, d)
	}
	return out
}
