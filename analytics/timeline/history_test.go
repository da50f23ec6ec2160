package timeline_test

import (
	"math/rand/v2"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/timeline"
)

const minute = timeline.Minute

// drawSlices draws slices of two sources over an hour: inside a UTC minute,
// sometimes overlapping, sometimes missing.
func drawSlices(t *rapid.T, epoch uint64) []timeline.Slice {
	var out []timeline.Slice
	seq := uint64(0)
	for m := int64(0); m < 20; m++ {
		at := m*minute + int64(rapid.IntRange(0, 20_000).Draw(t, "from"))
		for at < (m+1)*minute {
			to := min(at+int64(rapid.IntRange(1, 60_000).Draw(t, "long")), (m+1)*minute)
			seq++
			if rapid.IntRange(0, 5).Draw(t, "kept") > 0 {
				out = append(out, timeline.Slice{ID: timeline.ID{Epoch: epoch, Seq: seq}, Interval: timeline.Interval{From: at, To: to},
					State: timeline.State(rapid.IntRange(1, 8).Draw(t, "state")), Job: "J1",
					Good: int64(rapid.IntRange(0, 200_000).Draw(t, "good")), Waste: int64(rapid.IntRange(0, 9).Draw(t, "waste"))})
			}
			at = to
		}
	}
	return out
}

func drawEvents(t *rapid.T, epoch uint64) []timeline.Event {
	var out []timeline.Event
	kinds := []timeline.Kind{timeline.KindCleaningOpened, timeline.KindCleaningClosed, timeline.KindStationSignedOff,
		timeline.KindStationSkipped, timeline.KindReasonNoted, timeline.KindDefectSeen, timeline.KindWasteBooked,
		timeline.KindJobStarted, timeline.KindJobEnded, timeline.KindJobCorrected, timeline.KindVoided}
	for i := range rapid.IntRange(0, 30).Draw(t, "events") {
		e := timeline.Event{ID: timeline.ID{Epoch: epoch, Seq: uint64(10_000 + i)}, Kind: rapid.SampledFrom(kinds).Draw(t, "kind"),
			At: int64(rapid.IntRange(0, 20).Draw(t, "at")) * minute, Recorded: int64(rapid.IntRange(0, 5).Draw(t, "recorded")) * minute,
			Job: rapid.SampledFrom([]string{"J1", "J2"}).Draw(t, "job"), Rated: int64(rapid.IntRange(0, 3).Draw(t, "rated")),
			Family:    rapid.SampledFrom([]string{"", "film"}).Draw(t, "family"),
			SourceKey: rapid.SampledFrom([]string{"", "", "k1", "k2"}).Draw(t, "key")}
		if e.Kind == timeline.KindVoided {
			e.TargetEpoch = uint64(rapid.IntRange(1, 2).Draw(t, "target"))
			e.TargetFirst = uint64(rapid.SampledFrom([]int{1, 10, 10_000, 10_010}).Draw(t, "first"))
			e.TargetLast = e.TargetFirst + uint64(rapid.IntRange(0, 5).Draw(t, "range"))
		}
		out = append(out, e)
	}
	return out
}

// The history depends on the set of events alone: any order, anything twice.
func TestBuildIsFreeOfOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sl := append(drawSlices(t, 1), drawSlices(t, 2)...)
		evs := append(drawEvents(t, 1), drawEvents(t, 2)...)
		ranks := []timeline.EpochRank{{Epoch: 1, Recorded: 7}, {Epoch: 2, Recorded: int64(rapid.IntRange(6, 8).Draw(t, "rank"))}}
		want := timeline.Build(sl, evs, ranks)
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		sl2, evs2 := append(append([]timeline.Slice{}, sl...), sl[:len(sl)/3]...), append(append([]timeline.Event{}, evs...), evs...)
		ranks2 := []timeline.EpochRank{ranks[1], ranks[0]}
		r.Shuffle(len(sl2), func(i, j int) { sl2[i], sl2[j] = sl2[j], sl2[i] })
		r.Shuffle(len(evs2), func(i, j int) { evs2[i], evs2[j] = evs2[j], evs2[i] })
		if got := timeline.Build(sl2, evs2, ranks2); !reflect.DeepEqual(got, want) {
			t.Fatalf("\n%+v\n%+v", got, want)
		}
	})
}

