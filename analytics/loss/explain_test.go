package loss

import (
	"testing"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/timeline"
)

// checkPieces explains every leaf of a day, inside and outside planned time,
// and holds the pieces against the day's row.
func checkPieces(t interface{ Fatalf(string, ...any) }, in Input) (asked int) {
	res := Compute(in)
	slugs := []string{SlugBookedExcess, SlugNoteSpill}
	for l := LeafProduction; l < NumLeaves; l++ {
		slugs = append(slugs, l.Slug())
	}
	for _, outside := range []bool{false, true} {
		tree := &res.Day.In
		if outside {
			tree = &res.Day.Out
		}
		for _, slug := range slugs {
			q, ok := ParseQuestion(slug, outside)
			if !ok {
				for l := range tree {
					if Leaf(l).Slug() == slug && (tree[l].US != 0 || tree[l].MM != 0) {
						t.Fatalf("%s, outside %v: %+v cannot be explained", slug, outside, tree[l])
					}
				}
				continue
			}
			asked++
			pieces, _ := Explain(in, q)
			var us, mm int64
			for i, p := range pieces {
				us, mm = us+p.US, mm+p.MM
				if q.Why(&p) == "" || p.Len() <= 0 {
					t.Fatalf("%s: no words or no length: %+v", slug, p)
				}
				if !q.Excess && !q.Spill && (p.Leaf != q.Leaf || p.Planned == outside || p.Rule == RuleNone) {
					t.Fatalf("%s: %+v", slug, p)
				}
				if q.Leaf >= PlannedCleaning && q.Leaf <= Unaccounted && p.US != p.Len()*1000 {
					t.Fatalf("%s: %d µs in %d ms", slug, p.US, p.Len())
				}
				if i > 0 && p.From < pieces[i-1].From {
					t.Fatalf("%s: out of order", slug)
				}
			}
			if want := q.Amount(&res.Day); us != want.US || mm != want.MM {
				t.Fatalf("%s, outside %v: pieces hold %d µs and %d mm, the row %d and %d", slug, outside, us, mm, want.US, want.MM)
			}
		}
	}
	return asked
}

// On random days the pieces of every leaf add up to the leaf, to the
// microsecond and the millimeter.
func TestPiecesAddUpOnRandomDays(t *testing.T) {
	press := testPress(t, pattern("early", 360, 840, weekdays, timeline.Break{Start: 600, Length: 30 * timeline.Minute}),
		pattern("late", 840, 1320, weekdays, timeline.Break{Start: 1080, Length: 30 * timeline.Minute}), pattern("night", 1320, 360, []int{1, 2, 3, 4, 5, 6}))
	rapid.Check(t, func(t *rapid.T) {
		w := drawWorld(t, press)
		plan := press.Calendar.Plan(w.day)
		var breaks []timeline.Interval
		for _, s := range plan.Segments {
			if s.Break {
				breaks = append(breaks, s.Interval)
			}
		}
		if n := checkPieces(t, Input{Press: press, History: timeline.Build(w.sl, w.ev, w.ranks), Day: plan, Breaks: breaks, Groups: w.groups, Frontier: plan.Span().To}); n < 2*22 {
			t.Fatalf("only %d questions", n)
		}
	})
}
