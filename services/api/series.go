package api

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/big"
	"slices"

	"google.golang.org/grpc/codes"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// lossStep is one step of time with what was lost in it.
type lossStep struct {
	key         string
	first, last timeline.Day // of the whole step
	why         string       // why it is left out
	tree        *treeSum
}

// ListLossSeries returns series by week, day or month with their limits of
// usual variation, and what changed.
func (l *lossService) ListLossSeries(ctx context.Context, req *pb.ListLossSeriesRequest) (*pb.ListLossSeriesResponse, error) {
	from, to, err := period(req.GetPeriod())
	if err != nil {
		return nil, err
	}
	names := req.GetSeries()
	if len(names) == 0 {
		names = slices.DeleteFunc(loss.SeriesNames(), func(n string) bool { return n == "availability" || n == "effectiveness" || n == "quality" })
	}
	for i, n := range names {
		if !slices.Contains(loss.SeriesNames(), n) {
			return nil, invalid(fmt.Sprintf("series[%d]", i), fmt.Sprintf("there is no series %q", n))
		}
	}
	f, err := l.s.inScope(ctx, req.GetScope())
	if err != nil {
		return nil, err
	}
	resp := &pb.ListLossSeriesResponse{Period: req.GetPeriod()}
	if resp.AsOf, err = l.s.asOf(ctx, f); err != nil {
		return nil, err
	}
	steps, err := l.steps(ctx, f, req.GetStep(), from, to)
	if err != nil {
		return nil, err
	}
	if n := len(steps) * len(names); n > maxRows {
		return nil, withDetails(codes.ResourceExhausted, fmt.Sprintf("the answer has %d points, at most %d are sent: narrow the period, name fewer series, or ask by week or month", n, maxRows))
	}
	price := newPrices(steps)
	for _, n := range names {
		s, changes := chartOf(steps, n)
		resp.Series = append(resp.Series, s)
		for _, c := range changes {
			x := &pb.SeriesChange{Series: n, Name: s.Name, Key: steps[c.Step].key, Signal: c.Signal, Points: c.Points}
			x.Money = price.of(n, c.Points, steps[c.Step].tree.sums.PBT)
			resp.Changes = append(resp.Changes, x)
		}
	}
	slices.SortStableFunc(resp.Changes, func(a, b *pb.SeriesChange) int {
		return cmp.Or(price.rank(b).Cmp(price.rank(a)), cmp.Compare(math.Abs(b.Points), math.Abs(a.Points)), cmp.Compare(b.Key, a.Key), cmp.Compare(a.Series, b.Series))
	})
	return resp, nil
}

// steps adds days up by step, in order of time, and says which are left out.
func (l *lossService) steps(ctx context.Context, f *fleet, step pb.SeriesStep, from, to timeline.Day) ([]*lossStep, error) {
	days, err := l.s.deps.Reader.LossSums(ctx, true, f.narrow(), from, to)
	if err != nil {
		return nil, err
	}
	frontiers, err := l.s.deps.Reader.Frontiers(ctx)
	if err != nil {
		return nil, err
	}
	byDay := map[timeline.Day][]*timeline.LossSum{}
	for i := range days {
		d, err := timeline.ParseDay(days[i].Key)
		if err != nil {
			return nil, fmt.Errorf("stored day: %w", err)
		}
		byDay[d] = append(byDay[d], &days[i])
	}
	var out []*lossStep
	for d := from; d <= to; d++ {
		key, first, last := stepOf(step, d)
		if n := len(out); n == 0 || out[n-1].key != key {
			out = append(out, &lossStep{key: key, first: first, last: last, tree: newTreeSum()})
		}
		for _, s := range byDay[d] {
			out[len(out)-1].tree.addDays(s)
		}
	}
	begun := to + 1 // the first day with planned time: events begin there
	for d, list := range byDay {
		for _, s := range list {
			if s.PBT > 0 {
				begun = min(begun, d)
			}
		}
	}
	for _, s := range out {
		switch {
		case s.first < from || s.last > to, s.first < begun && begun <= s.last && f.planned(s.first, begun-1):
			s.why = loss.LeftPart
		case !f.over(s.last, frontiers):
			s.why = loss.LeftOpen
		case s.tree.sums.PBT == 0:
			s.why = loss.LeftNothing
		case s.tree.sums.Known() < loss.KnownLeast:
			s.why = loss.LeftUnknown
		}
	}
	return out, nil
}

// stepOf is the step that a day lies in, with its first and last day.
func stepOf(step pb.SeriesStep, d timeline.Day) (key string, first, last timeline.Day) {
	switch step {
	case pb.SeriesStep_SERIES_STEP_DAY:
		return d.String(), d, d
	case pb.SeriesStep_SERIES_STEP_MONTH:
		first, last = d, d
		for (first - 1).Month() == d.Month() {
			first--
		}
		for (last + 1).Month() == d.Month() {
			last++
		}
		return d.Month(), first, last
	}
	first = d - timeline.Day(d.Weekday()-1)
	return d.Week(), first, first + 6
}

