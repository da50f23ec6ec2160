package api

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"google.golang.org/grpc/codes"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/stats"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// trendNotes say how a trend was made.
var trendNotes = []string{
	"Each point is the median minutes of one ISO week's visits, press time, without batch taps and shared crews; weeks of fewer than 5 visits are shown and left out of the limits.",
	"Limits: mean of the points plus and minus 3/d2 = 2.6587 mean moving ranges of two, at least 8 points (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2).",
	"Signals: one point beyond the limits, or eight in a row on one side of the mean (Western Electric, Statistical Quality Control Handbook, 1956). A signal asks what changed at the station; it says nothing about a person.",
}

const xmrMethod = "individuals chart: mean ± 2.6587 mean moving ranges of two; NIST/SEMATECH e-Handbook 6.3.2.2"

// ListStationTrend returns weekly medians per station with limits and signals.
func (c *cleaningService) ListStationTrend(ctx context.Context, req *pb.ListStationTrendRequest) (*pb.ListStationTrendResponse, error) {
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	f, err := c.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	resp := &pb.ListStationTrendResponse{Period: req.GetPeriod(), Zones: f.zones(), Notes: trendNotes, Cautions: f.planCautions(to)}
	if resp.AsOf, err = c.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	rows, err := c.visits(ctx, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	weeks := map[string]map[string][]cleaning.Visit{}
	for i := range rows {
		r := &rows[i]
		if r.Seq < 0 || req.GetStation() != "" && r.Station != req.GetStation() {
			continue
		}
		if weeks[r.Station] == nil {
			weeks[r.Station] = map[string][]cleaning.Visit{}
		}
		weeks[r.Station][r.Day.Week()] = append(weeks[r.Station][r.Day.Week()], f.visit(r))
	}
	if req.GetStation() != "" && len(weeks) == 0 && !f.hasStation(req.GetStation()) {
		return nil, notFound("station", req.GetStation())
	}
	points := 0
	for _, station := range slices.Sorted(maps.Keys(weeks)) {
		t := stationTrend(station, cleaning.Weekly(weeks[station]))
		points += len(t.Points)
		resp.Stations = append(resp.Stations, t)
	}
	if points > maxRows {
		return nil, tooManyRows(points, "narrow the period or name a station")
	}
	return resp, nil
}

func stationTrend(station string, t cleaning.Trend) *pb.StationTrend {
	out := &pb.StationTrend{Station: station, Limits: &pb.XmrLimits{Ok: t.OK, N: int64(t.Chart.N), Method: xmrMethod}}
	if x := t.Chart; t.OK {
		out.Limits.Center, out.Limits.Low, out.Limits.High = x.Center/msPerMinute, x.Low/msPerMinute, x.High/msPerMinute
		out.Limits.MeanRange, out.Limits.RangeHigh = x.MeanRange/msPerMinute, x.RangeUpper/msPerMinute
	}
	for _, w := range t.Weeks {
		p := &pb.SeriesPoint{Key: w.Key, Value: w.Median / msPerMinute, KnownShare: 1, LeftOut: w.LeftOut}
		if w.Signals&stats.RuleBeyond3 != 0 {
			p.Signals = append(p.Signals, "beyond the limits")
		}
		if w.Signals&stats.RuleEight != 0 {
			p.Signals = append(p.Signals, "8 on one side")
		}
		out.Points = append(out.Points, p)
		out.Visits = append(out.Visits, int64(w.Visits))
	}
	return out
}

func (f *fleet) hasStation(station string) bool {
	return slices.ContainsFunc(f.scope, func(id string) bool { return slices.Contains(f.presses[id].Stations, station) })
}

func tooManyRows(n int, how string) error {
	return withDetails(codes.ResourceExhausted, fmt.Sprintf("the answer has %d lines, at most %d are sent: %s", n, maxRows, how))
}
