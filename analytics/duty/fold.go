package duty

import (
	"cmp"
	"maps"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// Spans of the rules, milliseconds.
const (
	lookAround  = 48 * timeline.Hour // what a day may see behind its start and past its end
	lookBehind  = 24 * timeline.Hour // what it looks for sign-offs; their sessions may be older
	minRun      = 10 * timeline.Minute
	beforeEnd   = 2 * timeline.Hour
	afterLast   = 12 * timeline.Hour
	dayMS       = 24 * timeline.Hour
	never       = int64(1<<63 - 1)
	crossBefore = 24 * timeline.Hour // how long a session can be
)

// Fold decides one production day. h holds the press's settled events of
// [start of the day − 48 h, end of the day + 48 h); next is the plan of the day
// after; frontier is the latest instant any event of the press speaks of. st is
// not changed. Days are folded one after the other: the State returned is that
// after the day, for the fold of next.
func Fold(p *timeline.Press, st State, h *timeline.History, day, next timeline.DayPlan, frontier int64) (Result, State) {
	return FoldWith(p, st, h, map[timeline.Day]timeline.DayPlan{}, day, next, frontier)
}

// FoldWith is Fold with the plans of days that are known already, to which it
// adds: days in a row need much the same ones.
func FoldWith(p *timeline.Press, st State, h *timeline.History, plans map[timeline.Day]timeline.DayPlan, day, next timeline.DayPlan, frontier int64) (Result, State) {
	plans[day.Day], plans[next.Day] = day, next
	look := newAttribution(p, h, plans)
	res, out := newFold(p, st, h, look, plans, day, next, frontier).decide()
	// Sign-offs that discharge a duty of the next day may lie in this one (a
	// start-up clean done the evening before) or in a session that crosses into
	// it: the next day says which.
	if frontier >= next.Span().From {
		after := planOf(p, plans, next.Day+1)
		peek, _ := newFold(p, out, h, look, plans, next, after, frontier).decide()
		for _, g := range peek.Grants {
			if g.At < day.Span().To+crossBefore {
				res.Grants = append(res.Grants, g)
			}
		}
	}
	res.Grants = sortGrants(res.Grants)
	return res, out
}

func sortGrants(g []Grant) []Grant {
	slices.SortFunc(g, func(a, b Grant) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.SignOff.Epoch, b.SignOff.Epoch),
			cmp.Compare(a.SignOff.Seq, b.SignOff.Seq), cmp.Compare(a.Task, b.Task))
	})
	return slices.CompactFunc(g, func(a, b Grant) bool { return a.SignOff == b.SignOff && a.Task == b.Task })
}

// fold is the work on one day.
type fold struct {
	p         *timeline.Press
	st        State
	h         *timeline.History
	look      *attribution
	day       timeline.DayPlan
	own       timeline.Interval // the day's own time
	end       int64             // end of what is known of it
	over      bool              // the day is over
	frontier  int64
	plans     map[timeline.Day]timeline.DayPlan
	gaps      []timeline.Interval // unknown planned time around the day
	clock     clock
	started   map[string]bool // jobs that started around the day
	run       dayRun
	nextFirst int64 // first PRODUCTION after the day; 0: none in sight
	res       Result
	frozen    []Exposure // by task, at first PRODUCTION
}

// dayRun is what the press did on the day.
type dayRun struct {
	ran     bool // 10 min of PRODUCTION
	unknown bool // not seen to run, but unknown time could hide it
}

func newFold(p *timeline.Press, st State, h *timeline.History, look *attribution, plans map[timeline.Day]timeline.DayPlan, day, next timeline.DayPlan, frontier int64) *fold {
	f := &fold{p: p, st: st.clone(), h: h, look: look, plans: plans, day: day, frontier: frontier}
	f.own = timeline.Interval{From: day.Span().From, To: next.Span().From}
	f.end = min(f.own.To, frontier)
	f.over = frontier >= f.own.To
	if !st.started {
		f.st.started = true
	}
	return f
}

func (f *fold) plan(d timeline.Day) timeline.DayPlan { return planOf(f.p, f.plans, d) }

// planOf resolves a day once.
func planOf(p *timeline.Press, plans map[timeline.Day]timeline.DayPlan, d timeline.Day) timeline.DayPlan {
	pl, ok := plans[d]
	if !ok {
		pl = p.Calendar.Plan(d)
		plans[d] = pl
	}
	return pl
}

func (f *fold) decide() (Result, State) {
	f.measure()
	for _, slug := range f.slugs() {
		f.task(slug)
	}
	f.finish()
	return f.res, f.st
}

