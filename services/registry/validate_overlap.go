package registry

import (
	"fmt"
	"slices"
	"time"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// calendarOverlap refuses shifts of one calendar that share time, also over the
// end of a week and of the cycle: the same minute would be planned twice. It is
// said of wall clock time, so that a change of clocks plays no part.
func (v *validator) calendarOverlap(c *pb.Calendar, at string) {
	p := pattern(c)
	p.ValidFrom = timeline.NoDay
	// Twice round the cycle, from its Monday on, meets every pair of neighbors.
	first := p.Anchor - timeline.Day(p.Anchor.Weekday()) + 1
	cal := timeline.Calendar{Zone: time.UTC, Patterns: []timeline.Pattern{p}}
	if a, b, ok := cal.Overlap(first, first+timeline.Day(7*p.Cycle)+7); ok {
		v.problem(at+".shifts", "%s", overlapText(a, b))
	}
}

// extraOverlap refuses extra shifts that share time with another shift of a
// press: a closure makes room for one.
func (v *validator) extraOverlap() {
	said := map[string]bool{} // by what is wrong, so that two extra shifts or two presses say it once
	for _, x := range v.plant.Presses {
		cal := resolveCalendar(v.plant, x.GetPress(), time.UTC)
		for i, e := range v.plant.ExtraShifts {
			if !concerns(e.GetPresses(), x.GetPress()) {
				continue
			}
			d := since(e.GetDay())
			a, b, ok := cal.Overlap(d-1, d+1)
			isExtra := func(s timeline.ShiftInstance) bool { return s.Name == e.GetName() }
			if text := a.Day.String() + overlapText(a, b); ok && !said[text] && slices.ContainsFunc([]timeline.ShiftInstance{a, b}, isExtra) {
				said[text] = true
				v.problem(fmt.Sprintf("extra_shifts[%d]", i), "press %s: %s; a closure on that date makes room", x.GetPress(), overlapText(a, b))
			}
		}
	}
}

func overlapText(a, b timeline.ShiftInstance) string {
	utc := func(t int64) string { return time.UnixMilli(t).UTC().Format("Mon 15:04") }
	return fmt.Sprintf("shift %q (from %s) starts before %q (to %s) has ended", b.Name, utc(b.From), a.Name, utc(a.To))
}
