package registry

import (
	"fmt"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Defaults where a document says nothing.
const (
	DefaultGrace    = 30 * timeline.Minute
	DefaultValidFor = 16 * timeline.Hour
)

// Resolve makes of a document what the rules need to know of each press, in
// document order. A press's own calendar takes over from its valid_from on;
// before that the plant's holds. For plans see plansOf. The document must be valid; the first problem is returned if it is not.
func Resolve(p *pb.Plant) ([]*timeline.Press, error) {
	if problems := Validate(p); len(problems) > 0 {
		return nil, &InvalidError{problems}
	}
	zone, err := time.LoadLocation(p.Zone)
	if err != nil {
		return nil, fmt.Errorf("resolve plant %s: %w", p.Plant, err)
	}
	reasons := make(map[string]timeline.ReasonClass, len(p.Reasons))
	for _, r := range p.Reasons {
		reasons[r.Slug] = timeline.ReasonClass(r.Class)
	}
	notReq := make(map[string]bool, len(p.SkipReasons))
	for _, r := range p.SkipReasons {
		notReq[r.Slug] = r.Class == pb.SkipClass_SKIP_CLASS_NOT_REQUIRED
	}
	hands := make(map[timeline.Occasion]int, len(p.Hands))
	for _, h := range p.Hands {
		hands[timeline.Occasion(h.Occasion)] = int(h.People)
	}
	labour, web := resolveRates(p)
	out := make([]*timeline.Press, 0, len(p.Presses))
	for _, x := range p.Presses {
		r := &timeline.Press{
			Plant: p.Plant, Name: x.Press, Kind: x.Kind, Zone: zone, Currency: p.Currency,
			PolicyInside: p.Policy != pb.Policy_POLICY_OUTSIDE,
			WebWidth:     x.WebWidthMm, Rated: x.RatedMmPerMin, Restart: x.RestartMm,
			Calendar: resolveCalendar(p, x.Press, zone), Maintenance: resolveMaintenance(p, x.Press),
			Reasons: reasons, SkipNotReq: notReq, Plans: resolvePlans(p, x), Labour: labour, Web: web,
			OpenClose: minutes(p.OpenCloseMinutes), Hands: hands,
			Grace: minutes(p.GraceMinutes), ValidFor: int64(p.ValidForHours*float64(timeline.Hour) + 0.5),
		}
		if r.Grace == 0 {
			r.Grace = DefaultGrace
		}
		if r.ValidFor == 0 {
			r.ValidFor = DefaultValidFor
		}
		for _, s := range x.Stations {
			r.Stations = append(r.Stations, s.Slug)
		}
		for _, t := range x.Rates {
			r.Rates = append(r.Rates, timeline.Rate{ValidFrom: since(t.ValidFrom), PressHour: micros(t.PressHour),
				ContributionHour: micros(t.ContributionHour), Constrained: t.Constrained, WebMeter: micros(t.WebMeter)})
		}
		sort.SliceStable(r.Rates, func(i, j int) bool { return r.Rates[i].ValidFrom < r.Rates[j].ValidFrom })
		out = append(out, r)
	}
	return out, nil
}

// minutes as milliseconds, to the nearest.
func minutes(m float64) int64 { return int64(m*float64(timeline.Minute) + 0.5) }

// since is a valid_from: empty means since ever.
func since(s string) timeline.Day {
	d, err := timeline.ParseDay(s)
	if err != nil {
		return timeline.NoDay
	}
	return d
}

// micros is a checked decimal in millionths, exactly.
func micros(s string) int64 {
	whole, frac, _ := strings.Cut(s, ".")
	n, _ := strconv.ParseInt(whole+(frac + "000000")[:6], 10, 64)
	return n
}

func resolveRates(p *pb.Plant) (labour []timeline.LabourRate, web []timeline.WebRate) {
	for _, l := range p.LabourRates {
		labour = append(labour, timeline.LabourRate{ValidFrom: since(l.ValidFrom), Hour: micros(l.LabourHour)})
	}
	sort.SliceStable(labour, func(i, j int) bool { return labour[i].ValidFrom < labour[j].ValidFrom })
	for _, w := range p.WebRates {
		web = append(web, timeline.WebRate{ValidFrom: since(w.ValidFrom), Substrate: w.Substrate, SquareMeter: micros(w.SquareMeter)})
	}
	sort.SliceStable(web, func(i, j int) bool { return web[i].ValidFrom < web[j].ValidFrom })
	return labour, web
}

// concerns says whether a list of presses names one; an empty list names all.
func concerns(names []string, press string) bool {
	return len(names) == 0 || slices.Contains(names, press)
}

// takeOver keeps of the common entries those before the first own one, and
// appends the own; each by valid_from.
func takeOver[T any](common, own []T, from func(T) timeline.Day) []T {
	byDay := func(a, b T) int { return int(min(max(int64(from(a))-int64(from(b)), -1), 1)) }
	slices.SortStableFunc(common, byDay)
	slices.SortStableFunc(own, byDay)
	var out []T
	for _, c := range common {
		if len(own) == 0 || from(c) < from(own[0]) {
			out = append(out, c)
		}
	}
	return append(out, own...)
}

func resolveCalendar(p *pb.Plant, press string, zone *time.Location) *timeline.Calendar {
	c := &timeline.Calendar{Zone: zone, DayOfEnd: p.DayOf == pb.DayOf_DAY_OF_END, Closed: map[timeline.Day]string{}}
	var common, own []timeline.Pattern
	for _, x := range p.Calendars {
		switch {
		case len(x.Presses) == 0:
			common = append(common, pattern(x))
		case slices.Contains(x.Presses, press):
			own = append(own, pattern(x))
		}
	}
	c.Patterns = takeOver(common, own, func(p timeline.Pattern) timeline.Day { return p.ValidFrom })
	for _, x := range p.Closures {
		if !concerns(x.Presses, press) {
			continue
		}
		first := since(x.FirstDay)
		last := first
		if x.LastDay != "" {
			last = since(x.LastDay)
		}
		for d := first; d <= last; d++ {
			c.Closed[d] = x.Why
		}
	}
	for _, x := range p.ExtraShifts {
		if concerns(x.Presses, press) {
			c.Extra = append(c.Extra, timeline.ExtraShift{Day: since(x.Day), ShiftPattern: shift(x.Name, x.Start, x.End, x.Breaks)})
		}
	}
	return c
}

func pattern(c *pb.Calendar) timeline.Pattern {
	out := timeline.Pattern{ValidFrom: since(c.ValidFrom), Cycle: max(int(c.CycleWeeks), 1)}
	switch {
	case c.CycleAnchor != "":
		out.Anchor = since(c.CycleAnchor)
	case c.ValidFrom != "":
		out.Anchor = out.ValidFrom
	} // else day 0: without a cycle every anchor is alike
	for _, s := range c.Shifts {
		sp := shift(s.Name, s.Start, s.End, s.Breaks)
		for _, d := range s.Days {
			sp.Days[d] = true
		}
		for _, w := range s.Weeks {
			sp.Weeks = append(sp.Weeks, int(w))
		}
		out.Shifts = append(out.Shifts, sp)
	}
	return out
}

func shift(name, start, end string, breaks []*pb.Break) timeline.ShiftPattern {
	s := timeline.ShiftPattern{Name: name}
	s.Start, _ = parseClock(start)
	s.End, _ = parseClock(end)
	for _, b := range breaks {
		at, _ := parseClock(b.Start)
		s.Breaks = append(s.Breaks, timeline.Break{Start: at, Length: minutes(b.Minutes)})
	}
	return s
}

func resolveMaintenance(p *pb.Plant, press string) []timeline.Interval {
	var out []timeline.Interval
	for _, w := range p.MaintenanceWindows {
		if concerns(w.Presses, press) {
			out = append(out, timeline.Interval{From: w.From.AsTime().UnixMilli(), To: w.To.AsTime().UnixMilli()})
		}
	}
	sort.Slice(out, func(i, j int) bool {
		if out[i].From != out[j].From {
			return out[i].From < out[j].From
		}
		return out[i].To < out[j].To
	})
	return out
}
