package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strconv"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

type statusService struct {
	pb.UnimplementedStatusServiceServer
	s *Server
}

func uintText(n uint64) string { return strconv.FormatUint(n, 10) }

// GetStatus says how the line is doing: every press that the registry names or
// the log holds events of.
func (t *statusService) GetStatus(ctx context.Context, req *pb.GetStatusRequest) (*pb.GetStatusResponse, error) {
	s, r := t.s, t.s.deps.Reader
	f, err := s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	resp := &pb.GetStatusResponse{WarehouseId: fmt.Sprintf("%016x", r.WarehouseID()), WarehouseVersion: r.ServerVersion()}
	if resp.AsOf, err = s.asOf(ctx, f); err != nil {
		return nil, err
	}
	if req.GetGlance() {
		return t.glance(ctx, f, resp)
	}
	logs, err := r.PressLogs(ctx)
	if err != nil {
		return nil, err
	}
	frontiers, err := r.Frontiers(ctx)
	if err != nil {
		return nil, err
	}
	dirty, err := r.DirtyFrom(ctx)
	if err != nil {
		return nil, err
	}
	dead, redriven, err := r.Dead(ctx)
	if err != nil {
		return nil, err
	}
	resp.Dead, resp.Redriven = int64(dead), int64(redriven)
	for _, l := range logs {
		resp.Events += l.Events
	}
	agents := t.agents(ctx, resp)
	names := f.scope
	if empty(req.GetScope()) {
		names = slices.Clone(names)
		for id := range logs {
			names = append(names, id)
		}
		for id := range agents { // whoever records by hand asks for marks too
			names = append(names, id)
		}
		names = slices.DeleteFunc(names, func(id string) bool {
			_, press := splitPress(id)
			return press == timeline.PlantPress
		})
		slices.Sort(names)
		names = slices.Compact(names)
	}
	now := s.now().UnixMilli()
	states, err := t.states(ctx, f, frontiers)
	if err != nil {
		return nil, err
	}
	for _, id := range names {
		l := logs[id]
		p := &pb.PressStatus{Press: id, Events: l.Events, OverlapMs: l.OverlapMS, OverlapMm: l.OverlapMM, Dead: l.Dead,
			DanglingVoids: l.Dangling, Holes: l.Holes, Unknown: f.presses[id] == nil, Lost: l.Lost, Quarantined: l.Quarantined}
		if a := agents[id]; a != nil {
			a.tell(p)
		}
		if l.Events > 0 {
			p.LastEvent = stamp(l.LastEvent)
		}
		if at, ok := frontiers[id]; ok {
			p.Frontier, p.LagMs = stamp(at), now-at
		}
		states[id].tell(p)
		if from, ok := dirty[id]; ok && l.Events > 0 {
			from = max(from, l.FirstEvent) // before it there is nothing to compute again
			p.DirtyFrom = dirtyDay(f.presses[id], from)
			resp.DirtyPressDays += dirtyDays(f.presses[id], from, max(frontiers[id], l.LastEvent))
		}
		resp.Presses = append(resp.Presses, p)
	}
	resp.SchemaVersion = s.cfg.Schema
	if s.deps.Roles != nil {
		resp.Roles = s.deps.Roles()
	}
	if s.deps.Pending != nil {
		if resp.StreamPending, err = s.deps.Pending(ctx); err != nil {
			s.log.Warn("what waits in the stream cannot be told", "error", err)
			resp.StreamPending = -1
		}
	}
	if req.GetChecksum() {
		if resp.Checksums, err = r.Checksums(ctx); err != nil {
			return nil, err
		}
		resp.Checksum = combined(resp.Checksums)
		if resp.PressDays, resp.UnbalancedPressDays, err = r.Unbalanced(ctx); err != nil {
			return nil, err
		}
	}
	return resp, nil
}

// agentView is what ingest knows of a press's agents.
type agentView struct {
	depth, heldBack int64
	seen            int64      // unix ms; 0: never
	gone            []*pb.Hole // behind the mark and no longer held by their agent
}

func (a *agentView) tell(p *pb.PressStatus) {
	p.HeldBack = a.heldBack
	for _, h := range a.gone {
		if !slices.ContainsFunc(p.Holes, func(x *pb.Hole) bool { return x.Epoch == h.Epoch && x.FirstSeq == h.FirstSeq }) {
			p.Holes = append(p.Holes, h)
		}
	}
	if a.seen > 0 {
		p.SpoolDepth, p.AgentSeen = &a.depth, stamp(a.seen)
	}
}

// agents asks ingest how far its agents are, by "plant/press". What it cannot
// tell is left out.
func (t *statusService) agents(ctx context.Context, resp *pb.GetStatusResponse) map[string]*agentView {
	out := map[string]*agentView{}
	if t.s.deps.Ingest == nil {
		return out
	}
	st, err := t.s.deps.Ingest(ctx)
	if err != nil {
		t.s.log.Warn("what ingest knows of the agents cannot be told", "error", err)
		return out
	}
	at := func(press string) *agentView {
		if out[press] == nil {
			out[press] = &agentView{}
		}
		return out[press]
	}
	for press, n := range st.GetHeldBack() {
		at(press).heldBack = n
		resp.HeldBack += n
	}
	for _, e := range st.GetEpochs() {
		if e.GetAskedMs() == 0 {
			continue
		}
		a := at(e.GetPress())
		a.seen = max(a.seen, e.GetAskedMs())
		if first := e.GetFirstSeq(); first > e.GetMark()+1 {
			a.gone = append(a.gone, &pb.Hole{Epoch: fmt.Sprintf("%016x", e.GetEpoch()), FirstSeq: e.GetMark() + 1, LastSeq: first - 1})
		}
		if e.GetLastSeq() > e.GetMark() {
			a.depth += int64(e.GetLastSeq() - e.GetMark())
		}
	}
	return out
}

// combined is one checksum over all tables: the SHA-256 of their names and
// checksums, sorted by name.
func combined(sums map[string]string) string {
	h := sha256.New()
	for _, t := range slices.Sorted(maps.Keys(sums)) {
		fmt.Fprintf(h, "%s=%s\n", t, sums[t])
	}
	return hex.EncodeToString(h.Sum(nil))
}

// dirtyDay is the first production day that waits; of a press the registry
// does not name, the UTC day.
func dirtyDay(p *timeline.Press, from int64) string {
	if p == nil {
		return timeline.DayOf(stamp(from).AsTime()).String()
	}
	return p.Calendar.DayAt(from).String()
}

// dirtyDays is how many production days wait: from the first dirty one to the
// last that anything is known of. A press that the registry does not name has
// none yet.
func dirtyDays(p *timeline.Press, from, last int64) int64 {
	if p == nil {
		return 0
	}
	return max(1, int64(p.Calendar.DayAt(last)-p.Calendar.DayAt(from))+1)
}
