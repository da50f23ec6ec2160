package api

import (
	"context"
	"slices"
	"time"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/registry"
)

const (
	stopsBack = 24 * timeline.Hour   // before the frontier
	stopShort = 2 * timeline.Minute  // shorter stops are not asked about
	stopsMost = 20                   // listed
	chainEnd  = 15 * timeline.Minute // after its last sign-off a session that was not closed has ended
)

// PressSheet composes what the sign-off page beside a press needs: what is due,
// the words of the plan in force and of the plant, and the last stops that
// nobody has given a reason for. A press that the registry does not know is
// NOT_FOUND.
func (s *Server) PressSheet(ctx context.Context, plant, press string) (*pb.PressSheet, error) {
	id := plant + "/" + press
	f, err := s.inScope(ctx, &pb.Scope{Presses: []string{id}})
	if err != nil {
		return nil, err
	}
	asOf, err := s.asOf(ctx, f)
	if err != nil {
		return nil, err
	}
	lists, err := s.dueLists(ctx, f, f.scope, dueHours)
	if err != nil {
		return nil, err
	}
	p, doc, due := f.presses[id], f.plants[plant], lists[id]
	now := s.now().UTC()
	day := p.Calendar.DayAt(now.UnixMilli())
	words := pressOf(doc, press)
	out := &pb.PressSheet{Press: id, Name: words.GetName(), Zone: p.Zone.String(), MadeAt: stamp(now.UnixMilli()), AsOf: asOf, Due: due,
		Tasks: registry.TasksOn(doc, press, day), Stations: words.GetStations(), SkipReasons: doc.GetSkipReasons(), Reasons: doc.GetReasons()}
	var hazards []uint8
	isolate := false
	for _, t := range out.Tasks {
		isolate = isolate || t.GetIsolate()
		for _, h := range t.GetHazards() {
			hazards = append(hazards, uint8(h))
		}
	}
	out.Cautions = cautions(hazards, isolate)
	if due.GetFrontier() != nil {
		frontier := due.GetFrontier().AsTime().UnixMilli()
		recent, err := s.deps.Reader.RecentPress(ctx, p, frontier-stopsBack)
		if err != nil {
			return nil, err
		}
		if recent != nil {
			out.Stops = openStops(recent.History, frontier-stopsBack, recent.Frontier)
		}
	}
	return out, nil
}

// openStops are the stops since an instant that have no reason, newest first:
// time DOWN or WAITING of at least two minutes whose slices name no reason, that
// no note covers and in which no cleaning session was open.
func openStops(h *timeline.History, since, frontier int64) []*pb.OpenStop {
	var told []timeline.Interval
	for i := range h.Notes {
		told = append(told, h.Notes[i].Interval)
	}
	told = slices.DeleteFunc(append(told, sessionTimes(h)...), func(x timeline.Interval) bool { return x.To <= since })
	var stops []timeline.Interval
	for i := range h.Slices {
		x := &h.Slices[i]
		if x.To <= since || x.Reason != "" || x.State != timeline.StateDown && x.State != timeline.StateWaiting {
			continue
		}
		for _, part := range without(x.Interval, told) {
			if n := len(stops); n > 0 && stops[n-1].To == part.From {
				stops[n-1].To = part.To
			} else {
				stops = append(stops, part)
			}
		}
	}
	var out []*pb.OpenStop
	for i := len(stops) - 1; i >= 0 && len(out) < stopsMost; i-- {
		if stops[i].Len() < stopShort {
			continue
		}
		o := &pb.OpenStop{From: stamp(stops[i].From)}
		if stops[i].To < frontier {
			o.To = stamp(stops[i].To)
		}
		out = append(out, o)
	}
	return out
}

// sessionTimes are the times in which cleaning sessions were open.
func sessionTimes(h *timeline.History) []timeline.Interval {
	var out []timeline.Interval
	for i := range h.Opened {
		o := &h.Opened[i]
		end := o.At + chainEnd
		for k := range h.SignOffs {
			if x := &h.SignOffs[k]; x.Session == o.Session && x.At >= o.At {
				end = max(end, x.At+chainEnd)
			}
		}
		for k := range h.Closed {
			if x := &h.Closed[k]; x.Session == o.Session && x.At >= o.At {
				end = x.At
				break
			}
		}
		out = append(out, timeline.Interval{From: o.At, To: end})
	}
	return out
}

// without is what is left of an interval when others are taken out, in order.
func without(x timeline.Interval, out []timeline.Interval) []timeline.Interval {
	left := []timeline.Interval{x}
	for _, o := range out {
		var next []timeline.Interval
		for _, l := range left {
			if l.And(o).Len() == 0 {
				next = append(next, l)
				continue
			}
			if l.From < o.From {
				next = append(next, timeline.Interval{From: l.From, To: o.From})
			}
			if o.To < l.To {
				next = append(next, timeline.Interval{From: o.To, To: l.To})
			}
		}
		left = next
	}
	return left
}

// sheetTimeout bounds the making of one sheet.
const sheetTimeout = 20 * time.Second

// SheetFor is PressSheet for a press that asks: with a bound of time, and with
// errors whose text the press may know.
func (s *Server) SheetFor(ctx context.Context, plant, press string) (*pb.PressSheet, error) {
	ctx, stop := context.WithTimeout(ctx, sheetTimeout)
	defer stop()
	sheet, err := s.PressSheet(ctx, plant, press)
	if err != nil {
		return nil, toStatus(s.log, err)
	}
	return sheet, nil
}
