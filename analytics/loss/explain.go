package loss

import (
	"cmp"
	"math/big"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// Rule of the ladder that booked a piece: 1 to 7 in the order in which they
// are tried, then bookings of waste and what is left over.
type Rule uint8

// Rules.
const (
	RuleNone          Rule = 0
	RuleProduction    Rule = 1 // a PRODUCTION slice
	RuleTrial         Rule = 2 // a TRIAL slice
	RuleNote          Rule = 3 // a reason note of another class than contamination
	RuleSession       Rule = 4 // a cleaning session in effect
	RuleContamination Rule = 5 // a reason note of class contamination
	RuleSlice         Rule = 6 // a slice that no person spoke of
	RuleNothing       Rule = 7 // nothing is known
	RuleBooking       Rule = 8 // waste that a booking claims
	RuleRemainder     Rule = 9 // what is left over
)

// Piece is a stretch of one press-day, or of one booking, with what of it was
// booked to a leaf. Neighbors that differ in nothing are one piece.
type Piece struct {
	Key
	timeline.Interval
	Day    timeline.Day
	US     int64         // time booked to the leaf, µs
	MM     int64         // length booked to the leaf, mm
	Rule   Rule          // that put it there
	By     timeline.ID   // the note or booking that decided; zero: none did
	Claims []timeline.ID // set-up bookings that claim waste counted in SETUP anyway
	Group  int           // cleaning group of the input that decided; -1: none

	// Filled in by who knows the sessions: all events behind the piece, the ids
	// of the sessions, and how many slices lie under it.
	Events  []timeline.ID
	Session string
	Slices  int64

	ms   int64 // length of the stretches, ms
	made int64 // length made in it, good and waste, mm
}

// Slugs that are answered although they are no leaves.
const (
	SlugBookedExcess = "booked_excess"
	SlugNoteSpill    = "note_spill"
)

// Question names what is to be explained.
type Question struct {
	Leaf    Leaf // LeafNone: one of the two below
	Outside bool // the tree outside planned time
	Excess  bool // waste booked above the count, mm
	Spill   bool // notes over states they may not cover
}

// ParseQuestion reads a leaf's slug. ok is false for one that no tree holds
// there: production is no loss inside planned time, slow running is none
// outside.
func ParseQuestion(slug string, outside bool) (q Question, ok bool) {
	switch slug {
	case SlugBookedExcess:
		return Question{Excess: true, Outside: outside}, true
	case SlugNoteSpill:
		return Question{Spill: true, Outside: outside}, true
	}
	for l := LeafProduction; l < NumLeaves; l++ {
		if l.Slug() != slug {
			continue
		}
		if outside {
			return Question{Leaf: l, Outside: true}, l != ContaminationSlow && l != OtherSlow
		}
		return Question{Leaf: l}, l.IsLoss()
	}
	return q, false
}

// Amount of the day's row that a question is about.
func (q Question) Amount(r *DayRow) Amount {
	switch {
	case q.Excess:
		return Amount{MM: r.Excess}
	case q.Spill:
		return Amount{US: r.NoteSpill * 1000}
	case q.Outside:
		return r.Out[q.Leaf]
	}
	return r.In[q.Leaf]
}

// Explain books a press-day as Compute does and returns the pieces of one leaf,
// by start. They add up to the leaf of the day's row exactly.
//
// Times that are length ÷ rated speed are exact fractions until the end. Each
// piece gets what the running sum, rounded half to even, grows by: so every
// piece is within a microsecond of its fraction and the last closes on the
// leaf. Other slow running is what all rounded leaves of the day leave over: its
// last piece takes that difference too, a few microseconds at most.
func Explain(in Input, q Question) ([]Piece, Result) {
	w := newWalk(in)
	w.rec = &recorder{q: q, day: in.Day.Day, at: map[joinKey]int{}}
	res := w.run()
	pieces := w.rec.pieces
	slices.SortStableFunc(pieces, func(a, b Piece) int {
		return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To), compareKeys(a.Key, b.Key), cmp.Compare(a.Rule, b.Rule),
			cmp.Compare(a.By.Epoch, b.By.Epoch), cmp.Compare(a.By.Seq, b.By.Seq))
	})
	w.close(pieces, q)
	if want, n := q.Amount(&res.Day), len(pieces); q.Leaf == OtherSlow {
		for _, p := range pieces {
			want.US -= p.US
		}
		if n == 0 && want.US != 0 { // all production is under a note of dirt
			pieces = append(pieces, Piece{Key: Key{Planned: true, Leaf: OtherSlow, State: timeline.StateProduction}, Interval: in.Day.Span(),
				Day: in.Day.Day, Rule: RuleRemainder, Group: -1})
			n = 1
		}
		if n > 0 {
			pieces[n-1].US += want.US
		}
	}
	return slices.DeleteFunc(pieces, func(p Piece) bool { return p.US == 0 && p.MM == 0 }), res
}

// close turns lengths and stretches into whole microseconds.
func (w *walk) close(pieces []Piece, q Question) {
	slow := q.Leaf == ContaminationSlow || q.Leaf == OtherSlow
	if !slow && (q.Leaf < SetupWaste || q.Leaf > UnbookedWaste) {
		return
	}
	sum, before := new(big.Rat), int64(0)
	for i := range pieces {
		p := &pieces[i]
		mm := p.MM
		if slow {
			sum.Add(sum, big.NewRat(p.ms*1000, 1))
			mm = -p.made
			p.MM = 0
		}
		if p.State == timeline.StateProduction && p.Rated > 0 && mm != 0 {
			x := big.NewRat(mm, p.Rated)
			sum.Add(sum, x.Mul(x, big.NewRat(60_000_000, 1)))
		}
		now := roundHalfEven(sum)
		p.US, before = now-before, now
	}
}

