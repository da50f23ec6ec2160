package projector

import (
	"context"
	"testing"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
)

// explained holds the pieces of every leaf of some days against the stored
// rows, inside planned time and outside it.
func (m *memory) explained(t fataler, p *timeline.Press, from, to timeline.Day) {
	frontier := int64(0)
	for _, r := range m.rows.Days {
		frontier = max(frontier, r.Through)
	}
	for _, outside := range []bool{false, true} {
		for l := loss.LeafProduction; l < loss.NumLeaves; l++ {
			q, ok := loss.ParseQuestion(l.Slug(), outside)
			if !ok {
				continue
			}
			pieces, _, err := Explain(context.Background(), m, m, Explanation{Press: p, From: from, To: to, Question: q, Frontier: frontier})
			if err != nil {
				t.Fatal(err)
			}
			var want, got timeline.LeafAmount
			for i := range m.rows.Days {
				if r := &m.rows.Days[i]; r.Day >= from && r.Day <= to {
					a := r.In[l]
					if outside {
						a = r.Out[l]
					}
					want.US, want.MM = want.US+a.US, want.MM+a.MM
				}
			}
			for _, x := range pieces {
				got.US, got.MM = got.US+x.US, got.MM+x.MM
				if x.Rule == loss.RuleSession && (x.Session == "" || len(x.Events) == 0) {
					t.Fatalf("%s: a session's piece without it: %+v", l, x)
				}
				if x.State != timeline.StateNone && x.Slices == 0 {
					t.Fatalf("%s: no slice under %+v", l, x)
				}
			}
			if want != got {
				t.Fatalf("%s from %s to %s, outside %v: pieces %+v, rows %+v", l, from, to, outside, got, want)
			}
		}
	}
}

// A defect near a stop without a reason is a hint; with a reason it is none.
func TestDefectNearAStopIsAHint(t *testing.T) {
	p, l, m := twentyDays(t)
	l.Run("2026-06-10 09:00", "2026-06-10 09:30", timeline.StateDown, "", 0, 0, 0)
	l.Add(timeline.Event{Kind: timeline.KindDefectSeen, At: l.At("2026-06-10 08:50"), Station: "uv-1", Condition: -1})
	m.sl, m.ev = l.Slices, l.Events
	if err := m.fold(p, sinceEver); err != nil {
		t.Fatal(err)
	}
	day, _ := timeline.ParseDay("2026-06-10")
	ask := func() ([]loss.Piece, []loss.Hint) {
		pieces, hints, err := Explain(context.Background(), m, m, Explanation{Press: p, From: day, To: day, Question: loss.Question{Leaf: loss.OtherBreakdown}, Frontier: m.rows.Days[19].Through})
		if err != nil {
			t.Fatal(err)
		}
		return pieces, hints
	}
	pieces, hints := ask()
	if len(pieces) != 1 || len(hints) != 1 || hints[0].Stop != pieces[0].Interval || hints[0].Defect.Station != "uv-1" {
		t.Fatalf("%+v %+v", pieces, hints)
	}
	l.Add(timeline.Event{Kind: timeline.KindReasonNoted, NoteKind: timeline.NoteStop, Reason: "mechanical", At: l.At("2026-06-10 10:00"), Condition: -1,
		Interval: timeline.Interval{From: l.At("2026-06-10 09:00"), To: l.At("2026-06-10 09:30")}})
	m.ev = l.Events
	if err := m.fold(p, l.At("2026-06-10 09:00")); err != nil {
		t.Fatal(err)
	}
	pieces, hints = ask()
	if len(pieces) != 1 || pieces[0].Rule != loss.RuleNote || len(pieces[0].Events) != 1 || len(hints) != 0 {
		t.Fatalf("%+v %+v", pieces, hints)
	}
}
