package api

import (
	"context"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// PressState is what a press's own slices say of it last.
type PressState struct {
	State   pb.State
	SinceMS int64 // begin of the stretch of that state, unix ms
	AtLeast bool  // or earlier
	Reason  string
	Job     string
}

func (x PressState) tell(p *pb.PressStatus) {
	if x.State == pb.State_STATE_UNSPECIFIED {
		return
	}
	p.State, p.StateSince, p.StateSinceOrBefore, p.StateReason, p.StateJob = x.State, stamp(x.SinceMS), x.AtLeast, x.Reason, x.Job
}

// stateBack is how far before the foremost frontier states are looked for.
const stateBack = 48 * timeline.Hour

// states asks for the states of the presses in scope.
func (t *statusService) states(ctx context.Context, f *fleet, frontiers map[string]int64) (map[string]PressState, error) {
	last := int64(0)
	for _, id := range f.scope {
		last = max(last, frontiers[id])
	}
	if t.s.deps.States == nil || last == 0 {
		return nil, nil
	}
	return t.s.deps.States(ctx, f.narrow(), last-stateBack)
}

// glance answers with frontier, lag and state alone, from the newest rows.
func (t *statusService) glance(ctx context.Context, f *fleet, resp *pb.GetStatusResponse) (*pb.GetStatusResponse, error) {
	frontiers, err := t.s.deps.Reader.Frontiers(ctx)
	if err != nil {
		return nil, err
	}
	states, err := t.states(ctx, f, frontiers)
	if err != nil {
		return nil, err
	}
	now := t.s.now().UnixMilli()
	for _, id := range f.scope {
		p := &pb.PressStatus{Press: id}
		if at, ok := frontiers[id]; ok {
			p.Frontier, p.LagMs = stamp(at), now-at
		}
		states[id].tell(p)
		resp.Presses = append(resp.Presses, p)
	}
	return resp, nil
}
