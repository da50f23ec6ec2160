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

	jobs map[string]*jobRecord

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
	slices.SortFunc(live, func(a, b Event) int {
		switch {
		case Before(&a, &b):
			return -1
		case Before(&b, &a):
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
		slices.SortStableFunc(l, func(a, b Event) int { return cmp.Compare(a.At, b.At) })
	}
	return h
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

type voidSet struct {
	ranges map[uint64][]seqRange // by target epoch, sorted
	all    []seqRange
}

type seqRange struct {
	epoch       uint64
	first, last uint64
	earliest    int64 // what lies before is not taken back
	id          ID    // of the void
}

// collectVoids gathers what is taken back. A void of a void is refused where
// it is recorded; here it has no effect.
func collectVoids(evs []Event) voidSet {
	v := voidSet{ranges: map[uint64][]seqRange{}}
	for i := range evs {
		e := &evs[i]
		if e.Kind == KindVoided && e.TargetFirst > 0 && e.TargetLast >= e.TargetFirst {
			r := seqRange{e.TargetEpoch, e.TargetFirst, e.TargetLast, e.Earliest, e.ID}
			v.ranges[e.TargetEpoch] = append(v.ranges[e.TargetEpoch], r)
			v.all = append(v.all, r)
		}
	}
	return v
}

// has says whether an event is taken back. A void that says it takes nothing
// back before an instant takes nothing back before it: what it dirties and what
// it changes are one.
func (v voidSet) has(id ID, at int64) bool {
	for _, r := range v.ranges[id.Epoch] {
		if id.Seq >= r.first && id.Seq <= r.last && at >= r.earliest {
			return true
		}
	}
	return false
}

// spokenOf is the earliest instant an event speaks of.
func (e *Event) spokenOf() int64 {
	if e.Kind == KindReasonNoted || e.Kind == KindWasteBooked {
		return min(e.At, e.From)
	}
	return e.At
}

// dangling lists voids that hit nothing, each once, in order.
func (v voidSet) dangling(sl []Slice, evs []Event) []ID {
	if len(v.all) == 0 {
		return nil
	}
	hit := map[ID]bool{}
	mark := func(id ID) {
		for _, r := range v.ranges[id.Epoch] {
			if id.Seq >= r.first && id.Seq <= r.last {
				hit[r.id] = true
			}
		}
	}
	for i := range sl {
		mark(sl[i].ID)
	}
	for i := range evs {
		if evs[i].Kind != KindVoided {
			mark(evs[i].ID)
		}
	}
	var out []ID
	done := map[ID]bool{}
	for _, r := range v.all {
		if !hit[r.id] && !done[r.id] {
			done[r.id] = true
			out = append(out, r.id)
		}
	}
	slices.SortFunc(out, func(a, b ID) int {
		return cmp.Or(cmp.Compare(a.Epoch, b.Epoch), cmp.Compare(a.Seq, b.Seq))
	})
	return out
}

// settle removes repeats of one identity and gives every millisecond to one
// slice: that of the epoch with the lowest rank, inside an epoch the lowest
// seq. A slice that loses time loses length in proportion.
func settle(s []Slice, ranks []EpochRank) (out []Slice, lost []Overlap) {
	rank := make(map[uint64]int, len(ranks))
	rs := slices.Clone(ranks)
	slices.SortFunc(rs, func(a, b EpochRank) int {
		return cmp.Or(cmp.Compare(a.Recorded, b.Recorded), cmp.Compare(a.Epoch, b.Epoch))
	})
	for i, r := range rs {
		rank[r.Epoch] = i
	}
	rankOf := func(e uint64) int {
		if r, ok := rank[e]; ok {
			return r
		}
		return len(rs)
	}
	prior := func(a, b *Slice) int { // lower wins
		if a.Epoch != b.Epoch {
			return cmp.Or(cmp.Compare(rankOf(a.Epoch), rankOf(b.Epoch)), cmp.Compare(a.Epoch, b.Epoch))
		}
		return cmp.Compare(a.Seq, b.Seq)
	}
	slices.SortFunc(s, func(a, b Slice) int {
		return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To), prior(&a, &b))
	})
	s = slices.CompactFunc(s, func(a, b Slice) bool { return a.ID == b.ID })
	out = make([]Slice, 0, len(s))
	for i := 0; i < len(s); {
		// A cluster: slices connected by overlap.
		end, j := s[i].To, i+1
		for j < len(s) && s[j].From < end {
			end = max(end, s[j].To)
			j++
		}
		if j == i+1 {
			out = append(out, s[i])
			i = j
			continue
		}
		got, over := settleCluster(slices.Clone(s[i:j]), prior)
		out = append(out, got...)
		lost = append(lost, over...)
		i = j
	}
	return out, lost
}

