package timeline

import (
	"sort"
	"time"
)

// Unplanned is the pseudo-shift of time outside every shift.
const Unplanned = "unplanned"

// Break is a local start (minutes after local midnight) and an elapsed length
// in milliseconds, a whole number of minutes.
type Break struct {
	Start  int
	Length int64
}

// ShiftPattern is a shift of a weekly pattern, in local minutes after midnight.
// End <= Start: it ends on the next date.
type ShiftPattern struct {
	Name       string
	Days       [8]bool // by ISO weekday
	Weeks      []int   // weeks of the cycle, from 1; nil: all
	Start, End int
	Breaks     []Break
}

// Pattern is a weekly pattern valid from a date, repeated in a cycle of weeks.
type Pattern struct {
	ValidFrom Day
	Cycle     int // weeks, at least 1
	Anchor    Day // a date in week 1 of the cycle
	Shifts    []ShiftPattern
}

// ExtraShift beside the pattern; its Days and Weeks are not used.
type ExtraShift struct {
	Day Day
	ShiftPattern
}

// Calendar of one press.
type Calendar struct {
	Zone     *time.Location
	DayOfEnd bool           // a shift belongs to the date it ends on
	Patterns []Pattern      // by ValidFrom
	Closed   map[Day]string // dates on which no pattern shift starts
	Extra    []ExtraShift
}

// Segment is a stretch of one production day: planned time, a break of a
// shift, or unplanned time.
type Segment struct {
	Interval
	Shift   string // shift name or Unplanned
	Planned bool   // counts as planned busy time
	Break   bool   // break of the shift
}

// DayPlan is one production day. Segments are sorted, disjoint, and with those
// of the neighboring days they cover all time.
type DayPlan struct {
	Day      Day
	Start    int64 // boundary: start of the first shift, or where it would be
	End      int64 // boundary of the next day
	Segments []Segment
	Shifts   []ShiftInstance
}

// ShiftInstance is one shift of one date.
type ShiftInstance struct {
	Name string
	Day  Day
	Interval
	Breaks []Interval
}

// Planned is the planned busy time of the day, milliseconds.
func (p DayPlan) Planned() int64 {
	var n int64
	for _, s := range p.Segments {
		if s.Planned {
			n += s.Len()
		}
	}
	return n
}

// LastShiftEnd is the end of the day's last planned shift; ok is false on a day
// without shifts.
func (p DayPlan) LastShiftEnd() (end int64, ok bool) {
	for _, s := range p.Shifts {
		if !ok || s.To > end {
			end, ok = s.To, true
		}
	}
	return end, ok
}

// Span is the smallest interval that holds all segments of the day.
func (p DayPlan) Span() Interval {
	if len(p.Segments) == 0 {
		return Interval{p.Start, p.Start}
	}
	return Interval{p.Segments[0].From, p.Segments[len(p.Segments)-1].To}
}

func (c *Calendar) pattern(d Day) *Pattern {
	i := sort.Search(len(c.Patterns), func(i int) bool { return c.Patterns[i].ValidFrom > d })
	if i == 0 {
		return nil
	}
	return &c.Patterns[i-1]
}

// shiftsOn lists the shift instances that start on a date, by start.
func (c *Calendar) shiftsOn(d Day) []ShiftInstance {
	var out []ShiftInstance
	add := func(s ShiftPattern) {
		end := s.End
		if end <= s.Start {
			end += 24 * 60
		}
		in := ShiftInstance{Name: s.Name, Day: d,
			Interval: Interval{LocalInstant(c.Zone, d, s.Start), LocalInstant(c.Zone, d, end)}}
		if c.DayOfEnd {
			in.Day = DayOf(time.UnixMilli(in.To - 1).In(c.Zone))
		}
		for _, b := range s.Breaks {
			start := b.Start
			if start < s.Start {
				start += 24 * 60 // the first such local time in the shift
			}
			at := LocalInstant(c.Zone, d, start)
			iv := Interval{at, at + b.Length}.And(in.Interval)
			if iv.Len() > 0 {
				in.Breaks = append(in.Breaks, iv)
			}
		}
		sort.Slice(in.Breaks, func(i, j int) bool { return in.Breaks[i].From < in.Breaks[j].From })
		if in.Len() > 0 {
			out = append(out, in)
		}
	}
	if p := c.pattern(d); p != nil {
		if _, closed := c.Closed[d]; !closed {
			for _, s := range p.Shifts {
				if s.Days[d.Weekday()] && inWeeks(s.Weeks, p, d) {
					add(s)
				}
			}
		}
	}
	for _, e := range c.Extra {
		if e.Day == d {
			add(e.ShiftPattern)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].From < out[j].From })
	return out
}

