package api

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
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
	return fleetFrom(revs, sc, s.resolved.of)
}

// resolvedPlants keeps what the latest documents resolve to: checking and
// resolving a large fleet takes longer than the sums of its losses. A revision
// never changes, and a resolved press is not changed by who reads it.
type resolvedPlants struct {
	mu sync.Mutex
	by map[string]resolvedPlant
}

type resolvedPlant struct {
	rev     *pb.RegistryRevision
	presses []*timeline.Press
}

// of resolves a revision, or gives what it resolved to before.
func (r *resolvedPlants) of(rev *pb.RegistryRevision) ([]*timeline.Press, error) {
	plant := rev.GetPlant().GetPlant()
	r.mu.Lock()
	known := r.by[plant]
	r.mu.Unlock()
	if known.rev == rev {
		return known.presses, nil
	}
	list, err := registry.Resolve(rev.Plant)
	if err != nil {
		return nil, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.by == nil {
		r.by = map[string]resolvedPlant{}
	}
	r.by[plant] = resolvedPlant{rev, list}
	return list, nil
}

// fleetOf resolves a scope against registry revisions, one per plant.
func fleetOf(revs []*pb.RegistryRevision, sc *pb.Scope) (*fleet, error) {
	return fleetFrom(revs, sc, func(r *pb.RegistryRevision) ([]*timeline.Press, error) { return registry.Resolve(r.Plant) })
}

func fleetFrom(revs []*pb.RegistryRevision, sc *pb.Scope, resolve func(*pb.RegistryRevision) ([]*timeline.Press, error)) (*fleet, error) {
	f := &fleet{presses: map[string]*timeline.Press{}, plants: map[string]*pb.Plant{}, scope: []string{}}
	kinds := map[string]bool{}
	for _, r := range revs {
		f.rev = max(f.rev, r.Rev)
		list, err := resolve(r)
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

// withPlants is the presses in scope and, where the scope names whole plants,
// what is said of these.
func (f *fleet) withPlants(sc *pb.Scope) []string {
	if len(sc.GetPlants()) == 0 || len(sc.GetPresses()) > 0 || len(sc.GetKinds()) > 0 {
		return f.scope
	}
	out := slices.Clone(f.scope)
	for _, p := range sc.GetPlants() {
		out = append(out, p+"/"+timeline.PlantPress)
	}
	return out
}

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
		out.Through, out.Newest = stamp(first), stamp(last)
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
