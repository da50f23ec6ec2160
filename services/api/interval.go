package api

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"github.com/downweb/downweb/analytics/interval"
	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api/plot"
)

// EstimateInterval asks what cleaning interval of a station pays: growth and
// gaps are those of a finished study's kept data set, costs are stated by who
// asks, the maker's interval and what is safety work come from the plans in
// force over the study's period and now. Refusals are part of the answer.
func (t *studyService) EstimateInterval(ctx context.Context, req *pb.EstimateIntervalRequest) (*pb.EstimateIntervalResponse, error) {
	x, err := t.s.doneStudy(ctx, req.GetStudyId())
	if err != nil {
		return nil, err
	}
	res, err := keptResult(x)
	if err != nil {
		return nil, err
	}
	find, err := findingOf(res, req.GetStation())
	if err != nil {
		return nil, err
	}
	a, err := t.interval(ctx, x, res, find, req)
	if err != nil {
		return nil, err
	}
	return a.response(req.GetCosts().GetCurrency()), nil
}

// intervalAnswer is an answer with what it rests on.
type intervalAnswer struct {
	interval.Answer
	maker float64 // km; 0: not known
	under []string
}

// interval builds the question and answers it.
func (t *studyService) interval(ctx context.Context, x *pb.Study, res *study.Result, find *study.Finding, req *pb.EstimateIntervalRequest) (*intervalAnswer, error) {
	rules, err := t.s.stationRules(ctx, x, find.Stations)
	if err != nil {
		return nil, err
	}
	q := interval.Question{Station: find.Name, Grade: int(find.Grade), Override: strings.TrimSpace(req.GetOverride()), Safety: rules.safety != ""}
	if q.Clean, err = costRange("costs.clean", req.GetCosts().GetClean()); err != nil {
		return nil, err
	}
	meter := req.GetCosts().GetMeter()
	if meter == nil {
		meter = rules.meterPrice(req.GetCosts().GetCurrency())
	}
	if q.Meter, err = costRange("costs.meter", meter); err != nil {
		return nil, err
	}
	out := &intervalAnswer{under: rules.cautions}
	if q.Safety {
		if out.Answer, err = q.Answer(); err != nil {
			return nil, fmt.Errorf("interval of %s: %w", find.Name, err)
		}
		out.Refused[0].Text = find.Name + " is safety work, its interval is never a question of cost: " + rules.safety
		return out, nil
	}
	d, err := t.s.keptData(ctx, x)
	if err != nil {
		return nil, err
	}
	if len(find.Stations) != 1 {
		out.Refused = []interval.Refusal{{Rule: "block", Text: find.Name + " are nearly always cleaned or left together: no growth can be told for one of them"}}
		return out, nil
	}
	clock, err := study.ClockOf(d, res.Spec, res.Method, find.Stations[0])
	if err != nil && !errors.Is(err, study.ErrNoPicture) {
		return nil, err
	}
	if clock == nil || clock.Refusal != "" || err != nil {
		why := "the study's model could not be fitted with the km since clean"
		if clock != nil && clock.Refusal != "" {
			why = clock.Refusal
		}
		out.Refused = []interval.Refusal{{Rule: "growth", Text: why}}
		return out, nil
	}
	q.Growth, q.Other, q.Rivals = growthOf(clock.Linear), growthOf(clock.Log), clock.Rivals
	if q.Gaps, err = t.s.gapsOf(ctx, x, find.Stations[0], clock.Gaps); err != nil {
		return nil, err
	}
	pace := paceOf(d)
	q.Step = pace.dayKm
	var how string
	q.MakerLimit, how = rules.limitKm(pace)
	if v := req.GetMakerLimitKm(); v > 0 {
		how = ""
		if q.MakerLimit == 0 || v < q.MakerLimit { // the plan's is never widened by a flag
			q.MakerLimit = v
		} else if v > q.MakerLimit {
			how = fmt.Sprintf("The plan says %.1f km for the maker's interval; the %.1f km of the request are longer and were not used.", q.MakerLimit, v)
		}
	}
	if out.Answer, err = q.Answer(); err != nil {
		if errors.Is(err, stats.ErrInput) {
			return nil, invalid("costs", err.Error())
		}
		return nil, fmt.Errorf("interval of %s: %w", find.Name, err)
	}
	out.maker = q.MakerLimit
	out.Notes = append(out.Notes, intervalNotes(q, clock, how)...)
	return out, nil
}

