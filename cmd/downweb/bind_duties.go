package main

import (
	"context"

	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/services/api"
	"github.com/downweb/downweb/services/projector"
	"github.com/downweb/downweb/services/warehouse"
)

func (r apiReader) DutyCountsBy(ctx context.Context, by string, presses []string, from, to timeline.Day) ([]api.DutyKeyCount, error) {
	list, err := r.db.DutyCountsBy(ctx, warehouse.DutyGroup(by), presses, from, to)
	out := make([]api.DutyKeyCount, len(list))
	for i, c := range list {
		out[i] = api.DutyKeyCount(c)
	}
	return out, reached(err)
}

func (r apiReader) FirstDays(ctx context.Context, presses []string) (map[string]timeline.Day, error) {
	return reachedWith(r.db.FirstDays(ctx, presses))
}

// RecentPress loads what folding a press around its frontier needs, from the carry of an earlier day where one is kept.
func (r apiReader) RecentPress(ctx context.Context, press *timeline.Press, from int64) (*api.RecentPress, error) {
	f, err := projector.Load(ctx, r.db, liveStore{r.db}, press, from)
	if err != nil || f == nil {
		return nil, reached(err)
	}
	return &api.RecentPress{State: f.State.Duty, First: f.First, History: f.History, Frontier: f.Frontier}, nil
}

// SignOffs are the sign-offs of a press in [from, to) that count: without what was taken back or fed twice.
func (r apiReader) SignOffs(ctx context.Context, press *timeline.Press, from, to int64) ([]timeline.Event, error) {
	evs, err := r.db.ReadEvents(ctx, press.Plant, press.Name, from, to)
	if err != nil {
		return nil, reached(err)
	}
	repeats, err := r.db.Repeats(ctx, press.Plant, press.Name)
	if err != nil {
		return nil, reached(err)
	}
	epochs, err := r.db.Epochs(ctx, press.Plant, press.Name)
	if err != nil {
		return nil, reached(err)
	}
	return timeline.Build(nil, timeline.DropRepeats(evs, repeats), epochs).SignOffs, nil
}
