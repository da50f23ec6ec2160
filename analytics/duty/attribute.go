package duty

import (
	"slices"
	"time"

	"github.com/downweb/downweb/analytics/timeline"
)

// attribution says which tasks a sign-off or skip speaks of.
type attribution struct {
	signOffs map[string][]int             // by task: indexes into History.SignOffs, in order
	skips    map[string][]int             // by task: indexes into History.Skips, in order
	opened   map[string][]*timeline.Event // by session: its openings, in order
}

// newAttribution reads the sign-offs and skips of a history. One that names a
// task speaks of it and of the tasks it also discharges. One that names only a
// station speaks of the station's only task; where the station has several, of
// the only one with the cadence of its session's occasion (start-up, shut-down,
// changeover); else of none.
func newAttribution(p *timeline.Press, h *timeline.History, plans map[timeline.Day]timeline.DayPlan) *attribution {
	a := &attribution{signOffs: map[string][]int{}, skips: map[string][]int{}, opened: map[string][]*timeline.Event{}}
	for i := range h.Opened {
		e := &h.Opened[i]
		a.opened[e.Session] = append(a.opened[e.Session], e)
	}
	tasksAt := func(at int64) []timeline.Task {
		if len(p.Plans) == 1 {
			return p.Plans[0].Tasks
		}
		d := timeline.DayOf(time.UnixMilli(at).In(p.Calendar.Zone))
		for x := d - 2; x <= d+1; x++ {
			pl := planOf(p, plans, x)
			if slices.ContainsFunc(pl.Segments, func(s timeline.Segment) bool { return s.Has(at) }) {
				return p.TasksOn(x)
			}
		}
		return p.TasksOn(d)
	}
	for i := range h.SignOffs {
		e := &h.SignOffs[i]
		tasks := tasksAt(e.At)
		slug := a.named(e, tasks)
		if slug == "" {
			continue
		}
		a.signOffs[slug] = append(a.signOffs[slug], i)
		if t := taskIn(tasks, slug); t != nil {
			for _, also := range t.AlsoDischarges {
				if also != slug {
					a.signOffs[also] = append(a.signOffs[also], i)
				}
			}
		}
	}
	for i := range h.Skips {
		e := &h.Skips[i]
		if slug := a.named(e, tasksAt(e.At)); slug != "" {
			a.skips[slug] = append(a.skips[slug], i)
		}
	}
	return a
}

// opening is the latest opening of the session that an event names, not more
// than 24 h before it; nil if there is none.
func (a *attribution) opening(e *timeline.Event) *timeline.Event {
	if e.Session == "" {
		return nil
	}
	l := a.opened[e.Session]
	for i := len(l) - 1; i >= 0; i-- {
		if d := e.At - l[i].At; d >= 0 {
			if d > crossBefore {
				return nil
			}
			return l[i]
		}
	}
	return nil
}

func (a *attribution) named(e *timeline.Event, tasks []timeline.Task) string {
	if e.Task != "" {
		return e.Task
	}
	var own timeline.Cadence
	if o := a.opening(e); o != nil {
		own = cadenceOf(o.Occasion)
	}
	var all, fit []string
	for i := range tasks {
		t := &tasks[i]
		if t.Station != e.Station {
			continue
		}
		all = append(all, t.Slug)
		if own != 0 && trigger(t, own) != nil {
			fit = append(fit, t.Slug)
		}
	}
	switch {
	case len(all) == 1:
		return all[0]
	case len(fit) == 1:
		return fit[0]
	}
	return ""
}

func cadenceOf(o timeline.Occasion) timeline.Cadence {
	switch o {
	case timeline.OccasionStartup:
		return timeline.CadenceStartup
	case timeline.OccasionShutdown:
		return timeline.CadenceShutdown
	case timeline.OccasionChangeover:
		return timeline.CadenceJobChange
	}
	return 0
}

// skipFits says whether a skip speaks of the duty of a cadence with this
// window: it was said inside, or belongs to a session opened inside (so that
// one entered afterwards finds its window). A skip from a start-up, shut-down
// or changeover session speaks only of that cadence where the task has it.
func (a *attribution) skipFits(e *timeline.Event, t *timeline.Task, c timeline.Cadence, opens, closes int64) bool {
	in := func(at int64) bool { return at >= opens && at <= closes }
	o := a.opening(e)
	if o == nil {
		return in(e.At)
	}
	if own := cadenceOf(o.Occasion); own != 0 && own != c && trigger(t, own) != nil {
		return false
	}
	return in(e.At) || in(o.At)
}
