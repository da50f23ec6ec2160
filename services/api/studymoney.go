package api

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// moneyLines says, by name of the finding, what its net difference comes to in
// money: net meters of the windows not cleaned at the price of web, less what
// the cleans that were left out would have taken. Prices, standards and what is
// sold out are those of the registry as the study pinned it, so the line is the
// same whenever it is made. A finding without a difference has none.
func (s *Server) moneyLines(ctx context.Context, x *pb.Study, res *study.Result) (map[string]string, error) {
	out := map[string]string{}
	if !slices.ContainsFunc(res.Findings, func(f study.Finding) bool { return hasMoney(&f) }) {
		return out, nil
	}
	from, to, err := period(x.GetSpec().GetPeriod())
	if err != nil {
		return nil, err
	}
	f, err := s.fleetAt(ctx, x.GetSpec().GetScope(), x.GetAsOf().GetRegistryRev())
	if err != nil {
		return nil, err
	}
	for i := range res.Findings {
		if find := &res.Findings[i]; hasMoney(find) {
			out[find.Name] = moneyLine(find, res.Spec.Alpha, f.presses, from, to)
		}
	}
	return out, nil
}

// hasMoney: a difference that was seen, net of restart waste. What a trial shows
// is gross, and its sentences are its own.
func hasMoney(f *study.Finding) bool {
	return (f.Grade == study.Suggestive || f.Grade == study.Consistent) && f.Secondary["net_waste"] != nil
}

// moneyLine is the line of one finding, with a figure for each currency and
// basis of its presses. The ends are those of the net meters over other presses.
func moneyLine(f *study.Finding, alpha float64, presses map[string]*timeline.Press, from, to timeline.Day) string {
	head := "In money, for " + f.Name + ": "
	var own []*timeline.Press
	for _, b := range f.ByPress {
		if p := presses[b.Press]; p != nil && b.NotCleaned > 0 {
			own = append(own, p)
		}
	}
	if why := rulesOf(own, f.Stations, from, to).safety; why != "" {
		return head + "no figure. It is safety work, which is not weighed against money: " + why + "."
	}
	prices, why := pricesOf(f, presses, from, to)
	if why != "" {
		return head + "no figure. " + why
	}
	net := f.Secondary["net_waste"]
	n, meters, low, high := float64(f.NotCleaned), 0.0, 0.0, 0.0
	when := ""
	if y := f.Year; y != nil {
		n, meters, low, high = y.Windows, y.Meters, y.Low, y.High
		when = fmt.Sprintf("if the coming year is like these %d days, ", y.Days)
	} else {
		meters, low, high = n*net.Difference, n*net.OtherLow, n*net.OtherHigh
		when = fmt.Sprintf("over the runs of this study alone (too few run days are on record to make a year of them; net of restart waste %s m, %s to %s m), ",
			study.Meters(meters), study.Meters(low), study.Meters(high))
	}
	below := false
	var parts []string
	for _, p := range prices {
		text, least := p.figure(n, meters, low, high, 100*(1-alpha))
		parts, below = append(parts, text), below || least < 0
	}
	out := head + when + strings.Join(parts, "; and ") + ". "
	if len(parts) > 1 {
		out += "Each is at the average difference of all presses; what is priced in another currency or on another basis is not added. "
	}
	out += "Cleaning materials are not priced, and time lost to dirt (stops, slow running) is not in it. Above 0 the runs not cleaned took more than their cleans would have. It goes with the missed cleans as the meters do, and does not show that cleaning would have kept it."
	if below {
		out += " Below 0 is no reason to leave a clean out: the plan, the maker's manual and safety come first."
	}
	return out
}

// figure is the money of the windows of a group out of n with meters net in all:
// the ends of the meters, each at the end of the prices that takes it farther out.
func (p *cleanPrice) figure(n, meters, low, high, level float64) (text string, least float64) {
	n, meters, low, high = n*p.share, meters*p.share, low*p.share, high*p.share
	value := meters*p.meter.middle() - n*p.clean.middle()
	least = low*p.meter.low - n*p.clean.high
	if low < 0 {
		least = low*p.meter.high - n*p.clean.high
	}
	most := high*p.meter.high - n*p.clean.low
	if high < 0 {
		most = high*p.meter.low - n*p.clean.low
	}
	hour := "the hour of a person"
	if p.constrained {
		hour = "the hour of a press that is sold out"
	}
	ends := fmt.Sprintf("%.4g %%", level)
	if p.meter.high > p.meter.low || p.clean.high > p.clean.low {
		ends += " at the ends of the prices"
	}
	return fmt.Sprintf("%s %s (%s to %s, %s) over %.0f windows: web wasted net of restart waste at %s a meter, less the cleans that were left out at %s each (%s hands-on minutes by the plan, priced at %s)",
		amount(value), p.currency, amount(least), amount(most), ends, n, p.meter.amounts(p.currency), p.clean.amounts(p.currency), p.minutes.numbers(), hour), least
}

// addMoney puts the lines of money after the sentences of their findings.
func addMoney(x *pb.Study, lines map[string]string) {
	for _, f := range x.Findings {
		if line := lines[f.Station]; line != "" {
			f.Sentence += " " + line
			x.Sentences = append(x.Sentences, line)
		}
	}
}
