package api

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"github.com/downweb/downweb/analytics/interval"
	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// EstimateLife fits the lives of a station between failures.
func (t *studyService) EstimateLife(ctx context.Context, req *pb.EstimateLifeRequest) (*pb.EstimateLifeResponse, error) {
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	f, err := t.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	var presses []*timeline.Press
	var ids []string
	for _, id := range f.scope {
		if p := f.presses[id]; slices.Contains(p.Stations, req.GetStation()) {
			presses, ids = append(presses, p), append(ids, id)
		}
	}
	if len(ids) == 0 {
		return nil, notFound("station", req.GetStation())
	}
	b, err := t.s.stationLife(ctx, ids, req.GetStation(), req.GetClock() == "km", from, to)
	if err != nil {
		return nil, err
	}
	return b.answer(req, rulesOf(presses, []string{req.GetStation()}, from, to))
}

// lifeDay is one run day of a press on the clock.
type lifeDay struct {
	day      timeline.Day
	clock    float64 // hours or km run on it
	failures int64
	cleans   int64 // on demand, or found heavily soiled
}

// stationBook is what is on record of a station's failures.
type stationBook struct {
	unit    string
	days    map[string][]lifeDay // by press
	minutes map[string]*pb.FailureReason
	slowest float64 // least clock per calendar day of a press that ran
}

// stationLife reads run days, stops and cleans of a station.
func (s *Server) stationLife(ctx context.Context, ids []string, station string, km bool, from, to timeline.Day) (*stationBook, error) {
	b := &stationBook{unit: "h", days: map[string][]lifeDay{}, minutes: map[string]*pb.FailureReason{}}
	if km {
		b.unit = "km"
	}
	days, err := s.deps.Reader.PressDays(ctx, ids, from, to)
	if err != nil {
		return nil, err
	}
	facts, err := s.deps.Reader.FactSums(ctx, "stops", ids, from, to)
	if err != nil {
		return nil, err
	}
	visits, err := s.deps.Reader.Visits(ctx, ids, from, to)
	if err != nil {
		return nil, err
	}
	type key struct {
		press string
		day   string
	}
	failures, cleans := map[key]int64{}, map[key]int64{}
	for i := range facts {
		x := &facts[i]
		part := strings.Split(x.Key, "|")
		leaf := loss.Leaf(x.Leaf)
		if len(part) != 4 || part[2] != station || x.State == timeline.StateProduction || leaf != loss.ContaminationStop && leaf != loss.OtherBreakdown {
			continue
		}
		failures[key{part[0], part[1]}] += x.Stops
		r := b.minutes[part[3]]
		if r == nil {
			r = &pb.FailureReason{Reason: part[3]}
			b.minutes[part[3]] = r
		}
		r.Failures += x.Stops
		r.Minutes += float64(x.Dur) / msPerMinute
	}
	for i := range visits {
		if v := &visits[i]; v.Station == station && v.Occasion == timeline.Occasion(pb.Occasion_OCCASION_ON_DEMAND) {
			cleans[key{v.Plant + "/" + v.Press, v.Day.String()}]++
		}
	}
	for i := range days {
		d := &days[i]
		id := d.Plant + "/" + d.Press
		x := lifeDay{day: d.Day, clock: float64(d.RunMS) / float64(timeline.Hour)}
		if km {
			x.clock = float64(d.RunMM) / 1e6
		}
		x.failures, x.cleans = failures[key{id, d.Day.String()}], cleans[key{id, d.Day.String()}]
		if k := slices.Index(d.Stations, station); k >= 0 && d.StationFound[k] >= heavilySoiled && x.cleans == 0 {
			x.cleans = 1
		}
		if x.clock > 0 || x.failures > 0 {
			b.days[id] = append(b.days[id], x)
		}
	}
	for _, list := range b.days {
		slices.SortFunc(list, func(x, y lifeDay) int { return cmp.Compare(x.day, y.day) })
		sum := 0.0
		for _, d := range list {
			sum += d.clock
		}
		if v := sum / float64(list[len(list)-1].day-list[0].day+1); v > 0 && (b.slowest == 0 || v < b.slowest) {
			b.slowest = v
		}
	}
	return b, nil
}

// heavilySoiled is the worst condition a sign-off may state.
const heavilySoiled = 3

// lives cuts each press's run into lives that end in a failure; the last is
// still going on. When in its day a failure was is not looked at: it is put at
// random in the day's run, the same every time, as failures that come at any
// time would be. That makes a wear that shows within days look smaller, never
// larger. withCleans: cleans that something made necessary end a life
// too. begun is how many lives began before the record.
func (b *stationBook) lives(withCleans bool) (lives []interval.Life, failed int, begun int) {
	return b.placed(withCleans, 0)
}

