package api

import (
	"context"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/study"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// trialPlan is a plan as the study package takes it. The presses must be named
// one by one: a plan is drawn for a list of presses, and a plant's list changes.
// The registry is not asked: a plan stays what it was.
func trialPlan(field string, p *pb.TrialPlan) (*study.TrialPlan, error) {
	if p == nil {
		return nil, nil
	}
	if len(p.GetScope().GetPresses()) == 0 || len(p.GetScope().GetPlants()) > 0 || len(p.GetScope().GetKinds()) > 0 {
		return nil, invalid(field+".scope", "a trial names its presses one by one, as the plan listed them")
	}
	if p.GetPeriod() == nil {
		return nil, invalid(field+".period", "a trial has a first and a last day")
	}
	first, last, err := periodAt(field+".period", p.GetPeriod())
	if err != nil {
		return nil, err
	}
	out := &study.TrialPlan{Station: p.GetStation(), Presses: slices.Clone(p.GetScope().GetPresses()), Seed: p.GetSeed(),
		Mondays: study.Mondays(int32(first), int32(last))}
	slices.Sort(out.Presses)
	for _, n := range p.GetEvery() {
		out.Every = append(out.Every, int(n))
	}
	if err := out.Check(); err != nil {
		return nil, specError(err)
	}
	return out, nil
}

// studiesAtOnce bounds the memory of looking through kept studies.
const studiesAtOnce = 50

// predecessors are the studies answered before of the same data: the same data
// set, or the same presses and days. Oldest first. Who asks the same rows again
// and again until something shows has to see it.
func (s *Server) predecessors(ctx context.Context, x *pb.Study) (out []string, err error) {
	before := x.Id
	for {
		list, err := s.deps.Reader.ListStudies(ctx, before, studiesAtOnce)
		if err != nil {
			return nil, err
		}
		for _, rec := range list {
			o, err := studyOf(rec)
			if err != nil {
				return nil, err
			}
			if o.State == pb.StudyState_STUDY_STATE_DONE && sameData(x, o) {
				out = append(out, o.Id)
			}
			before = o.Id
		}
		if len(list) < studiesAtOnce {
			slices.Reverse(out)
			return out, nil
		}
	}
}

func sameData(a, b *pb.Study) bool {
	scope := func(x *pb.Study) *pb.Scope {
		if s := x.GetSpec().GetScope(); s != nil {
			return s
		}
		return &pb.Scope{}
	}
	return a.DataSha256 == b.DataSha256 || proto.Equal(scope(a), scope(b)) && proto.Equal(a.GetSpec().GetPeriod(), b.GetSpec().GetPeriod())
}
