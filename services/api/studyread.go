package api

import (
	"context"
	"fmt"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/status"

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// goneError: the scope names what the registry does not have any more.
type goneError struct{ err error }

func (e *goneError) Error() string { return status.Convert(e.err).Message() }

// studyData is a data set with its pins.
type studyData struct {
	set    *study.DataSet
	period *pb.Period
	asOf   *pb.AsOf
}

const (
	quietTries = 10
	quietWait  = 500 * time.Millisecond
)

// readData makes a study's data set. It reads the projections between two equal
// readings of the log's end and the registry's, with nothing of the scope
// waiting to be projected: then they are what the log as of these pins gives.
// Where the line does not come to rest, the log itself is folded as of the
// pins, which gives the same rows and takes longer.
func (s *Server) readData(ctx context.Context, spec *pb.StudySpec) (*studyData, error) {
	for try := range quietTries {
		d, err := s.quietData(ctx, spec)
		if err != nil || d != nil {
			return d, err
		}
		if try == quietTries-1 {
			break
		}
		if err := s.wait(ctx, nil, quietWait); err != nil {
			return nil, err
		}
	}
	pos, rev, err := s.pins(ctx)
	if err != nil {
		return nil, err
	}
	s.log.Info("the projections do not come to rest: folding the log for a study", "pos", pos, "registry_rev", rev)
	return s.foldData(ctx, spec, pos, rev)
}

// pins are the log's end and the latest revision the warehouse has.
func (s *Server) pins(ctx context.Context) (pos, rev uint64, err error) {
	if pos, err = s.deps.Reader.MaxPos(ctx); err != nil {
		return 0, 0, err
	}
	revs, err := s.deps.Reader.Registry(ctx, 1<<64-1)
	for _, r := range revs {
		rev = max(rev, r.Rev)
	}
	return pos, rev, err
}

// quietData reads the projections; nil when the line moved meanwhile.
func (s *Server) quietData(ctx context.Context, spec *pb.StudySpec) (*studyData, error) {
	pos, rev, err := s.pins(ctx)
	if err != nil {
		return nil, err
	}
	f, err := s.fleetAt(ctx, spec.GetScope(), rev)
	if err != nil {
		return nil, err
	}
	atRest := func() (bool, error) {
		dirty, err := s.deps.Reader.DirtyFrom(ctx)
		return !slices.ContainsFunc(f.scope, func(id string) bool { _, ok := dirty[id]; return ok }), err
	}
	if ok, err := atRest(); err != nil || !ok {
		return nil, err
	}
	from, to := allDays.from, allDays.to
	if spec.Period != nil {
		if from, to, err = period(spec.Period); err != nil {
			return nil, err
		}
	}
	days, err := s.deps.Reader.PressDays(ctx, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	from, to = dayRange(spec, days)
	visits, err := s.deps.Reader.Visits(ctx, f.narrow(), from-visitsBefore, to)
	if err != nil {
		return nil, err
	}
	asOf, err := s.asOf(ctx, f)
	if err != nil {
		return nil, err
	}
	pos2, rev2, err := s.pins(ctx)
	if err != nil {
		return nil, err
	}
	if ok, err := atRest(); err != nil || !ok || pos2 != pos || rev2 != rev {
		return nil, err
	}
	asOf.Pos, asOf.RegistryRev, asOf.Newest = pos, rev, nil
	return &studyData{set: dataSet(days, visits, stationsOf(spec)), period: periodOf(spec, from, to), asOf: asOf}, nil
}

// foldsAtOnce bounds the memory of folding the log for a study.
const foldsAtOnce = 2

// foldData folds the log as of the pins.
func (s *Server) foldData(ctx context.Context, spec *pb.StudySpec, pos, rev uint64) (*studyData, error) {
	f, err := s.fleetAt(ctx, spec.GetScope(), rev)
	if err != nil {
		return nil, err
	}
	folded := make([]timeline.Projections, len(f.scope))
	g, work := errgroup.WithContext(ctx)
	g.SetLimit(foldsAtOnce)
	for i, id := range f.scope {
		g.Go(func() error {
			p, err := s.deps.Reader.FoldAsOf(work, f.presses[id], pos)
			if err != nil {
				return fmt.Errorf("fold %s as of %d: %w", id, pos, err)
			}
			for i := range p.Days {
				p.Days[i].Carry = ""
			}
			folded[i] = timeline.Projections{Days: p.Days, Visits: p.Visits}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	var days []timeline.PressDay
	var visits []timeline.StationVisit
	asOf := &pb.AsOf{Pos: pos, RegistryRev: rev, RulesVersion: RulesVersion}
	var through int64
	for _, p := range folded {
		if n := len(p.Days); n > 0 && (through == 0 || p.Days[n-1].Through < through) {
			through = p.Days[n-1].Through
		}
		days, visits = append(days, p.Days...), append(visits, p.Visits...)
	}
	if through != 0 {
		asOf.Through = stamp(through)
	}
	from, to := dayRange(spec, days)
	days = slices.DeleteFunc(days, func(d timeline.PressDay) bool { return d.Day < from || d.Day > to })
	visits = slices.DeleteFunc(visits, func(v timeline.StationVisit) bool { return v.Day < from-visitsBefore || v.Day > to })
	return &studyData{set: dataSet(days, visits, stationsOf(spec)), period: periodOf(spec, from, to), asOf: asOf}, nil
}

// fleetAt resolves a scope against the registry as the warehouse has it, up to
// a revision.
func (s *Server) fleetAt(ctx context.Context, sc *pb.Scope, rev uint64) (*fleet, error) {
	revs, err := s.deps.Reader.Registry(ctx, rev)
	if err != nil {
		return nil, err
	}
	f, err := fleetOf(revs, sc)
	if err != nil {
		return nil, &goneError{err}
	}
	f.rev = rev
	return f, nil
}

// allDays is every day that can be stored.
var allDays = struct{ from, to timeline.Day }{-1_000_000, 1_000_000}

// dayRange is the period of a spec, or the first and last day there are.
func dayRange(spec *pb.StudySpec, days []timeline.PressDay) (from, to timeline.Day) {
	if spec.Period != nil {
		if from, to, err := period(spec.Period); err == nil {
			return from, to
		}
	}
	for i := range days {
		if i == 0 || days[i].Day < from {
			from = days[i].Day
		}
		if i == 0 || days[i].Day > to {
			to = days[i].Day
		}
	}
	return from, to
}

func periodOf(spec *pb.StudySpec, from, to timeline.Day) *pb.Period {
	if spec.Period != nil {
		return spec.Period
	}
	return &pb.Period{FirstDay: from.String(), LastDay: to.String()}
}

func stationsOf(spec *pb.StudySpec) []string {
	if len(spec.GetStations()) == 0 {
		return nil
	}
	out := slices.Clone(spec.GetStations())
	slices.Sort(out)
	return out
}
