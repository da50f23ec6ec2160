package main

import (
	"context"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/services/projector"
	"github.com/downweb/downweb/services/warehouse"
)

// explainer lets the api ask the projector what is behind a leaf.
type explainer struct{ db *warehouse.DB }

func (x explainer) ExplainLoss(ctx context.Context, press *timeline.Press, q loss.Question, from, to timeline.Day, frontier int64) ([]loss.Piece, []loss.Hint, error) {
	pieces, hints, err := projector.Explain(ctx, x.db, liveStore{x.db}, projector.Explanation{Press: press, From: from, To: to, Question: q, Frontier: frontier})
	return pieces, hints, reached(err)
}