func growthOf(g study.Growth) interval.Growth {
	out := interval.Growth{Shape: interval.Exponential, B: g.B, Low: g.Low, High: g.High, Base: g.Base, BaseLow: g.BaseLow, BaseHigh: g.BaseHigh}
	if g.Log {
		out.Shape = interval.Power
	}
	return out
}

// intervalNotes are the assumptions behind an answer.
func intervalNotes(q interval.Question, c *study.Clock, how string) []string {
	var out []string
	if how != "" {
		out = append(out, how)
	}
	if q.MakerLimit == 0 {
		out = append(out, "The maker's longest interval is not on record: look it up in the manual. Until it is stated nothing beyond today's practice is answered.")
	}
	g := c.Linear
	return append(out,
		fmt.Sprintf("Waste of a run changed by %.2f %% with each km since the clean at its start (%.2f to %.2f, 95 %%), from %.1f m a km right after it, over %d runs on %d presses; job mix, meters, the other stations and the waste of the run before were held.", 100*math.Expm1(g.B), 100*math.Expm1(g.Low), 100*math.Expm1(g.High), g.Base, g.Rows, g.Presses),
		fmt.Sprintf("%d gaps between cleans were run. Why one was long or short is not on record: where long gaps were kept for easy jobs, the growth looks smaller than it is.", len(q.Gaps)),
		"Clocks that run beside it (job, ink, plate, blade and roll age) are not on record and may grow waste too.",
		"Only intervals assigned at random can show what an interval does: downweb study plan.")
}

func (a *intervalAnswer) response(currency string) *pb.EstimateIntervalResponse {
	r := &pb.EstimateIntervalResponse{Currency: currency, Notes: slices.Concat(a.Notes, a.under), Sensitivity: a.Sensitivity}
	for _, x := range a.Refused {
		r.Refusals = append(r.Refusals, &pb.IntervalRefusal{Rule: x.Rule, Reason: x.Text})
	}
	for _, p := range a.Curve {
		r.Curve = append(r.Curve, &pb.IntervalPoint{Km: p.Km, Cost: p.Cost, Low: p.Low, High: p.High})
	}
	r.LowerEndKm = a.Lower
	r.TodayKm, r.TodayCost, r.LongestKm, r.LongestCost = a.Today.Km, a.Today.Cost, a.Longest.Km, a.Longest.Cost
	if len(a.Refused) > 0 {
		return r
	}
	r.FromKm, r.ToKm, r.BestKm, r.BestLowKm, r.BestCost = a.From, a.To, a.Optimum, a.Low, a.Best
	if !math.IsInf(a.High, 1) && a.High <= a.Longest.Km {
		r.BestHighKm = &a.High
	}
	return r
}

// costRange reads a stated amount; absent: not known.
func costRange(field string, c *pb.CostRange) (interval.Range, error) {
	if c == nil {
		return interval.Range{}, nil
	}
	read := func(end, s string) (float64, error) {
		d, err := decimal.NewFromString(s)
		if err != nil || d.IsNegative() || d.GreaterThan(decimal.New(1, 12)) {
			return 0, invalid(field+"."+end, fmt.Sprintf("%q is no amount of 0 or more", s))
		}
		return d.InexactFloat64(), nil
	}
	low, err := read("low", c.GetLow())
	if err != nil {
		return interval.Range{}, err
	}
	high := low
	if c.GetHigh() != "" {
		if high, err = read("high", c.GetHigh()); err != nil {
			return interval.Range{}, err
		}
	}
	if high < low {
		return interval.Range{}, invalid(field+".high", "is below low")
	}
	return interval.Range{Low: low, High: high}, nil
}

