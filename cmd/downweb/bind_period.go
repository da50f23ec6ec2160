package main

import (
	"context"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api"
	"github.com/downweb/downweb/services/warehouse"
)

// changes tells the api what arrived after a period was signed.
type changes struct{ db *warehouse.DB }

func (c changes) SlicesAfter(ctx context.Context, plant string, pos uint64, from, to int64) ([]api.SliceChange, error) {
	list, err := c.db.SlicesAfter(ctx, plant, pos, from, to)
	out := make([]api.SliceChange, len(list))
	for i, x := range list {
		out[i] = api.SliceChange(x)
	}
	return out, reached(err)
}

func (c changes) SaidAfter(ctx context.Context, plant string, pos uint64, from, to int64, limit int) ([]*pb.StoredEvent, error) {
	return reachedWith(c.db.SaidAfter(ctx, plant, pos, from, to, limit))
}
