package api

import (
	"context"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Groups of facts that the reader knows beside shift, station and family. The
// keys of pressFamily are "plant/press|family".
const (
	factsWhole       = ""
	factsByPress     = "press"
	factsByDay       = "day"
	factsPressFamily = "press_family"
)

// factGroups are the facts that a grouping of trees is sorted into views by.
var factGroups = map[pb.LossGroup]string{
	pb.LossGroup_LOSS_GROUP_UNSPECIFIED: factsWhole,
	pb.LossGroup_LOSS_GROUP_PRESS:       factsByPress, pb.LossGroup_LOSS_GROUP_KIND: factsByPress, pb.LossGroup_LOSS_GROUP_PLANT: factsByPress,
	pb.LossGroup_LOSS_GROUP_DAY: factsByDay, pb.LossGroup_LOSS_GROUP_WEEK: factsByDay, pb.LossGroup_LOSS_GROUP_MONTH: factsByDay,
	pb.LossGroup_LOSS_GROUP_SHIFT: "shift", pb.LossGroup_LOSS_GROUP_STATION: "station", pb.LossGroup_LOSS_GROUP_FAMILY: "family",
}

// groupKey is the key of the tree that a press's, day's or other fact's key
// belongs to.
func (f *fleet) groupKey(by pb.LossGroup, key string) (string, error) {
	switch by {
	case pb.LossGroup_LOSS_GROUP_UNSPECIFIED:
		return "", nil
	case pb.LossGroup_LOSS_GROUP_KIND, pb.LossGroup_LOSS_GROUP_PLANT:
		p := f.presses[key]
		if p == nil {
			return "", nil
		}
		if by == pb.LossGroup_LOSS_GROUP_KIND {
			return p.Kind, nil
		}
		return p.Plant, nil
	case pb.LossGroup_LOSS_GROUP_WEEK, pb.LossGroup_LOSS_GROUP_MONTH:
		d, err := timeline.ParseDay(key)
		if err != nil {
			return "", err
		}
		if by == pb.LossGroup_LOSS_GROUP_WEEK {
			return d.Week(), nil
		}
		return d.Month(), nil
	}
	return key, nil
}

// addViews sorts the trees' time into another scheme. base is what points are a
// share of, as for tree; together gives groups that are shown as one the same key.
func (l *lossService) addViews(ctx context.Context, req *pb.GetLossesRequest, f *fleet, from, to timeline.Day, resp *pb.GetLossesResponse, total *treeSum, groups map[string]*treeSum, base int64, together func(key string) string) error {
	facts, err := l.s.deps.Reader.FactSums(ctx, factGroups[req.GetGroupBy()], f.narrow(), from, to)
	if err != nil {
		return err
	}
	by := map[string][]timeline.FactSum{}
	for _, x := range facts {
		key, err := f.groupKey(req.GetGroupBy(), x.Key)
		if err != nil {
			return err
		}
		key = together(key)
		by[key] = append(by[key], x)
	}
	scheme := loss.Scheme(req.GetView())
	resp.Total.View = viewLines(loss.View(scheme, &total.sums, facts), total.sums.PBT)
	for _, t := range resp.Groups {
		g := groups[t.GetKey()]
		share := base
		if share == 0 {
			share = g.sums.PBT
		}
		t.View = viewLines(loss.View(scheme, &g.sums, by[t.GetKey()]), share)
	}
	return nil
}

func viewLines(lines []loss.Line, base int64) []*pb.ViewLine {
	var out []*pb.ViewLine
	for _, l := range lines {
		x := &pb.ViewLine{Line: l.Slug, Name: l.Name, Level: int32(l.Level), TimeUs: l.US, Leaves: l.Leaves}
		if base > 0 {
			x.Points = 100 * float64(l.US) / float64(base*1000)
		}
		out = append(out, x)
	}
	return out
}
