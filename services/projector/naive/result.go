package naive

import (
	"math/big"
	"slices"
	"sort"
	"strings"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Options of Walk.
type Options struct {
	EveryMillisecond bool  // take each millisecond by itself
	From, To         int64 // walk only this stretch, unix ms; 0, 0: all
}

// Amount is what a leaf holds of a day, as exact fractions.
type Amount struct {
	US       *big.Rat // time, µs; waste of PRODUCTION: at rated speed
	MM       *big.Rat // length, mm
	Material *big.Rat // price of the length, in the currency
}

// Day is one production day of one press.
type Day struct {
	Day      string
	PBT, APT int64 // ms
	In, Out  map[Leaf]*Amount

	NoRecord, DirtCleaning, SetupCleaning *big.Rat // parts of leaves inside, ms

	Rated, Valuable           *big.Rat // µs
	Good, Made                *big.Rat // mm, planned PRODUCTION
	Measured, Stated, Unknown int64    // of PBT, ms
	Excess                    *big.Rat // mm booked above the count
	Downstream                *big.Rat // mm of good found bad later, in and out of planned time
	Spill                     *big.Rat // ms of notes where they cannot apply
	GoodOutside, ExtraGood    *big.Rat // mm
	AssumedMM                 *big.Rat
	LostMS                    int64 // of overlapping slices
	LostMM                    *big.Rat
	RunMS                     int64

	HourRate    *big.Rat // of the day, in the currency
	Constrained bool
	Shift       map[string]map[Leaf]*big.Rat // planned ms by shift and leaf

	Open  bool  // bookings overlap partly: the rules leave open who yields
	Slack int64 // mm by which whole-millimeter sharing may differ from the fractions
}

// Result is one press.
type Result struct {
	Days     map[string]*Day
	Frontier int64
}

// Walk books the events of one press of a plant.
func Walk(plant *pb.Plant, press string, events []*pb.Event, o Options) *Result {
	w := &walk{plant: plant, log: settle(events), class: map[string]pb.ReasonClass{}}
	for _, p := range plant.Presses {
		if p.Press == press {
			w.press = p
		}
	}
	for _, r := range plant.Reasons {
		w.class[r.Slug] = r.Class
	}
	w.cal = newCalendar(plant, press, w.log.first, w.log.frontier)
	for _, f := range w.log.facts {
		if f.ev.GetReasonNoted() != nil {
			w.notes = append(w.notes, f)
		}
		if f.ev.GetWasteBooked() != nil {
			w.booked = append(w.booked, f)
		}
	}
	sort.Slice(w.notes, func(i, j int) bool { return earlier(w.notes[j], w.notes[i]) })
	w.group = w.groups()
	r := &Result{Days: map[string]*Day{}, Frontier: w.log.frontier}
	w.sum(r, w.tally(o))
	return r
}

func (r *Result) day(d string) *Day {
	if r.Days[d] == nil {
		z := func() *big.Rat { return new(big.Rat) }
		r.Days[d] = &Day{Day: d, In: map[Leaf]*Amount{}, Out: map[Leaf]*Amount{}, NoRecord: z(), DirtCleaning: z(), SetupCleaning: z(),
			Rated: z(), Valuable: z(), Good: z(), Made: z(), Excess: z(), Downstream: z(), Spill: z(), GoodOutside: z(), ExtraGood: z(), AssumedMM: z(),
			LostMM: z(), Shift: map[string]map[Leaf]*big.Rat{}}
	}
	return r.Days[d]
}

// Of is a leaf's amount.
func Of(m map[Leaf]*Amount, l Leaf) *Amount {
	if m[l] == nil {
		m[l] = &Amount{new(big.Rat), new(big.Rat), new(big.Rat)}
	}
	return m[l]
}

func plus(a, b *big.Rat) { a.Add(a, b) }

// us is what a length takes at rated speed.
func us(mm *big.Rat, rated int64) *big.Rat {
	return new(big.Rat).Mul(mm, big.NewRat(60_000_000, rated))
}

func (w *walk) sum(r *Result, tally map[where]*big.Rat) {
	var cells []*cell
	for h, n := range tally {
		c := &cell{where: h, ms: n, good: new(big.Rat), waste: new(big.Rat), moved: new(big.Rat), claimed: new(big.Rat), rated: 1}
		if h.slice >= 0 {
			f := w.log.slices[h.slice]
			s := f.ev.GetSlice()
			share := new(big.Rat).Quo(n, whole(f.to-f.from))
			c.good.Mul(whole(s.GoodMm), share)
			c.waste.Mul(whole(s.WasteMm), share)
			var assumed bool
			c.rated, assumed = w.rated(s)
			if assumed && s.State == pb.State_STATE_PRODUCTION {
				plus(r.day(h.day).AssumedMM, c.good)
				plus(r.day(h.day).AssumedMM, c.waste)
			}
		}
		d := r.day(h.day)
		if !c.good.IsInt() || !c.waste.IsInt() {
			d.Slack++
		}
		cells = append(cells, c)
	}
	took, excess, open := w.book(cells)
	for _, c := range cells {
		w.sumCell(r.day(c.day), c)
	}
	for _, t := range took {
		w.waste(r.day(t.c.day), t.c, wasteLeaf(t.cause), t.mm)
	}
	w.bookings(r, cells, excess, open)
	for _, l := range w.log.lost {
		f := w.log.slices[l.slice]
		s := f.ev.GetSlice()
		d := r.day(w.cal.dayAt(f.from))
		d.LostMS += l.to - l.from
		plus(d.LostMM, part(s.GoodMm+s.WasteMm, l.to-l.from, f.to-f.from))
	}
	for _, d := range r.Days {
		apt := new(big.Rat).Mul(whole(d.APT), whole(1000))
		slow := Of(d.In, ContaminationSlow).US
		other := Of(d.In, OtherSlow).US
		other.Sub(apt, d.Rated)
		other.Sub(other, slow)
		w.price(d)
	}
}

func (w *walk) sumCell(d *Day, c *cell) {
	plus(d.Spill, new(big.Rat).Mul(c.ms, whole(int64(c.spilled))))
	tree := d.Out
	if c.planned {
		tree = d.In
		n := int64(0)
		if c.ms.IsInt() {
			n = c.ms.Num().Int64()
		}
		d.PBT += n
		if c.leaf == Production {
			d.APT += n
		}
		switch c.known {
		case 'm':
			d.Measured += n
		case 's':
			d.Stated += n
		default:
			d.Unknown += n
		}
		switch {
		case c.sub == NoRecord:
			plus(d.NoRecord, c.ms)
		case c.sub == Cleaning && c.leaf == Setup:
			plus(d.SetupCleaning, c.ms)
		case c.sub == Cleaning:
			plus(d.DirtCleaning, c.ms)
		}
		if d.Shift[c.shift] == nil {
			d.Shift[c.shift] = map[Leaf]*big.Rat{}
		}
		if d.Shift[c.shift][c.leaf] == nil {
			d.Shift[c.shift][c.leaf] = new(big.Rat)
		}
		plus(d.Shift[c.shift][c.leaf], c.ms)
	}
	plus(Of(tree, c.leaf).US, new(big.Rat).Mul(c.ms, whole(1000)))
	all := new(big.Rat).Add(c.good, c.waste)
	switch w.state(c) {
	case pb.State_STATE_PRODUCTION:
		good := new(big.Rat).Sub(c.good, c.moved)
		plus(d.Downstream, c.moved)
		if c.ms.IsInt() {
			d.RunMS += c.ms.Num().Int64()
		}
		if c.planned {
			plus(d.Made, all)
			plus(d.Good, good)
			plus(d.Rated, us(all, c.rated))
			plus(d.Valuable, us(good, c.rated))
			if c.dirty {
				slow := Of(d.In, ContaminationSlow).US
				plus(slow, new(big.Rat).Mul(c.ms, whole(1000)))
				slow.Sub(slow, us(all, c.rated))
			}
		} else {
			plus(d.ExtraGood, good)
		}
		w.waste(d, c, UnbookedWaste, new(big.Rat).Sub(c.waste, c.claimed))
	case pb.State_STATE_SETUP:
		w.waste(d, c, "setup_waste", new(big.Rat).Sub(c.waste, c.claimed))
		plus(d.GoodOutside, c.good)
	case pb.State_STATE_TRIAL:
		w.material(d, c, Trials, c.waste) // good of a trial may be shipped: it costs nothing
		plus(d.GoodOutside, c.good)
	case pb.State_STATE_UNSPECIFIED:
	default:
		w.material(d, c, OutsideWaste, c.waste)
		plus(d.GoodOutside, c.good)
	}
}

// waste books length of PRODUCTION and SETUP: minutes only where it was
// PRODUCTION.
func (w *walk) waste(d *Day, c *cell, l Leaf, mm *big.Rat) {
	if w.state(c) == pb.State_STATE_PRODUCTION {
		tree := d.Out
		if c.planned {
			tree = d.In
		}
		plus(Of(tree, l).US, us(mm, c.rated))
	}
	w.material(d, c, l, mm)
}

func (w *walk) material(d *Day, c *cell, l Leaf, mm *big.Rat) {
	tree := d.Out
	if c.planned {
		tree = d.In
	}
	a := Of(tree, l)
	plus(a.MM, mm)
	plus(a.Material, new(big.Rat).Mul(mm, w.webRate(d.Day, w.log.slices[c.slice].ev.GetSlice().Job)))
}

// bookings puts what bookings could not take on the day of their start, and
// says where whole millimeters may round.
func (w *walk) bookings(r *Result, cells []*cell, excess []*big.Rat, open bool) {
	for i, b := range w.booked {
		d := r.day(w.cal.dayAt(b.from))
		plus(d.Excess, excess[i])
		kinds := map[string]bool{}
		n := int64(0)
		days := map[string]bool{d.Day: true}
		for _, c := range cells {
			if c.booked[i] == '1' {
				n++
				days[c.day] = true
				kinds[strings.Join([]string{c.day, string(c.leaf), c.shift, big.NewInt(c.rated).String(), w.log.slices[c.slice].ev.GetSlice().Job}, "/")] = c.planned
			}
		}
		for day := range days {
			x := r.day(day)
			x.Open = x.Open || open
			x.Slack++
			if len(kinds) > 1 {
				x.Slack += n
			}
		}
	}
}

// Leaves lists the leaves of a tree by name.
func Leaves(m map[Leaf]*Amount) []Leaf {
	var out []Leaf
	for l := range m {
		out = append(out, l)
	}
	slices.Sort(out)
	return out
}
