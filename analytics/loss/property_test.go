package loss

import (
	"math/rand/v2"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/timeline"
)

// world is a random press-day with its neighbors: slices with holes, notes,
// bookings, voids, overlapping epochs and cleaning groups.
type world struct {
	sl     []timeline.Slice
	ev     []timeline.Event
	ranks  []timeline.EpochRank
	groups []Group
	day    timeline.Day
}

func drawWorld(t *rapid.T, p *timeline.Press) world {
	w := world{day: timeline.Day(rapid.IntRange(20500, 20900).Draw(t, "day"))}
	plan := p.Calendar.Plan(w.day)
	span := plan.Span()
	from := span.From - 3*timeline.Hour
	seq := map[uint64]uint64{}
	id := func(epoch uint64) timeline.ID { seq[epoch]++; return timeline.ID{Epoch: epoch, Seq: seq[epoch]} }
	states := []timeline.State{1, 1, 1, 1, 2, 3, 4, 5, 6, 7, 8}
	reasons := []string{"", "", "mechanical", "material", "dirty", "no-such"}
	jobs := []string{"", "J1", "J2"}
	for epoch := uint64(1); epoch <= 2; epoch++ {
		at := from
		for at < span.To+3*timeline.Hour {
			n := rapid.Int64Range(1, 90).Draw(t, "minutes")
			st := rapid.SampledFrom(states).Draw(t, "state")
			skip := rapid.IntRange(0, 5).Draw(t, "skip") == 0 || epoch == 2 && rapid.IntRange(0, 3).Draw(t, "second") > 0
			reason, job := "", rapid.SampledFrom(jobs).Draw(t, "job")
			if st >= 5 {
				reason = rapid.SampledFrom(reasons).Draw(t, "reason")
			}
			rated := rapid.SampledFrom([]int64{0, 70_000, 90_001, 120_000}).Draw(t, "rated")
			good, waste := rapid.Int64Range(0, 130_000).Draw(t, "good"), rapid.Int64Range(0, 20_000).Draw(t, "waste")
			for range n {
				if !skip {
					s := timeline.Slice{ID: id(epoch), Interval: timeline.Interval{From: at, To: at + timeline.Minute}, Recorded: at, State: st, Reason: reason, Job: job, Rated: rated, Waste: waste}
					if st <= 3 {
						s.Good = good
					}
					w.sl = append(w.sl, s)
				}
				at += timeline.Minute
			}
		}
	}
	w.ranks = []timeline.EpochRank{{Epoch: 1, Recorded: 5}, {Epoch: 2, Recorded: 4}}
	iv := func() timeline.Interval {
		a := span.From + rapid.Int64Range(-60, 24*60).Draw(t, "from")*timeline.Minute + rapid.Int64Range(0, 59_999).Draw(t, "ms")
		return timeline.Interval{From: a, To: a + rapid.Int64Range(1, 5*timeline.Hour).Draw(t, "len")}
	}
	for range rapid.IntRange(0, 6).Draw(t, "notes") {
		w.ev = append(w.ev, timeline.Event{ID: id(9), Kind: timeline.KindReasonNoted, Recorded: rapid.Int64Range(1, 4).Draw(t, "rec"), Interval: iv(),
			NoteKind: timeline.NoteKind(rapid.IntRange(1, 2).Draw(t, "kind")), Reason: rapid.SampledFrom(reasons[2:]).Draw(t, "r")})
	}
	for range rapid.IntRange(0, 8).Draw(t, "bookings") {
		w.ev = append(w.ev, timeline.Event{ID: id(9), Kind: timeline.KindWasteBooked, Recorded: rapid.Int64Range(1, 4).Draw(t, "rec"), Interval: iv(),
			Cause: timeline.Cause(rapid.IntRange(1, 8).Draw(t, "cause")), Length: rapid.Int64Range(1, 900_000).Draw(t, "mm"),
			Found: uint8(rapid.IntRange(0, 2).Draw(t, "found")), Web: uint8(rapid.SampledFrom([]int{0, 0, 0, 2}).Draw(t, "web")), Job: rapid.SampledFrom(jobs).Draw(t, "bj")})
	}
	if rapid.Bool().Draw(t, "void") {
		w.ev = append(w.ev, timeline.Event{ID: id(9), Kind: timeline.KindVoided, TargetEpoch: 1, TargetFirst: 100, TargetLast: 160})
	}
	at := span.From - timeline.Hour
	for range rapid.IntRange(0, 3).Draw(t, "groups") {
		a := at + rapid.Int64Range(0, 6*60).Draw(t, "gap")*timeline.Minute
		u := timeline.Interval{From: a, To: a + rapid.Int64Range(1, 120).Draw(t, "glen")*timeline.Minute}
		w.groups = append(w.groups, Group{Union: []timeline.Interval{u}, Occasion: timeline.Occasion(rapid.IntRange(1, 4).Draw(t, "occ")),
			Allowance: rapid.Int64Range(0, 60).Draw(t, "allow") * timeline.Minute, SignOffs: []int64{u.From + u.Len()/2}})
		at = u.To
	}
	return w
}

