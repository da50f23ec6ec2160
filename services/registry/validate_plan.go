package registry

import (
	"fmt"
	"math"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func (v *validator) allPlans() {
	seen := map[string]int{}
	for i, c := range v.plant.Plans {
		at := fmt.Sprintf("plans[%d]", i)
		v.day(c.GetValidFrom(), at+".valid_from", true)
		var on []*pb.Press // presses the plan is for
		switch {
		case (c.GetKind() == "") == (c.GetPress() == ""):
			v.problem(at, "must name exactly one of kind and press")
		case c.GetPress() != "":
			if p := v.presses[c.Press]; v.check(p != nil, at+".press", "press %q is not in the document", c.Press) {
				on = append(on, p)
			}
			v.unique(seen, "press "+c.Press+" "+c.ValidFrom, at+".valid_from", "a second plan of press %q from the same day", c.Press)
		default:
			v.check(v.kinds[c.Kind], at+".kind", "no press is of kind %q", c.Kind)
			for _, p := range v.plant.Presses {
				if p.GetKind() == c.Kind {
					on = append(on, p)
				}
			}
			v.unique(seen, "kind "+c.Kind+" "+c.ValidFrom, at+".valid_from", "a second plan of kind %q from the same day", c.Kind)
		}
		v.differences(c, at)
		v.tasks(c, on, at)
	}
	if len(v.problems) == 0 { // only then do the plans tell what is laid over what
		v.laidOver()
	}
}

// differences checks what only a plan of differences may say.
func (v *validator) differences(c *pb.CleaningPlan, at string) {
	v.check(!c.GetDiffers() || c.GetPress() != "", at+".differs", "is for the plan of a press: a kind has nothing to differ from")
	v.check(c.GetDiffers() || len(c.GetRemoved()) == 0, at+".removed", "is only for a plan that differs")
	own := map[string]bool{}
	for _, t := range c.GetTasks() {
		own[t.GetSlug()] = true
	}
	seen := map[string]int{}
	for i, slug := range c.GetRemoved() {
		field := fmt.Sprintf("%s.removed[%d]", at, i)
		v.unique(seen, slug, field, "task %q is named twice", slug)
		v.check(!own[slug], field, "task %q is also given: leave one of the two out", slug)
	}
	for i, t := range c.GetTasks() {
		field := fmt.Sprintf("%s.tasks[%d].after", at, i)
		v.check(t.GetAfter() == "" || c.GetDiffers(), field, "is only for a plan that differs: elsewhere the list is the working order")
		v.check(t.GetAfter() == "" || t.GetAfter() != t.GetSlug(), field, "names the task itself")
	}
}

// laidOver checks each press's plans as they stand once the differences are
// laid over the kind's.
func (v *validator) laidOver() {
	place := map[*pb.CleaningPlan]int{}
	for i, c := range v.plant.Plans {
		place[c] = i
	}
	used := map[*pb.CleaningPlan]map[string]bool{} // removed slugs that some plan has, by plan
	for _, x := range v.plant.Presses {
		for _, on := range plansOf(v.plant, x) {
			if !on.own.GetDiffers() {
				continue
			}
			at := fmt.Sprintf("plans[%d]", place[on.own])
			if !v.check(on.kind != nil, at+".differs", "no plan of kind %q holds on %s: there is nothing to differ from", x.GetKind(), dayWords(on.from)) {
				continue
			}
			if used[on.own] == nil {
				used[on.own] = map[string]bool{}
			}
			for _, t := range on.kind.GetTasks() {
				used[on.own][t.GetSlug()] = true
			}
			all := map[string]bool{}
			for _, t := range on.tasks {
				all[t.GetSlug()] = true
			}
			for _, t := range on.tasks {
				v.check(t.GetAfter() == "" || all[t.GetAfter()], at+".tasks", "task %q comes after %q, which the press does not have from %s on", t.GetSlug(), t.GetAfter(), dayWords(on.from))
				for _, d := range t.GetAlsoDischarges() {
					v.check(all[d], at, "task %q also discharges %q, which the press does not have from %s on", t.GetSlug(), d, dayWords(on.from))
				}
			}
		}
	}
	for i, c := range v.plant.Plans {
		for j, slug := range c.GetRemoved() {
			v.check(used[c] == nil || used[c][slug], fmt.Sprintf("plans[%d].removed[%d]", i, j), "task %q is in no plan of the kind while this one holds", slug)
		}
	}
}

func dayWords(d timeline.Day) string {
	if d == timeline.NoDay {
		return "the first day"
	}
	return d.String()
}

func (v *validator) tasks(c *pb.CleaningPlan, on []*pb.Press, at string) {
	tasks := c.GetTasks()
	slugs := map[string]int{}
	all := map[string]bool{}
	for _, t := range tasks {
		all[t.GetSlug()] = true
	}
	for i, t := range tasks {
		to := fmt.Sprintf("%s.tasks[%d]", at, i)
		v.slug(t.GetSlug(), to+".slug")
		v.unique(slugs, t.GetSlug(), to+".slug", "task %q is given twice", t.GetSlug())
		if v.slug(t.GetStation(), to+".station") {
			for _, p := range on {
				v.check(hasStation(p, t.Station), to+".station", "press %q has no station %q", p.Press, t.Station)
			}
		}
		v.text(t.GetText(), to+".text")
		m := t.GetStandardMinutes()
		v.check(m > 0 && m <= 480, to+".standard_minutes", "must be more than 0 and at most 480 minutes")
		v.within(t.GetGraceMinutes(), 0, 10080, to+".grace_minutes", "minutes")
		v.within(t.GetMakerLimit(), 0, 1e9, to+".maker_limit", "of what the trigger counts")
		v.triggers(t, to)
		seen := map[string]int{}
		for j, h := range t.GetHazards() {
			field := fmt.Sprintf("%s.hazards[%d]", to, j)
			if v.check(h != 0 && pb.Hazard_name[int32(h)] != "", field, "is not a known hazard") {
				v.unique(seen, h.String(), field, "the hazard is named twice")
			}
		}
		seen = map[string]int{}
		for j, o := range t.GetOutcomes() {
			field := fmt.Sprintf("%s.outcomes[%d]", to, j)
			if v.check(o != 0 && pb.Outcome_name[int32(o)] != "", field, "is not a known outcome") {
				v.unique(seen, o.String(), field, "the outcome is named twice")
			}
		}
		v.tolerance(t, to)
		seen = map[string]int{}
		for j, d := range t.GetAlsoDischarges() {
			field := fmt.Sprintf("%s.also_discharges[%d]", to, j)
			v.check(d != t.GetSlug(), field, "a task cannot discharge itself a second time")
			v.check(all[d] || c.GetDiffers(), field, "task %q is not in this plan", d)
			v.unique(seen, d, field, "task %q is named twice", d)
		}
	}
}

// tolerance checks the share of the interval that is granted after due: it
// needs an interval in days, and not two graces.
func (v *validator) tolerance(t *pb.Task, at string) {
	p := t.GetTolerancePercent()
	if !v.within(p, 0, 100, at+".tolerance_percent", "%") || p == 0 {
		return
	}
	v.check(t.GetGraceMinutes() == 0, at+".tolerance_percent", "stands beside grace_minutes: leave one of the two out")
	for _, g := range t.GetTriggers() {
		if c := g.GetCadence(); c != pb.Cadence_CADENCE_DAYS && c != pb.Cadence_CADENCE_WEEKLY {
			v.problem(at+".tolerance_percent", "is for tasks that are due every n days or weekly only: use grace_minutes")
			return
		}
	}
}

func (v *validator) triggers(t *pb.Task, at string) {
	v.check(len(t.GetTriggers()) > 0, at+".triggers", "is missing: when is the task due?")
	seen := map[string]int{}
	for i, g := range t.GetTriggers() {
		to := fmt.Sprintf("%s.triggers[%d]", at, i)
		c := g.GetCadence()
		if !v.check(c != 0 && pb.Cadence_name[int32(c)] != "", to+".cadence", "is missing or not known") {
			continue
		}
		v.unique(seen, c.String(), to+".cadence", "is given twice")
		every := g.GetEvery()
		switch c {
		case pb.Cadence_CADENCE_DAYS:
			v.check(every >= 1 && every <= 400 && every == math.Trunc(every), to+".every", "must be 1 to 400 whole days")
		case pb.Cadence_CADENCE_RUN_HOURS:
			v.check(every > 0 && every <= 1e5, to+".every", "must be more than 0 and at most 100000 run hours")
		case pb.Cadence_CADENCE_RUN_KM:
			v.check(every > 0 && every <= 1e6, to+".every", "must be more than 0 and at most 1000000 km")
		default:
			v.check(every == 0, to+".every", "has no meaning here: leave it out")
		}
		if g.GetAnchorDay() != 0 {
			v.check(c == pb.Cadence_CADENCE_WEEKLY, to+".anchor_day", "is for a weekly cadence only")
			v.check(g.AnchorDay >= 1 && g.AnchorDay <= 7, to+".anchor_day", "is not a weekday")
		}
		v.check(!g.GetSameFamily() || c == pb.Cadence_CADENCE_JOB_CHANGE, to+".same_family", "is for a job change only")
		if limit := t.GetMakerLimit(); len(t.Triggers) == 1 && limit > 0 && every > limit {
			v.problem(to+".every", "is longer than the maker's limit of %g", limit)
		}
	}
}

func hasStation(p *pb.Press, slug string) bool {
	for _, s := range p.GetStations() {
		if s.GetSlug() == slug {
			return true
		}
	}
	return false
}
