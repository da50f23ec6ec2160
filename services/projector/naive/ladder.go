package naive

import (
	"math/big"
	"sort"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Leaf names a leaf of the tree.
type Leaf string

// Leaves.
const (
	Production         Leaf = "production"
	PlannedCleaning    Leaf = "planned_cleaning"
	CleaningOverrun    Leaf = "cleaning_overrun"
	PlannedMaintenance Leaf = "planned_maintenance"
	ContaminationStop  Leaf = "contamination_stop"
	OtherBreakdown     Leaf = "other_breakdown"
	Setup              Leaf = "setup"
	Trials             Leaf = "trials"
	ReelChange         Leaf = "reel_change"
	Waiting            Leaf = "waiting"
	Unaccounted        Leaf = "unaccounted"
	ContaminationSlow  Leaf = "contamination_slow"
	OtherSlow          Leaf = "other_slow"
	UnbookedWaste      Leaf = "unbooked_waste"
	OutsideWaste       Leaf = "outside_waste"
	CleaningInBreak    Leaf = "cleaning_in_break"
)

// Parts of leaves.
const (
	NoRecord = "no record"
	Cleaning = "cleaning"
)

// walk is one press being walked.
type walk struct {
	plant  *pb.Plant
	press  *pb.Press
	log    *log
	cal    *calendar
	group  []*group
	class  map[string]pb.ReasonClass
	notes  []fact // later recorded first
	booked []fact
}

// where is what holds in one stretch of time.
type where struct {
	day     string
	shift   string
	planned bool
	slice   int // -1: none
	leaf    Leaf
	sub     string
	dirty   bool   // slow by a note of contamination
	booked  string // bit by booking
	known   byte   // m measured, s stated, u unknown
	spilled int    // notes that hold here and may not
}

func leafOf(c pb.ReasonClass) Leaf {
	switch c {
	case pb.ReasonClass_REASON_CLASS_CONTAMINATION:
		return ContaminationStop
	case pb.ReasonClass_REASON_CLASS_BREAKDOWN:
		return OtherBreakdown
	case pb.ReasonClass_REASON_CLASS_REEL:
		return ReelChange
	case pb.ReasonClass_REASON_CLASS_PLANNED_MAINTENANCE:
		return PlannedMaintenance
	case pb.ReasonClass_REASON_CLASS_SETUP:
		return Setup
	}
	return Waiting
}

// note is the last recorded note of a kind that holds an instant.
func (w *walk) note(t int64, kind pb.NoteKind) (pb.ReasonClass, bool) {
	for _, n := range w.notes {
		if b := n.ev.GetReasonNoted(); b.Kind == kind && n.from <= t && t < n.to {
			return w.class[b.Reason], true
		}
	}
	return 0, false
}

// look says what holds at an instant. The group is the one whose allowance the
// instant draws on, if any is left.
func (w *walk) look(t int64) (where, *group) {
	h := where{slice: -1, day: w.cal.dayAt(t), known: 'u'}
	rest, inBreak := w.cal.breakAt(t)
	if s := w.cal.shiftAt(t); s != nil {
		h.shift = s.name
		h.planned = !inBreak
	}
	var sl *pb.Slice
	if p := w.log.pieceAt(t); p != nil {
		h.slice, h.known = p.slice, 'm'
		sl = w.log.slices[p.slice].ev.GetSlice()
	}
	state := sl.GetState()
	bits := make([]byte, len(w.booked))
	for i, b := range w.booked {
		bits[i] = '0'
		if job := b.ev.GetWasteBooked().Job; b.from <= t && t < b.to && sl != nil && (job == "" || job == sl.Job) {
			bits[i] = '1'
		}
	}
	h.booked = string(bits)
	class, noted := w.note(t, pb.NoteKind_NOTE_KIND_STOP)
	_, slow := w.note(t, pb.NoteKind_NOTE_KIND_SLOW)
	run := state == pb.State_STATE_PRODUCTION
	if noted && (run || state == pb.State_STATE_TRIAL) {
		h.spilled++
	}
	if slow && !run {
		h.spilled++
	}
	var group *group
	for _, g := range w.group {
		if g.holds(t) {
			group = g
		}
	}
	if sl == nil && (noted || group != nil) {
		h.known = 's'
	}
	dirt := pb.ReasonClass_REASON_CLASS_CONTAMINATION
	switch {
	case state == pb.State_STATE_PRODUCTION:
		h.leaf = Production
		if c, ok := w.note(t, pb.NoteKind_NOTE_KIND_SLOW); ok {
			h.dirty = c == dirt
		}
	case state == pb.State_STATE_TRIAL:
		h.leaf = Trials
	case noted && class != 0 && class != dirt:
		h.leaf = leafOf(class)
	case group != nil && inBreak && !w.signedIn(group, rest):
		h.leaf = CleaningInBreak
	case group != nil && group.occasion() == pb.Occasion_OCCASION_CHANGEOVER:
		h.leaf, h.sub = Setup, Cleaning
	case group != nil && group.left.Sign() > 0:
		h.leaf = PlannedCleaning
		return h, group
	case group != nil && group.occasion() == pb.Occasion_OCCASION_ON_DEMAND:
		h.leaf, h.sub = ContaminationStop, Cleaning
	case group != nil:
		h.leaf = CleaningOverrun
	case noted && class == dirt:
		h.leaf = ContaminationStop
	case !h.planned && (sl == nil || state == pb.State_STATE_OFF):
		h.leaf = "" // outside the plan a press that is off or silent loses nothing
	case sl == nil:
		h.leaf = Unaccounted
	case state == pb.State_STATE_CLEANING:
		h.leaf, h.sub = CleaningOverrun, NoRecord
	case w.class[sl.Reason] != 0:
		h.leaf = leafOf(w.class[sl.Reason])
	case state == pb.State_STATE_SETUP:
		h.leaf = Setup
	case state == pb.State_STATE_MAINTENANCE && w.inWindow(t):
		h.leaf = PlannedMaintenance
	case state == pb.State_STATE_MAINTENANCE, state == pb.State_STATE_DOWN:
		h.leaf = OtherBreakdown
	default:
		h.leaf = Waiting
	}
	return h, nil
}

func (w *walk) inWindow(t int64) bool {
	for _, m := range w.plant.MaintenanceWindows {
		if mine(w.press.Press, m.Presses) && ms(m.From) <= t && t < ms(m.To) {
			return true
		}
	}
	return false
}

// instants are all at which anything may begin or end, in order.
func (w *walk) instants() []int64 {
	set := map[int64]bool{}
	put := func(t ...int64) {
		for _, x := range t {
			set[x] = true
		}
	}
	for _, s := range w.log.slices {
		put(s.from, s.to)
	}
	for _, p := range w.log.pieces {
		put(p.from, p.to)
	}
	for _, f := range w.log.facts {
		put(f.at)
		if f.to > 0 {
			put(f.from, f.to)
		}
	}
	for _, s := range w.cal.shifts {
		put(s.from, s.to)
		for _, b := range s.breaks {
			put(b.from, b.to)
		}
	}
	for _, g := range w.group {
		for _, s := range g.sessions {
			put(s.from, s.to)
		}
	}
	for _, m := range w.plant.MaintenanceWindows {
		put(ms(m.From), ms(m.To))
	}
	out := make([]int64, 0, len(set))
	for t := range set {
		out = append(out, t)
	}
	sort.Slice(out, func(i, j int) bool { return out[i] < out[j] })
	return out
}

// tally counts milliseconds by what holds in them. An allowance that ends inside
// a stretch splits it; ms may be fractions there.
func (w *walk) tally(o Options) map[where]*big.Rat {
	out := map[where]*big.Rat{}
	add := func(h where, n *big.Rat) {
		if out[h] == nil {
			out[h] = new(big.Rat)
		}
		out[h].Add(out[h], n)
	}
	// From the start of the first day with an event to the frontier.
	begin := w.log.first
	for _, d := range w.cal.days {
		if d.day == w.cal.dayAt(w.log.first) {
			begin = min(begin, d.at)
		}
	}
	end := w.log.frontier
	if o.From != 0 {
		begin, end = o.From, o.To
	}
	points := w.instants()
	for t := begin; t < end; {
		next := end
		if o.EveryMillisecond {
			next = t + 1
		} else if i := sort.Search(len(points), func(i int) bool { return points[i] > t }); i < len(points) {
			next = min(next, points[i])
		}
		n := whole(next - t)
		for n.Sign() > 0 {
			h, g := w.look(t)
			m := n
			if g != nil && g.left.Cmp(n) < 0 {
				m = new(big.Rat).Set(g.left)
			}
			if g != nil {
				g.left = new(big.Rat).Sub(g.left, m)
			}
			add(h, m)
			n = new(big.Rat).Sub(n, m)
		}
		t = next
	}
	return out
}
