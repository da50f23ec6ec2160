package duty

import (
	"cmp"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// Steps of one task through the day, in this order at one instant.
const (
	stepTouch = iota
	stepSkip
	stepClose // a window closes without a sign-off
	stepStart // the day's first PRODUCTION
)

type step struct {
	at   int64
	kind int
	i    int // index of the sign-off, skip or window
}

// task folds one task over the day.
func (f *fold) task(slug string) {
	st, known := f.st.tasks[slug]
	t := taskIn(f.p.TasksOn(f.day.Day), slug)
	if !known {
		st = taskState{since: f.own.From, sinceDay: f.day.Day, exposed: neverClosed}
	}
	if t != nil {
		st.station = t.Station
	}
	wins := f.windows(slug)
	for i := range wins {
		if st.station == "" {
			st.station = wins[i].task.Station
		}
		f.settle(&wins[i], &st)
	}
	st.after = f.own.From
	mark := f.own.From // st.touch and st.clean stand for this instant
	for _, s := range f.steps(slug, wins) {
		f.clocks(slug, &st, mark, s.at)
		switch s.kind {
		case stepTouch:
			e := &f.h.SignOffs[s.i]
			f.signed(slug, &st, e)
			mark = f.moveTo(&st, mark, e.At)
			st.touched(e, f.day.Day)
		case stepSkip:
			f.skipped(slug, &st, &f.h.Skips[s.i])
		case stepClose:
			st.closed(&wins[s.i])
		case stepStart:
			mark = f.moveTo(&st, mark, s.at)
			f.freeze(slug, &st, wins)
		}
	}
	f.clocks(slug, &st, mark, f.end)
	f.moveTo(&st, mark, f.end)
	f.openAtFrontier(slug, &st)
	for i := range wins {
		if wins[i].closes >= f.own.To && wins[i].outcome != Open {
			st.closed(&wins[i])
		}
	}
	from := max(f.own.From, st.lastAt)
	if f.gapAfter(from) {
		st.touch.atLeast = true
	}
	if f.gapAfter(max(f.own.From, st.cleanAt)) {
		st.clean.atLeast = true
	}
	st.ran = st.ran || f.run.ran
	st.hidden = st.hidden || f.run.unknown
	if st.opened != 0 {
		st.gap = max(st.gap, f.longestGap(timeline.Interval{From: max(st.opened, f.own.From), To: f.end}))
	}
	st.cleanAt, st.after = 0, 0
	f.st.tasks[slug] = st
}

// steps are the instants of the day at which something happens to the task.
func (f *fold) steps(slug string, wins []window) []step {
	var out []step
	within := func(at int64) bool { return at >= f.own.From && at < f.own.To && at <= f.frontier }
	for _, i := range f.look.signOffs[slug] {
		if at := f.h.SignOffs[i].At; within(at) {
			out = append(out, step{at, stepTouch, i})
		}
	}
	for _, i := range f.look.skips[slug] {
		if at := f.h.Skips[i].At; within(at) {
			out = append(out, step{at, stepSkip, i})
		}
	}
	for i := range wins {
		if wins[i].closes < f.own.To && wins[i].outcome != Open {
			out = append(out, step{max(wins[i].closes, f.own.From), stepClose, i})
		}
	}
	if f.res.FirstProduction != 0 {
		out = append(out, step{f.res.FirstProduction, stepStart, 0})
	}
	slices.SortStableFunc(out, func(a, b step) int {
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.kind, b.kind))
	})
	return out
}

// moveTo counts the clocks up to an instant.
func (f *fold) moveTo(st *taskState, mark, to int64) int64 {
	if to <= mark {
		return mark
	}
	ams, amm := f.clock.at(mark)
	bms, bmm := f.clock.at(to)
	st.touch.ms += bms - ams
	st.touch.mm += bmm - amm
	st.clean.ms += bms - ams
	st.clean.mm += bmm - amm
	return to
}

// touched resets the task's clocks.
func (st *taskState) touched(e *timeline.Event, d timeline.Day) {
	st.since, st.sinceDay = e.At, d
	st.lastAt, st.lastID = e.At, e.ID
	st.touch = sinceTouch{ok: true}
	if e.Outcome != timeline.OutcomeInspectedClean {
		st.clean = sinceTouch{ok: true}
		st.cleanAt = e.At
	}
	st.endRound()
	st.rounds = 0
	st.exposed, st.inRow = Cleaned, 0
}

// endRound forgets the clock duty that was open.
func (st *taskState) endRound() {
	st.opened, st.openDay, st.openBy = 0, 0, 0
	st.due, st.dueBy = 0, 0
	st.ran, st.hidden, st.gap = false, false, 0
}

// closed notes how a window left the station. A sign-off has said so itself.
func (st *taskState) closed(w *window) {
	if w.done != nil {
		return
	}
	st.left(w.outcome, w.skip != nil)
}

// left notes a window that closed without a sign-off.
func (st *taskState) left(o Outcome, skip bool) {
	switch {
	case o == Missed || o == Skipped:
		st.exposed = NotCleaned
		st.inRow++
	case o == NotRequired && skip:
		st.exposed = NotExposed
	case o == Unknown:
		st.exposed = NotKnown
	}
}

