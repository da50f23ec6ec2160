package timeline

import (
	"cmp"
	"slices"
	"sort"
)

// EpochRank orders the epochs of one press free of arrival: by the recorded
// time of the lowest stored seq, then by epoch. Where slices overlap, the
// milliseconds belong to the lower rank.
type EpochRank struct {
	Epoch    uint64
	Recorded int64 // recorded_at of the lowest stored seq, unix ms
}

// History is a press's events with voids, repeats, corrections and overlaps
// settled. Slices are sorted and disjoint; events are sorted by At, then by
// (recorded, epoch, seq).
type History struct {
	Slices    []Slice
	Notes     []Event // sorted by Before: the last one that covers an instant wins
	Bookings  []Event
	Opened    []Event
	Closed    []Event
	SignOffs  []Event
	Skips     []Event
	Defects   []Event
	JobStarts []Event
	JobEnds   []Event

	jobs  map[string]*jobRecord
	runs  *runs // of the slices; nil: not made
	notes spans // of Notes
	books spans // of Bookings

	Overlaps      []Overlap // slice time that was covered twice, by instant
	DanglingVoids []ID      // voids whose target is not among the events
}

// Overlap is time of a slice that another slice had already covered.
type Overlap struct {
	At int64 // start of the slice that lost, unix ms
	MS int64 // time lost
	MM int64 // good and waste length dropped with it
}

// Job is what is known of a job: a JobStarted, overlaid by corrections, latest
// recorded first.
type Job struct {
	Family    string
	Substrate string
	Rated     int64 // mm/min; 0: not known
	Planned   int64 // mm
	Corrected bool  // Rated comes from a JobCorrected and wins over the slices
}

// jobRecord is everything said of one job.
type jobRecord struct {
	starts []Event // by At, then Before
	fixed  Job     // from corrections; empty: unchanged
}

// Job is what is known of a job on a stretch that ends at an instant: its
// latest start before the end, else its first start in the 48 hours after, so
// that a start recorded late counts and one far away does not; corrections hold
// whenever they were made. Empty: nothing is known.
func (h *History) Job(id string, end int64) Job {
	r := h.jobs[id]
	if r == nil || id == "" {
		return Job{}
	}
	var j Job
	i := sort.Search(len(r.starts), func(i int) bool { return r.starts[i].At >= end })
	switch {
	case i > 0:
		i--
		j = jobOf(&r.starts[i])
	case i < len(r.starts) && r.starts[i].At < end+48*Hour:
		j = jobOf(&r.starts[i])
	}
	if r.fixed.Corrected {
		j.Rated, j.Corrected = r.fixed.Rated, true
	}
	if r.fixed.Family != "" {
		j.Family = r.fixed.Family
	}
	return j
}

func jobOf(e *Event) Job {
	return Job{Family: e.Family, Substrate: e.Substrate, Rated: e.Rated, Planned: e.Length}
}

