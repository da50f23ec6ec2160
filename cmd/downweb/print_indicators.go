package main

import (
	"fmt"
	"io"
	"strings"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// columnIndicators are shown by group; the others are in the whole scope's list and in -o csv.
var columnIndicators = []struct{ slug, head string }{
	{"oee", "OEE"}, {"nee", "NEE"}, {"allocation_efficiency", "alloc."}, {"utilization_efficiency", "utiliz."}, {"technical_efficiency", "techn."},
	{"setup_ratio", "set-up"}, {"scrap_ratio", "scrap"}, {"mtbf", "MTBF h"}, {"mttr", "MTTR min"},
}

// printIndicators writes the whole scope's indicators with limits and formulas, then one line per group.
func printIndicators(w io.Writer, r *pb.GetIndicatorsResponse, scope string, zones, dayOf []string) {
	if len(r.GetSets()) == 0 {
		fmt.Fprintln(w, "Nothing is known of this period.")
		return
	}
	wrapped(w, "", "  ", fmt.Sprintf("Indicators of %s, %s.", scope, periodText(r.GetPeriod())))
	fmt.Fprintln(w)
	g := newGrid("indicator", ">value", ">from", ">to", ">n", "formula")
	var none []string
	sources := map[string][]string{}
	var order []string
	for _, i := range r.GetSets()[0].GetIndicators() {
		v := i.GetValue()
		if _, ok := sources[i.GetSource()]; !ok {
			order = append(order, i.GetSource())
		}
		sources[i.GetSource()] = append(sources[i.GetSource()], i.GetName())
		if !v.GetOk() {
			none = append(none, i.GetName()+" ("+v.GetMethod()+")")
			continue
		}
		value, low, high, n := indicatorText(i, v.GetValue()), "", "", ""
		if v.GetLow() != v.GetHigh() {
			low, high, n = indicatorText(i, v.GetLow()), indicatorText(i, v.GetHigh()), grouped(v.GetN())
		}
		formula, _, _ := strings.Cut(i.GetFormula(), ";")
		g.row(clip(i.GetName(), 30), value, low, high, n, clip(formula, 32))
	}
	g.print(w)
	if len(none) > 0 {
		wrapped(w, "", "  ", "Not to be had from this data: "+strings.Join(none, "; "))
	}
	fmt.Fprintln(w)
	if len(r.GetSets()) > 1 {
		printIndicatorGroups(w, r.GetSets()[1:])
	}
	for n, s := range order {
		if n == 0 {
			wrapped(w, "", "  ", "Formulas: "+s)
			continue
		}
		wrapped(w, "", "  ", strings.Join(sources[s], ", ")+": "+s)
	}
	wrapped(w, "", "  ", "Limits: 95 %; of MTBF chi-square at a constant rate, of MTTR exact if repair times are exponential. Failures: stops by breakdown or dirt of 5 min and more, in planned time. Whole formulas and sources: -o csv")
	printPins(w, r.GetPeriod(), zones, dayOf, r.GetAsOf())
}

// indicatorText writes a ratio in percent, minutes from ten hours on as hours.
func indicatorText(i *pb.Indicator, v float64) string {
	if i.GetUnit() != "minutes" {
		return number(100*v, 2) + " %"
	}
	if v >= 600 {
		return number(v/60, 1) + " h"
	}
	return number(v, 1) + " min"
}

func printIndicatorGroups(w io.Writer, sets []*pb.IndicatorSet) {
	heads := []string{"percent"}
	for _, c := range columnIndicators {
		heads = append(heads, ">"+c.head)
	}
	g := newGrid(heads...)
	for _, s := range sets {
		by := map[string]*pb.Indicator{}
		for _, i := range s.GetIndicators() {
			by[i.GetIndicator()] = i
		}
		cells := []string{clip(s.GetKey(), 22)}
		for _, c := range columnIndicators {
			i, text := by[c.slug], "-"
			if i.GetValue().GetOk() {
				switch c.slug {
				case "mtbf":
					text = number(i.GetValue().GetValue()/60, 1)
				case "mttr":
					text = number(i.GetValue().GetValue(), 1)
				default:
					text = number(100*i.GetValue().GetValue(), 1)
				}
			}
			cells = append(cells, text)
		}
		g.row(cells...)
	}
	g.print(w)
	fmt.Fprintln(w)
}
