package main

import (
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// lossRow is one leaf of one group, or one line of a view, in exact units. Time, length and points stand on the
// first row of a leaf, money once per currency and basis.
type lossRow struct {
	FirstDay string  `col:"first_day"`
	LastDay  string  `col:"last_day"`
	Key      string  `col:"key"`
	Leaf     string  `col:"leaf"`
	Factor   string  `col:"factor"`
	Share    string  `col:"share"`
	PartOf   string  `col:"part_of"`
	TimeUs   int64   `col:"time_us"`
	LengthMm int64   `col:"length_mm"`
	Currency string  `col:"currency"`
	Basis    string  `col:"basis"`
	Amount   string  `col:"amount"`
	Points   float64 `col:"oee_points"`
	View     string  `col:"view"`  // scheme; empty: the ladder
	Level    int64   `col:"level"` // of a view's line: lines of level 0 add up
}

// lossRows gives one row per group and leaf, then the lines of the view.
func lossRows(r *pb.GetLossesResponse, as string) []lossRow {
	trees := r.GetGroups()
	if len(trees) == 0 {
		trees = []*pb.LossTree{r.GetTotal()}
	}
	var rows []lossRow
	for _, t := range trees {
		base := lossRow{FirstDay: r.GetPeriod().GetFirstDay(), LastDay: r.GetPeriod().GetLastDay(), Key: t.GetKey()}
		add := func(l *pb.LossLeaf, partOf string) {
			row := base
			row.Leaf, row.Factor, row.Share, row.PartOf = l.GetLeaf(), l.GetFactor(), l.GetShare(), partOf
			row.TimeUs, row.LengthMm, row.Points = l.GetTimeUs(), l.GetLengthMm(), l.GetOeePoints()
			if len(l.GetMoney()) == 0 {
				rows = append(rows, row)
			}
			for _, m := range l.GetMoney() {
				row.Currency, row.Basis, row.Amount = m.GetCurrency(), m.GetBasis(), m.GetAmount()
				rows = append(rows, row)
				row.TimeUs, row.LengthMm, row.Points = 0, 0, 0
			}
		}
		add(&pb.LossLeaf{Leaf: "planned_busy_time", TimeUs: t.GetPlannedBusyUs(), OeePoints: 100}, "")
		for _, l := range t.GetLeaves() {
			add(l, "")
			for _, part := range l.GetParts() {
				add(part, l.GetLeaf())
			}
		}
		add(&pb.LossLeaf{Leaf: "valuable_operating_time", TimeUs: t.GetValuableUs(), OeePoints: 100 * t.GetOee()}, "")
		for _, l := range t.GetOutside() {
			add(l, "outside_planned_time")
		}
		for _, l := range t.GetView() {
			row := base
			row.Leaf, row.TimeUs, row.Points, row.View, row.Level = l.GetLine(), l.GetTimeUs(), l.GetPoints(), as, int64(l.GetLevel())
			rows = append(rows, row)
		}
	}
	return rows
}

// seriesRow is one step of one series.
type seriesRow struct {
	Series     string  `col:"series"`
	Key        string  `col:"key"`
	Value      float64 `col:"value"`
	KnownShare float64 `col:"known_share"`
	LeftOut    string  `col:"left_out"`
	Signals    string  `col:"signals"`
	LimitsOk   bool    `col:"limits_ok"`
	Center     float64 `col:"center"`
	Low        float64 `col:"low"`
	High       float64 `col:"high"`
	MeanRange  float64 `col:"mean_range"`
	N          int64   `col:"n"`
}

func seriesRows(r *pb.ListLossSeriesResponse) []seriesRow {
	var rows []seriesRow
	for _, s := range r.GetSeries() {
		l := s.GetLimits()
		for _, p := range s.GetPoints() {
			rows = append(rows, seriesRow{Series: s.GetSeries(), Key: p.GetKey(), Value: p.GetValue(), KnownShare: p.GetKnownShare(), LeftOut: p.GetLeftOutWhy(), Signals: joined(p.GetSignals()),
				LimitsOk: l.GetOk(), Center: l.GetCenter(), Low: l.GetLow(), High: l.GetHigh(), MeanRange: l.GetMeanRange(), N: l.GetN()})
		}
	}
	return rows
}

func joined(words []string) string {
	out := ""
	for i, w := range words {
		if i > 0 {
			out += "; "
		}
		out += w
	}
	return out
}

// indicatorRow is one indicator of one group.
type indicatorRow struct {
	FirstDay  string  `col:"first_day"`
	LastDay   string  `col:"last_day"`
	Key       string  `col:"key"`
	Indicator string  `col:"indicator"`
	Ok        bool    `col:"ok"`
	Value     float64 `col:"value"`
	Low       float64 `col:"low"`
	High      float64 `col:"high"`
	N         int64   `col:"n"`
	Unit      string  `col:"unit"`
	Method    string  `col:"method"`
	Formula   string  `col:"formula"`
	Source    string  `col:"source"`
}

func indicatorRows(r *pb.GetIndicatorsResponse) []indicatorRow {
	var rows []indicatorRow
	for _, s := range r.GetSets() {
		for _, i := range s.GetIndicators() {
			v := i.GetValue()
			rows = append(rows, indicatorRow{FirstDay: r.GetPeriod().GetFirstDay(), LastDay: r.GetPeriod().GetLastDay(), Key: s.GetKey(), Indicator: i.GetIndicator(), Ok: v.GetOk(),
				Value: v.GetValue(), Low: v.GetLow(), High: v.GetHigh(), N: v.GetN(), Unit: i.GetUnit(), Method: v.GetMethod(), Formula: i.GetFormula(), Source: i.GetSource()})
		}
	}
	return rows
}

// differenceRow is one leaf or factor of a comparison.
type differenceRow struct {
	What      string  `col:"what"` // "leaf" or "factor"
	Name      string  `col:"name"`
	A         float64 `col:"a"`
	B         float64 `col:"b"`
	Points    float64 `col:"points"`
	Per100h   float64 `col:"minutes_per_100h"`
	Currency  string  `col:"currency"`
	Basis     string  `col:"basis"`
	Amount    string  `col:"amount"`
	ScopeA    string  `col:"scope_a"`
	ScopeB    string  `col:"scope_b"`
	FirstDayA string  `col:"first_day_a"`
	LastDayA  string  `col:"last_day_a"`
	FirstDayB string  `col:"first_day_b"`
	LastDayB  string  `col:"last_day_b"`
}

func differenceRows(p *comparePage) []differenceRow {
	base := differenceRow{ScopeA: p.scopeA, ScopeB: p.scopeB, FirstDayA: p.periodA.GetFirstDay(), LastDayA: p.periodA.GetLastDay(), FirstDayB: p.periodB.GetFirstDay(), LastDayB: p.periodB.GetLastDay()}
	var rows []differenceRow
	for _, l := range p.resp.GetLeaves() {
		row := base
		row.What, row.Name, row.A, row.B, row.Points, row.Per100h = "leaf", l.GetLeaf(), l.GetPointsA(), l.GetPointsB(), l.GetPoints(), l.GetMinutesPer_100H()
		if len(l.GetMoney()) == 0 {
			rows = append(rows, row)
		}
		for _, m := range l.GetMoney() {
			row.Currency, row.Basis, row.Amount = m.GetCurrency(), m.GetBasis(), m.GetAmount()
			rows = append(rows, row)
			row.A, row.B, row.Points, row.Per100h = 0, 0, 0, 0
		}
	}
	for _, f := range p.resp.GetFactors() {
		row := base
		row.What, row.Name, row.A, row.B, row.Points = "factor", f.GetFactor(), f.GetA(), f.GetB(), f.GetPoints()
		rows = append(rows, row)
	}
	return rows
}
