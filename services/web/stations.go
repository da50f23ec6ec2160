package web

import (
	"net/http"
	"sort"
	"strings"

	"golang.org/x/sync/errgroup"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web/figures"
)

// stationsPage sets cleaning times against their standards.
type stationsPage struct {
	frame
	Said      string
	Cautions  []string
	Bys       []rangeLink
	Head      string
	Rows      []stationRow
	Scale     string
	Ties      string
	Refused   []string
	Station   string // slug of the one that is looked at; empty: all
	Chosen    string // its name
	All       string // address of all stations
	Trend     []chart
	Trends    []trendRow
	Notes     []string
	Proposals []proposalRow
}

// stationRow is one station, or one group of it, as ranges.
type stationRow struct {
	Name, Href                             string
	Visits, Median, P90, Mean, Standard    string
	Above, Below, Month, Odd, Out          string
	X, W, MedianX, StandardX, MeanX, MeanW string // percent of the picture
	HasStandard, HasMean, Small            bool
}

// trendRow is a station's newest week against what is usual.
type trendRow struct{ Name, Href, Newest, Mean, Usual, Said string }

type proposalRow struct{ Kind, Task, Station, Standard, Observed, Visits, Out, Said string }

// stationGroups are what station times may be divided by, as addresses name it.
var stationGroups = []struct {
	name, text string
	group      pb.StationGroup
}{{"", "station only", pb.StationGroup_STATION_GROUP_UNSPECIFIED}, {"press", "press", pb.StationGroup_STATION_GROUP_PRESS}, {"kind", "press kind", pb.StationGroup_STATION_GROUP_KIND},
	{"plant", "plant", pb.StationGroup_STATION_GROUP_PLANT}, {"occasion", "occasion", pb.StationGroup_STATION_GROUP_OCCASION}, {"shift", "shift", pb.StationGroup_STATION_GROUP_SHIFT}}

func (s *Site) serveStations(w http.ResponseWriter, r *http.Request) {
	f, q, ok := s.open(w, r, "/stations", "Stations", "by", "station")
	if !ok {
		return
	}
	v := r.URL.Query()
	station := v.Get("station")
	if station != "" && !slug.MatchString(station) {
		s.fail(w, r, f, badf("%q names no station.", station))
		return
	}
	by := 0
	for i, x := range stationGroups {
		if x.name == v.Get("by") {
			by = i
		}
	}
	if station != "" && v.Get("by") == "" {
		by = 1
	}
	long := *q // a trend wants more weeks than the eye: half a year up to the last day
	if from := q.To.AddDate(0, 0, 1-trendDays); from.Before(q.From) {
		long.From, long.Last = from, 0
	}
	var times *pb.ListStationTimesResponse
	var trend *pb.ListStationTrendResponse
	var props *pb.ListStandardProposalsResponse
	g, ctx := errgroup.WithContext(r.Context())
	g.Go(func() (err error) {
		times, err = s.cleaning.ListStationTimes(ctx, &pb.ListStationTimesRequest{Scope: q.scope(), Period: q.period(), GroupBy: stationGroups[by].group})
		return err
	})
	g.Go(func() (err error) {
		trend, err = s.cleaning.ListStationTrend(ctx, &pb.ListStationTrendRequest{Scope: q.scope(), Period: long.period(), Station: station})
		return err
	})
	g.Go(func() (err error) {
		props, err = s.cleaning.ListStandardProposals(ctx, &pb.ListStandardProposalsRequest{Scope: q.scope(), Period: q.period()})
		return err
	})
	if err := g.Wait(); err != nil {
		s.fail(w, r, f, err)
		return
	}
	f.Foot = q.pins(times.GetAsOf())
	p := stationsPage{frame: f, Cautions: times.GetCautions(), Station: station, Chosen: q.stationName(station), All: q.Link("/stations"), Refused: times.GetRefused()}
	for i, x := range stationGroups {
		p.Bys = append(p.Bys, rangeLink{x.text, q.Link("/stations", "by", named(x.name, "none"), "station", station), i == by})
	}
	p.fill(q, times, stationGroups[by].name)
	p.Said = stationsSaid(q, times, station)
	if station != "" {
		p.Title = p.Chosen
	}
	for _, x := range trend.GetStations() {
		c := newChart("trend-"+x.GetStation(), "Median minutes a visit, week by week: "+q.stationName(x.GetStation()), "min", x.GetPoints(), x.GetLimits(), x.GetVisits(), "weeks")
		if station != "" {
			p.Trend = append(p.Trend, c)
			continue
		}
		p.Trends = append(p.Trends, newTrendRow(q, x))
	}
	p.Notes = trend.GetNotes()
	for _, x := range props.GetProposals() {
		if station != "" && x.GetStation() != station {
			continue
		}
		row := proposalRow{Kind: x.GetKind(), Task: x.GetTask(), Station: q.stationName(x.GetStation()), Standard: figures.Number(x.GetStandardMinutes(), 1), Visits: figures.Grouped(x.GetProposalMinutes().GetN()), Out: figures.Grouped(x.GetLeftOut()), Said: x.GetRefused()}
		if len(q.plants) > 1 {
			row.Kind = x.GetPlant() + ", " + row.Kind
		}
		if e := x.GetProposalMinutes(); e.GetOk() {
			row.Observed = figures.Number(e.GetValue(), 1) + " (" + figures.Number(e.GetLow(), 1) + " to " + figures.Number(e.GetHigh(), 1) + ")"
		}
		p.Proposals = append(p.Proposals, row)
	}
	s.write(w, http.StatusOK, "stations", p)
}

