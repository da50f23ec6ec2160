package study

import "testing"

// With one rotation for a plant, what its presses did on one day stays together,
// wherever each was idle; presses by themselves start at their first row.
func TestCalendarKeepsDaysTogether(t *testing.T) {
	ds := fleet{seed: 9, plants: 2, presses: 6, days: 60, stations: 2}.make()
	spec := DefaultSpec()
	spec.Block, spec.Permutations = BlockPlant, 99
	s := started(t, ds, spec)
	s.layout = s.rowLayout()
	c := s.calendar(true, 1)
	f := s.frame
	from := map[int]int32{}
	for i, r := range f.rows {
		p := f.press[i]
		if d, ok := from[f.plantOf[p]]; !ok || r.Day < d {
			from[f.plantOf[p]] = r.Day
		}
	}
	seen := map[int]bool{}
	for i, r := range f.rows {
		p := f.press[i]
		if got, want := c.slot[i]-c.layout.start[p], int(r.Day-from[f.plantOf[p]]); got != want {
			t.Fatalf("row %d: day %d of its plant lies in slot %d", i, want, got)
		}
		if seen[c.slot[i]] || c.slot[i] >= c.layout.start[p+1] {
			t.Fatalf("slot %d is taken or another press's", c.slot[i])
		}
		seen[c.slot[i]] = true
	}
	shifts := c.layout.rotations(&spec)
	for j := range spec.Permutations {
		for p := range f.presses {
			for q := range p {
				if f.plantOf[p] == f.plantOf[q] && shifts[j*len(f.presses)+p] != shifts[j*len(f.presses)+q] {
					t.Fatalf("draw %d: presses %d and %d of one plant are rotated by different days", j, p, q)
				}
			}
		}
	}
	alone := s.calendar(false, 7)
	for p := range f.presses {
		if first := alone.slot[f.start[p]]; first != alone.layout.start[p] || alone.layout.start[p]%7 != 0 {
			t.Errorf("press %d begins in slot %d of %d", p, first, alone.layout.start[p])
		}
	}
}
