package api

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// studyRunner works studies off, one at a time, oldest first.
type studyRunner struct {
	s    *Server
	wake chan struct{}

	mu  sync.Mutex
	now map[string]*pb.WatchStudyResponse // the study under way
}

func newStudyRunner(s *Server) *studyRunner {
	return &studyRunner{s: s, wake: make(chan struct{}, 1), now: map[string]*pb.WatchStudyResponse{}}
}

// Wake asks for a look at the queue.
func (r *studyRunner) Wake() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// progress of the study under way; nil for any other.
func (r *studyRunner) progress(id string) *pb.WatchStudyResponse {
	r.mu.Lock()
	defer r.mu.Unlock()
	if p := r.now[id]; p != nil {
		return proto.Clone(p).(*pb.WatchStudyResponse)
	}
	return nil
}

func (r *studyRunner) set(id string, done, total int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.now[id] = &pb.WatchStudyResponse{State: pb.StudyState_STUDY_STATE_RUNNING, Done: int64(done), Total: int64(total)}
}

// queueTick is how often the queue is looked at without being woken, and how
// long a study waits that could not be read.
const queueTick = 5 * time.Second

// run works until ctx ends. Studies that a stopped process left queued or
// running are taken up again.
func (r *studyRunner) run(ctx context.Context) {
	for ctx.Err() == nil {
		list, err := r.s.deps.Reader.UnfinishedStudies(ctx)
		if err != nil && ctx.Err() == nil {
			r.s.log.Warn("the queue of studies cannot be read, trying again", "error", err)
		}
		for _, rec := range list {
			if ctx.Err() != nil {
				return
			}
			if err := r.one(ctx, rec); err != nil && ctx.Err() == nil {
				r.s.log.Warn("a study has to wait", "study", rec.ID, "error", err)
			}
		}
		if r.s.wait(ctx, r.wake, queueTick) != nil {
			return
		}
	}
}

// one runs a study and keeps what came out. An error means: try again later.
func (r *studyRunner) one(ctx context.Context, rec StudyRecord) error {
	x, err := studyOf(rec)
	if err != nil {
		return err
	}
	r.set(x.Id, 0, 0)
	defer func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		delete(r.now, x.Id)
	}()
	version := rec.Version
	put := func() error {
		version++
		return r.s.putStudy(ctx, x, version)
	}
	x.State, x.Version = pb.StudyState_STUDY_STATE_RUNNING, r.s.cfg.Version
	if err := put(); err != nil {
		return err
	}
	why, err := r.answer(ctx, x)
	if err != nil {
		return err
	}
	if x.State = pb.StudyState_STUDY_STATE_DONE; why != "" {
		x.State, x.Error = pb.StudyState_STUDY_STATE_FAILED, why
	}
	return put()
}

// answer reads the data set, keeps it and runs the study on it. why says why
// the study failed for good.
func (r *studyRunner) answer(ctx context.Context, x *pb.Study) (why string, err error) {
	defer func() {
		if p := recover(); p != nil {
			r.s.log.Error("a study panicked", "study", x.Id, "panic", fmt.Sprint(p), "stack", string(debug.Stack()))
			why, err = "internal error", nil
		}
	}()
	d, err := r.s.readData(ctx, x.Spec)
	if err != nil {
		var gone *goneError
		if errors.As(err, &gone) {
			return gone.Error(), nil
		}
		return "", err
	}
	x.Spec.Period, x.AsOf = d.period, d.asOf
	if x.DataSha256, err = r.s.deps.Reader.PutData(ctx, d.set.Bytes()); err != nil {
		return "", err
	}
	c, err := compute(ctx, d.set, x.Spec, func(done, total int) { r.set(x.Id, done, total) })
	switch {
	case errors.Is(err, study.ErrSpec), errors.Is(err, study.ErrData):
		return err.Error(), nil
	case ctx.Err() != nil:
		return "", ctx.Err()
	case err != nil:
		r.s.log.Error("a study failed", "study", x.Id, "error", err)
		return "internal error", nil
	}
	x.ResultJson, x.ResultSha256 = string(c.text), c.sum
	describe(x, c.result)
	return "", nil
}

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
	asOf.Pos, asOf.RegistryRev = pos, rev
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

// describe copies what people read first out of a result.
func describe(x *pb.Study, res *study.Result) {
	x.Findings, x.Sentences, x.Cautions, x.DataNotes = nil, nil, nil, nil
	level := fmt.Sprintf("%.4g %%", 100*(1-res.Spec.Alpha))
	if len(res.Summary) > 0 {
		x.Sentences, x.Cautions = append(x.Sentences, res.Summary[0]), append(x.Cautions, res.Summary[1:]...)
	}
	x.Cautions = append(x.Cautions, res.Warnings...)
	for i := range res.Findings {
		f := &res.Findings[i]
		p := &pb.StationFinding{Station: f.Name, Grade: int32(f.Grade), NotCleanedRows: int64(f.NotCleaned), Presses: int64(f.Informative),
			Sentence: strings.Join(f.Sentences, " "),
			Meters:   &pb.Estimate{N: int64(f.NotCleaned)}, RateRatio: &pb.Estimate{N: int64(f.NotCleaned)}}
		if e := f.Waste; e != nil {
			how := "Poisson pseudo-likelihood, clustered by press, " + level
			p.Meters = &pb.Estimate{Value: e.Difference, Low: e.Low, High: e.High, N: int64(f.NotCleaned), Method: how, Ok: true}
			p.RateRatio = &pb.Estimate{Value: e.Ratio, Low: e.RatioLow, High: e.RatioHigh, N: int64(f.NotCleaned), Method: how, Ok: true}
		}
		if f.Test != nil {
			p.P, p.PAdjusted = f.Test.P, f.Test.Adjusted
		}
		if f.Detectable != nil {
			p.DetectableMeters = f.Detectable.Meters
		}
		x.Findings = append(x.Findings, p)
		x.Sentences = append(x.Sentences, f.Sentences...)
	}
	r := &res.Rows
	x.DataNotes = append(x.DataNotes, fmt.Sprintf("%d press-days with a run, %d kept, %d presses, %d of them in the shift test.", r.InDataSet, r.Kept, len(res.Presses), r.InShifts))
	for _, c := range r.LeftOut {
		x.DataNotes = append(x.DataNotes, fmt.Sprintf("%d press-days left out: %s.", c.Rows, c.Reason))
	}
	for _, l := range res.LeftOut {
		x.DataNotes = append(x.DataNotes, fmt.Sprintf("%s left out: %s.", l.Name, l.Reason))
	}
}