// Build settles a press's events. The events may come in any order and more
// than once; the result depends only on the set of them. voids and corrections
// must be complete for the press, the others only for the stretch of interest.
func Build(sl []Slice, evs []Event, ranks []EpochRank) *History {
	h := &History{jobs: map[string]*jobRecord{}}
	voids := collectVoids(evs)
	seen := make(map[ID]bool)

	kept := make([]Slice, 0, len(sl))
	for i := range sl {
		if s := &sl[i]; !voids.has(s.ID, s.From) && s.Len() > 0 {
			kept = append(kept, *s)
		}
	}
	h.Slices, h.Overlaps = settle(kept, ranks)

	var live []Event
	for i := range evs {
		e := &evs[i]
		if e.Kind == KindVoided {
			continue
		}
		if seen[e.ID] || e.SourceKey == "" && voids.has(e.ID, e.spokenOf()) {
			continue
		}
		seen[e.ID] = true
		live = append(live, *e)
	}
	h.DanglingVoids = voids.dangling(sl, evs)
	sortEvents(live, func(a, b *Event) int {
		switch {
		case Before(a, b):
			return -1
		case Before(b, a):
			return 1
		}
		return 0
	})
	type key struct {
		k Kind
		s string
	}
	keys := map[key]bool{}
	job := func(id string) *jobRecord {
		if h.jobs[id] == nil {
			h.jobs[id] = &jobRecord{}
		}
		return h.jobs[id]
	}
	corrected := false
	for i := range live {
		e := &live[i]
		if e.SourceKey != "" {
			k := key{e.Kind, e.SourceKey}
			if keys[k] {
				continue
			}
			keys[k] = true
			if voids.has(e.ID, e.spokenOf()) {
				continue // it stood for its repeats: they do not rise in its place
			}
		}
		switch e.Kind {
		case KindReasonNoted:
			h.Notes = append(h.Notes, *e)
		case KindWasteBooked:
			h.Bookings = append(h.Bookings, *e)
		case KindCleaningOpened:
			h.Opened = append(h.Opened, *e)
		case KindCleaningClosed:
			h.Closed = append(h.Closed, *e)
		case KindStationSignedOff:
			h.SignOffs = append(h.SignOffs, *e)
		case KindStationSkipped:
			h.Skips = append(h.Skips, *e)
		case KindDefectSeen:
			h.Defects = append(h.Defects, *e)
		case KindJobStarted:
			h.JobStarts = append(h.JobStarts, *e)
			r := job(e.Job)
			r.starts = append(r.starts, *e)
		case KindJobEnded:
			h.JobEnds = append(h.JobEnds, *e)
		case KindJobCorrected: // in order of recording: the later overwrites
			c := &job(e.Job).fixed
			if e.Rated > 0 {
				c.Rated, c.Corrected, corrected = e.Rated, true, true
			}
			if e.Family != "" {
				c.Family = e.Family
			}
		}
	}
	for _, r := range h.jobs {
		slices.SortStableFunc(r.starts, func(a, b Event) int { return cmp.Compare(a.At, b.At) })
	}
	if corrected {
		for i := range h.Slices {
			if r := h.jobs[h.Slices[i].Job]; r != nil && r.fixed.Corrected {
				h.Slices[i].Rated = r.fixed.Rated
			}
		}
	}
	for _, l := range [][]Event{h.Opened, h.Closed, h.SignOffs, h.Skips, h.Defects, h.JobStarts, h.JobEnds} {
		sortEvents(l, func(a, b *Event) int { return cmp.Compare(a.At, b.At) })
	}
	h.runs = runsOf(h.Slices)
	h.notes, h.books = spansOf(h.Notes), spansOf(h.Bookings)
	return h
}

// sortEvents sorts in place and keeps the order of equals. Events are large and
// mostly in order already: only their places are sorted, and each moves once.
func sortEvents(evs []Event, compare func(a, b *Event) int) {
	sorted := true
	for i := 1; i < len(evs) && sorted; i++ {
		sorted = compare(&evs[i-1], &evs[i]) <= 0
	}
	if sorted {
		return
	}
	at := make([]int32, len(evs))
	for i := range at {
		at[i] = int32(i)
	}
	slices.SortStableFunc(at, func(i, j int32) int { return compare(&evs[i], &evs[j]) })
	out := make([]Event, len(evs))
	for i, j := range at {
		out[i] = evs[j]
	}
	copy(evs, out)
}

// SlicesIn is the part of the sorted slices that meets an interval.
func SlicesIn(s []Slice, iv Interval) []Slice {
	i := sort.Search(len(s), func(i int) bool { return s[i].To > iv.From })
	j := sort.Search(len(s), func(j int) bool { return s[j].From >= iv.To })
	if i >= j {
		return nil
	}
	return s[i:j]
}

// EventsIn is the part of events sorted by At that lies in an interval.
func EventsIn(e []Event, iv Interval) []Event {
	i := sort.Search(len(e), func(i int) bool { return e[i].At >= iv.From })
	j := sort.Search(len(e), func(j int) bool { return e[j].At >= iv.To })
	if i >= j {
		return nil
	}
	return e[i:j]
}

// Repeat names the event that counts of one kind and source key: the first by
// (recorded, epoch, seq) of all with them on the press.
type Repeat struct {
	Kind      Kind
	SourceKey string
	First     ID
}

// DropRepeats leaves of every listed kind and source key the first only. Build
// does the same among the events it is given; this does it where the first lies
// outside them.
func DropRepeats(evs []Event, repeats []Repeat) []Event {
	if len(repeats) == 0 {
		return evs
	}
	type key struct {
		k Kind
		s string
	}
	first := make(map[key]ID, len(repeats))
	for _, r := range repeats {
		first[key{r.Kind, r.SourceKey}] = r.First
	}
	return slices.DeleteFunc(slices.Clone(evs), func(e Event) bool {
		id, ok := first[key{e.Kind, e.SourceKey}]
		return ok && e.SourceKey != "" && e.ID != id
	})
}

// spokenOf is the earliest instant an event speaks of.
func (e *Event) spokenOf() int64 {
	if e.Kind == KindReasonNoted || e.Kind == KindWasteBooked {
		return min(e.At, e.From)
	}
	return e.At
}
