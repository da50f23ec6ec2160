package projector

import (
	"fmt"
	"slices"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
)

// around is how far a day sees before its start and past its end. A change
// reaches back to the day that ends less than that before it, and what those
// days are granted is known once the days as far again before are folded.
const around = 48 * timeline.Hour

// maxDays bounds one fold: a century.
const maxDays = 36_600

// Fold folds a press from a state on. The history must reach from 48 hours
// before the first day to the end of what is known.
type Fold struct {
	Press    *timeline.Press
	History  *timeline.History
	State    State        // before First
	First    timeline.Day // first day folded
	WriteAt  timeline.Day // first day whose rows are returned
	Frontier int64        // unix ms
}

// Run returns the rows of every day from WriteAt to the frontier's.
func (f Fold) Run() (timeline.Projections, error) {
	var out timeline.Projections
	p, st := f.Press, f.State.Duty
	restart := f.State.Restart
	grants := newGrantBook()
	plans := planCache{cal: p.Calendar, m: map[timeline.Day]timeline.DayPlan{}}
	for d := f.First; ; d++ {
		plan := plans.get(d)
		if from := plan.Span().From; d > f.First && (from > f.Frontier || from == f.Frontier && !f.History.SaidFrom(from)) {
			break
		}
		if d-f.First >= maxDays {
			return out, fmt.Errorf("more than a century lies between the first event and the last: from %s", f.First)
		}
		h := f.History.Window(timeline.Interval{From: plan.Span().From - around, To: plan.Span().To + around})
		var res duty.Result
		res, st = duty.FoldWith(p, st, h, plans.m, plan, plans.get(d+1), f.Frontier)
		for _, g := range res.Grants {
			grants.add(g)
		}
		day := newDayFold(f, plan, h, res, &plans, grants.by)
		day.restarts, restart = loss.RestartDay(p.Restart, restart, h, plan, day.cleans())
		if d < f.WriteAt {
			continue
		}
		day.run(&out)
		out.Days[len(out.Days)-1].Carry = string(State{st, restart}.Append(nil))
	}
	return out, nil
}

type grantKey struct {
	id   timeline.ID
	task string
}

// grantBook sums what each sign-off grants; a duty grants once.
type grantBook struct {
	by   map[timeline.ID]int64
	seen map[grantKey]bool
}

func newGrantBook() *grantBook {
	return &grantBook{by: map[timeline.ID]int64{}, seen: map[grantKey]bool{}}
}

func (b *grantBook) add(g duty.Grant) {
	k := grantKey{g.SignOff, g.Task}
	if !b.seen[k] {
		b.seen[k] = true
		b.by[g.SignOff] += g.Standard
	}
}

type planCache struct {
	cal *timeline.Calendar
	m   map[timeline.Day]timeline.DayPlan
}

func (c *planCache) get(d timeline.Day) timeline.DayPlan {
	p, ok := c.m[d]
	if !ok {
		p = c.cal.Plan(d)
		c.m[d] = p
	}
	return p
}

// dayFold is the work on one day's rows.
type dayFold struct {
	fold  Fold
	plan  timeline.DayPlan
	h     *timeline.History
	duty  duty.Result
	plans *planCache

	groups   []cleaning.Group // of the window
	restarts loss.Restarts
}

func newDayFold(f Fold, plan timeline.DayPlan, h *timeline.History, res duty.Result, plans *planCache, grants map[timeline.ID]int64) dayFold {
	d := dayFold{fold: f, plan: plan, h: h, duty: res, plans: plans, groups: cleaning.Groups(f.Press, h, grants)}
	d.grantSafety(grants)
	return d
}

// grantSafety gives tasks of safety the time they took, due or not: nobody is to
// save money by hurrying them, so what they take over their standard is no
// overrun. Isolating and restoring have the plant's allowance for opening and
// closing.
func (d *dayFold) grantSafety(grants map[timeline.ID]int64) {
	p := d.fold.Press
	slug, station := map[string]bool{}, map[string]bool{}
	for _, t := range p.TasksOn(d.plan.Day) {
		if t.Safety {
			slug[t.Slug], station[t.Station] = true, true
		}
	}
	if len(slug) == 0 {
		return
	}
	breaks := d.breaks()
	for i := range d.groups {
		g := &d.groups[i]
		vs, _ := cleaning.Visits(p, d.h, d.groups[i:i+1], breaks, d.standard)
		for _, v := range vs {
			if slug[v.Task] || v.Task == "" && station[v.Station] {
				g.Allowance += max(0, v.Time-grants[v.SignOff]/int64(p.HandsFor(g.Occasion)))
			}
		}
	}
}

// standard of a task of the day's plan, or of the first at a station, ms.
func (d *dayFold) standard(task, station string) int64 {
	for _, t := range d.fold.Press.TasksOn(d.plan.Day) {
		if t.Slug == task || task == "" && t.Station == station {
			return t.Standard
		}
	}
	return 0
}

// cleans are the groups in which something was signed off while the press
// stood.
func (d *dayFold) cleans() []timeline.Interval {
	var out []timeline.Interval
	for _, g := range d.groups {
		signed := slices.ContainsFunc(g.Sessions, func(s cleaning.Session) bool { return len(s.SignOffs) > 0 })
		if signed && g.And(d.plan.Span()).Len() > 0 {
			out = append(out, g.Interval)
		}
	}
	return out
}