// over says whether a day is over: some press in scope has reported up to the
// end of its last planned time of the days up to it. (A press that fell silent
// must not keep the whole fleet's week open; AsOf names it.)
func (f *fleet) over(day timeline.Day, frontiers map[string]int64) bool {
	for _, id := range f.scope {
		at, ok := frontiers[id]
		if !ok {
			continue
		}
		end := int64(0)
		for d := day; d > day-7 && end == 0; d-- {
			for _, s := range f.presses[id].Calendar.Plan(d).Segments {
				if s.Planned {
					end = s.To
				}
			}
		}
		if end == 0 { // nothing planned in a week: the end of the day
			end = f.presses[id].Calendar.Plan(day).End
		}
		if at >= end {
			return true
		}
	}
	return false
}

// planned says whether any press in scope has planned time in a range of days.
func (f *fleet) planned(from, to timeline.Day) bool {
	for _, id := range f.scope {
		for d := from; d <= to; d++ {
			if f.presses[id].Calendar.Plan(d).Planned() > 0 {
				return true
			}
		}
	}
	return false
}

// chartOf draws one series.
func chartOf(steps []*lossStep, name string) (*pb.LossSeries, []loss.Change) {
	list := make([]loss.Step, len(steps))
	for i, s := range steps {
		v, ok := loss.SeriesValue(&s.tree.sums, name)
		list[i] = loss.Step{Key: s.key, Value: v, Known: s.tree.sums.Known(), LeftOut: s.why}
		if !ok && s.why == "" {
			list[i].LeftOut = loss.LeftNothing
		}
	}
	limits, ok := loss.Chart(list)
	out := &pb.LossSeries{Series: name, Name: loss.SeriesText(name), Limits: xmrOf(limits, ok)}
	for _, s := range list {
		out.Points = append(out.Points, &pb.SeriesPoint{Key: s.Key, Value: s.Value, KnownShare: s.Known, LeftOut: s.LeftOut != "", LeftOutWhy: s.LeftOut, Signals: s.Signals})
	}
	if !ok {
		return out, nil
	}
	return out, loss.Changes(list, limits)
}

func xmrOf(x stats.Xmr, ok bool) *pb.XmrLimits {
	out := &pb.XmrLimits{N: int64(x.N), Method: loss.LimitsMethod}
	if !ok {
		out.Method = fmt.Sprintf("too short a history: limits need %d steps", stats.XmrMin)
		return out
	}
	out.Ok, out.Center, out.Low, out.High, out.MeanRange, out.RangeHigh = true, x.Center, x.Low, x.High, x.MeanRange, x.RangeUpper
	return out
}

// prices turn points into money: lost time at its average price over all steps,
// and the material that a waste leaf's lost time stands for. There are none
// where the scope has two currencies or bases.
type prices struct {
	purse    purse
	ok       bool
	hour     *loss.Money            // of one µs of lost time
	material map[string]*loss.Money // of one µs of a series, beside it
}

func newPrices(steps []*lossStep) *prices {
	p := &prices{material: map[string]*loss.Money{}}
	all := newTreeSum()
	for _, s := range steps {
		s.tree.price()
		all.sums.Merge(&s.tree.sums)
		for k, m := range s.tree.money {
			if k.currency == "" {
				continue
			}
			if p.ok && p.purse != k {
				return &prices{}
			}
			p.purse, p.ok = k, true
			sum := all.purse(k.currency, k.constrained)
			for l := range m {
				sum[l].Add(sum[l], m[l])
			}
		}
	}
	total := all.sums.Total()
	if !p.ok || total.US <= 0 {
		return &prices{}
	}
	money := new(loss.Money)
	for _, l := range loss.Losses() {
		money.Add(money, all.money[p.purse][l])
	}
	money.Sub(money, loss.MaterialMoney(total.Material))
	p.hour = money.Quo(money, big.NewRat(total.US, 1))
	for _, n := range loss.SeriesNames() {
		var us, nano int64
		for _, l := range loss.SeriesLeaves(n) {
			us += all.sums.In[l].US
			nano += all.sums.In[l].Material
		}
		if us > 0 && nano > 0 {
			p.material[n] = new(loss.Money).Quo(loss.MaterialMoney(nano), big.NewRat(us, 1))
		}
	}
	return p
}

// of is the money of so many points of a step's planned time (ms) in a series: a
// rise of a loss costs, a rise of OEE saves; single factors have none.
func (p *prices) of(series string, points float64, pbt int64) []*pb.Money {
	if !p.ok || loss.SeriesLeaves(series) == nil {
		return nil
	}
	if series == "oee" {
		points = -points
	}
	us := new(big.Rat).SetFloat64(points / 100 * float64(pbt) * 1000)
	if us == nil {
		return nil
	}
	price := new(loss.Money).Set(p.hour)
	if m := p.material[series]; m != nil {
		price.Add(price, m)
	}
	return []*pb.Money{{Currency: p.purse.currency, Basis: p.purse.basis(), Amount: loss.RoundMoney(price.Mul(price, us), loss.Decimals(p.purse.currency))}}
}

// rank orders changes by money, whichever way.
func (p *prices) rank(c *pb.SeriesChange) *loss.Money {
	if len(c.GetMoney()) == 0 {
		return new(loss.Money)
	}
	m, ok := new(loss.Money).SetString(c.GetMoney()[0].GetAmount())
	if !ok {
		return new(loss.Money)
	}
	return m.Abs(m)
}
