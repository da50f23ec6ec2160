package loss

import (
	"slices"
	"sort"

	"github.com/downweb/downweb/analytics/timeline"
)

// minorStop is the length below which a whole stop is a minor one (SEMI and
// TPM practice: common practice, no single source).
const minorStop = 5 * timeline.Minute

// Input is what one press-day is computed from. History must reach at least 48
// hours before the day's start and, where it exists, after its end.
type Input struct {
	Press    *timeline.Press
	History  *timeline.History
	Day      timeline.DayPlan
	Breaks   []timeline.Interval // breaks of this and the neighboring days, sorted
	Groups   []Group
	Frontier int64 // nothing is known after it; planned time ends there
	// PlannedBefore says that the millisecond before the day is planned time: a
	// stop that goes on over the day's start is counted on the day it began.
	PlannedBefore bool
}

// Result is one press-day.
type Result struct {
	Facts []Fact // sorted by key
	Day   DayRow
	Uses  []Use // of each group of the input, whole groups
}

// Compute books one press-day.
func Compute(in Input) Result {
	return newWalk(in).run()
}

// run books the day.
func (w *walk) run() Result {
	for _, seg := range w.in.Day.Segments {
		iv := seg.Interval
		iv.To = min(iv.To, w.in.Frontier)
		if iv.Len() == 0 {
			continue
		}
		w.segment(seg, iv)
	}
	w.bookWaste()
	facts := w.facts.sorted()
	return Result{Facts: facts, Day: w.dayRow(facts), Uses: w.uses()}
}

// walk carries the state of one day's computation.
type walk struct {
	in      Input
	h       *timeline.History
	span    timeline.Interval
	stops   []timeline.Event // stop notes that meet the day, by Before
	slows   []timeline.Event
	labels  []labelled
	cuts    []int64 // instants at which notes and labels begin or end, sorted
	facts   *facts
	cells   []cell // waste and good of slices, for bookings
	unknown map[string]bool
	row     DayRow
	rec     *recorder // of the pieces, where they are asked for

	runs []timeline.Interval // production slices joined, for minor stops
	open stop                // the stop that goes on
}

func newWalk(in Input) *walk {
	w := &walk{in: in, h: in.History, span: in.Day.Span(), facts: newFacts(), unknown: map[string]bool{}}
	w.row.Day = in.Day.Day
	for _, n := range w.h.Notes {
		switch n.NoteKind {
		case timeline.NoteStop:
			w.stops = append(w.stops, n)
		case timeline.NoteSlow:
			w.slows = append(w.slows, n)
		}
	}
	w.labels = labelGroups(in.Groups, w.h, in.Breaks, w.otherNotes)
	near := func(ns []timeline.Event) []timeline.Event {
		around := timeline.Interval{From: w.span.From - timeline.Hour, To: w.span.To}
		return slices.DeleteFunc(slices.Clone(ns), func(n timeline.Event) bool { return n.And(around).Len() == 0 })
	}
	w.stops, w.slows = near(w.stops), near(w.slows)
	w.open = w.stopBefore()
	for _, n := range w.stops {
		w.cuts = append(w.cuts, n.From, n.To)
	}
	for _, n := range w.slows {
		w.cuts = append(w.cuts, n.From, n.To)
	}
	for _, l := range w.labels {
		if l.And(w.span).Len() > 0 {
			w.cuts = append(w.cuts, l.From, l.To)
		}
	}
	for _, m := range in.Press.Maintenance {
		if m.And(w.span).Len() > 0 {
			w.cuts = append(w.cuts, m.From, m.To)
		}
	}
	slices.Sort(w.cuts)
	w.cuts = slices.Compact(w.cuts)
	around := timeline.SlicesIn(w.h.Slices, timeline.Interval{From: w.span.From - timeline.Hour, To: w.span.To + timeline.Hour})
	w.cells = make([]cell, 0, len(around)+16)
	for i := range around {
		s := &around[i]
		if s.State != timeline.StateProduction {
			continue
		}
		if n := len(w.runs); n > 0 && w.runs[n-1].To == s.From {
			w.runs[n-1].To = s.To
		} else {
			w.runs = append(w.runs, s.Interval)
		}
	}
	return w
}

// otherNotes are the stretches of an interval in which the winning stop note's
// class is known and not contamination (rule 3).
func (w *walk) otherNotes(u timeline.Interval) []timeline.Interval {
	var pts []int64
	for _, n := range w.stops {
		if x := n.And(u); x.Len() > 0 {
			pts = append(pts, x.From, x.To)
		}
	}
	slices.Sort(pts)
	pts = slices.Compact(pts)
	var out []timeline.Interval
	for i := 1; i < len(pts); i++ {
		iv := timeline.Interval{From: pts[i-1], To: pts[i]}
		if n := winner(w.stops, iv.From); n != nil {
			if c := w.in.Press.Reasons[n.Reason]; c != timeline.ClassNone && c != timeline.ClassContamination {
				out = append(out, iv)
			}
		}
	}
	return out
}

