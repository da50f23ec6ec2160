package loss

import (
	"cmp"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// Key of a fact: everything a figure can be grouped by inside a press-day.
type Key struct {
	Shift   string
	Planned bool // inside planned busy time
	Leaf    Leaf
	Sub     Sub
	State   timeline.State
	Reason  string
	Station string
	Job     string
	Rated   int64 // mm/min, 0 outside PRODUCTION
	Minor   bool  // the whole stop was shorter than five minutes
}

// Fact is time and length booked to one key. Waste leaves have no duration;
// production rows hold good length, waste rows waste length.
type Fact struct {
	Key
	Dur   int64 // ms
	Good  int64 // mm
	Waste int64 // mm
	Stops int64 // whole stops that begin here
}

func compareKeys(a, b Key) int {
	return cmp.Or(
		cmp.Compare(a.Shift, b.Shift), compareBool(a.Planned, b.Planned),
		cmp.Compare(a.Leaf, b.Leaf), cmp.Compare(a.Sub, b.Sub), cmp.Compare(a.State, b.State),
		cmp.Compare(a.Reason, b.Reason), cmp.Compare(a.Station, b.Station), cmp.Compare(a.Job, b.Job),
		cmp.Compare(a.Rated, b.Rated), compareBool(a.Minor, b.Minor))
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

// facts gathers facts by key. Most neighbors share a key, so the last one is
// tried first.
type facts struct {
	m    map[Key]*Fact
	last *Fact
}

func newFacts() *facts { return &facts{m: map[Key]*Fact{}} }

func (f *facts) add(k Key, dur, good, waste int64) {
	if dur == 0 && good == 0 && waste == 0 {
		return
	}
	if f.last == nil || f.last.Key != k {
		p, ok := f.m[k]
		if !ok {
			p = &Fact{Key: k}
			f.m[k] = p
		}
		f.last = p
	}
	f.last.Dur += dur
	f.last.Good += good
	f.last.Waste += waste
}

// stop counts a stop that begins in the fact that was added to last.
func (f *facts) stop(k Key, begins bool) {
	if begins && f.last != nil && f.last.Key == k {
		f.last.Stops++
	}
}

// sorted returns the facts in key order.
func (f *facts) sorted() []Fact {
	out := make([]Fact, 0, len(f.m))
	for _, p := range f.m {
		out = append(out, *p)
	}
	slices.SortFunc(out, func(a, b Fact) int { return compareKeys(a.Key, b.Key) })
	return out
}
