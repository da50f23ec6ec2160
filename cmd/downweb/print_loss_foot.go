package main

import (
	"fmt"
	"io"
	"strings"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// printLossFoot writes OEE, coverage, notes and pins.
func printLossFoot(w io.Writer, p lossPage) {
	t, c := p.resp.GetTotal(), p.resp.GetTotal().GetCoverage()
	if t.GetOk() && t.GetPlannedBusyUs() > 0 {
		wrapped(w, "", "  ", fmt.Sprintf("OEE %s = availability %s × effectiveness %s × quality %s; length yield %s", percent(t.GetOee(), 2),
			percent(t.GetAvailability(), 2), percent(t.GetEffectiveness(), 2), percent(t.GetQuality(), 2), percent(t.GetLengthYield(), 2)))
		if t.GetOutsidePlannedBusyUs() > 0 {
			wrapped(w, "", "  ", fmt.Sprintf("Policy \"outside\" (planned cleaning and maintenance taken out of planned time): OEE %s", percent(t.GetOutsideOee(), 2)))
		}
	}
	if c.GetPlannedMs() > 0 {
		wrapped(w, "", "  ", fmt.Sprintf("Coverage: %s known (measured %s, stated by people %s), unknown %s",
			percent(c.GetKnownShare(), 2), hours(c.GetMeasuredMs()), hours(c.GetStatedMs()), hours(c.GetUnknownMs())))
		if c.GetKnownShare() < 0.98 {
			wrapped(w, "", "  ", fmt.Sprintf("Less than 98 %% is known: OEE lies between %s (all unknown time lost) and %s (unknown like the rest)", percent(t.GetOeeLow(), 2), percent(t.GetOeeHigh(), 2)))
		}
		if c.GetKnownShare() < 0.90 {
			fmt.Fprintln(w, "Less than 90 % is known: not fit for comparisons, targets or limits")
		}
	} else {
		fmt.Fprintln(w, "Coverage: 0, nothing is known of this period")
	}
	if e := t.GetRestartEstimateMm(); e != nil {
		booked := int64(0)
		for _, leaf := range t.GetLeaves() {
			if leaf.GetLeaf() == "restart_waste" {
				booked = leaf.GetLengthMm()
			}
		}
		text := fmt.Sprintf("Restart waste after cleans, estimated from the meters: too few restarts to say (%d)", e.GetN())
		if e.GetOk() {
			m := func(v float64) string { return number(v/1000, 0) }
			text = fmt.Sprintf("Restart waste after cleans, estimated from the meters: %s m (%s to %s) over %s; booked %s m. The estimate is in no sum",
				m(e.GetValue()), m(e.GetLow()), m(e.GetHigh()), plural(e.GetN(), "restart", "restarts"), grouped(roundRatio(booked, 1, 1000)))
		}
		wrapped(w, "", "  ", text)
	}
	note := func(n int64, text string) {
		if n != 0 {
			wrapped(w, "Note: ", "  ", text)
		}
	}
	note(t.GetDownstreamMm(), grouped(roundRatio(t.GetDownstreamMm(), 1, 1000))+" m were sent on as good and found bad later: they are waste here")
	note(t.GetClosedByRule(), plural(t.GetClosedByRule(), "cleaning session was", "cleaning sessions were")+" closed by rule, not by the crew")
	note(t.GetBookedExcessMm(), grouped(roundRatio(t.GetBookedExcessMm(), 1, 1000))+" m of waste were booked above what the counters have")
	note(t.GetNoteSpillMs(), "reason notes spill "+number(float64(t.GetNoteSpillMs())/60000, 1)+" min over states that they may not cover")
	note(t.GetAssumedRateMm(), grouped(roundRatio(t.GetAssumedRateMm(), 1, 1000))+" m ran without a rated speed: the press's own was assumed")
	note(t.GetGoodOutsideProductionMm(), grouped(roundRatio(t.GetGoodOutsideProductionMm(), 1, 1000))+" good m were made outside production: shipped, never in OEE")
	note(t.GetUnknownReasons(), plural(t.GetUnknownReasons(), "reason is", "reasons are")+" not in the registry: taken at their state's default")
	for _, n := range p.resp.GetNotes() {
		wrapped(w, "Note: ", "  ", n)
	}
	basis := "the " + t.GetBasis()
	if t.GetBasis() == "" {
		basis = "each press's own basis (they are mixed)"
	}
	sums := []*pb.LossLeaf{t.GetSum()}
	for _, g := range p.resp.GetGroups() {
		sums = append(sums, g.GetSum())
	}
	if len(currencies(append(sums, t.GetLeaves()...)...)) > 0 {
		wrapped(w, "", "  ", "Money: minutes at "+basis+", meters at the price of the web, by each day's rates. c: cleaning, d: dirt")
	} else if t.GetPressDays() == 0 {
		fmt.Fprintln(w, "c: cleaning, d: dirt")
	} else {
		fmt.Fprintln(w, "No money rates are set. c: cleaning, d: dirt")
	}
	printPins(w, p.resp.GetPeriod(), p.resp.GetZones(), p.dayOf, p.resp.GetAsOf())
}

func hours(ms int64) string { return hoursClock.duration(roundRatio(ms, 1, 60_000)) }

func periodText(p *pb.Period) string {
	if p.GetFirstDay() == p.GetLastDay() {
		return p.GetFirstDay()
	}
	return p.GetFirstDay() + " to " + p.GetLastDay()
}

// printPins writes what the answer is about and what it was computed from.
func printPins(w io.Writer, p *pb.Period, zones, dayOf []string, a *pb.AsOf) {
	text := "Production days " + periodText(p)
	if len(zones) > 0 {
		text += " (" + strings.Join(zones, ", ") + ")"
	}
	if len(dayOf) > 0 {
		text += "; a shift belongs to " + strings.Join(dayOf, ", ")
	}
	wrapped(w, "", "  ", text)
	if a == nil {
		return
	}
	through := "no data yet"
	if a.GetThrough() != nil {
		through = "data through " + zoned(a.GetThrough().AsTime(), zones)
	}
	wrapped(w, "", "  ", fmt.Sprintf("As of insert %s, registry revision %d, rules %d; %s", grouped(int64(a.GetPos())), a.GetRegistryRev(), a.GetRulesVersion(), through))
	if len(a.GetBehind()) > 0 {
		var names []string
		for _, b := range a.GetBehind()[:min(3, len(a.GetBehind()))] {
			names = append(names, behindText(b, zones))
		}
		if more := len(a.GetBehind()) - len(names); more > 0 {
			names = append(names, fmt.Sprintf("and %d more", more))
		}
		wrapped(w, "Behind the newest data: ", "  ", strings.Join(names, ", "))
	}
}

// behindText names a press that is behind, and up to when it is known.
func behindText(b *pb.PressLag, zones []string) string {
	if b.GetFrontier() == nil {
		return b.GetPress() + " (no data yet)"
	}
	return b.GetPress() + " (to " + zoned(b.GetFrontier().AsTime(), zones) + ")"
}