// placed is lives with another draw of the places: 0 is the one answered with.
func (b *stationBook) placed(withCleans bool, draw uint64) (lives []interval.Life, failed int, begun int) {
	for _, id := range sortedKeys(b.days) {
		age, first := 0.0, true
		h := fnv.New64a()
		h.Write([]byte(id))
		rnd := stats.Random{Seed: h.Sum64()}
		for _, d := range b.days[id] {
			n := d.failures
			if withCleans {
				n = max(n, 0) + d.cleans
			}
			at := make([]float64, n, n+1)
			for i := range at {
				at[i] = d.clock * rnd.Float64(uint64(d.day), draw<<placeBits+uint64(i))
			}
			slices.Sort(at)
			last := 0.0
			for _, x := range at {
				if age += x - last; age > 0 {
					lives = append(lives, interval.Life{Time: age, Failed: true})
					failed++
					if first {
						begun++
					}
				}
				age, first, last = 0, false, x
			}
			age += d.clock - last
		}
		if age > 0 {
			lives = append(lives, interval.Life{Time: age})
			if first {
				begun++
			}
		}
	}
	return lives, failed, begun
}

func sortedKeys[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// answer fits the lives and, where costs are stated and nothing forbids it, the
// age of planned replacement.
func (b *stationBook) answer(req *pb.EstimateLifeRequest, rules *stationRules) (*pb.EstimateLifeResponse, error) {
	lives, failed, begun := b.lives(false)
	r := &pb.EstimateLifeResponse{Lives: int64(len(lives)), Failures: int64(failed), Unit: b.unit, Reasons: b.pareto()}
	refuse := func(rule, format string, v ...any) {
		r.Refusals = append(r.Refusals, &pb.IntervalRefusal{Rule: rule, Reason: fmt.Sprintf(format, v...)})
	}
	var err error
	if r.Curve, err = lifeCurve(lives); err != nil {
		return nil, err
	}
	w, err := interval.FitWeibull(lives)
	fitted := err == nil
	if err != nil && !errors.Is(err, stats.ErrTooFew) {
		return nil, fmt.Errorf("lives of %s: %w", req.GetStation(), err)
	}
	r.Shape, r.Scale, r.B10 = weibullEstimates(w, fitted)
	with, failedWith, _ := b.lives(true)
	r.FailuresWithCleans = int64(failedWith)
	if r.CurveWithCleans, err = lifeCurve(with); err != nil {
		return nil, err
	}
	w2, err := interval.FitWeibull(with)
	r.ShapeWithCleans, _, _ = weibullEstimates(w2, err == nil)
	switch {
	case rules.safety != "":
		refuse("safety", "%s is safety work, when it is renewed is never a question of cost: %s", req.GetStation(), rules.safety)
	case req.GetCosts() == nil:
		refuse("costs", "what a planned replacement and a failure cost is not stated")
	}
	if failed < interval.MinFailures {
		refuse("failures", "%d failures; at least %d are asked for", failed, interval.MinFailures)
	} else if fitted && w.BetaLow <= 1 && w.BetaHigh >= 1 {
		refuse("shape", "the interval of the Weibull shape (%.2f to %.2f) holds 1: that it does not wear, so that running to failure costs least, cannot be excluded", w.BetaLow, w.BetaHigh)
	}
	coarse, chance := b.coarse(lives, w, fitted && w.SEBeta > 0)
	if chance != "" && failed >= interval.MinFailures && (w.BetaLow > 1 || w.BetaHigh < 1) {
		refuse("clock", "%s", chance)
	}
	if len(r.Refusals) == 0 && fitted {
		if err := b.replacement(r, req, w, rules, refuse); err != nil {
			return nil, err
		}
	}
	r.Notes = append([]string{
		fmt.Sprintf("A failure is a stop booked to contamination stop or other breakdown at this station; a life is the %s run from one to the next, the last of each press still going on.", lifeUnits[b.unit]),
		coarse,
		fmt.Sprintf("%d lives began before the record and count from its first day: they were longer.", begun),
		"Each life is taken to begin as good as new, and lives of all presses in scope as alike. Cleans and parts replaced between failures are not told apart; the second curve counts cleans on demand and stations found heavily soiled as failures too, as these are no chance endings.",
	}, append(r.Notes, rules.cautions...)...)
	return r, nil
}

var lifeUnits = map[string]string{"h": "hours", "km": "kilometers"}

// replacement fills the age at which planned replacement costs least.
func (b *stationBook) replacement(r *pb.EstimateLifeResponse, req *pb.EstimateLifeRequest, w interval.Weibull, rules *stationRules, refuse func(rule, format string, v ...any)) error {
	planned, err := costRange("costs.clean", req.GetCosts().GetClean())
	if err != nil {
		return err
	}
	failure, err := decimal.NewFromString(req.GetFailureCost())
	if err != nil || !failure.IsPositive() {
		return invalid("failure_cost", fmt.Sprintf("%q is no amount above 0", req.GetFailureCost()))
	}
	cost := (planned.Low + planned.High) / 2
	if cost <= 0 {
		return invalid("costs.clean", "a planned replacement costs more than 0")
	}
	x, err := w.Replace(cost, failure.InexactFloat64())
	if err != nil {
		return fmt.Errorf("replacement of %s: %w", req.GetStation(), err)
	}
	r.RunToFailureCost = decimal.NewFromFloat(x.RateRunToFailure).Round(4).String()
	if x.RunToFailure {
		refuse("run to failure", "no age of planned replacement costs less than running to failure")
		return nil
	}
	longest := r.Curve[len(r.Curve)-1].Age
	if x.Age > longest {
		refuse("support", "the least cost lies at %.1f %s, beyond the oldest failure on record (%.1f %s)", x.Age, b.unit, longest, b.unit)
		return nil
	}
	if limit, how := rules.limitOn(b.unit, b.slowest); limit > 0 && x.Age > limit {
		refuse("maker", "the least cost lies at %.1f %s, over the maker's interval. %s", x.Age, b.unit, how)
		return nil
	}
	r.ReplaceAt, r.ReplaceCost = x.Age, decimal.NewFromFloat(x.Rate).Round(4).String()
	return nil
}

// limitOn is the shortest of the makers' intervals on a clock of which a press
// runs slowest units a calendar day; those that cannot be told on it are left
// out.
func (r *stationRules) limitOn(unit string, slowest float64) (limit float64, how string) {
	for _, l := range r.limits {
		v := 0.0
		switch {
		case l.cadence == timeline.CadenceRunKm && unit == "km", l.cadence == timeline.CadenceRunHours && unit == "h":
			v = l.value
		case l.cadence == timeline.CadenceStartup, l.cadence == timeline.CadenceShutdown, l.cadence == timeline.CadenceWeekly, l.cadence == timeline.CadenceDays:
			v = l.value * slowest
		}
		if v > 0 && (limit == 0 || v < limit) {
			limit, how = v, fmt.Sprintf("The maker's interval is %g as the plan of %s counts it for %s: %.1f %s.", l.value, l.press, l.task, v, unit)
		}
	}
	return limit, how
}

// lifeCurve is Kaplan and Meier's; empty where nothing failed.
func lifeCurve(lives []interval.Life) ([]*pb.LifePoint, error) {
	steps, err := interval.KaplanMeier(lives)
	if errors.Is(err, stats.ErrTooFew) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("survival: %w", err)
	}
	var out []*pb.LifePoint
	for _, s := range steps {
		out = append(out, &pb.LifePoint{Age: s.Time, Survival: s.Survival, Low: s.Low, High: s.High, AtRisk: int64(s.AtRisk), Failures: int64(s.Failed)})
	}
	return out, nil
}

