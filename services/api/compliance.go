package api

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// complianceKeys are the reader's words for the groups.
var complianceKeys = map[pb.ComplianceGroup]string{
	pb.ComplianceGroup_COMPLIANCE_GROUP_UNSPECIFIED: "press",
	pb.ComplianceGroup_COMPLIANCE_GROUP_STATION:     "station", pb.ComplianceGroup_COMPLIANCE_GROUP_PRESS: "press",
	pb.ComplianceGroup_COMPLIANCE_GROUP_PLANT: "plant", pb.ComplianceGroup_COMPLIANCE_GROUP_WEEK: "day",
	pb.ComplianceGroup_COMPLIANCE_GROUP_TASK: "task",
}

// gapPresses is of how many presses the longest gaps are looked for in one
// answer.
const gapPresses = 1000

// GetCompliance gives rates with intervals, the longest gaps, and the cells of
// a heat map.
func (d *dutyService) GetCompliance(ctx context.Context, req *pb.GetComplianceRequest) (*pb.GetComplianceResponse, error) {
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	f, err := d.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	resp := &pb.GetComplianceResponse{Period: req.GetPeriod()}
	if resp.AsOf, err = d.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	counts, err := d.s.deps.Reader.DutyCountsBy(ctx, complianceKeys[req.GetGroupBy()], f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	resp.Total, resp.Rows = complianceRows(counts, req.GetGroupBy())
	if n := len(resp.Rows); n > maxRows {
		return nil, withDetails(codes.ResourceExhausted, fmt.Sprintf("the answer has %d groups, at most %d are sent: narrow the scope or group by plant or week", n, maxRows))
	}
	if len(f.scope) > gapPresses {
		resp.GapNote = fmt.Sprintf("The scope has %d presses: the longest time between cleans is looked for on %d at most; narrow the scope to see it.", len(f.scope), gapPresses)
	} else if err := d.s.gaps(ctx, f, from, to, req.GetGroupBy(), resp); err != nil {
		return nil, err
	}
	if req.GetCells() {
		if resp.Cells, err = d.s.dutyCells(ctx, f, from, to); err != nil {
			return nil, err
		}
	}
	hazards, isolate, err := d.s.deps.Reader.Hazards(ctx, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	resp.Cautions = cautions(hazards, isolate)
	return resp, nil
}

// complianceRows sums the counts up in all and by group, in order of the key.
func complianceRows(list []DutyKeyCount, by pb.ComplianceGroup) (total *pb.ComplianceRow, rows []*pb.ComplianceRow) {
	total = &pb.ComplianceRow{Counts: &pb.DutyCounts{}}
	groups := map[string]*pb.ComplianceRow{}
	for _, c := range list {
		key := c.Key
		switch by {
		case pb.ComplianceGroup_COMPLIANCE_GROUP_UNSPECIFIED:
			key = ""
		case pb.ComplianceGroup_COMPLIANCE_GROUP_WEEK:
			n, err := strconv.Atoi(key)
			if err != nil {
				continue
			}
			key = timeline.Day(n).Week()
		}
		if groups[key] == nil {
			groups[key] = &pb.ComplianceRow{Key: key, Counts: &pb.DutyCounts{}}
		}
		for _, row := range []*pb.ComplianceRow{total, groups[key]} {
			if n := counter(row.Counts, duty.Outcome(c.Outcome)); n != nil {
				*n += c.N
			}
		}
	}
	total.Counts.Compliance = compliance(total.Counts)
	if by == pb.ComplianceGroup_COMPLIANCE_GROUP_UNSPECIFIED {
		return total, nil
	}
	for _, k := range slices.Sorted(maps.Keys(groups)) {
		groups[k].Counts.Compliance = compliance(groups[k].Counts)
		rows = append(rows, groups[k])
	}
	return total, rows
}

// gap is a stretch without a clean of one station on one press.
type gap struct {
	press, station string
	timeline.Interval
	cut bool
}

// longer says whether a gap is longer than another; of two alike the first by
// press and station counts.
func (g gap) longer(o gap) bool {
	return cmp.Or(cmp.Compare(g.Len(), o.Len()), cmp.Compare(o.press, g.press), cmp.Compare(o.station, g.station)) > 0
}

func (g gap) put(r *pb.ComplianceRow) {
	if g.Len() == 0 {
		return
	}
	r.LongestGapHours = float64(g.Len()) / float64(timeline.Hour)
	r.GapPress, r.GapStation = g.press, g.station
	r.GapFrom, r.GapTo, r.GapCut = stamp(g.From), stamp(g.To), g.cut
}

// gaps fills in the longest stretch without a clean of each group.
func (s *Server) gaps(ctx context.Context, f *fleet, from, to timeline.Day, by pb.ComplianceGroup, resp *pb.GetComplianceResponse) error {
	frontiers, err := s.deps.Reader.Frontiers(ctx)
	if err != nil {
		return err
	}
	first, err := s.deps.Reader.FirstDays(ctx, f.narrow())
	if err != nil {
		return err
	}
	found := make([]map[string]gap, len(f.scope))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(atOnce)
	for i, id := range f.scope {
		frontier, known := frontiers[id]
		day, seen := first[id]
		if !known || !seen {
			continue
		}
		g.Go(func() error {
			p := f.presses[id]
			all := timeline.Interval{From: p.Calendar.Plan(max(from, day)).Span().From, To: min(p.Calendar.Plan(to).Span().To, frontier)}
			if all.Len() == 0 {
				return nil
			}
			signs, err := s.deps.Reader.SignOffs(ctx, p, all.From, all.To)
			if err != nil {
				return err
			}
			found[i] = pressGaps(p, signs, all, from, to, by)
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	longest := map[string]gap{}
	var total gap
	for _, m := range found {
		for k, x := range m {
			if x.longer(longest[k]) {
				longest[k] = x
			}
			if x.longer(total) {
				total = x
			}
		}
	}
	total.put(resp.Total)
	for _, r := range resp.Rows {
		longest[r.Key].put(r)
	}
	return nil
}

// pressGaps are the longest stretches without a clean on one press, by the key
// of the groups they belong to. By week the stretches are cut at its ends.
func pressGaps(p *timeline.Press, signs []timeline.Event, all timeline.Interval, from, to timeline.Day, by pb.ComplianceGroup) map[string]gap {
	out := map[string]gap{}
	tasks := tasksBetween(p, from, to)
	for station, list := range tasks {
		var cleans []int64
		for i := range signs {
			if signs[i].Station == station && signs[i].Outcome != timeline.OutcomeInspectedClean {
				cleans = append(cleans, signs[i].At)
			}
		}
		add := func(key string, iv timeline.Interval) {
			longest, cut := duty.LongestGap(cleans, iv)
			if x := (gap{press: p.ID(), station: station, Interval: longest, cut: cut}); x.longer(out[key]) {
				out[key] = x
			}
		}
		switch by {
		case pb.ComplianceGroup_COMPLIANCE_GROUP_STATION:
			add(station, all)
		case pb.ComplianceGroup_COMPLIANCE_GROUP_PLANT:
			add(p.Plant, all)
		case pb.ComplianceGroup_COMPLIANCE_GROUP_TASK:
			for _, t := range list {
				add(t, all)
			}
		case pb.ComplianceGroup_COMPLIANCE_GROUP_WEEK:
			for d := from - timeline.Day(from.Weekday()-1); d <= to; d += 7 {
				week := timeline.Interval{From: p.Calendar.Plan(d).Span().From, To: p.Calendar.Plan(d + 7).Span().From}
				if iv := week.And(all); iv.Len() > 0 {
					add(d.Week(), iv)
				}
			}
		default:
			add(p.ID(), all)
		}
	}
	return out
}

// tasksBetween are the tasks of a press's plans in force on some of the days,
// by station.
func tasksBetween(p *timeline.Press, from, to timeline.Day) map[string][]string {
	out := map[string][]string{}
	for i := range p.Plans {
		if p.Plans[i].ValidFrom > to || i+1 < len(p.Plans) && p.Plans[i+1].ValidFrom <= from {
			continue
		}
		for _, t := range p.Plans[i].Tasks {
			if !slices.Contains(out[t.Station], t.Slug) {
				out[t.Station] = append(out[t.Station], t.Slug)
			}
		}
	}
	return out
}

// worstFirst is the order in which a cell takes an outcome.
var worstFirst = []duty.Outcome{duty.Missed, duty.Skipped, duty.Unknown, duty.Late, duty.Open, duty.OnTime, duty.NotRequired}

// dutyCells are the squares of a heat map, by press, station and day.
func (s *Server) dutyCells(ctx context.Context, f *fleet, from, to timeline.Day) ([]*pb.DutyCell, error) {
	type key struct {
		press, station string
		day            timeline.Day
	}
	cells := map[key]*pb.DutyCell{}
	for chunk := range slices.Chunk(f.scope, pressChunk) {
		rows, err := s.deps.Reader.Duties(ctx, chunk, from, to)
		if err != nil {
			return nil, err
		}
		for i := range rows {
			r := &rows[i]
			k := key{r.Plant + "/" + r.Press, r.Station, r.Day}
			c := cells[k]
			if c == nil {
				c = &pb.DutyCell{Press: k.press, Station: k.station, Day: k.day.String(), Outcome: pb.DutyOutcome(r.Outcome)}
				cells[k] = c
			}
			c.Duties++
			if worse(duty.Outcome(r.Outcome), duty.Outcome(c.Outcome)) {
				c.Outcome = pb.DutyOutcome(r.Outcome)
			}
		}
		if len(cells) > maxRows {
			return nil, withDetails(codes.ResourceExhausted, fmt.Sprintf("the heat map has more than %d cells: narrow the period or the scope", maxRows))
		}
	}
	keys := slices.SortedFunc(maps.Keys(cells), func(a, b key) int {
		return cmp.Or(cmp.Compare(a.press, b.press), cmp.Compare(a.station, b.station), cmp.Compare(a.day, b.day))
	})
	out := make([]*pb.DutyCell, len(keys))
	for i, k := range keys {
		out[i] = cells[k]
	}
	return out, nil
}

func worse(a, b duty.Outcome) bool {
	return slices.Index(worstFirst, a) < slices.Index(worstFirst, b)
}
