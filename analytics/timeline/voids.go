package timeline

import (
	"cmp"
	"math"
	"slices"
	"sort"
)

// voidSet is what the voids of a press take back. A year may hold thousands of
// voids beside half a million slices, so that what holds for a seq is looked up,
// not searched void by void.
type voidSet struct {
	epochs map[uint64]*voidedSeqs // by target epoch
	all    []seqRange

	epoch uint64 // asked for last
	of    *voidedSeqs
}

type seqRange struct {
	epoch       uint64
	first, last uint64
	earliest    int64 // what lies before is not taken back
	id          ID    // of the void
}

// voidedSeqs cuts the seqs of one epoch where a void's range begins or ends:
// segment i is [points[i], points[i+1]), the last one has no end. Each range
// covers a segment whole or not at all.
type voidedSeqs struct {
	points   []uint64
	earliest []int64 // by segment: the lowest earliest of the ranges over it
	hit      []bool  // by segment: an event lies in it; for dangling
	at       int     // segment found last: seqs are mostly asked for in order
}

// collectVoids gathers what is taken back. A void of a void is refused where
// it is recorded; here it has no effect.
func collectVoids(evs []Event) *voidSet {
	v := &voidSet{epochs: map[uint64]*voidedSeqs{}}
	by := map[uint64][]seqRange{}
	for i := range evs {
		e := &evs[i]
		if e.Kind == KindVoided && e.TargetFirst > 0 && e.TargetLast >= e.TargetFirst {
			r := seqRange{e.TargetEpoch, e.TargetFirst, e.TargetLast, e.Earliest, e.ID}
			by[e.TargetEpoch] = append(by[e.TargetEpoch], r)
			v.all = append(v.all, r)
		}
	}
	for epoch, ranges := range by {
		v.epochs[epoch] = cutSeqs(ranges)
	}
	return v
}

// uncovered is the earliest of a segment that no void is over: no instant is as
// late.
const uncovered = math.MaxInt64

func cutSeqs(ranges []seqRange) *voidedSeqs {
	s := &voidedSeqs{points: []uint64{0}}
	for _, r := range ranges {
		s.points = append(s.points, r.first)
		if r.last < math.MaxUint64 {
			s.points = append(s.points, r.last+1)
		}
	}
	slices.Sort(s.points)
	s.points = slices.Compact(s.points)
	s.earliest = make([]int64, len(s.points))
	for i := range s.earliest {
		s.earliest[i] = uncovered
	}
	// The lowest earliest comes first and stays; next[i] is the first segment
	// from i on that none has been given to.
	slices.SortFunc(ranges, func(a, b seqRange) int { return cmp.Compare(a.earliest, b.earliest) })
	next := make([]int, len(s.points)+1)
	for i := range next {
		next[i] = i
	}
	free := func(i int) int {
		for next[i] != i {
			next[i] = next[next[i]]
			i = next[i]
		}
		return i
	}
	for _, r := range ranges {
		from, to := s.span(r)
		for i := free(from); i < to; i = free(i) {
			s.earliest[i], next[i] = r.earliest, i+1
		}
	}
	return s
}

// span is the segments [from, to) that a range covers.
func (s *voidedSeqs) span(r seqRange) (from, to int) {
	from = s.find(r.first)
	if r.last == math.MaxUint64 {
		return from, len(s.points)
	}
	return from, s.find(r.last + 1)
}

// find is the segment that a seq lies in.
func (s *voidedSeqs) find(seq uint64) int {
	holds := func(i int) bool {
		return i < len(s.points) && s.points[i] <= seq && (i+1 == len(s.points) || seq < s.points[i+1])
	}
	switch {
	case holds(s.at):
	case holds(s.at + 1):
		s.at++
	default:
		s.at = sort.Search(len(s.points), func(i int) bool { return s.points[i] > seq }) - 1
	}
	return s.at
}

// in is what is taken back of an epoch; nil: nothing.
func (v *voidSet) in(epoch uint64) *voidedSeqs {
	if v.epoch != epoch || v.of == nil {
		v.epoch, v.of = epoch, v.epochs[epoch]
	}
	return v.of
}

// has says whether an event is taken back. A void that says it takes nothing
// back before an instant takes nothing back before it: what it dirties and what
// it changes are one.
func (v *voidSet) has(id ID, at int64) bool {
	s := v.in(id.Epoch)
	if s == nil {
		return false
	}
	earliest := s.earliest[s.find(id.Seq)]
	return earliest != uncovered && at >= earliest
}

// dangling lists voids that hit nothing, each once, in order.
func (v *voidSet) dangling(sl []Slice, evs []Event) []ID {
	if len(v.all) == 0 {
		return nil
	}
	for _, s := range v.epochs {
		s.hit = make([]bool, len(s.points))
	}
	mark := func(id ID) {
		if s := v.in(id.Epoch); s != nil {
			s.hit[s.find(id.Seq)] = true
		}
	}
	for i := range sl {
		mark(sl[i].ID)
	}
	for i := range evs {
		if evs[i].Kind != KindVoided {
			mark(evs[i].ID)
		}
	}
	before := map[uint64][]int{} // segments with an event in them, before each
	for epoch, s := range v.epochs {
		n := make([]int, len(s.hit)+1)
		for i, h := range s.hit {
			n[i+1] = n[i]
			if h {
				n[i+1]++
			}
		}
		before[epoch] = n
	}
	hit := map[ID]bool{}
	for _, r := range v.all {
		from, to := v.epochs[r.epoch].span(r)
		if n := before[r.epoch]; n[to] > n[from] {
			hit[r.id] = true
		}
	}
	var out []ID
	done := map[ID]bool{}
	for _, r := range v.all {
		if !hit[r.id] && !done[r.id] {
			done[r.id] = true
			out = append(out, r.id)
		}
	}
	slices.SortFunc(out, func(a, b ID) int {
		return cmp.Or(cmp.Compare(a.Epoch, b.Epoch), cmp.Compare(a.Seq, b.Seq))
	})
	return out
}