func weibullEstimates(w interval.Weibull, ok bool) (shape, scale, b10 *pb.Estimate) {
	const how = "Weibull, maximum likelihood with right-censoring; 95 % by the observed information on the log scale"
	shape, scale, b10 = &pb.Estimate{Method: how, N: int64(w.Failures)}, &pb.Estimate{Method: how, N: int64(w.Failures)}, &pb.Estimate{Method: how, N: int64(w.Failures)}
	if !ok || !(w.SEBeta > 0) {
		return
	}
	shape.Ok, shape.Value, shape.Low, shape.High = true, w.Beta, w.BetaLow, w.BetaHigh
	scale.Value = w.Eta
	scale.Low, scale.High, scale.Ok = w.QuantileInterval(oneLessE)
	b10.Value = w.Quantile(0.1)
	b10.Low, b10.High, b10.Ok = w.QuantileInterval(0.1)
	return
}

// oneLessE is the share failed by the scale of any Weibull distribution, 1 − 1/e.
const oneLessE = 0.6321205588285577

// pareto orders reasons by failures, then minutes.
func (b *stationBook) pareto() (out []*pb.FailureReason) {
	var all int64
	for _, k := range sortedKeys(b.minutes) {
		if r := b.minutes[k]; r.Failures > 0 {
			out = append(out, r)
			all += r.Failures
		}
	}
	slices.SortStableFunc(out, func(x, y *pb.FailureReason) int {
		return cmp.Or(cmp.Compare(y.Failures, x.Failures), cmp.Compare(y.Minutes, x.Minutes))
	})
	var sum int64
	for _, r := range out {
		sum += r.Failures
		r.CumulativeShare = float64(sum) / float64(all)
	}
	return out
}