// Overlap finds two shifts that start on dates from first to last and share
// time, in order of their start. Plan gives such time to the one that starts
// first; a registry refuses it.
func (c *Calendar) Overlap(first, last Day) (a, b ShiftInstance, ok bool) {
	for d := first; d <= last; d++ {
		for _, s := range c.shiftsOn(d) {
			if a.Len() > 0 && s.From < a.To {
				return a, s, true
			}
			if s.To > a.To || a.Len() == 0 {
				a = s
			}
		}
	}
	return a, b, false
}

func inWeeks(weeks []int, p *Pattern, d Day) bool {
	if len(weeks) == 0 || p.Cycle <= 1 {
		return true
	}
	monday := func(d Day) int { return int(d) - d.Weekday() + 1 }
	w := (monday(d) - monday(p.Anchor)) / 7 % p.Cycle
	if w < 0 {
		w += p.Cycle
	}
	for _, x := range weeks {
		if x == w+1 {
			return true
		}
	}
	return false
}

// boundary is where a production day begins: the start of its first shift; on
// a day without shifts, where the pattern's earliest shift would start (local
// midnight without a pattern). It is never before the boundary of the day
// before: where a shift belongs to the date it ends on, a day without shifts
// would else begin before the shifts of the day before it.
func (c *Calendar) boundary(d Day) int64 {
	// The earliest start of a day is midnight of the date before it, the latest
	// the end of its own date: only two neighbors can change places.
	return max(c.firstStart(d-1), c.firstStart(d))
}

func (c *Calendar) firstStart(d Day) int64 {
	first := int64(-1)
	from, to := d, d
	if c.DayOfEnd {
		from = d - 1
	}
	for x := from; x <= to; x++ {
		for _, s := range c.shiftsOn(x) {
			if s.Day == d && (first < 0 || s.From < first) {
				first = s.From
			}
		}
	}
	if first >= 0 {
		return first
	}
	start := 0
	if p := c.pattern(d); p != nil && len(p.Shifts) > 0 {
		start = 24 * 60
		for _, s := range p.Shifts {
			at := s.Start
			if c.DayOfEnd && s.End <= s.Start && s.End > 0 {
				at -= 24 * 60 // one that ends on this date starts on the date before
			}
			start = min(start, at)
		}
	}
	return LocalInstant(c.Zone, d, start)
}

// Plan resolves one production day. Where shift instances overlap, the one
// that starts first keeps the time.
func (c *Calendar) Plan(d Day) DayPlan {
	p := DayPlan{Day: d, Start: c.boundary(d), End: c.boundary(d + 1)}
	if p.End < p.Start {
		p.End = p.Start
	}
	// All shifts that could touch the day or take time from it.
	var all []ShiftInstance
	for x := d - 2; x <= d+2; x++ {
		all = append(all, c.shiftsOn(x)...)
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].From < all[j].From })
	var taken int64 = -1 << 62 // time up to here belongs to earlier shifts
	var free = []Interval{{p.Start, p.End}}
	for _, s := range all {
		own := Interval{max(s.From, taken), s.To}
		taken = max(taken, s.To)
		free = Subtract(free, s.Interval)
		if s.Day != d || own.Len() == 0 {
			continue
		}
		inst := s
		inst.Interval = own
		p.Shifts = append(p.Shifts, inst)
		at := own.From
		for _, b := range s.Breaks {
			b = b.And(Interval{at, own.To})
			if b.Len() == 0 {
				continue
			}
			if b.From > at {
				p.Segments = append(p.Segments, Segment{Interval: Interval{at, b.From}, Shift: s.Name, Planned: true})
			}
			p.Segments = append(p.Segments, Segment{Interval: b, Shift: s.Name, Break: true})
			at = b.To
		}
		if at < own.To {
			p.Segments = append(p.Segments, Segment{Interval: Interval{at, own.To}, Shift: s.Name, Planned: true})
		}
	}
	for _, f := range free {
		if f.Len() > 0 {
			p.Segments = append(p.Segments, Segment{Interval: f, Shift: Unplanned})
		}
	}
	sort.Slice(p.Segments, func(i, j int) bool { return p.Segments[i].From < p.Segments[j].From })
	return p
}

// DayAt is the production day an instant belongs to.
func (c *Calendar) DayAt(t int64) Day {
	d := DayOf(time.UnixMilli(t).In(c.Zone))
	for x := d - 2; x <= d+1; x++ {
		p := c.Plan(x)
		for _, s := range p.Segments {
			if s.Has(t) {
				return x
			}
		}
	}
	return d
}

// Subtract takes an interval out of a list of disjoint intervals.
func Subtract(from []Interval, cut Interval) []Interval {
	out := from[:0:0]
	for _, f := range from {
		x := f.And(cut)
		if x.Len() == 0 {
			out = append(out, f)
			continue
		}
		if f.From < x.From {
			out = append(out, Interval{f.From, x.From})
		}
		if x.To < f.To {
			out = append(out, Interval{x.To, f.To})
		}
	}
	return out
}
