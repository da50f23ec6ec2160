package api

import (
	"context"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/timeline"
)

// shiftsTogether is the key of shifts that are too small to stand alone.
const shiftsTogether = "small shifts"

// shiftsRefused names the shifts of the facts that a view by shift name must
// not show alone: see cleaning.Cells. Time outside every shift has no name and
// is never refused.
func (s *Server) shiftsRefused(ctx context.Context, f *fleet, from, to timeline.Day, facts []timeline.FactSum) (map[string]bool, error) {
	rows, err := s.deps.Reader.Visits(ctx, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	cells := cleaning.Cells{}
	for i := range facts {
		if k := facts[i].Key; k != "" && cells[k] == nil {
			cells[k] = []cleaning.CellEntry{}
		}
	}
	for i := range rows {
		if k := f.shiftOf(&rows[i]); k != "" {
			cells[k] = append(cells[k], cellEntry(&rows[i]))
		}
	}
	if len(cells) < 2 { // the whole scope: nothing is told apart
		return nil, nil
	}
	return cells.Refuse(plantOfCell), nil
}