// stationsSaid answers in a sentence.
func stationsSaid(q *query, r *pb.ListStationTimesResponse, station string) string {
	if len(r.GetStations()) == 0 {
		return "No station of " + q.Words() + " was signed off in these days."
	}
	ranks := r.GetRanks()
	if station != "" {
		for _, x := range ranks {
			if x.GetStation() == station {
				return upperFirst(q.stationName(station)) + " takes " + figures.Number(x.GetHoursPerMonth(), 1) + " hours a month of " + q.Words() + ", " + figures.Number(x.GetExcessHoursPerMonth(), 1) + " of them over standard."
			}
		}
		return "Nobody signed " + q.stationName(station) + " off in these days."
	}
	if len(ranks) == 0 {
		return "Cleaning time of " + q.Words() + ", station by station."
	}
	most, excess := ranks[0], ranks[0]
	for _, x := range ranks {
		if x.GetByExcess() < excess.GetByExcess() {
			excess = x
		}
	}
	return "Most time goes into " + q.stationName(most.GetStation()) + ", " + figures.Number(most.GetHoursPerMonth(), 1) + " hours a month; most over standard is " + q.stationName(excess.GetStation()) + ", " + figures.Number(excess.GetExcessHoursPerMonth(), 1) + " hours a month."
}

func upperFirst(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

// fill lays the rows out on one scale of minutes, the most hours first.
func (p *stationsPage) fill(q *query, r *pb.ListStationTimesResponse, by string) {
	list := make([]*pb.StationTime, 0, len(r.GetStations()))
	most := 0.0
	for _, x := range r.GetStations() {
		if p.Station == "" || x.GetStation() == p.Station {
			list = append(list, x)
			most = max(most, x.GetP90Minutes(), x.GetStandardMinutes(), x.GetMeanMinutes().GetHigh())
		}
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].GetHoursPerMonth() > list[j].GetHoursPerMonth() })
	at := func(v float64) string {
		if most <= 0 {
			return "0%"
		}
		return pct(v / most * 98)
	}
	p.Scale = "0 to " + figures.Number(most, 0) + " minutes"
	p.Head = "Station"
	for _, x := range list {
		row := stationRow{Name: q.stationName(x.GetStation()), Href: q.Link("/stations", "station", x.GetStation()), Visits: figures.Grouped(x.GetVisits()), Median: figures.Number(x.GetMedianMinutes(), 1), P90: figures.Number(x.GetP90Minutes(), 1), Mean: "too few", Standard: "none",
			Above: figures.Number(x.GetOwnExcessMinutes()/60, 1), Below: figures.Number(x.GetSavedMinutes()/60, 1), Month: figures.Number(x.GetHoursPerMonth(), 1), Odd: figures.Grouped(x.GetDoubtful()), Out: figures.Grouped(x.GetLeftOut()), Small: x.GetSmall(),
			X: at(min(x.GetMedianMinutes(), x.GetP90Minutes())), W: pct(max(leastBar, (x.GetP90Minutes()-x.GetMedianMinutes())/max(most, 1e-9)*98)), MedianX: at(x.GetMedianMinutes())}
		if x.GetKey() != "" {
			name := x.GetKey()
			switch by {
			case "press":
				name = q.pressName(name)
			case "occasion":
				name = strings.ReplaceAll(name, "_", " ")
			}
			if p.Station == "" {
				name = row.Name + ": " + name
			}
			if row.Name = name; by == "press" {
				row.Href = q.Link("/stations", "station", x.GetStation(), "scope", x.GetKey(), "kind", "")
			}
		}
		if x.GetStandardMinutes() > 0 {
			row.HasStandard, row.Standard, row.StandardX = true, figures.Number(x.GetStandardMinutes(), 1), at(x.GetStandardMinutes())
		}
		if e := x.GetMeanMinutes(); e.GetOk() {
			row.HasMean, row.Mean = true, figures.Number(e.GetValue(), 1)+" ("+figures.Number(e.GetLow(), 1)+" to "+figures.Number(e.GetHigh(), 1)+")"
			row.MeanX, row.MeanW = at(e.GetLow()), pct(max(leastBar, (e.GetHigh()-e.GetLow())/max(most, 1e-9)*98))
		}
		p.Rows = append(p.Rows, row)
	}
	if t := r.GetReconciliation(); t != nil && p.Station == "" {
		p.Ties = ties(t)
	}
}

