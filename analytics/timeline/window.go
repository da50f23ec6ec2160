package timeline

// Window is the part of the history that meets an interval: slices, notes and
// bookings that overlap it, other events that lie in it. Jobs are shared. A
// fold that is handed a window cannot see more on one day than on another.
func (h *History) Window(iv Interval) *History {
	return &History{
		Slices:    SlicesIn(h.Slices, iv),
		Notes:     overlapping(h.Notes, h.notes, iv),
		Bookings:  overlapping(h.Bookings, h.books, iv),
		Opened:    EventsIn(h.Opened, iv),
		Closed:    EventsIn(h.Closed, iv),
		SignOffs:  EventsIn(h.SignOffs, iv),
		Skips:     EventsIn(h.Skips, iv),
		Defects:   EventsIn(h.Defects, iv),
		JobStarts: EventsIn(h.JobStarts, iv),
		JobEnds:   EventsIn(h.JobEnds, iv),
		jobs:      h.jobs,
		runs:      h.runs,
	}
}

// overlapping copies the events that meet an interval. spans may be empty.
func overlapping(evs []Event, spans spans, iv Interval) []Event {
	var out []Event
	for i := 0; i < len(evs); {
		to := min(i+spanBlock, len(evs))
		if b := i / spanBlock; b < len(spans) && spans[b].And(iv).Len() == 0 {
			i = to
			continue
		}
		for ; i < to; i++ {
			if evs[i].And(iv).Len() > 0 {
				out = append(out, evs[i])
			}
		}
	}
	return out
}

// Frontier is the latest instant the history speaks of: the end of a slice, of
// a noted or booked interval, the instant of anything else said of the press.
// ok is false when it speaks of none. Voids, corrections and signings speak of
// the past only.
func (h *History) Frontier() (t int64, ok bool) {
	see := func(v int64) {
		if !ok || v > t {
			t, ok = v, true
		}
	}
	if n := len(h.Slices); n > 0 {
		see(h.Slices[n-1].To)
	}
	for _, l := range [][]Event{h.Notes, h.Bookings} {
		for i := range l {
			see(l[i].To)
		}
	}
	for _, l := range h.said() {
		if n := len(l); n > 0 {
			see(l[n-1].At)
		}
	}
	return t, ok
}

// SaidFrom says whether people or the job list spoke at t or later: a session
// opened at the very start of a day begins that day, a slice that ends there
// does not.
func (h *History) SaidFrom(t int64) bool {
	for _, l := range h.said() {
		if n := len(l); n > 0 && l[n-1].At >= t {
			return true
		}
	}
	return false
}

// First is the earliest instant the history speaks of; ok is false when it
// speaks of none.
func (h *History) First() (t int64, ok bool) {
	see := func(v int64) {
		if !ok || v < t {
			t, ok = v, true
		}
	}
	if len(h.Slices) > 0 {
		see(h.Slices[0].From)
	}
	for _, l := range [][]Event{h.Notes, h.Bookings} {
		for i := range l {
			see(l[i].From)
		}
	}
	for _, l := range h.said() {
		if len(l) > 0 {
			see(l[0].At)
		}
	}
	return t, ok
}

func (h *History) said() [][]Event {
	return [][]Event{h.Opened, h.Closed, h.SignOffs, h.Skips, h.Defects, h.JobStarts, h.JobEnds}
}