func (w world) compute(p *timeline.Press, sl []timeline.Slice, ev []timeline.Event) (Result, *timeline.History) {
	plan := p.Calendar.Plan(w.day)
	var breaks []timeline.Interval
	for _, s := range plan.Segments {
		if s.Break {
			breaks = append(breaks, s.Interval)
		}
	}
	h := timeline.Build(sl, ev, w.ranks)
	return Compute(Input{Press: p, History: h, Day: plan, Breaks: breaks, Groups: w.groups, Frontier: plan.Span().To}), h
}

// On random press-days: planned busy time = valuable operating time + Σ loss
// leaves, exactly; every millisecond has one leaf; every counted millimeter of
// waste is booked once; nothing depends on order or repetition.
func TestIdentityOnRandomDays(t *testing.T) {
	press := testPress(t, pattern("early", 360, 840, weekdays, timeline.Break{Start: 600, Length: 30 * timeline.Minute}),
		pattern("late", 840, 1320, weekdays, timeline.Break{Start: 1080, Length: 30 * timeline.Minute}), pattern("night", 1320, 360, []int{1, 2, 3, 4, 5, 6}))
	rapid.Check(t, func(t *rapid.T) {
		w := drawWorld(t, press)
		res, h := w.compute(press, w.sl, w.ev)
		r := res.Day
		if d := r.Check(); d != 0 {
			t.Fatalf("planned busy time and leaves differ by %d µs", d)
		}
		if r.Measured+r.Stated+r.Unknown != r.PBT {
			t.Fatalf("coverage %d + %d + %d is not %d", r.Measured, r.Stated, r.Unknown, r.PBT)
		}
		var planned, dur, waste, good int64
		plan := press.Calendar.Plan(w.day)
		for _, s := range plan.Segments {
			if s.Planned {
				planned += s.Len()
			}
			for _, x := range timeline.SlicesIn(h.Slices, s.Interval) {
				p := x.Part(s.Interval)
				waste += p.Waste
				good += p.Good
			}
		}
		var gotWaste, gotGood int64
		material := int64(0)
		for _, f := range res.Facts {
			if f.Planned {
				dur += f.Dur
			}
			gotWaste += f.Waste
			gotGood += f.Good
			if f.State == timeline.StateNone {
				material += f.Waste // second and third web: beside the counted length
			}
		}
		if planned != r.PBT || dur != r.PBT {
			t.Fatalf("planned %d, facts hold %d, row says %d", planned, dur, r.PBT)
		}
		// Downstream finds move length from good to waste: the sum stays. Good
		// length of an idle press outside the plan has no row.
		if gotWaste-material+gotGood > waste+good || gotWaste-material < waste {
			t.Fatalf("waste %d of %d, good %d of %d", gotWaste-material, waste, gotGood, good)
		}
		// Order and repetition.
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "shuffle"), 1))
		sl := append(append([]timeline.Slice{}, w.sl...), w.sl[:len(w.sl)/3]...)
		ev := append(append([]timeline.Event{}, w.ev...), w.ev...)
		rng.Shuffle(len(sl), func(i, j int) { sl[i], sl[j] = sl[j], sl[i] })
		rng.Shuffle(len(ev), func(i, j int) { ev[i], ev[j] = ev[j], ev[i] })
		again, _ := w.compute(press, sl, ev)
		if !reflect.DeepEqual(again, res) {
			t.Fatal("the result depends on order or repetition of events")
		}
		// Facts add up to the row, within the rounding of one leaf each.
		var sums []timeline.FactSum
		for _, f := range res.Facts {
			sums = append(sums, timeline.FactSum{Planned: f.Planned, Leaf: uint8(f.Leaf), Sub: uint8(f.Sub), State: f.State, Rated: f.Rated, Dur: f.Dur, Good: f.Good, Waste: f.Waste})
		}
		tree, _ := FactTree(sums)
		if tree.PBT != r.PBT || tree.In != r.In || tree.Valuable != r.Valuable {
			for l := range tree.In {
				a, b := tree.In[l], r.In[l]
				a.Material, b.Material = 0, 0
				if a != b {
					t.Fatalf("%s: facts give %+v, the row %+v", Leaf(l), a, b)
				}
			}
		}
	})
}