// gapsOf marks the gaps that ended on demand: a visit of the station in a
// session of that occasion lies between their last row and the next. Visits are
// read as the record is now.
func (s *Server) gapsOf(ctx context.Context, x *pb.Study, station string, gaps []study.Gap) ([]interval.Gap, error) {
	from, to, err := period(x.GetSpec().GetPeriod())
	if err != nil {
		return nil, err
	}
	var presses []string
	for _, g := range gaps {
		if !slices.Contains(presses, g.Press) {
			presses = append(presses, g.Press)
		}
	}
	demand := map[string][]timeline.Day{}
	if len(presses) > 0 {
		visits, err := s.deps.Reader.Visits(ctx, presses, from, to+1)
		if err != nil {
			return nil, err
		}
		for i := range visits {
			if v := &visits[i]; v.Station == station && v.Occasion == timeline.Occasion(pb.Occasion_OCCASION_ON_DEMAND) {
				id := v.Plant + "/" + v.Press
				demand[id] = append(demand[id], v.Day)
			}
		}
	}
	out := make([]interval.Gap, len(gaps))
	for i, g := range gaps {
		out[i] = interval.Gap{Press: g.Press, Km: g.Km, OnDemand: slices.ContainsFunc(demand[g.Press], func(d timeline.Day) bool {
			return int32(d) >= g.Day && int32(d) < max(g.Next, g.Day+1)
		})}
	}
	return out, nil
}

// pace is how fast the fleet of a study runs.
type pace struct {
	dayKm  float64            // median km of a run day
	perDay map[string]float64 // km per calendar day, by press
}

func paceOf(d *study.DataSet) pace {
	p := pace{perDay: map[string]float64{}}
	var km []float64
	for i := 0; i < len(d.Rows); {
		j, sum := i, 0.0
		for ; j < len(d.Rows) && d.Rows[j].Press == d.Rows[i].Press; j++ {
			v := float64(d.Rows[j].RunMM) / 1e6
			km, sum = append(km, v), sum+v
		}
		p.perDay[d.Rows[i].Press] = sum / float64(d.Rows[j-1].Day-d.Rows[i].Day+1)
		i = j
	}
	p.dayKm, _ = stats.Median(km) // no rows: 0, not known
	return p
}

// costFigure draws the cost curve of the answer.
func (t *studyService) costFigure(ctx context.Context, x *pb.Study, res *study.Result, find *study.Finding, costs *pb.IntervalCosts) (plot.Figure, error) {
	a, err := t.interval(ctx, x, res, find, &pb.EstimateIntervalRequest{StudyId: x.Id, Station: find.Name, Costs: costs})
	if err != nil {
		return nil, err
	}
	if len(a.Curve) == 0 {
		why := "no cost curve"
		if len(a.Refused) > 0 {
			why = a.Refused[0].Text
		}
		return nil, noFigure(why)
	}
	f := plot.Cost{Station: find.Name, Currency: costs.GetCurrency(), Today: a.Today.Km, Maker: a.maker,
		Under: []string{"Arithmetic about cost, no advice beyond the maker's interval: manual, lock-out procedure and local code come first."}}
	for _, r := range a.Refused {
		f.Refused = append(f.Refused, r.Text)
	}
	if len(a.Refused) == 0 {
		f.From, f.To = a.From, a.To
	}
	for _, p := range a.Curve {
		f.Points = append(f.Points, plot.CostPoint(p))
	}
	slices.SortFunc(f.Points, func(a, b plot.CostPoint) int { return cmp.Compare(a.Km, b.Km) })
	return f, nil
}