func (d *dayFold) run(out *timeline.Projections) {
	in, groups := d.input()
	res := loss.Compute(in)
	d.facts(res.Facts, out)
	sessions, byRule := d.visits(groups, res.Uses, in.Breaks, out)
	d.duties(out)
	row := d.pressDay(&res)
	row.Sessions, row.ClosedByRule = sessions, byRule
	out.Days = append(out.Days, row)
}

// input is what the day is booked from, and its cleaning groups.
func (d *dayFold) input() (loss.Input, []cleaning.Group) {
	p, span := d.fold.Press, d.plan.Span()
	near := timeline.Interval{From: span.From - 1, To: span.To}
	groups := slices.DeleteFunc(slices.Clone(d.groups), func(g cleaning.Group) bool { return g.And(near).Len() == 0 && !span.Has(g.From) })
	in := loss.Input{Press: p, History: d.h, Day: d.plan, Breaks: d.breaks(), Frontier: d.fold.Frontier}
	if before := d.plans.get(d.plan.Day - 1).Segments; len(before) > 0 {
		in.PlannedBefore = before[len(before)-1].Planned
	}
	for _, g := range groups {
		lg := loss.Group{Union: g.Union, Occasion: g.Occasion, Allowance: g.Allowance}
		for _, s := range g.Sessions {
			for _, i := range s.SignOffs {
				lg.SignOffs = append(lg.SignOffs, d.h.SignOffs[i].At)
			}
		}
		slices.Sort(lg.SignOffs)
		in.Groups = append(in.Groups, lg)
	}
	return in, groups
}

// breaks of the day and its neighbors.
func (d *dayFold) breaks() []timeline.Interval {
	var out []timeline.Interval
	for x := d.plan.Day - 1; x <= d.plan.Day+1; x++ {
		p := d.plans.get(x)
		for _, s := range p.Segments {
			if s.Break {
				out = append(out, s.Interval)
			}
		}
	}
	return out
}

func (d *dayFold) facts(facts []loss.Fact, out *timeline.Projections) {
	p := d.fold.Press
	for _, f := range facts {
		job := d.h.Job(f.Job, d.plan.Span().To)
		out.Facts = append(out.Facts, timeline.ShiftFact{
			Plant: p.Plant, Press: p.Name, Day: d.plan.Day, Shift: f.Shift, Planned: f.Planned,
			Leaf: uint8(f.Leaf), Sub: uint8(f.Sub), State: f.State, Reason: f.Reason, Station: f.Station,
			Job: f.Job, Family: job.Family, Rated: f.Rated, Minor: f.Minor, Dur: f.Dur, Good: f.Good, Waste: f.Waste,
			Material: f.Waste * p.WebNanoPerMM(d.plan.Day, job.Substrate), Stops: f.Stops,
		})
	}
}

// visits writes the sessions of the groups that begin on this day.
func (d *dayFold) visits(groups []cleaning.Group, uses []loss.Use, breaks []timeline.Interval, out *timeline.Projections) (sessions, byRule int64) {
	p, span := d.fold.Press, d.plan.Span()
	var mine []cleaning.Group
	var use []loss.Use
	for i, g := range groups {
		if span.Has(g.From) {
			mine = append(mine, g)
			use = append(use, uses[i])
		}
	}
	if len(mine) == 0 {
		return 0, 0
	}
	vs, _ := cleaning.Visits(p, d.h, mine, breaks, d.standard)
	for gi, g := range mine {
		for si, s := range g.Sessions {
			sessions++
			if s.ClosedByRule {
				byRule++
			}
			base := timeline.StationVisit{
				Plant: p.Plant, Press: p.Name, Day: d.plan.Day, Session: s.ID, Occasion: s.Occasion,
				SessionFrom: s.From, SessionTo: s.To, ClosedByRule: s.ClosedByRule,
			}
			head := base
			head.Seq, head.From, head.To, head.Closing = -1, s.From, s.To, s.Closing
			head.Crew, head.Checks = s.Crew, s.Checks
			if si == 0 {
				head.Allowance = g.Allowance
				head.Overrun = use[gi].Overrun
				head.Unused = max(0, g.Allowance-use[gi].Planned)
			}
			out.Visits = append(out.Visits, head)
			n := int32(0)
			for _, v := range vs {
				if v.Session != s.ID || !inSession(v, s) {
					continue
				}
				row := base
				row.Seq, row.Station, row.Task, row.From, row.To = n, v.Station, v.Task, v.From, v.To
				row.Time, row.Standard, row.Interruption, row.Mark = v.Time, v.Standard, v.Interruption, v.Mark
				row.Own, row.Crew = v.Own, v.Crew
				out.Visits = append(out.Visits, row)
				n++
			}
		}
	}
	return sessions, byRule
}

// inSession tells reopened sessions of one id apart.
func inSession(v cleaning.Visit, s cleaning.Session) bool {
	return v.To >= s.From && v.To <= s.To
}

func (d *dayFold) duties(out *timeline.Projections) {
	p := d.fold.Press
	tasks := p.TasksOn(d.plan.Day)
	for _, r := range d.duty.Rows {
		row := timeline.DutyRow{
			Plant: p.Plant, Press: p.Name, Day: r.Day, Task: r.Task, Station: r.Station, Cadence: r.Cadence,
			Opens: r.Opens, Due: r.Due, Closes: r.Closes, Outcome: uint8(r.Outcome), DoneAt: r.DoneAt,
			Reason: r.Reason, ThirdSkip: r.ThirdSkip,
		}
		for _, t := range tasks {
			if t.Slug == r.Task {
				row.Hazards, row.Isolate = t.Hazards, t.Isolate
			}
		}
		out.Duties = append(out.Duties, row)
	}
}
