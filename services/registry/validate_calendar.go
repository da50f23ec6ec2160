package registry

import (
	"fmt"
	"math"
	"strings"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func (v *validator) allCalendars() {
	p := v.plant
	seen := map[string]int{}
	for i, c := range p.Calendars {
		at := fmt.Sprintf("calendars[%d]", i)
		before := len(v.problems)
		v.calendar(c, at)
		if len(v.problems) == before {
			v.calendarOverlap(c, at)
		}
		if len(c.GetPresses()) == 0 {
			v.unique(seen, "all "+c.GetValidFrom(), at+".valid_from", "a second calendar of the plant from the same day")
		}
		for j, name := range c.GetPresses() {
			v.unique(seen, "press "+name+" "+c.GetValidFrom(), fmt.Sprintf("%s.presses[%d]", at, j),
				"press %q has a second calendar from the same day", name)
		}
	}
	for i, c := range p.Closures {
		at := fmt.Sprintf("closures[%d]", i)
		first, ok := v.day(c.GetFirstDay(), at+".first_day", false)
		last, ok2 := v.day(c.GetLastDay(), at+".last_day", true)
		if ok && ok2 && c.GetLastDay() != "" {
			v.check(last >= first, at+".last_day", "is before first_day")
			v.check(last-first < 400, at+".last_day", "the closure is longer than 400 days")
		}
		v.text(c.GetWhy(), at+".why")
		v.pressList(c.GetPresses(), at+".presses")
	}
	for i, x := range p.ExtraShifts {
		at := fmt.Sprintf("extra_shifts[%d]", i)
		v.day(x.GetDay(), at+".day", false)
		v.shiftTimes(x.GetName(), x.GetStart(), x.GetEnd(), x.GetBreaks(), at)
		v.pressList(x.GetPresses(), at+".presses")
	}
	for i, w := range p.MaintenanceWindows {
		at := fmt.Sprintf("maintenance_windows[%d]", i)
		from, ok := v.instant(w.GetFrom(), at+".from")
		to, ok2 := v.instant(w.GetTo(), at+".to")
		if ok && ok2 {
			v.check(from < to, at+".to", "is not after from")
		}
		v.pressList(w.GetPresses(), at+".presses")
	}
	if len(v.problems) == 0 {
		v.extraOverlap()
	}
}

func (v *validator) calendar(c *pb.Calendar, at string) {
	v.day(c.GetValidFrom(), at+".valid_from", true)
	v.day(c.GetCycleAnchor(), at+".cycle_anchor", true)
	v.within(float64(c.GetCycleWeeks()), 0, 52, at+".cycle_weeks", "weeks")
	if c.GetCycleWeeks() > 1 && c.GetCycleAnchor() == "" {
		v.check(c.GetValidFrom() != "", at+".cycle_anchor", "is needed for a cycle of weeks without valid_from")
	}
	for i, s := range c.GetShifts() {
		to := fmt.Sprintf("%s.shifts[%d]", at, i)
		v.shiftTimes(s.GetName(), s.GetStart(), s.GetEnd(), s.GetBreaks(), to)
		v.check(len(s.GetDays()) > 0, to+".days", "no weekday is named")
		seen := map[string]int{}
		for j, d := range s.GetDays() {
			field := fmt.Sprintf("%s.days[%d]", to, j)
			if v.check(d >= 1 && d <= 7, field, "is not a weekday") {
				v.unique(seen, d.String(), field, "the weekday is named twice")
			}
		}
		for j, w := range s.GetWeeks() {
			field := fmt.Sprintf("%s.weeks[%d]", to, j)
			if v.check(w >= 1 && w <= max(c.GetCycleWeeks(), 1), field, "week %d is not in a cycle of %d", w, max(c.GetCycleWeeks(), 1)) {
				v.unique(seen, fmt.Sprint(w), field, "week %d is named twice", w)
			}
		}
	}
	v.pressList(c.GetPresses(), at+".presses")
}

// shiftTimes checks name, hours and breaks of a shift.
func (v *validator) shiftTimes(name, start, end string, breaks []*pb.Break, at string) {
	v.check(strings.TrimSpace(name) == name && name != "" && len(name) <= 40, at+".name", "must be 1 to 40 bytes without spaces around")
	v.check(name != timeline.Unplanned, at+".name", "%q is the name of time outside every shift", name)
	v.text(name, at+".name")
	from, ok := v.clock(start, at+".start")
	to, ok2 := v.clock(end, at+".end")
	if !ok || !ok2 {
		return
	}
	if to <= from {
		to += 24 * 60
	}
	var taken []timeline.Interval
	for i, b := range breaks {
		field := fmt.Sprintf("%s.breaks[%d]", at, i)
		s, ok := v.clock(b.GetStart(), field+".start")
		whole := b.GetMinutes() == math.Trunc(b.GetMinutes())
		ok2 := v.within(b.GetMinutes(), 1, 480, field+".minutes", "minutes") && v.check(whole, field+".minutes", "must be whole minutes")
		if !ok || !ok2 {
			continue
		}
		if s < from {
			s += 24 * 60 // the first such local time in the shift
		}
		iv := timeline.Interval{From: int64(s), To: int64(s) + int64(b.GetMinutes())}
		if !v.check(s >= from && iv.To <= int64(to), field, "lies outside the shift %s to %s", start, end) {
			continue
		}
		for _, o := range taken {
			v.check(o.And(iv).Len() == 0, field, "overlaps another break")
		}
		taken = append(taken, iv)
	}
}
