package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// mostChanges is how many changes a table lists.
const mostChanges = 12

// printLossTrend writes what changed, then one line per series or, of a single series, one line per step.
func printLossTrend(w io.Writer, r *pb.ListLossSeriesResponse, scope string, zones, dayOf []string) {
	changes := r.GetChanges()
	switch {
	case len(r.GetSeries()) == 0 || len(r.GetSeries()[0].GetPoints()) == 0:
		fmt.Fprintln(w, "There is no step in this period.")
	case !r.GetSeries()[0].GetLimits().GetOk():
		wrapped(w, "", "  ", fmt.Sprintf("Too short a history to say what is usual for %s: %s.", scope, r.GetSeries()[0].GetLimits().GetMethod()))
	case len(changes) == 0:
		wrapped(w, "", "  ", fmt.Sprintf("Nothing changed for %s: every step lies within usual variation.", scope))
	default:
		wrapped(w, "", "  ", fmt.Sprintf("What changed for %s, dearest first:", scope))
		printChanges(w, changes)
	}
	fmt.Fprintln(w)
	if len(r.GetSeries()) == 1 {
		printSeries(w, r.GetSeries()[0])
	} else if len(r.GetSeries()) > 1 {
		printStrips(w, r.GetSeries())
	}
	if len(r.GetSeries()) > 0 {
		wrapped(w, "", "  ", "Limits: "+r.GetSeries()[0].GetLimits().GetMethod()+". Values are points of planned time lost; OEE and factors in percent.")
	}
	printPins(w, r.GetPeriod(), zones, dayOf, r.GetAsOf())
}

func printChanges(w io.Writer, changes []*pb.SeriesChange) {
	worthless := true
	for _, c := range changes {
		worthless = worthless && len(c.GetMoney()) == 0
	}
	if worthless {
		wrapped(w, "  ", "  ", "(ranked by points: there is no one currency and basis of money for all of it)")
	}
	g := newGrid("  step", "series", ">points from mean", ">worth", "signal")
	for _, c := range changes[:min(mostChanges, len(changes))] {
		worth := ""
		for _, m := range c.GetMoney() {
			worth = m.GetCurrency() + " " + moneyText(amount(c.GetMoney(), m.GetCurrency()), m.GetCurrency())
		}
		g.row("  "+c.GetKey(), c.GetName(), signedPoints(int64(math.RoundToEven(100*c.GetPoints()))), worth, c.GetSignal())
	}
	g.print(w)
	if more := len(changes) - mostChanges; more > 0 {
		fmt.Fprintf(w, "  and %d more: see -o json\n", more)
	}
}

// stepMark is one step in plain characters.
func stepMark(p *pb.SeriesPoint, l *pb.XmrLimits) string {
	switch {
	case p.GetLeftOut():
		return "x"
	case !l.GetOk():
		return "o"
	case p.GetValue() > l.GetHigh():
		return "+"
	case p.GetValue() < l.GetLow():
		return "-"
	case len(p.GetSignals()) > 0:
		return "8"
	}
	return "."
}

// stripMost is how many steps fit beside the figures, the newest.
const stripMost = 30

func printStrips(w io.Writer, series []*pb.LossSeries) {
	g := newGrid("series", ">newest", ">mean", ">low", ">high", "oldest to newest")
	for _, s := range series {
		l, newest, strip := s.GetLimits(), "-", ""
		for _, p := range s.GetPoints()[max(0, len(s.GetPoints())-stripMost):] {
			strip += stepMark(p, l)
			if !p.GetLeftOut() {
				newest = number(p.GetValue(), 2)
			}
		}
		mean, low, high := "-", "-", "-"
		if l.GetOk() {
			mean, low, high = number(l.GetCenter(), 2), number(l.GetLow(), 2), number(l.GetHigh(), 2)
		}
		g.row(s.GetName(), newest, mean, low, high, strip)
	}
	g.print(w)
	wrapped(w, "", "  ", ". within the limits, + above, - below, 8 eight on one side, x left out (part of a step, not over yet, nothing planned, or less than 90 % known), o no limits yet")
}

// printSeries writes one line per step with its place between the limits.
func printSeries(w io.Writer, s *pb.LossSeries) {
	l := s.GetLimits()
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range s.GetPoints() {
		low, high = min(low, p.GetValue()), max(high, p.GetValue())
	}
	if l.GetOk() {
		low, high = min(low, l.GetLow()), max(high, l.GetHigh())
	}
	const wide = 40
	at := func(v float64) int {
		if high <= low {
			return 0
		}
		return int(math.RoundToEven((v - low) / (high - low) * (wide - 1)))
	}
	g := newGrid(s.GetName(), ">value", ">known %", "", "")
	for _, p := range s.GetPoints() {
		line := []byte(strings.Repeat(" ", wide))
		if l.GetOk() {
			line[at(l.GetLow())], line[at(l.GetHigh())], line[at(l.GetCenter())] = '(', ')', ':'
		}
		mark := byte('o')
		if p.GetLeftOut() {
			mark = 'x'
		}
		line[at(p.GetValue())] = mark
		words := strings.Join(p.GetSignals(), ", ")
		if p.GetLeftOut() {
			words = "left out: " + p.GetLeftOutWhy()
		}
		g.row(p.GetKey(), number(p.GetValue(), 2), number(100*p.GetKnownShare(), 1), string(line), clip(words, 29))
	}
	g.print(w)
	if l.GetOk() {
		wrapped(w, "", "  ", fmt.Sprintf("Mean %s, usual from %s to %s, mean moving range %s over %s", number(l.GetCenter(), 2), number(l.GetLow(), 2), number(l.GetHigh(), 2), number(l.GetMeanRange(), 2), plural(l.GetN(), "step", "steps")))
	}
}
