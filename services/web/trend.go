package web

import (
	"math"
	"net/http"
	"slices"
	"strings"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web/figures"
)

// trendPage sets each step of time against usual variation.
type trendPage struct {
	frame
	Said    string // in words
	Changes []changeRow
	Steps   []rangeLink
	Charts  []chart
	Method  string
}

type changeRow struct{ Step, Series, Points, Worth, Signal string }

// chart is one series as a table: a row for a step, with its place between the limits.
type chart struct {
	ID, Name, Unit    string
	Said              string
	Rows              []chartRow
	HasLimits         bool
	Low, High, Center string // percent of the picture
}

type chartRow struct {
	Step, Value, Known, Said string
	X                        string // percent of the picture
	Out, Signal              bool   // left out of the limits; a signal stands on it
}

// trendSteps are the grains, as addresses name them.
var trendSteps = []struct {
	name, text string
	step       pb.SeriesStep
}{{"week", "weeks", pb.SeriesStep_SERIES_STEP_WEEK}, {"day", "days", pb.SeriesStep_SERIES_STEP_DAY}, {"month", "months", pb.SeriesStep_SERIES_STEP_MONTH}}

// trendDays is how far back a trend looks when the address names no days: limits want more than four weeks.
const trendDays = 182

func (s *Site) serveTrend(w http.ResponseWriter, r *http.Request) {
	v := r.URL.Query()
	if v.Get("from") == "" && v.Get("to") == "" && v.Get("last") == "" {
		v.Set("last", "182")
		r.URL.RawQuery = v.Encode()
	}
	f, q, ok := s.open(w, r, "/", "Losses against usual variation", "step")
	if !ok {
		return
	}
	step := 0
	for i, x := range trendSteps {
		if x.name == v.Get("step") {
			step = i
		}
	}
	ask := []string{"cleaning", "dirt", "oee"}
	list, err := s.losses.ListLossSeries(r.Context(), &pb.ListLossSeriesRequest{Scope: q.scope(), Period: q.period(), Step: trendSteps[step].step})
	if err != nil {
		s.fail(w, r, f, err)
		return
	}
	f.Foot = q.pins(list.GetAsOf())
	p := trendPage{frame: f}
	for i, x := range trendSteps {
		p.Steps = append(p.Steps, rangeLink{x.text, q.Link("/losses/trend", "step", x.name), i == step})
	}
	var first *pb.LossSeries
	for _, name := range ask {
		for _, x := range list.GetSeries() {
			if x.GetSeries() == name {
				if first == nil {
					first = x
				}
				unit := "OEE points"
				if name == "oee" {
					unit = "%"
				}
				p.Charts = append(p.Charts, newChart(x.GetSeries(), x.GetName(), unit, x.GetPoints(), x.GetLimits(), nil, trendSteps[step].text))
			}
		}
	}
	switch {
	case first == nil || len(first.GetPoints()) == 0:
		p.Said = "There is no whole step of time in these days."
	case !first.GetLimits().GetOk():
		p.Said = "Too short a history to say what is usual for " + q.Words() + ": " + first.GetLimits().GetMethod() + "."
	case len(list.GetChanges()) == 0:
		p.Said = "Nothing changed for " + q.Words() + ": every step lies within usual variation."
	case slices.ContainsFunc(list.GetChanges(), func(c *pb.SeriesChange) bool { return len(c.GetMoney()) > 0 }):
		p.Said = "What changed for " + q.Words() + ", dearest first"
	default: // there is no one currency and basis of money for all of it
		p.Said = "What changed for " + q.Words() + ", the largest first"
	}
	for _, c := range list.GetChanges()[:min(12, len(list.GetChanges()))] {
		row := changeRow{Step: c.GetKey(), Series: c.GetName(), Points: signed(c.GetPoints()), Signal: c.GetSignal()}
		for _, m := range c.GetMoney() {
			row.Worth = minus(m.GetCurrency() + " " + figures.MoneyText(figures.Amount(c.GetMoney(), m.GetCurrency()), m.GetCurrency()))
		}
		p.Changes = append(p.Changes, row)
	}
	if first != nil {
		p.Method = sentence(first.GetLimits().GetMethod())
	}
	s.write(w, http.StatusOK, "trend", p)
}

// newChart lays a series out. visits may be nil: then the known share stands beside each value.
func newChart(id, name, unit string, points []*pb.SeriesPoint, l *pb.XmrLimits, visits []int64, steps string) chart {
	c := chart{ID: id, Name: name, Unit: unit, HasLimits: l.GetOk()}
	low, high := 0.0, math.Inf(-1)
	for _, x := range points {
		low, high = min(low, x.GetValue()), max(high, x.GetValue())
	}
	if l.GetOk() {
		low, high = min(low, l.GetLow()), max(high, l.GetHigh())
		c.Said = "Mean " + figures.Number(l.GetCenter(), 2) + ", usual from " + figures.Number(l.GetLow(), 2) + " to " + figures.Number(l.GetHigh(), 2) + " over " + figures.Grouped(l.GetN()) + " " + steps + "."
	} else {
		c.Said = "Too few " + steps + " to say what is usual."
	}
	if name == "OEE" && low == 0 { // a factor does not begin at nothing
		low = high
		for _, x := range points {
			low = min(low, x.GetValue())
		}
		if l.GetOk() {
			low = min(low, l.GetLow())
		}
		low -= (high - low) * 0.1
	}
	at := func(v float64) string {
		if high <= low {
			return "0%"
		}
		return pct((v - low) / (high - low) * 90)
	}
	if l.GetOk() {
		c.Low, c.High, c.Center = at(l.GetLow()), at(l.GetHigh()), at(l.GetCenter())
	}
	for i, x := range points {
		row := chartRow{Step: x.GetKey(), Value: minus(figures.Number(x.GetValue(), 2)), Known: known(x.GetKnownShare()), X: at(x.GetValue()), Out: x.GetLeftOut(), Signal: len(x.GetSignals()) > 0, Said: strings.Join(x.GetSignals(), ", ")}
		if visits != nil {
			row.Known = ""
			if i < len(visits) {
				row.Known = figures.Grouped(visits[i])
			}
		}
		if t, ok := weekStart(x.GetKey()); ok {
			row.Step = x.GetKey() + ", " + t.Format("2 Jan")
		}
		if x.GetLeftOut() {
			row.Said = "left out: " + named(x.GetLeftOutWhy(), "too little is known")
		}
		c.Rows = append(c.Rows, row)
	}
	return c
}

// signed writes points with their sign.
func signed(v float64) string {
	n := int64(math.RoundToEven(v * 100))
	if n > 0 {
		return "+" + figures.Fixed(n, 2)
	}
	return minus(figures.Fixed(n, 2))
}
