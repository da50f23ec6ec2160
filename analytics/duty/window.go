package duty

import (
	"cmp"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// window is a start-up, shut-down or job-change duty of one task on the day.
type window struct {
	task    timeline.Task
	cadence timeline.Cadence
	opens   int64
	from    int64 // sign-offs count from here: opens, or valid_for before due
	due     int64
	closes  int64
	pending bool // the press has not run yet and the day goes on
	idle    bool // the press did not run
	unknown bool // unknown time could hide a run

	outcome Outcome
	done    *timeline.Event // the sign-off that discharged it
	skip    *timeline.Event
}

// startupPlanDay is the production day whose plan rules the start-up window:
// that on which it opens.
func (f *fold) startupPlanDay() timeline.Day {
	if f.st.lastProd != 0 && f.p.TasksOn(f.st.lastProdDay) != nil {
		return f.st.lastProdDay
	}
	return f.day.Day
}

// windows are the window duties of a task on the day, by due.
func (f *fold) windows(slug string) []window {
	var out []window
	if t := taskIn(f.p.TasksOn(f.startupPlanDay()), slug); trigger(t, timeline.CadenceStartup) != nil {
		if w, ok := f.startup(t); ok {
			out = append(out, w)
		}
	}
	t := taskIn(f.p.TasksOn(f.day.Day), slug)
	if trigger(t, timeline.CadenceShutdown) != nil {
		if w, ok := f.shutdown(t); ok {
			out = append(out, w)
		}
	}
	if tr := trigger(t, timeline.CadenceJobChange); tr != nil {
		out = append(out, f.jobChanges(t, tr.SameFamily)...)
	}
	slices.SortFunc(out, func(a, b window) int { return cmp.Compare(a.due, b.due) })
	return out
}

func (f *fold) startup(t *timeline.Task) (window, bool) {
	w := window{task: *t, cadence: timeline.CadenceStartup, opens: f.st.lastProd}
	if w.opens == 0 {
		w.opens = f.own.From - lookAround
	}
	grace := f.grace(t)
	first := f.res.FirstProduction
	switch {
	case f.run.ran, first != 0 && !f.over:
		w.due = first
		w.closes = first + max(f.p.Grace, grace)
	case len(f.day.Shifts) == 0 && first == 0:
		return w, false
	default: // a day without a run
		w.due, w.closes = first, f.own.To
		if first == 0 {
			w.due = f.day.Shifts[0].From
		}
		w.pending = !f.over
		w.idle, w.unknown = f.over, f.run.unknown
	}
	w.from = max(w.opens, w.due-f.p.ValidFor)
	return w, true
}

func (f *fold) shutdown(t *timeline.Task) (window, bool) {
	w := window{task: *t, cadence: timeline.CadenceShutdown}
	shiftEnd, planned := f.day.LastShiftEnd()
	first, last := f.res.FirstProduction, f.res.LastProduction
	if first == 0 && !planned {
		return w, false
	}
	if !planned {
		shiftEnd = last
	}
	w.due = max(shiftEnd, last)
	w.opens = shiftEnd - beforeEnd
	if first != 0 {
		w.opens = max(first, w.opens)
	}
	w.closes = w.due + afterLast
	if last != 0 {
		w.closes = last + afterLast
	}
	if f.nextFirst != 0 {
		w.closes = min(w.closes, f.nextFirst)
	}
	if !planned {
		w.opens = first
	}
	if w.opens >= w.closes {
		if !f.over {
			return w, false // it may run again
		}
		w.opens = last
	}
	w.due = min(w.due, w.closes)
	w.from = w.opens
	if !f.run.ran {
		w.pending = !f.over
		w.idle, w.unknown = f.over, f.run.unknown
	}
	return w, w.opens <= f.frontier
}

// jobChanges are the changes whose new job has its first PRODUCTION on the day.
func (f *fold) jobChanges(t *timeline.Task, same bool) []window {
	var out []window
	job, family, end := f.st.job, f.st.family, f.st.jobEnd
	asked, fam := "", "" // of the slice before: most have its job
	for i := range f.clock.slices {
		s := &f.clock.slices[i]
		if s.State != timeline.StateProduction || s.Job == "" {
			continue
		}
		if s.Job != asked {
			asked, fam = s.Job, f.familyOf(s.Job)
		}
		if s.Job != job {
			if job != "" && (same || fam == "" || fam != family) {
				out = append(out, window{task: *t, cadence: timeline.CadenceJobChange,
					opens: end, from: end, due: s.From, closes: s.From})
			}
			job = s.Job
		}
		family, end = fam, s.To
	}
	return out
}

// familyOf is the product family of a job, "" when it is not known: of a job
// that started on the day or in the 48 h before it, or that ran last before.
// What else the history may know of jobs depends on how far it was read.
func (f *fold) familyOf(job string) string {
	if f.started == nil {
		f.started = map[string]bool{}
		for _, e := range timeline.EventsIn(f.h.JobStarts, timeline.Interval{From: f.own.From - lookAround, To: f.own.To}) {
			f.started[e.Job] = true
		}
	}
	if j := f.h.Job(job, f.day.Span().To); j.Family != "" && f.started[job] {
		return j.Family
	}
	if job == f.st.job {
		return f.st.family
	}
	return ""
}

// carryJob notes the job that ran last.
func (f *fold) carryJob() {
	for i := len(f.clock.slices) - 1; i >= 0; i-- {
		if s := &f.clock.slices[i]; s.State == timeline.StateProduction && s.Job != "" {
			f.st.family = f.familyOf(s.Job)
			f.st.job, f.st.jobEnd = s.Job, s.To
			return
		}
	}
}

// settle decides a window duty: which sign-off discharges it, else which skip
// speaks of it, else how it ended.
func (f *fold) settle(w *window, st *taskState) {
	w.done = f.discharge(w, st)
	if w.done == nil {
		for _, i := range f.look.skips[w.task.Slug] {
			if e := &f.h.Skips[i]; e.At >= f.own.From-lookBehind && e.At <= f.frontier && e.At < f.own.To+lookAround &&
				f.look.skipFits(e, &w.task, w.cadence, w.from, w.closes) {
				w.skip = e
				break
			}
		}
	}
	if w.done != nil {
		f.grant(&w.task, w.done)
		if !w.idle {
			// A day without a run uses no sign-off up: the next start may need it.
			st.usedAt, st.usedID = w.done.At, w.done.ID
		}
	}
	switch {
	case w.unknown:
		w.outcome = Unknown
	case w.idle:
		w.outcome = NotRequired
	case w.done != nil && w.done.At <= w.due+f.grace(&w.task):
		w.outcome = OnTime
	case w.done != nil:
		w.outcome = Late
	case w.pending:
		w.outcome = Open
	case w.skip != nil && f.p.SkipNotReq[w.skip.Reason]:
		w.outcome = NotRequired
	case w.skip != nil:
		w.outcome = Skipped
	case f.frontier < w.closes:
		w.outcome = Open
	case hides(f.longestGap(timeline.Interval{From: w.from, To: w.closes}), &w.task):
		w.outcome = Unknown
	default:
		w.outcome = Missed
	}
	r := Row{Cadence: w.cadence, Opens: w.opens, Due: w.due, Closes: w.closes, Outcome: w.outcome}
	switch w.outcome {
	case OnTime, Late:
		st.skips = 0
	case Skipped:
		st.skips++
		if st.skips >= 3 {
			r.Outcome, r.ThirdSkip = Missed, true
		}
	}
	switch {
	case w.done != nil:
		r.DoneAt, r.DoneBy = w.done.At, w.done.ID
	case w.skip != nil:
		r.DoneAt, r.DoneBy, r.Reason = w.skip.At, w.skip.ID, w.skip.Reason
	}
	if w.outcome == Open && w.pending {
		r.Closes = 0
	}
	f.row(&w.task, r)
}

// discharge is the first sign-off in the window that has not discharged an
// earlier duty of the task. Of those more than 24 h before the day only the
// last is known, from the carry.
func (f *fold) discharge(w *window, st *taskState) *timeline.Event {
	usable := func(at int64, id timeline.ID) bool {
		if at < w.from || at > w.closes || at > f.frontier {
			return false
		}
		return st.usedAt == 0 || at > st.usedAt || at == st.usedAt && id != st.usedID
	}
	if st.lastAt != 0 && st.lastAt < f.own.From-lookBehind && usable(st.lastAt, st.lastID) {
		return &timeline.Event{ID: st.lastID, At: st.lastAt}
	}
	for _, i := range f.look.signOffs[w.task.Slug] {
		if e := &f.h.SignOffs[i]; usable(e.At, e.ID) && e.At >= f.own.From-lookBehind {
			return e
		}
	}
	return nil
}
