package api

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"google.golang.org/grpc/codes"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// GetIndicators returns the indicators of ISO 22400-2 that the data allows, for
// the whole scope and by press, kind or plant.
func (l *lossService) GetIndicators(ctx context.Context, req *pb.GetIndicatorsRequest) (*pb.GetIndicatorsResponse, error) {
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	by := req.GetGroupBy()
	switch by {
	case pb.LossGroup_LOSS_GROUP_UNSPECIFIED, pb.LossGroup_LOSS_GROUP_PRESS, pb.LossGroup_LOSS_GROUP_KIND, pb.LossGroup_LOSS_GROUP_PLANT:
	default:
		return nil, invalid("group_by", "indicators are given by press, kind or plant")
	}
	f, err := l.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	resp := &pb.GetIndicatorsResponse{Period: req.GetPeriod()}
	if resp.AsOf, err = l.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	days, err := l.s.deps.Reader.LossSums(ctx, false, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	facts, err := l.s.deps.Reader.FactSums(ctx, factsByPress, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	type set struct {
		sums  loss.Sums
		facts []timeline.FactSum
	}
	total, groups := &set{facts: facts}, map[string]*set{}
	group := func(press string) *set {
		key, _ := f.groupKey(by, press) // keys are presses here: no day to read
		if groups[key] == nil {
			groups[key] = &set{}
		}
		return groups[key]
	}
	for i := range days {
		s := loss.SumOf(&days[i])
		total.sums.Merge(&s)
		group(days[i].Key).sums.Merge(&s)
	}
	for _, x := range facts {
		g := group(x.Key)
		g.facts = append(g.facts, x)
	}
	if n := len(groups); n > maxRows {
		return nil, withDetails(codes.ResourceExhausted, fmt.Sprintf("the answer has %d groups, at most %d are sent: narrow the scope", n, maxRows))
	}
	resp.Sets = append(resp.Sets, &pb.IndicatorSet{Indicators: indicators(&total.sums, total.facts)})
	if by != pb.LossGroup_LOSS_GROUP_UNSPECIFIED {
		for _, key := range slices.Sorted(maps.Keys(groups)) {
			resp.Sets = append(resp.Sets, &pb.IndicatorSet{Key: key, Indicators: indicators(&groups[key].sums, groups[key].facts)})
		}
	}
	return resp, nil
}

func indicators(s *loss.Sums, facts []timeline.FactSum) []*pb.Indicator {
	var out []*pb.Indicator
	for _, x := range loss.Figures(s, facts) {
		out = append(out, &pb.Indicator{Indicator: x.Slug, Name: x.Name, Unit: x.Unit, Formula: x.Formula, Source: x.Source,
			Value: &pb.Estimate{Value: x.Value, Low: x.Low, High: x.High, N: x.N, Ok: x.OK, Method: x.Method}})
	}
	return out
}
