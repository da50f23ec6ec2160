package api

import (
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
)

// cleanPrice is what a meter of web and one clean of a station are priced at on
// presses of one currency and basis, averaged over their windows not cleaned.
type cleanPrice struct {
	currency     string
	constrained  bool    // the presses are sold out: their hour, else the crew's
	share        float64 // of all windows not cleaned
	meter, clean span
	minutes      span // hands-on, by the plan
}

// pricesOf prices the windows not cleaned, press by press; why says what is
// missing, or why one press cannot be priced.
func pricesOf(f *study.Finding, presses map[string]*timeline.Press, from, to timeline.Day) (out []cleanPrice, why string) {
	missing := map[string][]string{} // what → presses
	var all float64
	for _, b := range f.ByPress {
		p := presses[b.Press]
		if p == nil || b.NotCleaned == 0 {
			continue
		}
		one, lacks := priceOf(p, f.Stations, from, to)
		for _, what := range lacks {
			missing[what] = append(missing[what], b.Press)
		}
		w := float64(b.NotCleaned)
		all += w
		i := slices.IndexFunc(out, func(x cleanPrice) bool { return x.currency == one.currency && x.constrained == one.constrained })
		if i < 0 {
			i = len(out)
			out = append(out, cleanPrice{currency: one.currency, constrained: one.constrained})
		}
		g := &out[i]
		g.share += w
		g.meter.add(w, one.meter)
		g.clean.add(w, one.clean)
		g.minutes.add(w, one.minutes)
	}
	if all == 0 {
		return nil, "No press of the study with such a run is in its registry."
	}
	if len(missing) > 0 {
		var parts []string
		for _, what := range slices.Sorted(maps.Keys(missing)) {
			parts = append(parts, "no "+what+" for "+strings.Join(missing[what], ", "))
		}
		return nil, "The registry that the study pins has " + strings.Join(parts, "; ") + "."
	}
	for i := range out {
		g := &out[i]
		for _, r := range []*span{&g.meter, &g.clean, &g.minutes} {
			r.low, r.high = r.low/g.share, r.high/g.share
		}
		g.share /= all
	}
	return out, ""
}

// priceOf is the price on one press over a period, and what its registry lacks.
func priceOf(p *timeline.Press, stations []string, from, to timeline.Day) (out cleanPrice, lacks []string) {
	miss := func(what string) {
		if !slices.Contains(lacks, what) {
			lacks = append(lacks, what)
		}
	}
	out.currency, out.constrained = p.Currency, p.RateOn(from).Constrained
	for _, d := range pricedDays(p, from, to) {
		web := webPrices(p, d)
		if len(web) == 0 {
			miss("price of web (web_meter of the press, or web_rates of the plant)")
		}
		out.meter.take(web...)
		rate := p.RateOn(d)
		if rate.Constrained != out.constrained {
			miss("one basis over the period (constrained changes in it)")
		}
		hour := float64(p.LabourOn(d)) / 1e6
		if rate.Constrained {
			hour = float64(rate.ContributionHour) / 1e6
		}
		if hour == 0 && rate.Constrained {
			miss("price of an hour of the press (contribution_hour; it is sold out)")
		} else if hour == 0 {
			miss("price of an hour of a person (labour_hour)")
		}
		low, high, ok := standards(p, d, stations)
		if !ok {
			miss("task with standard minutes of " + strings.Join(stations, ", "))
		}
		out.minutes.take(low, high)
		few, many := 1.0, 1.0
		if rate.Constrained { // hands share the minutes of the press, not the cost of hands
			few, many = handsOf(p)
		}
		out.clean.take(hour*low/60/many, hour*high/60/few)
	}
	return out, lacks
}

// pricedDays are the days of a period on which a price or a plan begins, and the
// first: between them nothing that is read here changes.
func pricedDays(p *timeline.Press, from, to timeline.Day) []timeline.Day {
	out := []timeline.Day{from}
	add := func(d timeline.Day) {
		if d > from && d <= to {
			out = append(out, d)
		}
	}
	for _, r := range p.Rates {
		add(r.ValidFrom)
	}
	for _, r := range p.Labour {
		add(r.ValidFrom)
	}
	for _, r := range p.Web {
		add(r.ValidFrom)
	}
	for _, r := range p.Plans {
		add(r.ValidFrom)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// webPrices are those of a meter of any substrate of the plant on a day: which
// of them a run wasted is not in a study's data set.
func webPrices(p *timeline.Press, d timeline.Day) (out []float64) {
	substrates := []string{""}
	for _, w := range p.Web {
		substrates = append(substrates, w.Substrate)
	}
	for _, s := range substrates {
		if v := p.WebNanoPerMM(d, s); v > 0 {
			out = append(out, float64(v)/1e6)
		}
	}
	return out
}

// standards are the least and the most minutes that one clean of the stations is
// given by the plan of a day: a station with several tasks has one of them due.
func standards(p *timeline.Press, d timeline.Day, stations []string) (low, high float64, ok bool) {
	for _, station := range stations {
		var one span
		for _, t := range p.TasksOn(d) {
			if t.Station == station && t.Standard > 0 {
				one.take(float64(t.Standard) / msPerMinute)
			}
		}
		if !one.set {
			return 0, 0, false
		}
		low, high = low+one.low, high+one.high
	}
	return low, high, true
}

// handsOf are the fewest and the most people planned for a session of a press.
func handsOf(p *timeline.Press) (few, many float64) {
	var s span
	for _, n := range p.Hands {
		s.take(float64(max(1, n)))
	}
	if !s.set {
		return 1, 1
	}
	return s.low, s.high
}

// span is a number known between two ends.
type span struct {
	low, high float64
	set       bool
}

func (s *span) take(values ...float64) {
	for _, v := range values {
		if !s.set {
			s.low, s.high, s.set = v, v, true
		}
		s.low, s.high = min(s.low, v), max(s.high, v)
	}
}

func (s *span) add(w float64, x span) {
	s.low, s.high = s.low+w*x.low, s.high+w*x.high
}

func (s span) middle() float64 { return (s.low + s.high) / 2 }

// amounts prints what things cost, in hundredths.
func (s span) amounts(currency string) string {
	low, high := decimal.NewFromFloat(s.low).RoundBank(2).StringFixed(2), decimal.NewFromFloat(s.high).RoundBank(2).StringFixed(2)
	if low == high {
		return low + " " + currency
	}
	return low + " to " + high + " " + currency
}

func (s span) numbers() string {
	low, high := strconv.FormatFloat(s.low, 'f', -1, 64), strconv.FormatFloat(s.high, 'f', -1, 64)
	if s.low != float64(int64(s.low)) || s.high != float64(int64(s.high)) {
		low, high = strconv.FormatFloat(s.low, 'f', 1, 64), strconv.FormatFloat(s.high, 'f', 1, 64)
	}
	if low == high {
		return low
	}
	return low + " to " + high
}

// amount prints an estimate of money: whole units from 100 on, else hundredths,
// rounded once.
func amount(v float64) string {
	d := decimal.NewFromFloat(v)
	if d.Abs().LessThan(decimal.NewFromInt(100)) {
		return d.RoundBank(2).StringFixed(2)
	}
	return d.RoundBank(0).String()
}
