package duty

import (
	"cmp"
	"math"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// Pace is how a press usually runs. The zero Pace is of one nothing is known of.
type Pace struct {
	RunShare float64 // run time per planned busy time, 0 to 1
	MMPerMS  float64 // web per run time, mm/ms
}

// PaceOf is the pace of press-days: time in PRODUCTION over planned busy time,
// and the length made over that time. Days without planned time count nothing.
func PaceOf(days []timeline.PressDay) Pace {
	var planned, run, mm int64
	for i := range days {
		if d := &days[i]; d.PBT > 0 {
			planned += d.PBT
			run += d.RunMS
			mm += d.RunMM
		}
	}
	if planned <= 0 || run <= 0 {
		return Pace{}
	}
	return Pace{RunShare: min(1, float64(run)/float64(planned)), MMPerMS: float64(mm) / float64(run)}
}

// Ahead looks ahead of a press's frontier: the rules of Fold over the calendar
// to come, with nothing signed off meanwhile and the press running its planned
// time at its usual pace.
type Ahead struct {
	Press    *timeline.Press
	State    State        // before First
	First    timeline.Day // first day folded, early enough that no older duty can change
	History  *timeline.History
	Frontier int64 // unix ms
	Pace     Pace
	Until    int64 // unix ms; how far to look
}

// cell is the grain of the running to come: in each planned one the press runs
// first and waits then.
const cell = 20 * timeline.Minute

// maxAhead bounds one look, days.
const maxAhead = 400

// fold folds from First to an instant. rows are those of all its days.
func (a *Ahead) fold(h *timeline.History, frontier int64) (rows []Row, st State) {
	st = a.State
	cal := a.Press.Calendar
	day := cal.Plan(a.First)
	for d := a.First; d < a.First+maxAhead; d++ {
		if day.Span().From >= frontier && d > a.First {
			break
		}
		next := cal.Plan(d + 1)
		w := h.Window(timeline.Interval{From: day.Span().From - lookAround, To: day.Span().To + lookAround})
		var res Result
		res, st = Fold(a.Press, st, w, day, next, frontier)
		rows = append(rows, res.Rows...)
		day = next
	}
	return rows, st
}

// ahead is the history with the running to come.
func (a *Ahead) ahead() *timeline.History {
	h := *a.History
	h.Slices = slices.Clone(h.Slices)
	span := timeline.Interval{From: a.Frontier, To: a.Until}
	run := min(cell, int64(math.Round(a.Pace.RunShare*float64(cell))))
	cal := a.Press.Calendar
	for d := cal.DayAt(a.Frontier) - 1; ; d++ {
		plan := cal.Plan(d)
		if plan.Start >= a.Until {
			break
		}
		for _, seg := range plan.Segments {
			iv := seg.And(span)
			if !seg.Planned || iv.Len() == 0 {
				continue
			}
			for at := iv.From; at < iv.To; at += cell {
				on := timeline.Interval{From: at, To: min(at+run, iv.To)}
				off := timeline.Interval{From: on.To, To: min(at+cell, iv.To)}
				if on.Len() > 0 {
					h.Slices = append(h.Slices, timeline.Slice{Interval: on, State: timeline.StateProduction,
						Good: int64(math.Round(a.Pace.MMPerMS * float64(on.Len())))})
				}
				if off.Len() > 0 {
					h.Slices = append(h.Slices, timeline.Slice{Interval: off, State: timeline.StateWaiting})
				}
			}
		}
	}
	return &h
}

// Rows are the duties that are due before Until and that nothing has decided by
// the frontier, by due: those overdue and those to come. A task that counts
// days, hours or kilometers is in it once an interval.
func (a *Ahead) Rows() []Row {
	rows, _ := a.fold(a.ahead(), a.Until)
	rows = slices.DeleteFunc(rows, func(r Row) bool {
		return r.DoneAt != 0 || r.Closes != 0 && r.Closes <= a.Frontier || r.Due >= a.Until
	})
	slices.SortStableFunc(rows, func(x, y Row) int {
		return cmp.Or(cmp.Compare(x.Due, y.Due), cmp.Compare(x.Task, y.Task), cmp.Compare(x.Cadence, y.Cadence))
	})
	return rows
}

// Now is the state at the frontier.
func (a *Ahead) Now() State {
	_, st := a.fold(a.History, a.Frontier)
	return st
}

// Expected says whether the instant a duty is due at is an expectation: it lies
// ahead of the frontier and follows from how the press will run.
func (a *Ahead) Expected(r Row) bool {
	switch r.Cadence {
	case timeline.CadenceStartup, timeline.CadenceRunHours, timeline.CadenceRunKm:
		return r.Due > a.Frontier
	}
	return false
}

// counted says whether a cadence is a clock's.
func counted(c timeline.Cadence) bool {
	switch c {
	case timeline.CadenceStartup, timeline.CadenceShutdown, timeline.CadenceJobChange:
		return false
	}
	return true
}

// Item is one task to do.
type Item struct {
	Task     timeline.Task
	Order    int // position in the plan's working order, from 1; 0: left the plan
	Row      Row // zero for a task due at the next job change
	Expected bool
	Overdue  int64 // ms past due; 0: not yet
	Risk     Risk
	Clock    Clock
}

// Risk is the rank by which overdue tasks are ordered: what can hurt comes
// first. It is this project's own rule, no source.
type Risk int

// Risks.
const (
	RiskSafety  Risk = 1 // the plan marks it as a safety task
	RiskIsolate Risk = 2 // needs isolation
	RiskHazard  Risk = 3 // the plan names a hazard
	RiskNone    Risk = 4
)

// RiskOf is the rank of a task.
func RiskOf(t *timeline.Task) Risk {
	switch {
	case t.Safety:
		return RiskSafety
	case t.Isolate:
		return RiskIsolate
	case len(t.Hazards) > 0:
		return RiskHazard
	}
	return RiskNone
}

// Due lists what is overdue and what is due before Until, of each clock only
// the first, and the tasks due at the next job change. Overdue comes first: by
// risk, then by intervals missed in a row, then the oldest, then in working
// order. What is to come follows by due, then in working order.
func (a *Ahead) Due() (due, atJobChange []Item) {
	now := a.Now()
	day := a.Press.Calendar.DayAt(a.Frontier)
	plan := a.Press.TasksOn(day)
	item := func(slug string, r Row) (Item, bool) {
		t := taskIn(plan, slug)
		order := 1 + slices.IndexFunc(plan, func(t timeline.Task) bool { return t.Slug == slug })
		if t == nil {
			t = taskIn(a.Press.TasksOn(r.Day), slug)
		}
		if t == nil {
			return Item{}, false
		}
		it := Item{Task: *t, Order: order, Row: r, Risk: RiskOf(t), Clock: now.Clock(slug)}
		if r.Due != 0 {
			it.Expected, it.Overdue = a.Expected(r), max(0, a.Frontier-r.Due)
		}
		return it, true
	}
	seen := map[string]bool{}
	for _, r := range a.Rows() {
		if counted(r.Cadence) {
			if seen[r.Task] {
				continue
			}
			seen[r.Task] = true
		}
		if it, ok := item(r.Task, r); ok {
			due = append(due, it)
		}
	}
	slices.SortStableFunc(due, func(x, y Item) int {
		if (x.Overdue > 0) != (y.Overdue > 0) {
			return cmp.Compare(y.Overdue, x.Overdue)
		}
		if x.Overdue > 0 {
			return cmp.Or(cmp.Compare(x.Risk, y.Risk), cmp.Compare(y.Clock.Missed, x.Clock.Missed), cmp.Compare(y.Overdue, x.Overdue), cmp.Compare(x.Order, y.Order))
		}
		return cmp.Or(cmp.Compare(x.Row.Due, y.Row.Due), cmp.Compare(x.Order, y.Order))
	})
	for i := range plan {
		if trigger(&plan[i], timeline.CadenceJobChange) != nil {
			if it, ok := item(plan[i].Slug, Row{}); ok {
				atJobChange = append(atJobChange, it)
			}
		}
	}
	return due, atJobChange
}

// Clock is what a task's clocks show.
type Clock struct {
	RunMS   int64 // run time since the last sign-off, or since the task is known
	WebMM   int64 // web since then
	AtLeast bool  // unknown time lies between: the two are lower bounds
	LastAt  int64 // last sign-off, unix ms; 0: none
	Missed  int   // intervals missed or skipped since
}

// Clock is what the clocks of a task show at the end of the day folded last, or
// at the frontier inside it. Zero for a task that is not known.
func (s State) Clock(task string) Clock {
	t, ok := s.tasks[task]
	if !ok {
		return Clock{}
	}
	return Clock{RunMS: t.touch.ms, WebMM: t.touch.mm, AtLeast: t.touch.atLeast, LastAt: t.lastAt, Missed: t.rounds}
}
