package registry

import (
	"slices"
	"sort"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// planOn is the tasks of one press from a day on, with the plans of the
// document they come from.
type planOn struct {
	from  timeline.Day
	tasks []*pb.Task
	own   *pb.CleaningPlan // of the press; nil: the kind's alone
	kind  *pb.CleaningPlan // of the kind in force; nil: none
}

// plansOf are the plans of a press, by the day from which they hold. From its
// first plan of its own on a press has that and no other: a whole plan stands
// alone; one of differences is laid over the kind's plan in force, and follows
// it when it changes.
func plansOf(p *pb.Plant, x *pb.Press) []planOn {
	var common, own []*pb.CleaningPlan
	var days []timeline.Day
	for _, c := range p.GetPlans() {
		switch {
		case c.GetPress() != "" && c.GetPress() == x.GetPress():
			own = append(own, c)
		case c.GetPress() == "" && c.GetKind() == x.GetKind():
			common = append(common, c)
		default:
			continue
		}
		days = append(days, since(c.GetValidFrom()))
	}
	slices.Sort(days)
	var out []planOn
	for _, d := range slices.Compact(days) {
		o, k := inForce(own, d), inForce(common, d)
		on := planOn{from: d, own: o, kind: k}
		switch {
		case o == nil:
			on.tasks = k.GetTasks()
		case !o.GetDiffers():
			if since(o.GetValidFrom()) != d {
				continue // the kind's plan changes, the press has its own
			}
			on.tasks = o.GetTasks()
		default:
			on.tasks = laidOver(k.GetTasks(), o)
		}
		out = append(out, on)
	}
	return out
}

// inForce is the plan with the latest valid_from up to a day; nil: none.
func inForce(plans []*pb.CleaningPlan, d timeline.Day) *pb.CleaningPlan {
	var out *pb.CleaningPlan
	for _, c := range plans {
		if from := since(c.GetValidFrom()); from <= d && (out == nil || from > since(out.GetValidFrom())) {
			out = c
		}
	}
	return out
}

// laidOver is the tasks of a kind's plan with a press's differences, in working
// order.
func laidOver(base []*pb.Task, o *pb.CleaningPlan) []*pb.Task {
	out := slices.DeleteFunc(slices.Clone(base), func(t *pb.Task) bool { return slices.Contains(o.GetRemoved(), t.GetSlug()) })
	find := func(slug string) int {
		return slices.IndexFunc(out, func(t *pb.Task) bool { return t.GetSlug() == slug })
	}
	for _, t := range o.GetTasks() {
		i := find(t.GetSlug())
		if i >= 0 && t.GetAfter() == "" {
			out[i] = t
			continue
		}
		if i >= 0 {
			out = slices.Delete(out, i, i+1)
		}
		at := len(out)
		if j := find(t.GetAfter()); t.GetAfter() != "" && j >= 0 {
			at = j + 1
		}
		out = slices.Insert(out, at, t)
	}
	return out
}

// TasksOn is the plan of a press on a production day as the document words it,
// in working order; nil when there is none.
func TasksOn(p *pb.Plant, press string, day timeline.Day) []*pb.Task {
	for _, x := range p.GetPresses() {
		if x.GetPress() != press {
			continue
		}
		plans := plansOf(p, x)
		i := sort.Search(len(plans), func(i int) bool { return plans[i].from > day })
		if i == 0 {
			return nil
		}
		return plans[i-1].tasks
	}
	return nil
}

func resolvePlans(p *pb.Plant, x *pb.Press) []timeline.Plan {
	var out []timeline.Plan
	for _, on := range plansOf(p, x) {
		out = append(out, timeline.Plan{ValidFrom: on.from, Tasks: tasks(on.tasks)})
	}
	return out
}

func tasks(list []*pb.Task) []timeline.Task {
	var out []timeline.Task
	for _, t := range list {
		task := timeline.Task{Slug: t.Slug, Station: t.Station, Standard: minutes(t.StandardMinutes), Grace: minutes(t.GraceMinutes),
			Isolate: t.Isolate, Safety: t.Safety, AlsoDischarges: slices.Clone(t.AlsoDischarges), MakerLimit: t.MakerLimit, Tolerance: t.TolerancePercent}
		for _, h := range t.Hazards {
			task.Hazards = append(task.Hazards, uint8(h))
		}
		for _, g := range t.Triggers {
			task.Triggers = append(task.Triggers, timeline.Trigger{Cadence: timeline.Cadence(g.Cadence), Every: g.Every,
				AnchorDay: int(g.AnchorDay), SameFamily: g.SameFamily})
		}
		out = append(out, task)
	}
	return out
}
