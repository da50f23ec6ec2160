package main

import (
	"context"

	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/services/projector"
	"github.com/downweb/downweb/services/warehouse"
)

// rebuildStore is the warehouse as a rebuild's target.
type rebuildStore struct{ *warehouse.DB }

func (s rebuildStore) WriteBeside(ctx context.Context, rows timeline.Projections, ver uint64) error {
	return s.DB.WriteProjections(ctx, warehouse.Beside, rows, timeline.Projections{}, ver)
}

func (s rebuildStore) ArrivedAfter(ctx context.Context, pos uint64) ([]projector.Dirty, error) {
	list, err := s.DB.ArrivedAfter(ctx, pos)
	out := make([]projector.Dirty, len(list))
	for i, d := range list {
		out[i] = projector.Dirty{Plant: d.Plant, Press: d.Press, From: d.From}
	}
	return out, err
}

func (s rebuildStore) MarkDirty(ctx context.Context, marks []projector.Dirty) error {
	out := make([]warehouse.Dirty, len(marks))
	for i, m := range marks {
		out[i] = warehouse.Dirty{Plant: m.Plant, Press: m.Press, From: m.From}
	}
	return s.DB.MarkDirty(ctx, out)
}

var _ projector.Beside = rebuildStore{}