// measure reads the day's slices.
func (f *fold) measure() {
	known := timeline.Interval{From: f.own.From, To: f.end}
	f.clock = newClock(timeline.SlicesIn(f.h.Slices, known), known)
	for i := range f.clock.slices {
		s := &f.clock.slices[i]
		if s.State != timeline.StateProduction {
			continue
		}
		if f.res.FirstProduction == 0 {
			f.res.FirstProduction = s.From
		}
		f.res.LastProduction = s.To
		f.res.RunMS += s.Len()
		f.res.RunMM += s.Good + s.Waste
	}
	for _, s := range timeline.SlicesIn(f.h.Slices, timeline.Interval{From: f.own.To, To: min(f.own.To+lookAround, f.frontier)}) {
		if s.State == timeline.StateProduction {
			f.nextFirst = max(s.From, f.own.To)
			break
		}
	}
	f.findGaps()
	var unknown int64
	for _, g := range f.gaps {
		unknown += g.And(timeline.Interval{From: f.own.From, To: f.end}).Len()
	}
	f.run.ran = f.res.RunMS >= minRun
	f.run.unknown = !f.run.ran && f.res.RunMS+unknown >= minRun
}

// slugs are the tasks to look at: those of the plans in force and those that
// still have something open, sorted.
func (f *fold) slugs() []string {
	set := map[string]bool{}
	for _, t := range f.p.TasksOn(f.day.Day) {
		set[t.Slug] = true
	}
	for _, t := range f.p.TasksOn(f.startupPlanDay()) {
		set[t.Slug] = true
	}
	for slug, t := range f.st.tasks {
		if t.opened != 0 {
			set[slug] = true
		} else if !set[slug] {
			delete(f.st.tasks, slug) // left the plan with nothing open
		}
	}
	return slices.Sorted(maps.Keys(set))
}

// finish sorts the rows and makes the carry.
func (f *fold) finish() {
	slices.SortFunc(f.res.Rows, func(a, b Row) int {
		return cmp.Or(cmp.Compare(a.Task, b.Task), cmp.Compare(a.Due, b.Due), cmp.Compare(a.Cadence, b.Cadence))
	})
	if f.run.ran {
		f.exposures()
	}
	f.res.Grants = sortGrants(append(f.res.Grants, f.st.grants...))
	f.st.grants = nil
	if f.crosses() {
		for _, g := range f.res.Grants {
			if g.At >= f.own.To-crossBefore && g.At < f.own.To+crossBefore {
				f.st.grants = append(f.st.grants, g)
			}
		}
	} else {
		for _, g := range f.res.Grants {
			if g.At >= f.own.To {
				f.st.grants = append(f.st.grants, g) // discharged ahead
			}
		}
	}
	f.st.day, f.st.end = f.day.Day, f.own.To
	if f.res.LastProduction != 0 {
		f.st.lastProd, f.st.lastProdDay = f.res.LastProduction, f.day.Day
	}
	f.carryJob()
}

// crosses says whether a session opened in the 24 h before the day's end goes
// on after it.
func (f *fold) crosses() bool {
	open := map[string]bool{}
	for _, e := range timeline.EventsIn(f.h.Opened, timeline.Interval{From: f.own.To - crossBefore, To: f.own.To}) {
		open[e.Session] = true
	}
	if len(open) == 0 {
		return false
	}
	for _, l := range [][]timeline.Event{f.h.SignOffs, f.h.Closed} {
		for _, e := range timeline.EventsIn(l, timeline.Interval{From: f.own.To, To: f.own.To + crossBefore}) {
			if open[e.Session] {
				return true
			}
		}
	}
	return false
}

func (f *fold) row(t *timeline.Task, r Row) {
	r.Day, r.Task, r.Station = f.day.Day, t.Slug, t.Station
	f.res.Rows = append(f.res.Rows, r)
}

func (f *fold) grant(t *timeline.Task, e *timeline.Event) {
	f.res.Grants = append(f.res.Grants, Grant{SignOff: e.ID, At: e.At, Task: t.Slug, Standard: t.Standard})
}

func (f *fold) grace(t *timeline.Task) int64 { return Grace(f.p, t) }

// taskIn finds a task in the plan of a day.
func taskIn(tasks []timeline.Task, slug string) *timeline.Task {
	for i := range tasks {
		if tasks[i].Slug == slug {
			return &tasks[i]
		}
	}
	return nil
}

func trigger(t *timeline.Task, c timeline.Cadence) *timeline.Trigger {
	if t == nil {
		return nil
	}
	for i := range t.Triggers {
		if t.Triggers[i].Cadence == c {
			return &t.Triggers[i]
		}
	}
	return nil
}