// clockTask is the task whose clocks rule: of the plan that was valid when the
// open duty opened, else of the day's.
func (f *fold) clockTask(slug string, st *taskState) *timeline.Task {
	d := f.day.Day
	if st.opened != 0 {
		d = st.openDay
	}
	t := taskIn(f.p.TasksOn(d), slug)
	if t == nil {
		return nil
	}
	for i := range t.Triggers {
		switch t.Triggers[i].Cadence {
		case timeline.CadenceWeekly, timeline.CadenceDays, timeline.CadenceRunHours, timeline.CadenceRunKm:
			return t
		}
	}
	return nil
}

// clocks takes the clock duty up to an instant: opens it, makes it due, and
// when its time is over decides it.
func (f *fold) clocks(slug string, st *taskState, mark, to int64) {
	for range 100 { // a task cannot be due a hundred times between two events of a day
		t := f.clockTask(slug, st)
		if t == nil {
			return
		}
		if st.opened == 0 {
			at, by := f.reaches(t, st, mark, dueAt*st.rounds+opensAt)
			if at > to {
				return
			}
			at = max(at, st.since, st.after)
			if f.overtaken(t, st, mark, at) {
				continue
			}
			st.opened, st.openDay, st.openBy = at, f.day.Day, by
			t = f.clockTask(slug, st)
			if t == nil {
				return
			}
		}
		if st.due == 0 {
			at, by := f.reaches(t, st, mark, dueAt*(st.rounds+1))
			if at > to {
				return
			}
			st.due, st.dueBy = max(at, st.opened), by
		}
		at, _ := f.reaches(t, st, mark, dueAt*(st.rounds+2))
		if at > to || at == never {
			return
		}
		at = max(at, st.due)
		o := Missed
		switch gap := max(st.gap, f.longestGap(timeline.Interval{From: max(st.opened, f.own.From), To: at})); {
		case !st.ran && !f.run.ran && (st.hidden || f.run.unknown):
			o = Unknown
		case !st.ran && !f.run.ran:
			o = NotRequired
		case hides(gap, t):
			o = Unknown
		}
		f.row(t, Row{Cadence: st.dueBy, Opens: st.opened, Due: st.due, Closes: at, Outcome: o})
		st.nextRound(at)
		st.left(o, false)
	}
}

// overtaken passes over an interval that was over before it could open: a new
// plan made the interval shorter than what the clock already shows. Only the
// latest of those intervals is due.
func (f *fold) overtaken(t *timeline.Task, st *taskState, mark, opens int64) bool {
	const bound = 10_000
	from := st.rounds
	for st.rounds < from+bound {
		if at, _ := f.reaches(t, st, mark, dueAt*(st.rounds+2)); at > opens {
			break
		}
		st.rounds++
	}
	return st.rounds > from
}

// nextRound starts the interval after one that ended without a sign-off.
func (st *taskState) nextRound(at int64) {
	st.endRound()
	st.after = at
	st.rounds++
}

// signed decides the clock duty that a sign-off discharges. Before it opens a
// sign-off only resets the clocks.
func (f *fold) signed(slug string, st *taskState, e *timeline.Event) {
	t := f.clockTask(slug, st)
	if t == nil || st.opened == 0 {
		return
	}
	r := Row{Cadence: st.openBy, Opens: st.opened, Due: e.At, Outcome: OnTime, DoneAt: e.At, DoneBy: e.ID}
	if st.due != 0 {
		r.Cadence, r.Due = st.dueBy, st.due
		if e.At > st.due+f.grace(t) {
			r.Outcome = Late
		}
	}
	r.Closes = e.At
	st.skips = 0
	f.row(t, r)
	f.grant(t, e)
}

// skipped decides the clock duty that a skip speaks of, at once.
func (f *fold) skipped(slug string, st *taskState, e *timeline.Event) {
	t := f.clockTask(slug, st)
	if t == nil || st.opened == 0 {
		return
	}
	r := Row{Cadence: st.openBy, Opens: st.opened, Due: e.At, Closes: e.At, Outcome: Skipped,
		DoneAt: e.At, DoneBy: e.ID, Reason: e.Reason}
	if st.due != 0 {
		r.Cadence, r.Due = st.dueBy, st.due
	}
	if f.p.SkipNotReq[e.Reason] {
		r.Outcome = NotRequired
	} else if st.skips++; st.skips >= 3 {
		r.Outcome, r.ThirdSkip = Missed, true
	}
	f.row(t, r)
	st.left(r.Outcome, true)
	st.nextRound(e.At)
}

// openAtFrontier shows a clock duty that is due and undecided where the day
// holds the frontier, or ends at it: then no later day is folded yet.
func (f *fold) openAtFrontier(slug string, st *taskState) {
	if f.frontier > f.own.To || f.frontier < f.own.From || st.due == 0 {
		return
	}
	if t := f.clockTask(slug, st); t != nil {
		f.row(t, Row{Cadence: st.dueBy, Opens: st.opened, Due: st.due, Outcome: Open})
	}
}
