package api

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/study"
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
	if x.Predecessors, err = r.s.predecessors(ctx, x); err != nil {
		return "", err
	}
	c, err := r.s.compute(ctx, d.set, x.Spec, study.Method, func(done, total int) { r.set(x.Id, done, total) })
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
	Describe(x, c.result)
	lines, err := r.s.moneyLines(ctx, x, c.result)
	if err != nil {
		return "", err
	}
	addMoney(x, lines)
	return "", nil
}

// Describe copies what people read first out of a result.
func Describe(x *pb.Study, res *study.Result) {
	x.Findings, x.Sentences, x.Cautions, x.DataNotes = nil, nil, nil, nil
	level := fmt.Sprintf("%.4g %%", 100*(1-res.Spec.Alpha))
	if len(res.Summary) > 0 {
		x.Sentences, x.Cautions = append(x.Sentences, res.Summary[0]), append(x.Cautions, res.Summary[1:]...)
	}
	x.Cautions = append(x.Cautions, res.Warnings...)
	for i := range res.Findings {
		f := &res.Findings[i]
		p := &pb.StationFinding{Station: f.Name, Grade: int32(f.Grade), NotCleanedRows: int64(f.NotCleaned), Presses: int64(f.Informative),
			Sentence: strings.Join(said(f.Sentences), " "),
			Meters:   &pb.Estimate{N: int64(f.NotCleaned)}, RateRatio: &pb.Estimate{N: int64(f.NotCleaned)}}
		if t := trialOf(res, f); t != nil {
			how := "assignment drawn again, " + level
			p.Meters = &pb.Estimate{Value: t.Effect, Low: t.Low, High: t.High, N: int64(t.Rows), Method: how, Ok: true}
			p.RateRatio = &pb.Estimate{Value: math.Exp(t.Beta), Low: math.Exp(t.BetaLow), High: math.Exp(t.BetaHigh), N: int64(t.Rows), Method: how, Ok: true}
		} else if e := f.Waste; e != nil {
			how := "Poisson pseudo-likelihood, clustered by press, " + level
			p.Meters = &pb.Estimate{Value: e.Difference, Low: e.Low, High: e.High, N: int64(f.NotCleaned), Method: how, Ok: true}
			p.RateRatio = &pb.Estimate{Value: e.Ratio, Low: e.RatioLow, High: e.RatioHigh, N: int64(f.NotCleaned), Method: how, Ok: true}
		}
		if t := trialOf(res, f); t != nil {
			p.P, p.PAdjusted, p.DetectableMeters = t.P, t.P, t.Detectable
		} else if f.Test != nil {
			p.P, p.PAdjusted = f.Test.P, f.Test.Adjusted
		}
		if f.Detectable != nil && p.DetectableMeters == 0 {
			p.DetectableMeters = f.Detectable.Meters
		}
		x.Findings = append(x.Findings, p)
		x.Sentences = append(x.Sentences, said(f.Sentences)...)
	}
	r := &res.Rows
	x.DataNotes = append(x.DataNotes, fmt.Sprintf("%d press-days with a run, %d kept, %d presses, %d of them in the shift test.", r.InDataSet, r.Kept, len(res.Presses), r.InShifts))
	for _, c := range r.LeftOut {
		x.DataNotes = append(x.DataNotes, fmt.Sprintf("%d press-days left out: %s.", c.Rows, c.Reason))
	}
	for _, l := range res.LeftOut {
		x.DataNotes = append(x.DataNotes, fmt.Sprintf("%s left out: %s.", l.Name, l.Reason))
	}
	if t := res.Trial; t != nil && t.Refusal != "" {
		x.Sentences = append(x.Sentences, t.Sentences...)
	}
	if n := len(x.Predecessors); n > 0 {
		x.DataNotes = append(x.DataNotes, fmt.Sprintf("Asked before of the same presses and days or rows: %d, the first %s, the last %s. The more is asked, the more differences are seen by chance.", n, x.Predecessors[0], x.Predecessors[n-1]))
	}
}