// winner is the note that covers an instant and was recorded last.
func winner(notes []timeline.Event, t int64) *timeline.Event {
	for i := len(notes) - 1; i >= 0; i-- {
		if notes[i].Has(t) {
			return &notes[i]
		}
	}
	return nil
}

// segment books one planned, break or unplanned stretch, clipped to the
// frontier.
func (w *walk) segment(seg timeline.Segment, iv timeline.Interval) {
	if seg.Planned {
		w.row.PBT += iv.Len()
	}
	at := iv.From
	sl := timeline.SlicesIn(w.h.Slices, iv)
	for i := range sl {
		if sl[i].From > at {
			w.pieces(seg, nil, timeline.Interval{From: at, To: sl[i].From})
		}
		p := sl[i].And(iv)
		w.pieces(seg, &sl[i], p)
		at = p.To
	}
	if at < iv.To {
		w.pieces(seg, nil, timeline.Interval{From: at, To: iv.To})
	}
}

// pieces cuts a slice (or a gap, s nil) where a note or label begins or ends
// and books each piece.
func (w *walk) pieces(seg timeline.Segment, s *timeline.Slice, iv timeline.Interval) {
	i := sort.Search(len(w.cuts), func(i int) bool { return w.cuts[i] > iv.From })
	for at := iv.From; at < iv.To; i++ {
		to := iv.To
		if i < len(w.cuts) && w.cuts[i] < to {
			to = w.cuts[i]
		}
		w.book(seg, s, timeline.Interval{From: at, To: to})
		at = to
	}
}

// book climbs the ladder (production, trial, note, session, contamination
// note, slice, nothing) for one piece in which nothing
// changes.
func (w *walk) book(seg timeline.Segment, s *timeline.Slice, iv timeline.Interval) {
	var part timeline.Slice
	if s != nil {
		part = s.Part(iv)
	}
	n := iv.Len()
	said := Key{Shift: seg.Shift, Planned: seg.Planned} // of a note that spills over
	if s != nil {
		said.State, said.Reason, said.Station, said.Job = s.State, s.Reason, s.Station, s.Job
	}
	stop := winner(w.stops, iv.From)
	slow := winner(w.slows, iv.From)
	running := s != nil && (s.State == timeline.StateProduction || s.State == timeline.StateTrial)
	if stop != nil && running {
		w.row.NoteSpill += n
		w.rec.spill(said, iv, stop)
	}
	if slow != nil && (s == nil || s.State != timeline.StateProduction) {
		w.row.NoteSpill += n
		w.rec.spill(said, iv, slow)
	}
	w.cover(seg, s, iv, stop)

	k, rule, by, group := w.decide(s, iv.From, seg.Planned)
	k.Shift, k.Planned = seg.Shift, seg.Planned
	begins := w.begins(k, seg.Break)
	switch k.Leaf {
	case LeafProduction: // rule 1
		k.Rated = w.rated(s, part)
		if slow != nil && w.class(slow.Reason) == timeline.ClassContamination {
			k.Sub, k.Reason, k.Station = SubSlowDirt, slow.Reason, slow.Station
		} else if slow != nil {
			k.Reason, k.Station = slow.Reason, slow.Station
		}
		w.facts.add(k, n, part.Good, 0)
		w.rec.time(k, iv, RuleProduction, slow, -1, &part)
		w.cells = append(w.cells, cell{key: k, iv: iv, good: part.Good, waste: part.Waste})
		return
	case Trials: // rule 2
		w.facts.add(k, n, part.Good, part.Waste)
		w.facts.stop(k, begins)
		w.rec.time(k, iv, rule, nil, -1, &part)
		w.row.GoodOutside += part.Good
		return
	}
	if lab := w.labelAt(iv.From); lab != nil && !seg.Planned {
		labour := n * w.in.Press.LabourOn(w.in.Day.Day) * int64(w.in.Press.HandsFor(lab.occasion))
		w.row.OutLabour += labour
		w.row.OutLabourLeaf[k.Leaf] += labour
	}
	if k.Leaf != LeafNone {
		w.facts.add(k, n, part.Good, 0)
		w.facts.stop(k, begins)
		w.rec.time(k, iv, rule, by, group, &part)
	}
	w.row.GoodOutside += part.Good
	if s == nil || part.Waste == 0 {
		return
	}
	if s.State == timeline.StateSetup {
		w.cells = append(w.cells, cell{key: k, iv: iv, waste: part.Waste, setup: true})
		return
	}
	k.Leaf, k.Sub, k.Minor = OutsideWaste, SubNone, false
	w.facts.add(k, 0, 0, part.Waste)
	w.rec.length(k, iv, part.Waste, RuleSlice, timeline.ID{}, nil)
	if s.State == timeline.StateDown || s.State == timeline.StateWaiting {
		w.row.StopWaste += part.Waste
	}
}

