package timeline

import "sort"

// runs are the stretches of a whole history's slices that follow each other
// without a gap: what the folds of all its days ask for again and again. They
// are made once; a window takes its part of them.
type runs struct {
	covered  []Interval // by any slice
	produced []Interval // by PRODUCTION
}

func runsOf(s []Slice) *runs {
	return &runs{covered: joined(s, func(*Slice) bool { return true }), produced: joined(s, producing)}
}

func producing(s *Slice) bool { return s.State == StateProduction }

func joined(s []Slice, take func(*Slice) bool) []Interval {
	var out []Interval
	for i := range s {
		if !take(&s[i]) {
			continue
		}
		if n := len(out); n > 0 && out[n-1].To == s[i].From {
			out[n-1].To = s[i].To
			continue
		}
		out = append(out, s[i].Interval)
	}
	return out
}

// Covered is the time that slices tell of, in stretches without a gap, sorted.
func (h *History) Covered() []Interval {
	if h.runs == nil {
		return joined(h.Slices, func(*Slice) bool { return true })
	}
	return h.within(h.runs.covered)
}

// Produced is the time of PRODUCTION slices in stretches without a gap, sorted.
func (h *History) Produced() []Interval {
	if h.runs == nil {
		return joined(h.Slices, producing)
	}
	return h.within(h.runs.produced)
}

// within cuts the runs of the whole history to the slices of this one, as if
// they had been joined from these. The result is the caller's own.
func (h *History) within(runs []Interval) []Interval {
	if len(h.Slices) == 0 {
		return nil
	}
	iv := Interval{From: h.Slices[0].From, To: h.Slices[len(h.Slices)-1].To}
	i := sort.Search(len(runs), func(i int) bool { return runs[i].To > iv.From })
	n := sort.Search(len(runs)-i, func(n int) bool { return runs[i+n].From >= iv.To })
	out := make([]Interval, n, n+16) // callers add a few of their own
	for k := range out {
		out[k] = runs[i+k].And(iv)
	}
	return out
}

// spans say of every spanBlock events in a row which time their intervals lie
// in. Notes and bookings are sorted by when they were recorded, mostly soon
// after what they speak of: whole blocks are passed over.
type spans []Interval

const spanBlock = 64

func spansOf(evs []Event) spans {
	out := make(spans, 0, (len(evs)+spanBlock-1)/spanBlock)
	for i := range evs {
		if i%spanBlock == 0 {
			out = append(out, evs[i].Interval)
			continue
		}
		b := &out[len(out)-1]
		*b = Interval{From: min(b.From, evs[i].From), To: max(b.To, evs[i].To)}
	}
	return out
}
