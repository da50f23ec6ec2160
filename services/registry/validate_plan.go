package registry

import (
	"fmt"
	"math"

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
		v.tasks(c.GetTasks(), on, at)
	}
}

func (v *validator) tasks(tasks []*pb.Task, on []*pb.Press, at string) {
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
		for j, d := range t.GetAlsoDischarges() {
			field := fmt.Sprintf("%s.also_discharges[%d]", to, j)
			v.check(d != t.GetSlug(), field, "a task cannot discharge itself a second time")
			v.check(all[d], field, "task %q is not in this plan", d)
			v.unique(seen, d, field, "task %q is named twice", d)
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
