package ingest

import (
	"testing"

	"pgregory.net/rapid"
)

// progress agrees with a model of two sets, whatever is added in whatever order.
func TestProgressModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := &progress{}
		stored, dead := map[uint64]bool{}, map[uint64]bool{}
		t.Repeat(map[string]func(*rapid.T){
			"stored": func(t *rapid.T) {
				seqs := rapid.SliceOfN(rapid.Uint64Range(1, 40), 1, 8).Draw(t, "seqs")
				for _, s := range seqs {
					stored[s] = true
				}
				p.add(seqs, false)
			},
			"dead": func(t *rapid.T) {
				seqs := rapid.SliceOfN(rapid.Uint64Range(1, 40), 1, 8).Draw(t, "seqs")
				var some []uint64
				for _, s := range seqs {
					if !stored[s] { // what is stored is never judged again
						dead[s] = true
						some = append(some, s)
					}
				}
				p.add(some, true)
			},
			"": func(t *rapid.T) {
				mark := uint64(0)
				for stored[mark+1] || dead[mark+1] {
					mark++
				}
				if p.mark != mark {
					t.Fatalf("mark %d, want %d", p.mark, mark)
				}
				for s := uint64(1); s <= 42; s++ {
					if p.covered(s) != (stored[s] || dead[s]) || p.stored(s) != stored[s] {
						t.Fatalf("seq %d: covered %v stored %v, want %v %v", s, p.covered(s), p.stored(s), stored[s] || dead[s], stored[s])
					}
				}
				for i, r := range p.above {
					if r.First > r.Last || r.First <= p.mark+1 || i > 0 && r.First <= p.above[i-1].Last+1 {
						t.Fatalf("ranges %v above mark %d", p.above, p.mark)
					}
				}
			},
		})
	})
}

// A batch holds each seq once, in whatever order and overlap frames come.
func TestTakenModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var k taken
		seen := map[uint64]bool{}
		for range rapid.IntRange(1, 12).Draw(t, "frames") {
			first := rapid.Uint64Range(1, 60).Draw(t, "first")
			for s := first; s < first+rapid.Uint64Range(1, 15).Draw(t, "count"); s++ {
				if got := k.again(s); got != seen[s] {
					t.Fatalf("seq %d again: %v, want %v", s, got, seen[s])
				}
				seen[s] = true
			}
		}
	})
}
