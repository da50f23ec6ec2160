package timeline

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// What is taken back is what a search through all voids says, for ranges that
// overlap, touch, repeat and reach to the ends of the numbers.
func TestVoidsAsSearched(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	taken, dangling := 0, 0
	for round := range 300 {
		var evs []Event
		for n := range rng.IntN(12) {
			v := Event{ID: ID{Epoch: 9, Seq: uint64(n + 1)}, Kind: KindVoided, TargetEpoch: 1 + rng.Uint64N(3), TargetFirst: rng.Uint64N(40), Earliest: rng.Int64N(50)}
			v.TargetLast = v.TargetFirst + rng.Uint64N(6)
			switch rng.IntN(8) {
			case 0:
				v.TargetLast = math.MaxUint64
			case 1:
				v.TargetLast = v.TargetFirst - 1 // refused where it is recorded
			case 2:
				v.ID.Seq = 1 // a repeat of another's identity
			}
			evs = append(evs, v)
		}
		var sl []Slice
		for range rng.IntN(20) {
			id := ID{Epoch: 1 + rng.Uint64N(3), Seq: 1 + rng.Uint64N(45)}
			if rng.IntN(20) == 0 {
				id.Seq = math.MaxUint64 - rng.Uint64N(2)
			}
			if rng.IntN(3) == 0 {
				evs = append(evs, Event{ID: id, Kind: KindDefectSeen})
			} else {
				sl = append(sl, Slice{ID: id})
			}
		}
		over := func(v *Event, id ID) bool {
			return v.Kind == KindVoided && v.TargetFirst > 0 && v.TargetLast >= v.TargetFirst && v.TargetEpoch == id.Epoch && id.Seq >= v.TargetFirst && id.Seq <= v.TargetLast
		}
		set := collectVoids(evs)
		for range 200 {
			id, at := ID{Epoch: rng.Uint64N(5), Seq: rng.Uint64N(50)}, rng.Int64N(50)
			if rng.IntN(30) == 0 {
				id.Seq = math.MaxUint64 - rng.Uint64N(2)
			}
			want := slices.ContainsFunc(evs, func(v Event) bool { return over(&v, id) && at >= v.Earliest })
			if want {
				taken++
			}
			if got := set.has(id, at); got != want {
				t.Fatalf("round %d: %v at %d: %v, want %v; %+v", round, id, at, got, want, evs)
			}
		}
		missed := map[ID]bool{}
		for i := range evs {
			if v := &evs[i]; v.Kind == KindVoided && v.TargetFirst > 0 && v.TargetLast >= v.TargetFirst && !missed[v.ID] {
				missed[v.ID] = true
			}
		}
		for i := range evs {
			hit := slices.ContainsFunc(sl, func(s Slice) bool { return over(&evs[i], s.ID) }) ||
				slices.ContainsFunc(evs, func(e Event) bool { return e.Kind != KindVoided && over(&evs[i], e.ID) })
			if hit {
				delete(missed, evs[i].ID)
			}
		}
		got := set.dangling(sl, evs)
		dangling += len(got)
		if len(got) != len(missed) || slices.ContainsFunc(got, func(id ID) bool { return !missed[id] }) {
			t.Fatalf("round %d: dangling %v, want %v", round, got, missed)
		}
	}
	if taken < 1000 || dangling < 100 {
		t.Errorf("the test saw only %d taken back and %d that hit nothing", taken, dangling)
	}
}
