package loss

import (
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// Group is one cleaning group: sessions of the press that overlap, with one
// allowance (as package cleaning computes it).
type Group struct {
	Union     []timeline.Interval // when a session of the group is in effect
	Occasion  timeline.Occasion
	Allowance int64   // ms
	SignOffs  []int64 // instants, sorted
}

// label says what session time counts as where rule 4 decides.
type label uint8

const (
	labelNone    label = iota
	labelPlanned       // planned cleaning
	labelOverrun       // cleaning overrun
	labelDirt          // contamination stop, sub-leaf cleaning
	labelSetup         // set-up, sub-leaf cleaning
	labelInBreak       // in a break, no allowance drawn
)

type labelled struct {
	timeline.Interval
	label    label
	occasion timeline.Occasion
	group    int
}

// Use is where the time of one cleaning group went, milliseconds, in and out
// of planned time.
type Use struct {
	Planned int64 // inside the allowance
	Overrun int64 // beyond it, start-up and shut-down
	Dirt    int64 // beyond it, on demand: contamination stop
	Setup   int64 // changeover
	InBreak int64
}

// uses says for each group where its time went.
func (w *walk) uses() []Use {
	out := make([]Use, len(w.in.Groups))
	for _, l := range w.labels {
		u := &out[l.group]
		switch l.label {
		case labelPlanned:
			u.Planned += l.Len()
		case labelOverrun:
			u.Overrun += l.Len()
		case labelDirt:
			u.Dirt += l.Len()
		case labelSetup:
			u.Setup += l.Len()
		case labelInBreak:
			u.InBreak += l.Len()
		}
	}
	return out
}

// labelGroups walks each group in clock order and uses its allowance up.
// Time that the rules before rule 4 take (PRODUCTION, TRIAL, notes of another
// class) draws nothing. A break draws only if a sign-off falls inside it.
func labelGroups(groups []Group, h *timeline.History, breaks []timeline.Interval, noteTakes func(iv timeline.Interval) []timeline.Interval) []labelled {
	var out []labelled
	for gi, g := range groups {
		left := g.Allowance
		for _, u := range g.Union {
			free := []timeline.Interval{u}
			for _, s := range timeline.SlicesIn(h.Slices, u) {
				if s.State == timeline.StateProduction || s.State == timeline.StateTrial {
					free = timeline.Subtract(free, s.Interval)
				}
			}
			for _, n := range noteTakes(u) {
				free = timeline.Subtract(free, n)
			}
			for _, f := range free {
				for _, p := range splitByBreaks(f, breaks) {
					if p.brk != nil && !anyIn(g.SignOffs, *p.brk) {
						out = append(out, labelled{p.Interval, labelInBreak, g.Occasion, gi})
						continue
					}
					if g.Occasion == timeline.OccasionChangeover {
						out = append(out, labelled{p.Interval, labelSetup, g.Occasion, gi})
						continue
					}
					n := min(left, p.Len())
					left -= n
					if n > 0 {
						out = append(out, labelled{timeline.Interval{From: p.From, To: p.From + n}, labelPlanned, g.Occasion, gi})
					}
					if n < p.Len() {
						after := labelOverrun
						if g.Occasion == timeline.OccasionOnDemand {
							after = labelDirt
						}
						out = append(out, labelled{timeline.Interval{From: p.From + n, To: p.To}, after, g.Occasion, gi})
					}
				}
			}
		}
	}
	slices.SortFunc(out, func(a, b labelled) int { return int(min(1, max(-1, a.From-b.From))) })
	return out
}

type pieceOf struct {
	timeline.Interval
	brk *timeline.Interval // the break it lies in
}

func splitByBreaks(iv timeline.Interval, breaks []timeline.Interval) []pieceOf {
	var out []pieceOf
	at := iv.From
	for i := range breaks {
		b := breaks[i].And(timeline.Interval{From: at, To: iv.To})
		if b.Len() == 0 {
			continue
		}
		if b.From > at {
			out = append(out, pieceOf{timeline.Interval{From: at, To: b.From}, nil})
		}
		out = append(out, pieceOf{b, &breaks[i]})
		at = b.To
	}
	if at < iv.To {
		out = append(out, pieceOf{timeline.Interval{From: at, To: iv.To}, nil})
	}
	return out
}

func anyIn(sorted []int64, iv timeline.Interval) bool {
	i, _ := slices.BinarySearch(sorted, iv.From)
	return i < len(sorted) && sorted[i] < iv.To
}
