package projector

import (
	"context"
	"strings"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
)

// Explanation asks for what is behind one leaf of a press.
type Explanation struct {
	Press    *timeline.Press
	From, To timeline.Day // both included
	Question loss.Question
	Frontier int64 // how far the press is projected, unix ms
}

// Explain folds the days asked for again and returns the pieces of the leaf, by
// start, each with the events behind it, and defects seen near stops without a
// reason. It reads from the state stored before the first day to 48 hours after
// the last, which is all that these days depend on.
func Explain(ctx context.Context, log Log, rows Rows, e Explanation) ([]loss.Piece, []loss.Hint, error) {
	p := e.Press
	f, err := load(ctx, log, rows, p, p.Calendar.Plan(e.From).Span().From, p.Calendar.Plan(e.To).Span().To+around, e.Frontier)
	if err != nil || f == nil {
		return nil, nil, err
	}
	var pieces []loss.Piece
	var hints []loss.Hint
	st := f.State.Duty
	grants := newGrantBook()
	plans := planCache{cal: p.Calendar, m: map[timeline.Day]timeline.DayPlan{}}
	for d := f.First; d <= e.To; d++ {
		plan := plans.get(d)
		if plan.Span().From >= f.Frontier && d > f.First {
			break
		}
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		h := f.History.Window(timeline.Interval{From: plan.Span().From - around, To: plan.Span().To + around})
		var res duty.Result
		res, st = duty.Fold(p, st, h, plan, plans.get(d+1), f.Frontier)
		for _, g := range res.Grants {
			grants.add(g)
		}
		if d < e.From {
			continue
		}
		day := newDayFold(*f, plan, h, res, &plans, grants.by)
		in, groups := day.input()
		list, _ := loss.Explain(in, e.Question)
		for i := range list {
			behind(&list[i], h, groups)
		}
		pieces, hints = append(pieces, list...), append(hints, loss.Hints(list, h.Defects)...)
	}
	return pieces, hints, nil
}

// behind names the events of a piece: what decided, and of a session its
// opening and the sign-offs made in the stretch.
func behind(p *loss.Piece, h *timeline.History, groups []cleaning.Group) {
	p.Slices = int64(len(timeline.SlicesIn(h.Slices, p.Interval)))
	if p.By != (timeline.ID{}) {
		p.Events = append(p.Events, p.By)
	}
	p.Events = append(p.Events, p.Claims...)
	if p.Group < 0 {
		return
	}
	var ids []string
	for _, s := range groups[p.Group].Sessions {
		if s.And(p.Interval).Len() == 0 {
			continue
		}
		ids = append(ids, s.ID)
		p.Events = append(p.Events, s.Opened)
		for _, i := range s.SignOffs {
			if at := h.SignOffs[i].At; at > p.From && at <= p.To {
				p.Events = append(p.Events, h.SignOffs[i].ID)
			}
		}
	}
	p.Session = strings.Join(ids, ", ")
}
