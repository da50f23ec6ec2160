package loss

import "github.com/downweb/downweb/analytics/timeline"

// stop is a stretch without production that has one leaf and one station.
type stop struct {
	leaf    Leaf
	station string
}

// begins says whether a piece begins a stop, and keeps the one that goes on.
// Production ends a stop, and so does time outside the plan in which the press
// is off or silent; a break of the shift does not.
func (w *walk) begins(k Key, inBreak bool) bool {
	switch {
	case k.Leaf == LeafProduction:
		w.open = stop{}
		return false
	case k.Leaf == LeafNone || k.Leaf == CleaningInBreak:
		if !inBreak {
			w.open = stop{}
		}
		return false
	case w.open == stop{k.Leaf, k.Station}:
		return false
	}
	w.open = stop{k.Leaf, k.Station}
	return true
}

// stopBefore is the stop that goes on when the day begins: it is counted on the
// day on which it began.
func (w *walk) stopBefore() stop {
	unknown := w.unknown
	w.unknown = map[string]bool{} // counted on the day before
	defer func() { w.unknown = unknown }()
	// A break that ends with the day before is stepped over once.
	t, planned := w.span.From-1, w.in.PlannedBefore
	for _, b := range w.in.Breaks {
		if b.To != w.span.From {
			continue
		}
		if k, _, _, _ := w.decide(w.sliceAt(t), t, false); k.Leaf != LeafNone && k.Leaf != CleaningInBreak {
			return stopOf(k)
		}
		t, planned = b.From-1, true
	}
	k, _, _, _ := w.decide(w.sliceAt(t), t, planned)
	return stopOf(k)
}

func stopOf(k Key) stop {
	if k.Leaf == LeafNone || k.Leaf == CleaningInBreak || k.Leaf == LeafProduction {
		return stop{}
	}
	return stop{k.Leaf, k.Station}
}

func (w *walk) sliceAt(t int64) *timeline.Slice {
	sl := timeline.SlicesIn(w.h.Slices, timeline.Interval{From: t, To: t + 1})
	if len(sl) == 0 {
		return nil
	}
	return &sl[0]
}
