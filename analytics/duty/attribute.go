package duty

import (
	"github.com/downweb/downweb/analytics/timeline"
)

// attribution says which tasks a sign-off or skip speaks of.
type attribution struct {
	signOffs map[string][]int // by task: indexes into History.SignOffs, in order
	skips    map[string][]int // by task: indexes into History.Skips, in order
	opened   map[string]int64 // by session: its first opening
	occasion map[string]timeline.Occasion
}

// newAttribution reads the sign-offs and skips of a history. One that names a
// task speaks of it and of the tasks it also discharges. One that names only a
// station speaks of the station's only task; where the station has several, of
// the only one with the cadence of its session's occasion (start-up, shut-down,
// changeover); else of none.
func newAttribution(p *timeline.Press, h *timeline.History) *attribution {
	a := &attribution{signOffs: map[string][]int{}, skips: map[string][]int{}, opened: map[string]int64{}, occasion: map[string]timeline.Occasion{}}
	for i := range h.Opened {
		e := &h.Opened[i]
		if _, ok := a.opened[e.Session]; !ok {
			a.opened[e.Session] = e.At
			a.occasion[e.Session] = e.Occasion
		}
	}
	days := map[int64][]timeline.Task{} // by hour: DayAt is not cheap
	tasksAt := func(at int64) []timeline.Task {
		if len(p.Plans) == 1 {
			return p.Plans[0].Tasks
		}
		k := at / timeline.Minute
		l, ok := days[k]
		if !ok {
			l = p.TasksOn(p.Calendar.DayAt(at))
			days[k] = l
		}
		return l
	}
	for i := range h.SignOffs {
		e := &h.SignOffs[i]
		tasks := tasksAt(e.At)
		slug := named(e, tasks, a.occasion)
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
		if slug := named(e, tasksAt(e.At), a.occasion); slug != "" {
			a.skips[slug] = append(a.skips[slug], i)
		}
	}
	return a
}

func named(e *timeline.Event, tasks []timeline.Task, occasion map[string]timeline.Occasion) string {
	if e.Task != "" {
		return e.Task
	}
	var all, fit []string
	for i := range tasks {
		t := &tasks[i]
		if t.Station != e.Station {
			continue
		}
		all = append(all, t.Slug)
		if c := cadenceOf(occasion[e.Session]); c != 0 && trigger(t, c) != nil {
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
	at, known := a.opened[e.Session]
	if e.Session == "" || !known {
		return e.At >= opens && e.At <= closes
	}
	if own := cadenceOf(a.occasion[e.Session]); own != 0 && own != c && trigger(t, own) != nil {
		return false
	}
	return e.At >= opens && e.At <= closes || at >= opens && at <= closes
}