// Settled slices are disjoint and cover exactly what was covered; the first
// epoch keeps all its time; what is dropped is counted; and settling a stretch
// alone gives the same pieces there.
func TestOverlaps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawSlices(t, 1), drawSlices(t, 2)
		ranks := []timeline.EpochRank{{Epoch: 1, Recorded: 1}, {Epoch: 2, Recorded: 2}}
		h := timeline.Build(append(append([]timeline.Slice{}, b...), a...), nil, ranks)
		var in, out, first, kept, others, all int64
		covered := func(l []timeline.Slice, at int64) (n int, epoch uint64) {
			for _, s := range l {
				if s.Has(at) {
					n++
					epoch = s.Epoch
				}
			}
			return n, epoch
		}
		for _, s := range append(append([]timeline.Slice{}, a...), b...) {
			in += s.Good + s.Waste
			all += s.Len()
		}
		for i, s := range h.Slices {
			if s.Len() == 0 || i > 0 && s.From < h.Slices[i-1].To {
				t.Fatalf("slice %d: %+v after %+v", i, s, h.Slices[max(0, i-1)])
			}
			out += s.Good + s.Waste
			if s.Epoch == 1 {
				kept += s.Len()
			} else {
				others += s.Len()
			}
		}
		for _, s := range a {
			first += s.Len()
		}
		if first != kept {
			t.Fatalf("the first epoch had %d ms and keeps %d", first, kept)
		}
		var lost, lostMS int64
		for i, o := range h.Overlaps {
			if i > 0 && o.At < h.Overlaps[i-1].At || o.MS <= 0 || o.MM < 0 {
				t.Fatalf("overlap %+v", o)
			}
			lost, lostMS = lost+o.MM, lostMS+o.MS
		}
		if in != out+lost || all != kept+others+lostMS {
			t.Fatalf("%d mm in %d ms; %d mm in %d ms left, %d mm in %d ms dropped", in, all, out, kept+others, lost, lostMS)
		}
		for range 20 {
			at := int64(rapid.IntRange(0, 20*60_000).Draw(t, "at"))
			na, _ := covered(a, at)
			nb, _ := covered(b, at)
			n, e := covered(h.Slices, at)
			if (n > 0) != (na+nb > 0) || n > 1 || na > 0 && e != 1 {
				t.Fatalf("at %d: %d and %d slices give %d of epoch %d", at, na, nb, n, e)
			}
		}
		// A stretch of whole minutes, alone.
		iv := timeline.Interval{From: int64(rapid.IntRange(0, 10).Draw(t, "lo")) * minute, To: int64(rapid.IntRange(11, 20).Draw(t, "hi")) * minute}
		var part []timeline.Slice
		for _, s := range append(append([]timeline.Slice{}, a...), b...) {
			if s.And(iv).Len() > 0 {
				part = append(part, s)
			}
		}
		if got := timeline.Build(part, nil, ranks).Slices; !reflect.DeepEqual(append([]timeline.Slice{}, got...), append([]timeline.Slice{}, timeline.SlicesIn(h.Slices, iv)...)) {
			t.Fatal("a stretch alone differs")
		}
	})
}

// However a slice is cut, its pieces add up to it.
func TestPartsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := timeline.Slice{Interval: timeline.Interval{From: 1_000, To: 1_000 + int64(rapid.IntRange(1, 60_000).Draw(t, "long"))},
			Good: rapid.Int64Range(0, 100_000_000).Draw(t, "good"), Waste: rapid.Int64Range(0, 100_000_000).Draw(t, "waste")}
		at := s.From
		var good, waste, ms int64
		for at < s.To {
			to := min(s.To, at+int64(rapid.IntRange(1, 20_000).Draw(t, "cut")))
			p := s.Part(timeline.Interval{From: at, To: to})
			if p.From != at || p.To != to || p.Good < 0 || p.Waste < 0 {
				t.Fatalf("%+v", p)
			}
			// Within a millimeter of its exact share.
			if d := p.Good*s.Len() - s.Good*p.Len(); d >= s.Len() || d <= -s.Len() {
				t.Fatalf("%d mm for %d of %d ms of %d mm", p.Good, p.Len(), s.Len(), s.Good)
			}
			good, waste, ms = good+p.Good, waste+p.Waste, ms+p.Len()
			at = to
		}
		if good != s.Good || waste != s.Waste || ms != s.Len() {
			t.Fatalf("%d %d %d of %+v", good, waste, ms, s)
		}
		if p := s.Part(timeline.Interval{From: s.To, To: s.To + 5}); p.Len() != 0 || p.Good != 0 || p.Waste != 0 {
			t.Fatalf("outside: %+v", p)
		}
	})
}

func signOff(seq uint64, at, recorded int64, key string) timeline.Event {
	return timeline.Event{ID: timeline.ID{Epoch: 1, Seq: seq}, Kind: timeline.KindStationSignedOff, At: at, Recorded: recorded, SourceKey: key}
}

func void(seq uint64, epoch, first, last uint64) timeline.Event {
	return timeline.Event{ID: timeline.ID{Epoch: 1, Seq: seq}, Kind: timeline.KindVoided, TargetEpoch: epoch, TargetFirst: first, TargetLast: last}
}

func seqs(l []timeline.Event) []uint64 {
	var out []uint64
	for i := range l {
		out = append(out, l[i].Seq)
	}
	return out
}

