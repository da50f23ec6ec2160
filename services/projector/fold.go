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
	State    duty.State   // before First
	First    timeline.Day // first day folded
	WriteAt  timeline.Day // first day whose rows are returned
	Frontier int64        // unix ms
}

// Run returns the rows of every day from WriteAt to the frontier's.
func (f Fold) Run() (timeline.Projections, error) {
	var out timeline.Projections
	p, st := f.Press, f.State
	grants := grantBook{by: map[timeline.ID]int64{}, seen: map[grantKey]bool{}}
	plans := planCache{cal: p.Calendar, m: map[timeline.Day]timeline.DayPlan{}}
	for d := f.First; ; d++ {
		plan := plans.get(d)
		if plan.Span().From >= f.Frontier && d > f.First {
			break
		}
		if d-f.First >= maxDays {
			return out, fmt.Errorf("more than a century lies between the first event and the last: from %s", f.First)
		}
		h := f.History.Window(timeline.Interval{From: plan.Span().From - around, To: plan.Span().To + around})
		var res duty.Result
		res, st = duty.Fold(p, st, h, plan, plans.get(d+1), f.Frontier)
		for _, g := range res.Grants {
			grants.add(g)
		}
		if d < f.WriteAt {
			continue
		}
		day := dayFold{fold: f, plan: plan, h: h, duty: res, plans: &plans}
		day.run(grants.by, &out)
		carry := st.Append(nil)
		out.Days[len(out.Days)-1].Carry = string(carry)
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
}

func (d *dayFold) run(grants map[timeline.ID]int64, out *timeline.Projections) {
	p, span := d.fold.Press, d.plan.Span()
	groups := cleaning.Groups(p, d.h, grants)
	groups = slices.DeleteFunc(groups, func(g cleaning.Group) bool { return g.And(span).Len() == 0 && !span.Has(g.From) })
	breaks := d.breaks()
	in := loss.Input{Press: p, History: d.h, Day: d.plan, Breaks: breaks, Frontier: d.fold.Frontier}
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
	res := loss.Compute(in)
	d.facts(res.Facts, out)
	sessions, byRule := d.visits(groups, res.Uses, breaks, out)
	d.duties(out)
	row := d.pressDay(&res)
	row.Sessions, row.ClosedByRule = sessions, byRule
	out.Days = append(out.Days, row)
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
			Material: f.Waste * p.WebNanoPerMM(d.plan.Day, job.Substrate),
		})
	}
}

// visits writes the sessions of the groups that begin on this day.
func (d *dayFold) visits(groups []cleaning.Group, uses []loss.Use, breaks []timeline.Interval, out *timeline.Projections) (sessions, byRule int64) {
	p, span := d.fold.Press, d.plan.Span()
	tasks := p.TasksOn(d.plan.Day)
	standard := func(task, station string) int64 {
		for _, t := range tasks {
			if t.Slug == task || task == "" && t.Station == station {
				return t.Standard
			}
		}
		return 0
	}
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
	vs, _ := cleaning.Visits(p, d.h, mine, breaks, standard)
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
