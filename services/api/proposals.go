package api

import (
	"context"
	"fmt"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// proposalCaution stands with every proposal: a median is what was, not what
// the work needs.
const proposalCaution = "A proposal is only the middle of observed times. Whoever answers for the work decides whether it leaves time to do it safely; isolating, restoring and handing back are never timed from what was observed, and no time is a reason to hurry."

const proposalMethod = "median of the crew's own times; interval from order statistics, at least 95 % (Conover, Practical Nonparametric Statistics, 1999, 3.2)"

// ListStandardProposals sets observed times beside the standards of the plans
// that are valid on the period's last day.
func (c *cleaningService) ListStandardProposals(ctx context.Context, req *pb.ListStandardProposalsRequest) (*pb.ListStandardProposalsResponse, error) {
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	f, err := c.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	all := f.planCautions(to)
	resp := &pb.ListStandardProposalsResponse{Period: req.GetPeriod(), Cautions: append([]string{all[0], proposalCaution}, all[1:]...)}
	if resp.AsOf, err = c.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	rows, err := c.visits(ctx, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	// Presses of one kind in one plant share a task when station and standard are
	// the same: a press whose plan differs stands on a line of its own.
	type key struct {
		plant, kind, task, station string
		standard                   int64
	}
	type line struct {
		key
		task   timeline.Task
		visits []cleaning.Visit
	}
	lines := map[key]*line{}
	var order []*line
	taskOf := map[string]map[string]*line{} // press → task and station
	for _, id := range f.scope {
		p := f.presses[id]
		taskOf[id] = map[string]*line{}
		for _, t := range p.TasksOn(to) {
			k := key{p.Plant, p.Kind, t.Slug, t.Station, t.Standard}
			if lines[k] == nil {
				lines[k] = &line{key: k, task: t}
				order = append(order, lines[k])
			}
			taskOf[id][t.Slug] = lines[k]
			if taskOf[id]["\x00"+t.Station] == nil {
				taskOf[id]["\x00"+t.Station] = lines[k] // a sign-off that names no task
			}
		}
	}
	for i := range rows {
		r := &rows[i]
		if r.Seq < 0 {
			continue
		}
		name := r.Task
		if name == "" {
			name = "\x00" + r.Station
		}
		if l := taskOf[r.Plant+"/"+r.Press][name]; l != nil && l.station == r.Station {
			l.visits = append(l.visits, f.visit(r))
		}
	}
	for _, l := range order {
		resp.Proposals = append(resp.Proposals, proposal(l.plant, l.kind, l.task, l.visits))
	}
	if n := len(resp.Proposals); n > maxRows {
		return nil, tooManyRows(n, "narrow the scope")
	}
	return resp, nil
}

func proposal(plant, kind string, t timeline.Task, visits []cleaning.Visit) *pb.StandardProposal {
	out := &pb.StandardProposal{Plant: plant, Kind: kind, Task: t.Slug, Station: t.Station, StandardMinutes: float64(t.Standard) / msPerMinute,
		ProposalMinutes: &pb.Estimate{Method: proposalMethod}}
	if t.Safety {
		out.Refused = "marked safety: isolation and restoring are never proposed from observed times"
		return out
	}
	p := cleaning.Propose(visits, t.Isolate)
	out.ProposalMinutes.N = int64(p.N)
	out.LeftOut, out.Batch, out.Shared, out.Doubtful = int64(p.LeftOut()), int64(p.Batch), int64(p.Shared), int64(p.Doubtful)
	out.Interrupted, out.Isolating = int64(p.Interrupted), int64(p.Isolating)
	if !p.OK {
		out.Refused = fmt.Sprintf("%d visits can be used, at least %d are needed", p.N, cleaning.ProposalMin)
		return out
	}
	e := out.ProposalMinutes
	e.Ok, e.Value, e.Low, e.High = true, p.Median/msPerMinute, p.Low/msPerMinute, p.High/msPerMinute
	return out
}