func TestVoidsAndKeys(t *testing.T) {
	tests := []struct {
		name     string
		evs      []timeline.Event
		want     []uint64 // seqs of the sign-offs that count
		dangling int
	}{
		{"a void takes a range back", []timeline.Event{signOff(1, 1, 1, ""), signOff(2, 2, 2, ""), signOff(3, 3, 3, ""), void(4, 1, 1, 2)}, []uint64{3}, 0},
		{"it may come first", []timeline.Event{void(1, 1, 2, 2), signOff(2, 2, 2, "")}, nil, 0},
		{"of another epoch it takes nothing", []timeline.Event{signOff(1, 1, 1, ""), void(2, 9, 1, 1)}, []uint64{1}, 1},
		{"a void of a void has no effect", []timeline.Event{signOff(1, 1, 1, ""), void(2, 1, 1, 1), void(3, 1, 2, 2)}, nil, 1},
		{"the first recorded of one key counts", []timeline.Event{signOff(1, 1, 9, "k"), signOff(2, 1, 5, "k"), signOff(3, 1, 9, "j")}, []uint64{2, 3}, 0},
		{"no key is no repeat", []timeline.Event{signOff(1, 1, 1, ""), signOff(2, 1, 1, "")}, []uint64{1, 2}, 0},
		{"the first of a key voided: the repeat does not rise", []timeline.Event{signOff(1, 1, 1, "k"), signOff(2, 1, 2, "k"), void(3, 1, 1, 1)}, nil, 0},
		{"the repeat voided: the first stays", []timeline.Event{signOff(1, 1, 1, "k"), signOff(2, 1, 2, "k"), void(3, 1, 2, 2)}, []uint64{1}, 0},
	}
	for _, tt := range tests {
		h := timeline.Build(nil, tt.evs, nil)
		if got := seqs(h.SignOffs); !reflect.DeepEqual(got, tt.want) || len(h.DanglingVoids) != tt.dangling {
			t.Errorf("%s: %v, %d dangling; want %v, %d", tt.name, got, len(h.DanglingVoids), tt.want, tt.dangling)
		}
	}
}

func TestCorrections(t *testing.T) {
	sl := []timeline.Slice{{ID: timeline.ID{Epoch: 1, Seq: 1}, Interval: timeline.Interval{From: 0, To: 1000}, Job: "J1", Rated: 90},
		{ID: timeline.ID{Epoch: 1, Seq: 2}, Interval: timeline.Interval{From: 1000, To: 2000}, Job: "J2", Rated: 90}}
	evs := []timeline.Event{
		{ID: timeline.ID{Epoch: 1, Seq: 3}, Kind: timeline.KindJobStarted, Recorded: 1, Job: "J1", Family: "film", Rated: 90, Substrate: "pp"},
		{ID: timeline.ID{Epoch: 1, Seq: 4}, Kind: timeline.KindJobCorrected, Recorded: 9, Job: "J1", Rated: 120},
		{ID: timeline.ID{Epoch: 1, Seq: 5}, Kind: timeline.KindJobCorrected, Recorded: 5, Job: "J1", Rated: 110, Family: "paper"},
	}
	h := timeline.Build(sl, evs, nil)
	if h.Slices[0].Rated != 120 || h.Slices[1].Rated != 90 {
		t.Errorf("rated %d and %d, want the latest correction of J1 and J2's own", h.Slices[0].Rated, h.Slices[1].Rated)
	}
	want := timeline.Job{Family: "paper", Substrate: "pp", Rated: 120, Corrected: true}
	if got := h.Job("J1", 2000); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
}

// A job that is started again has on each day what was said before its end; a
// start said late counts back 48 hours, one far away does not.
func TestJobOfADay(t *testing.T) {
	start := func(seq uint64, at int64, planned int64) timeline.Event {
		return timeline.Event{ID: timeline.ID{Epoch: 1, Seq: seq}, Kind: timeline.KindJobStarted, At: at, Recorded: at, Job: "J1", Length: planned}
	}
	day := 24 * timeline.Hour
	h := timeline.Build(nil, []timeline.Event{start(2, 10*day, 20), start(1, 5*day, 10)}, nil)
	for _, tt := range []struct{ end, want int64 }{{2 * day, 0}, {4 * day, 10}, {6 * day, 10}, {10 * day, 10}, {11 * day, 20}, {99 * day, 20}} {
		if got := h.Job("J1", tt.end).Planned; got != tt.want {
			t.Errorf("day that ends at %d: planned %d, want %d", tt.end/day, got, tt.want)
		}
	}
	if h.Job("", day) != (timeline.Job{}) || h.Job("J2", day) != (timeline.Job{}) {
		t.Error("nothing is known of no job and of an unknown one")
	}
}