// recorder keeps the pieces of one question while a day is booked. A nil one
// keeps nothing.
type recorder struct {
	q      Question
	day    timeline.Day
	pieces []Piece
	at     map[joinKey]int // the last piece of a key
}

// joinKey is what neighbors must share to be one piece.
type joinKey struct {
	Key
	rule   Rule
	by     timeline.ID
	claims string
	group  int
}

func (r *recorder) add(p Piece) {
	p.Day = r.day
	claims := ""
	for _, c := range p.Claims {
		claims += c.String() + " "
	}
	k := joinKey{p.Key, p.Rule, p.By, claims, p.Group}
	if i, ok := r.at[k]; ok && r.pieces[i].To == p.From {
		l := &r.pieces[i]
		l.To, l.US, l.MM, l.ms, l.made = p.To, l.US+p.US, l.MM+p.MM, l.ms+p.ms, l.made+p.made
		return
	}
	r.at[k] = len(r.pieces)
	r.pieces = append(r.pieces, p)
}

// time records a stretch that the ladder booked, as its fact says.
func (r *recorder) time(k Key, iv timeline.Interval, rule Rule, by *timeline.Event, group int, part *timeline.Slice) {
	if r == nil || k.Planned == r.q.Outside {
		return
	}
	p := Piece{Key: k, Interval: iv, Rule: rule, Group: group, ms: iv.Len(), US: iv.Len() * 1000, made: part.Good + part.Waste}
	if by != nil {
		p.By = by.ID
	}
	switch {
	case k.Leaf == LeafProduction && k.Planned:
		p.Leaf, p.Rule = OtherSlow, RuleRemainder
		if k.Sub == SubSlowDirt {
			p.Leaf, p.Rule = ContaminationSlow, RuleProduction
		}
	case k.Leaf == Trials:
		p.MM = part.Waste
	}
	if p.Leaf == r.q.Leaf && r.q.Leaf != LeafNone {
		r.add(p)
	}
}

// length records waste as its fact says.
func (r *recorder) length(k Key, iv timeline.Interval, mm int64, rule Rule, by timeline.ID, claims []timeline.ID) {
	if r == nil || mm == 0 || k.Planned == r.q.Outside || k.Leaf != r.q.Leaf {
		return
	}
	r.add(Piece{Key: k, Interval: iv, Rule: rule, By: by, Claims: claims, Group: -1, MM: mm})
}

// spill records a note over a state it may not cover.
func (r *recorder) spill(k Key, iv timeline.Interval, note *timeline.Event) {
	if r == nil || !r.q.Spill {
		return
	}
	k.Reason, k.Station = note.Reason, note.Station
	r.add(Piece{Key: k, Interval: iv, By: note.ID, Group: -1, US: iv.Len() * 1000})
}

// excess records what a booking claims above the count.
func (r *recorder) excess(b *timeline.Event, mm int64) {
	if r == nil || !r.q.Excess || mm == 0 {
		return
	}
	r.add(Piece{Key: Key{Station: b.Station, Job: b.Job}, Interval: b.Interval, Rule: RuleBooking, By: b.ID, Group: -1, MM: mm})
}

// bucket records what became of the waste of one bucket, cell by cell: each
// claim is shared out by what is left in the cells.
func (r *recorder) bucket(c *bucket, claims map[int]int64, bookings []timeline.Event, key func(leaf Leaf, station string) Key) {
	if r == nil {
		return
	}
	left, good := make([]int64, len(c.cells)), make([]int64, len(c.cells))
	for i := range c.cells {
		left[i], good[i] = c.cells[i].waste, c.cells[i].good
	}
	if c.setup {
		var ids []timeline.ID
		for _, bi := range sortedKeys(claims) {
			ids = append(ids, bookings[bi].ID)
		}
		for i := range c.cells {
			r.length(key(SetupWaste, ""), c.cells[i].iv, left[i], RuleSlice, timeline.ID{}, ids)
		}
		return
	}
	share := func(n int64, of []int64, b *timeline.Event) {
		for i, mm := range apportion(n, of) {
			of[i] -= mm
			r.length(key(causeLeaf(b.Cause), b.Station), c.cells[i].iv, mm, RuleBooking, b.ID, nil)
		}
	}
	for _, bi := range sortedKeys(c.down) {
		share(c.down[bi], good, &bookings[bi])
	}
	for _, bi := range sortedKeys(claims) {
		share(claims[bi], left, &bookings[bi])
	}
	for i := range c.cells {
		r.length(key(UnbookedWaste, ""), c.cells[i].iv, left[i], RuleRemainder, timeline.ID{}, nil)
	}
}

// hintBefore is how long before a stop a defect counts as near it (common
// practice, no source).
const hintBefore = 15 * timeline.Minute

// Hint is a defect seen near a stop that nobody gave a reason for. It is no
// figure: only a note makes it one.
type Hint struct {
	Stop   timeline.Interval
	Day    timeline.Day
	Defect timeline.Event
}

// Hints looks for defects (sorted by At) from 15 minutes before an unexplained
// stop to its end: a breakdown, waiting or unaccounted piece that has no reason.
func Hints(pieces []Piece, defects []timeline.Event) []Hint {
	var out []Hint
	for _, p := range pieces {
		if p.Leaf != OtherBreakdown && p.Leaf != Waiting && p.Leaf != Unaccounted || p.Reason != "" || p.Rule != RuleSlice && p.Rule != RuleNothing {
			continue
		}
		for _, d := range timeline.EventsIn(defects, timeline.Interval{From: p.From - hintBefore, To: p.To}) {
			out = append(out, Hint{Stop: p.Interval, Day: p.Day, Defect: d})
		}
	}
	return out
}
