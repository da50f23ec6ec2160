package fleetsim

import (
	"fmt"
	"time"
	_ "time/tzdata" // zones are the same on every machine

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Spans, milliseconds.
const (
	second = int64(1000)
	minute = 60 * second
	hour   = 60 * minute
)

// Day is a production day: the local date on which its first shift starts, as
// days since 1970-01-01.
type Day int32

// ParseDay reads YYYY-MM-DD.
func ParseDay(s string) (Day, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return 0, fmt.Errorf("day %q is not YYYY-MM-DD", s)
	}
	return Day(t.Unix() / 86400), nil
}

func mustDay(s string) Day {
	d, err := ParseDay(s)
	if err != nil {
		panic(err) // constants of the scenario only
	}
	return d
}

func mustZone(name string) *time.Location {
	z, err := time.LoadLocation(name)
	if err != nil {
		panic(err) // tzdata is compiled in
	}
	return z
}

func (d Day) time() time.Time { return time.Unix(int64(d)*86400, 0).UTC() }

// String is YYYY-MM-DD.
func (d Day) String() string { return d.time().Format(time.DateOnly) }

func (d Day) year() int { return d.time().Year() }

// weekday is the ISO weekday, Monday 1.
func (d Day) weekday() int { return (int(d)+3)%7 + 1 }

// instant is a local wall-clock minute of a day, unix ms. The scenario has no
// shift or break at an hour that clocks skip or repeat on a day it works.
func instant(zone *time.Location, d Day, min int) int64 {
	t := d.time()
	return time.Date(t.Year(), t.Month(), t.Day(), 0, min, 0, 0, zone).UnixMilli()
}

func msTime(ms int64) time.Time { return time.UnixMilli(ms).UTC() }

type interval struct{ from, to int64 }

// dayPlan is one press-day's shifts, which follow each other without a gap.
type dayPlan struct {
	interval
	breaks []interval
	maint  []interval
}

func clockMin(s string) int {
	return int(s[0]-'0')*600 + int(s[1]-'0')*60 + int(s[3]-'0')*10 + int(s[4]-'0')
}

// planOf resolves the plant's calendar for a press-day; ok is false on a day
// without shifts.
func planOf(p *pb.Plant, press string, zone *time.Location, d Day) (plan dayPlan, ok bool) {
	on := func(list []string) bool {
		if len(list) == 0 {
			return true
		}
		for _, x := range list {
			if x == press {
				return true
			}
		}
		return false
	}
	add := func(start, end string, breaks []*pb.Break) {
		s, e := clockMin(start), clockMin(end)
		if e <= s {
			e += 24 * 60
		}
		iv := interval{instant(zone, d, s), instant(zone, d, e)}
		if !ok {
			plan.interval, ok = iv, true
		}
		plan.from, plan.to = min(plan.from, iv.from), max(plan.to, iv.to)
		for _, b := range breaks {
			at := clockMin(b.Start)
			if at < s {
				at += 24 * 60
			}
			from := instant(zone, d, at)
			plan.breaks = append(plan.breaks, interval{from, from + int64(b.Minutes)*minute})
		}
	}
	closed := false
	for _, c := range p.Closures {
		last := c.LastDay
		if last == "" {
			last = c.FirstDay
		}
		if s := d.String(); s >= c.FirstDay && s <= last && on(c.Presses) {
			closed = true
		}
	}
	cal := p.Calendars[0]
	for _, c := range p.Calendars {
		if len(c.Presses) > 0 && on(c.Presses) {
			cal = c
		}
	}
	if !closed {
		for _, s := range cal.Shifts {
			for _, wd := range s.Days {
				if int(wd) == d.weekday() {
					add(s.Start, s.End, s.Breaks)
				}
			}
		}
	}
	for _, x := range p.ExtraShifts {
		if x.Day == d.String() && on(x.Presses) {
			add(x.Start, x.End, x.Breaks)
		}
	}
	if !ok {
		return plan, false
	}
	for _, w := range p.MaintenanceWindows {
		iv := interval{w.From.AsTime().UnixMilli(), w.To.AsTime().UnixMilli()}
		if on(w.Presses) && iv.from >= plan.from && iv.to <= plan.to {
			plan.maint = append(plan.maint, iv)
		}
	}
	return plan, true
}
