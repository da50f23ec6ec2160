package api

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/registry"
)

// RulesVersion is set by the program: the version of the accounting rules.
var RulesVersion uint32 = 1

// fleet is the presses in scope, from the latest registry.
type fleet struct {
	rev     uint64
	presses map[string]*timeline.Press // all, by "plant/press"
	scope   []string                   // those in scope, sorted; never nil
	plants  map[string]*pb.Plant
}

// inScope resolves a scope. A name that the registry does not know is
// NOT_FOUND.
func (s *Server) inScope(ctx context.Context, sc *pb.Scope) (*fleet, error) {
	revs, err := s.deps.Registry.Latest(ctx)
	if err != nil {
		return nil, err
	}
	return fleetOf(revs, sc)
}

// fleetOf resolves a scope against registry revisions, one per plant.
func fleetOf(revs []*pb.RegistryRevision, sc *pb.Scope) (*fleet, error) {
	f := &fleet{presses: map[string]*timeline.Press{}, plants: map[string]*pb.Plant{}, scope: []string{}}
	kinds := map[string]bool{}
	for _, r := range revs {
		f.rev = max(f.rev, r.Rev)
		list, err := registry.Resolve(r.Plant)
		if err != nil {
			return nil, fmt.Errorf("registry revision %d: %w", r.Rev, err)
		}
		f.plants[r.Plant.Plant] = r.Plant
		for _, p := range list {
			f.presses[p.ID()] = p
			kinds[p.Kind] = true
		}
	}
	for _, n := range sc.GetPlants() {
		if f.plants[n] == nil {
			return nil, notFound("plant", n)
		}
	}
	for _, n := range sc.GetPresses() {
		if f.presses[n] == nil {
			return nil, notFound("press", n)
		}
	}
	for _, n := range sc.GetKinds() {
		if !kinds[n] {
			return nil, notFound("press kind", n)
		}
	}
	has := func(list []string, x string) bool { return len(list) == 0 || slices.Contains(list, x) }
	for id, p := range f.presses {
		if has(sc.GetPlants(), p.Plant) && has(sc.GetPresses(), id) && has(sc.GetKinds(), p.Kind) {
			f.scope = append(f.scope, id)
		}
	}
	slices.Sort(f.scope)
	return f, nil
}

// narrow is the list of presses to hand to a query.
func (f *fleet) narrow() []string { return f.scope }

// zones of the plants in scope.
func (f *fleet) zones() []string {
	var out []string
	for _, id := range f.scope {
		if z := f.presses[id].Zone.String(); !slices.Contains(out, z) {
			out = append(out, z)
		}
	}
	slices.Sort(out)
	return out
}

// period reads a request's period.
func period(p *pb.Period) (from, to timeline.Day, err error) { return periodAt("period", p) }

// periodAt reads a period that stands at a path of its request.
func periodAt(path string, p *pb.Period) (from, to timeline.Day, err error) {
	if from, err = timeline.ParseDay(p.GetFirstDay()); err != nil {
		return 0, 0, invalid(path+".first_day", err.Error())
	}
	if to, err = timeline.ParseDay(p.GetLastDay()); err != nil {
		return 0, 0, invalid(path+".last_day", err.Error())
	}
	if to < from {
		return 0, 0, invalid(path+".last_day", "is before first_day")
	}
	if to-from > 36_600 {
		return 0, 0, invalid(path+".last_day", "is more than a century after first_day")
	}
	return from, to, nil
}

// behindAfter is how far behind the foremost a press may be without being
// named.
const behindAfter = 10 * timeline.Minute

// asOf pins what an answer about the fleet could have seen.
func (s *Server) asOf(ctx context.Context, f *fleet) (*pb.AsOf, error) {
	pos, err := s.deps.Reader.MaxPos(ctx)
	if err != nil {
		return nil, err
	}
	fr, err := s.deps.Reader.Frontiers(ctx)
	if err != nil {
		return nil, err
	}
	out := &pb.AsOf{Pos: pos, RegistryRev: f.rev, RulesVersion: RulesVersion}
	var first, last int64
	for _, id := range f.scope {
		t, ok := fr[id]
		if !ok {
			continue
		}
		if first == 0 || t < first {
			first = t
		}
		last = max(last, t)
	}
	if first != 0 {
		out.Through = stamp(first)
	}
	for _, id := range f.scope {
		t, ok := fr[id]
		switch {
		case !ok && last != 0:
			out.Behind = append(out.Behind, &pb.PressLag{Press: id})
		case ok && last-t > behindAfter:
			out.Behind = append(out.Behind, &pb.PressLag{Press: id, Frontier: stamp(t)})
		}
	}
	return out, nil
}

func stamp(ms int64) *timestamppb.Timestamp { return timestamppb.New(time.UnixMilli(ms).UTC()) }

// splitPress parts "plant/press".
func splitPress(id string) (plant, press string) {
	plant, press, _ = strings.Cut(id, "/")
	return plant, press
}
