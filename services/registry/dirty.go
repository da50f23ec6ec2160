package registry

import (
	"fmt"
	"time"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// SinceEver is the instant "from the first event on", unix milliseconds: far
// before any event, and still a time that can be computed with.
const SinceEver = int64(-1) << 53

// DirtyFor says which presses a new document changes, and from which instant
// (unix milliseconds) on their figures must be computed again: the start of the
// day before the earliest valid_from that changed; SinceEver for a press that
// is new or gone and for a change without a date. Texts change nothing. Either
// document may be nil; both must be valid, else SinceEver for every press.
func DirtyFor(old, new *pb.Plant) map[string]int64 {
	a, errA := resolved(old)
	b, errB := resolved(new)
	dirty := map[string]int64{}
	mark := func(press string, at int64) {
		if cur, ok := dirty[press]; !ok || at < cur {
			dirty[press] = at
		}
	}
	if errA != nil || errB != nil {
		for _, d := range []*pb.Plant{old, new} {
			for _, p := range d.GetPresses() {
				mark(p.GetPress(), SinceEver)
			}
		}
		return dirty
	}
	for name, p := range b {
		if a[name] == nil {
			mark(name, SinceEver)
			continue
		}
		if day, changed := firstChange(a[name], p); changed {
			if day <= timeline.NoDay+1 {
				mark(name, SinceEver)
			} else {
				mark(name, timeline.LocalInstant(p.Zone, day-1, 0))
			}
		}
	}
	for name := range a {
		if b[name] == nil {
			mark(name, SinceEver)
		}
	}
	return dirty
}

func resolved(p *pb.Plant) (map[string]*timeline.Press, error) {
	out := map[string]*timeline.Press{}
	if p == nil {
		return out, nil
	}
	list, err := Resolve(p)
	for _, x := range list {
		out[x.Name] = x
	}
	return out, err
}

// firstChange is the first day on which two versions of a press may differ.
func firstChange(a, b *timeline.Press) (timeline.Day, bool) {
	// Everything that has no date.
	bare := func(p *timeline.Press) timeline.Press {
		x := *p
		x.Zone, x.Calendar, x.Maintenance = nil, nil, nil
		x.Plans, x.Rates, x.Labour, x.Web = nil, nil, nil, nil
		return x
	}
	if a.Zone.String() != b.Zone.String() || a.Calendar.DayOfEnd != b.Calendar.DayOfEnd || !same(bare(a), bare(b)) {
		return timeline.NoDay, true
	}
	f := first{}
	dated(&f, a.Plans, b.Plans, func(p timeline.Plan) timeline.Day { return p.ValidFrom })
	dated(&f, a.Rates, b.Rates, func(r timeline.Rate) timeline.Day { return r.ValidFrom })
	dated(&f, a.Labour, b.Labour, func(r timeline.LabourRate) timeline.Day { return r.ValidFrom })
	dated(&f, a.Web, b.Web, func(r timeline.WebRate) timeline.Day { return r.ValidFrom })
	dated(&f, a.Calendar.Patterns, b.Calendar.Patterns, func(p timeline.Pattern) timeline.Day { return p.ValidFrom })
	dated(&f, a.Calendar.Extra, b.Calendar.Extra, func(x timeline.ExtraShift) timeline.Day { return x.Day })
	zone := b.Calendar.Zone
	dated(&f, a.Maintenance, b.Maintenance, func(i timeline.Interval) timeline.Day { return localDay(zone, i.From) })
	// Only that a date is closed counts, not why.
	for _, pair := range [][2]map[timeline.Day]string{{a.Calendar.Closed, b.Calendar.Closed}, {b.Calendar.Closed, a.Calendar.Closed}} {
		for d := range pair[0] {
			if _, ok := pair[1][d]; !ok {
				f.add(d)
			}
		}
	}
	return f.day, f.any
}

func localDay(zone *time.Location, t int64) timeline.Day {
	return timeline.DayOf(time.UnixMilli(t).In(zone))
}

// first keeps the earliest day added.
type first struct {
	day timeline.Day
	any bool
}

func (f *first) add(d timeline.Day) {
	if !f.any || d < f.day {
		f.day, f.any = d, true
	}
}

// dated adds the day of every entry that only one of the lists has.
func dated[T any](f *first, a, b []T, day func(T) timeline.Day) {
	count := map[string]int{}
	days := map[string]timeline.Day{}
	for _, x := range a {
		k := fmt.Sprintf("%+v", x)
		count[k]++
		days[k] = day(x)
	}
	for _, x := range b {
		k := fmt.Sprintf("%+v", x)
		count[k]--
		days[k] = day(x)
	}
	for k, n := range count {
		if n != 0 {
			f.add(days[k])
		}
	}
}