// settleCluster settles a few slices that overlap each other.
func settleCluster(c []Slice, prior func(a, b *Slice) int) (out []Slice, lost []Overlap) {
	slices.SortStableFunc(c, func(a, b Slice) int { return prior(&a, &b) })
	var taken []Interval
	for i := range c {
		free := []Interval{c[i].Interval}
		for _, t := range taken {
			free = Subtract(free, t)
		}
		slices.SortFunc(free, func(a, b Interval) int { return cmp.Compare(a.From, b.From) })
		before := c[i].Good + c[i].Waste
		var kept, ms int64
		for _, f := range free {
			p := c[i].Part(f)
			out = append(out, p)
			kept += p.Good + p.Waste
			ms += f.Len()
		}
		if ms < c[i].Len() {
			lost = append(lost, Overlap{c[i].From, c[i].Len() - ms, before - kept})
		}
		taken = append(taken, c[i].Interval)
	}
	slices.SortFunc(out, func(a, b Slice) int { return cmp.Compare(a.From, b.From) })
	slices.SortFunc(lost, func(a, b Overlap) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.MS, b.MS), cmp.Compare(a.MM, b.MM))
	})
	return out, lost
}

// Part is the piece of a slice inside an interval. Lengths are shared by
// duration in whole millimeters such that the pieces of any cutting of the
// slice add up to the whole: a piece gets the length up to its end less the
// length up to its start, each rounded down.
func (s *Slice) Part(iv Interval) Slice {
	p := *s
	p.Interval = s.Interval.And(iv)
	if p.Interval == s.Interval {
		return p
	}
	if p.Len() == 0 {
		p.To = p.From
		p.Good, p.Waste = 0, 0
		return p
	}
	d := s.Len()
	at := func(v, t int64) int64 { return mulDiv(v, t-s.From, d) }
	p.Good = at(s.Good, p.To) - at(s.Good, p.From)
	p.Waste = at(s.Waste, p.To) - at(s.Waste, p.From)
	return p
}

// mulDiv is a*b/c rounded down; a, b >= 0, c > 0. Slices last at most a minute
// (b, c <= 60,000) and lengths are below 1e11 mm, so the product fits.
func mulDiv(a, b, c int64) int64 { return a * b / c }

// Window is the part of the history that meets an interval: slices, notes and
// bookings that overlap it, other events that lie in it. Jobs are shared. A
// fold that is handed a window cannot see more on one day than on another.
func (h *History) Window(iv Interval) *History {
	return &History{
		Slices:    SlicesIn(h.Slices, iv),
		Notes:     overlapping(h.Notes, iv),
		Bookings:  overlapping(h.Bookings, iv),
		Opened:    EventsIn(h.Opened, iv),
		Closed:    EventsIn(h.Closed, iv),
		SignOffs:  EventsIn(h.SignOffs, iv),
		Skips:     EventsIn(h.Skips, iv),
		Defects:   EventsIn(h.Defects, iv),
		JobStarts: EventsIn(h.JobStarts, iv),
		JobEnds:   EventsIn(h.JobEnds, iv),
		jobs:      h.jobs,
	}
}

func overlapping(evs []Event, iv Interval) []Event {
	var out []Event
	for i := range evs {
		if evs[i].And(iv).Len() > 0 {
			out = append(out, evs[i])
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