// ties says how station times tie to the loss leaf.
func ties(t *pb.Reconciliation) string {
	n := func(v float64) string { return minus(figures.Number(v, 1)) }
	over := n(t.GetOverrunMinutes()) + " min"
	if t.GetOtherOverrunMinutes() != 0 {
		over += ", and of those on demand and at changeovers " + n(t.GetOtherOverrunMinutes()) + " min"
	}
	text := "Overrun of the sessions " + over + " = above standard " + n(t.GetOwnExcessMinutes()) + " − below " + n(t.GetSavedMinutes()) + " + interruptions " + n(t.GetInterruptionMinutes()) + " + allowance not used " + n(t.GetUnusedAllowanceMinutes())
	rest := t.GetOverrunMinutes() + t.GetOtherOverrunMinutes() - (t.GetOwnExcessMinutes() - t.GetSavedMinutes() + t.GetInterruptionMinutes() + t.GetUnusedAllowanceMinutes())
	if rest > 0.05 || rest < -0.05 {
		text += " + not explained " + n(rest)
	}
	text += " (closing counts as a station's time)."
	if c, x := t.GetClosingMinutes(), t.GetNotGrantedMinutes(); c != 0 || x != 0 {
		text += " Of above − below: stations " + n(t.GetOwnExcessMinutes()-t.GetSavedMinutes()-c-x) + ", closing " + n(c) + ", tasks that were not due and rounding " + n(x) + "."
	}
	return text
}

func newTrendRow(q *query, x *pb.StationTrend) trendRow {
	row := trendRow{Name: q.stationName(x.GetStation()), Href: q.Link("/stations", "station", x.GetStation()) + "#trend", Newest: "–", Mean: "–", Usual: "too few weeks"}
	if l := x.GetLimits(); l.GetOk() {
		row.Mean, row.Usual = figures.Number(l.GetCenter(), 1), figures.Number(max(0, l.GetLow()), 1)+" to "+figures.Number(l.GetHigh(), 1)
	}
	signals := 0
	for _, p := range x.GetPoints() {
		if len(p.GetSignals()) > 0 {
			signals++
		}
		if !p.GetLeftOut() {
			row.Newest = figures.Number(p.GetValue(), 1)
			row.Said = strings.Join(p.GetSignals(), ", ")
		}
	}
	switch {
	case row.Said != "":
		row.Said = "newest week: " + row.Said
	case signals > 0:
		row.Said = figures.Plural(int64(signals), "week before stands out", "weeks before stand out")
	case x.GetLimits().GetOk():
		row.Said = "within usual variation"
	}
	return row
}