// decide is the ladder: the leaf of an instant of a slice (nil: of no slice),
// the key that goes with it but for shift, plan and rated speed, and what put
// it there: the rule, and the note or else the cleaning group (-1: none).
func (w *walk) decide(s *timeline.Slice, t int64, planned bool) (k Key, rule Rule, by *timeline.Event, group int) {
	group = -1
	if s != nil {
		k.State, k.Reason, k.Station, k.Job = s.State, s.Reason, s.Station, s.Job
	}
	switch {
	case s != nil && s.State == timeline.StateProduction: // rule 1
		k.Leaf = LeafProduction
		return k, RuleProduction, nil, group
	case s != nil && s.State == timeline.StateTrial: // rule 2
		k.Leaf = Trials
		return k, RuleTrial, nil, group
	}
	stop := winner(w.stops, t)
	class := timeline.ClassNone
	if stop != nil {
		class = w.class(stop.Reason)
	}
	lab := w.labelAt(t)
	switch {
	case class != timeline.ClassNone && class != timeline.ClassContamination: // rule 3
		k.Leaf, rule, by = classLeaf(class), RuleNote, stop
	case lab != nil: // rule 4
		k.Leaf, k.Sub = lab.leaf()
		rule, group = RuleSession, lab.group
	case class == timeline.ClassContamination: // rule 5
		k.Leaf, rule, by = ContaminationStop, RuleContamination, stop
	case s != nil: // rule 6
		k.Leaf, k.Sub = w.sliceLeaf(s, t)
		rule = RuleSlice
	default: // rule 7
		k.Leaf, rule = Unaccounted, RuleNothing
	}
	if stop != nil && class != timeline.ClassNone && k.Leaf == classLeaf(class) && k.Sub == SubNone {
		k.Reason, k.Station = stop.Reason, stop.Station
	}
	k.Minor = w.minor(t, k.Leaf)
	// Outside the plan, a press that is off or silent loses nothing.
	if !planned && lab == nil && class == timeline.ClassNone && (s == nil || s.State == timeline.StateOff) {
		k.Leaf = LeafNone
	}
	return k, rule, by, group
}

// sliceLeaf is rule 6: the leaf of a slice that no person spoke of.
func (w *walk) sliceLeaf(s *timeline.Slice, t int64) (Leaf, Sub) {
	if s.State == timeline.StateCleaning {
		return CleaningOverrun, SubNoRecord
	}
	if s.Reason != "" {
		if c := w.class(s.Reason); c != timeline.ClassNone {
			return classLeaf(c), SubNone
		}
	}
	switch s.State {
	case timeline.StateSetup:
		return Setup, SubNone
	case timeline.StateMaintenance:
		if w.in.Press.InMaintenance(t) {
			return PlannedMaintenance, SubNone
		}
		return OtherBreakdown, SubNone
	case timeline.StateDown:
		return OtherBreakdown, SubNone
	}
	return Waiting, SubNone
}

// class of a reason slug; unknown slugs are counted.
func (w *walk) class(slug string) timeline.ReasonClass {
	c := w.in.Press.Reasons[slug]
	if c == timeline.ClassNone && slug != "" {
		w.unknown[slug] = true
	}
	return c
}

// rated speed of a production piece: the slice's (or a correction's), else the
// job's, else the press's, which is counted as assumed.
func (w *walk) rated(s *timeline.Slice, part timeline.Slice) int64 {
	if s.Rated > 0 {
		return s.Rated
	}
	if j := w.h.Job(s.Job, w.span.To); j.Rated > 0 {
		return j.Rated
	}
	w.row.AssumedMM += part.Good + part.Waste
	return w.in.Press.Rated
}

// cover adds to the three parts of coverage.
func (w *walk) cover(seg timeline.Segment, s *timeline.Slice, iv timeline.Interval, stop *timeline.Event) {
	if !seg.Planned {
		return
	}
	switch {
	case s != nil:
		w.row.Measured += iv.Len()
	case w.labelAt(iv.From) != nil || stop != nil && w.in.Press.Reasons[stop.Reason] != timeline.ClassNone:
		w.row.Stated += iv.Len()
	default:
		w.row.Unknown += iv.Len()
	}
}

func (w *walk) labelAt(t int64) *labelled {
	i := sort.Search(len(w.labels), func(i int) bool { return w.labels[i].To > t })
	if i < len(w.labels) && w.labels[i].Has(t) {
		return &w.labels[i]
	}
	return nil
}

func (l *labelled) leaf() (Leaf, Sub) {
	switch l.label {
	case labelPlanned:
		return PlannedCleaning, SubNone
	case labelOverrun:
		return CleaningOverrun, SubNone
	case labelDirt:
		return ContaminationStop, SubCleaning
	case labelSetup:
		return Setup, SubCleaning
	}
	return CleaningInBreak, SubNone
}

// minor says whether the stop around an instant, from one production run to
// the next, is shorter than five minutes.
func (w *walk) minor(t int64, l Leaf) bool {
	if l != OtherBreakdown && l != Waiting && l != ContaminationStop && l != ReelChange {
		return false
	}
	i := sort.Search(len(w.runs), func(i int) bool { return w.runs[i].From > t })
	if i == 0 || i == len(w.runs) {
		return false
	}
	return w.runs[i].From-w.runs[i-1].To < minorStop
}
