package naive

import (
	"slices"
	"sort"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// shift is one shift instance.
type shift struct {
	span
	name, day string
	breaks    []span
}

// calendar is the shifts of one press and its production days.
type calendar struct {
	zone   *time.Location
	shifts []shift
	days   []dayStart // by instant
	clock  map[string]int64
}

// dayStart is where a production day begins.
type dayStart struct {
	day string
	at  int64
}

// instant finds a wall clock time by looking at every minute around it: the
// first that shows it. One that no minute shows moves forward by the gap.
func (c *calendar) instant(date time.Time, clock string) int64 {
	key := date.Format(time.DateOnly) + clock
	if t, ok := c.clock[key]; ok {
		return t
	}
	want := date.Format(time.DateOnly) + " " + clock
	start := date.Add(-16 * time.Hour)
	const layout = "2006-01-02 15:04"
	var found int64
	last := ""
	for i := 0; i < 48*60 && found == 0; i++ {
		t := start.Add(time.Duration(i) * time.Minute)
		wall := t.In(c.zone).Format(layout)
		if wall == want {
			found = t.UnixMilli()
		} else if last != "" && last < want && want < wall {
			a, _ := time.Parse(layout, last)
			b, _ := time.Parse(layout, wall)
			w, _ := time.Parse(layout, want)
			gap := b.Sub(a) - time.Minute
			found = c.instant(w.Add(gap).Truncate(24*time.Hour), w.Add(gap).Format("15:04"))
		}
		last = wall
	}
	if found == 0 {
		panic("no such wall clock time: " + want)
	}
	c.clock[key] = found
	return found
}

func mine(press string, list []string) bool { return len(list) == 0 || slices.Contains(list, press) }

func monday(d time.Time) time.Time { return d.AddDate(0, 0, -((int(d.Weekday()) + 6) % 7)) }

func isoWeekday(d time.Time) pb.Weekday { return pb.Weekday((int(d.Weekday())+6)%7 + 1) }

// newCalendar writes down all shifts of a press from one instant to another,
// with some days around.
func newCalendar(plant *pb.Plant, press string, from, to int64) *calendar {
	zone, err := time.LoadLocation(plant.Zone)
	if err != nil {
		panic(err)
	}
	c := &calendar{zone: zone, clock: map[string]int64{}}
	first := time.UnixMilli(from).UTC().Truncate(24*time.Hour).AddDate(0, 0, -12)
	last := time.UnixMilli(to).UTC().Truncate(24*time.Hour).AddDate(0, 0, 12)
	for d := first; !d.After(last); d = d.AddDate(0, 0, 1) {
		date := d.Format(time.DateOnly)
		if p := patternOn(plant, press, date); p != nil && !closed(plant, press, date) {
			for _, s := range p.Shifts {
				if slices.Contains(s.Days, isoWeekday(d)) && inWeek(p, s, d) {
					c.add(plant, d, s.Name, s.Start, s.End, s.Breaks)
				}
			}
		}
		for _, x := range plant.ExtraShifts {
			if x.Day == date && mine(press, x.Presses) {
				c.add(plant, d, x.Name, x.Start, x.End, x.Breaks)
			}
		}
	}
	sort.Slice(c.shifts, func(i, j int) bool { return c.shifts[i].from < c.shifts[j].from })
	// Each date is a production day: from its first shift, or where its
	// pattern's earliest would start.
	for d := first; !d.After(last); d = d.AddDate(0, 0, 1) {
		start := dayStart{d.Format(time.DateOnly), -1}
		for _, s := range c.shifts {
			if s.day == start.day && start.at < 0 {
				start.at = s.from
			}
		}
		if start.at < 0 {
			start.at = c.instant(d, "00:00")
			if p := patternOn(plant, press, start.day); p != nil {
				for i, s := range p.Shifts {
					at := c.instant(d, s.Start)
					if plant.DayOf == pb.DayOf_DAY_OF_END && s.End <= s.Start {
						at = c.instant(d.AddDate(0, 0, -1), s.Start)
					}
					if i == 0 || at < start.at {
						start.at = at
					}
				}
			}
		}
		c.days = append(c.days, start)
	}
	return c
}

func patternOn(plant *pb.Plant, press, date string) *pb.Calendar {
	var best *pb.Calendar
	for _, p := range plant.Calendars {
		if mine(press, p.Presses) && p.ValidFrom <= date && (best == nil || p.ValidFrom >= best.ValidFrom) {
			best = p
		}
	}
	return best
}

func closed(plant *pb.Plant, press, date string) bool {
	for _, c := range plant.Closures {
		last := c.LastDay
		if last == "" {
			last = c.FirstDay
		}
		if mine(press, c.Presses) && c.FirstDay <= date && date <= last {
			return true
		}
	}
	return false
}

func inWeek(p *pb.Calendar, s *pb.Shift, d time.Time) bool {
	if p.CycleWeeks <= 1 || len(s.Weeks) == 0 {
		return true
	}
	anchor := p.CycleAnchor
	if anchor == "" {
		anchor = p.ValidFrom
	}
	a, err := time.Parse(time.DateOnly, anchor)
	if err != nil {
		panic(err)
	}
	n := int(monday(d).Sub(monday(a)).Hours()) / (24 * 7)
	week := ((n%int(p.CycleWeeks))+int(p.CycleWeeks))%int(p.CycleWeeks) + 1
	return slices.Contains(s.Weeks, int32(week))
}

func (c *calendar) add(plant *pb.Plant, d time.Time, name, start, end string, breaks []*pb.Break) {
	endDate := d
	if end <= start {
		endDate = d.AddDate(0, 0, 1)
	}
	s := shift{name: name, day: d.Format(time.DateOnly), span: span{c.instant(d, start), c.instant(endDate, end)}}
	if plant.DayOf == pb.DayOf_DAY_OF_END {
		s.day = endDate.Format(time.DateOnly)
	}
	for _, b := range breaks {
		day := d
		if b.Start < start {
			day = d.AddDate(0, 0, 1)
		}
		from := c.instant(day, b.Start)
		to := min(from+int64(b.Minutes*60_000), s.to)
		if from < to {
			s.breaks = append(s.breaks, span{from, to})
		}
	}
	c.shifts = append(c.shifts, s)
}

// shiftAt is the shift that holds an instant; nil: unplanned.
func (c *calendar) shiftAt(t int64) *shift {
	for i := range c.shifts {
		if c.shifts[i].has(t) {
			return &c.shifts[i]
		}
	}
	return nil
}

// breakAt is the break that holds an instant.
func (c *calendar) breakAt(t int64) (span, bool) {
	if s := c.shiftAt(t); s != nil {
		for _, b := range s.breaks {
			if b.has(t) {
				return b, true
			}
		}
	}
	return span{}, false
}

// dayAt is the production day of an instant.
func (c *calendar) dayAt(t int64) string {
	if s := c.shiftAt(t); s != nil {
		return s.day
	}
	day := ""
	for _, d := range c.days {
		if d.at <= t {
			day = d.day
		}
	}
	return day
}

// lastShiftEnd is when the last planned shift of a production day ends.
func (c *calendar) lastShiftEnd(day string) int64 {
	var end int64
	for _, s := range c.shifts {
		if s.day == day {
			end = max(end, s.to)
		}
	}
	return end
}

// firstShift is when the first planned shift of a production day begins.
func (c *calendar) firstShift(day string) int64 {
	for _, s := range c.shifts {
		if s.day == day {
			return s.from
		}
	}
	return 0
}

// Shift is a shift instance as the oracle reads the calendar.
type Shift struct {
	Name, Day string
	From, To  int64 // unix ms
}

// Shifts lists a press's shifts that start in [from, to), unix ms.
func Shifts(plant *pb.Plant, press string, from, to int64) []Shift {
	var out []Shift
	for _, s := range newCalendar(plant, press, from, to).shifts {
		if from <= s.from && s.from < to {
			out = append(out, Shift{s.name, s.day, s.from, s.to})
		}
	}
	return out
}
