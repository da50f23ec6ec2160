package main

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// printFirstCaution writes the caution that stands wherever cleaning work is shown.
func printFirstCaution(w io.Writer, cautions []string) {
	if len(cautions) > 1 {
		cautions = cautions[:1]
	}
	printCautions(w, cautions)
}

// localClock is the time of day in a plant's zone; UTC is marked with Z.
func localClock(t *timestamppb.Timestamp, zone string) string {
	if loc, err := time.LoadLocation(zone); err == nil && zone != "" {
		return t.AsTime().In(loc).Format("15:04")
	}
	return t.AsTime().Format("15:04Z")
}

// localDay is the month and day in a plant's zone.
func localDay(t *timestamppb.Timestamp, zone string) string {
	if loc, err := time.LoadLocation(zone); err == nil {
		return t.AsTime().In(loc).Format("01-02")
	}
	return t.AsTime().Format("01-02")
}

func zoneWords(zones map[string]bool) string {
	var names []string
	for _, z := range slices.Sorted(maps.Keys(zones)) {
		if z == "" {
			z = "UTC"
		}
		names = append(names, z)
	}
	text := strings.Join(names, ", ")
	if len(names) > 1 {
		text += ", each plant's own"
	}
	return text
}

// notStated says what a crew did not state when it handed the press back.
func notStated(s *pb.Session) string {
	if !s.GetHandedBack() {
		return "not closed"
	}
	var missing []string
	for _, c := range []struct {
		stated bool
		letter string
	}{{s.GetToolsCountedOut(), "T"}, {s.GetGuardsRestored(), "G"}, {s.GetIsolationRemoved(), "I"}} {
		if !c.stated {
			missing = append(missing, c.letter)
		}
	}
	if len(missing) == 0 {
		return "stated"
	}
	return "not " + strings.Join(missing, " ")
}

func printHandBack(w io.Writer, h *pb.HandBack) {
	if h == nil {
		return
	}
	wrapped(w, "", "  ", fmt.Sprintf("Hand-back, %s in all: %s not closed by the crew; closed without stating T, tools and cloths counted out: %s; G, guards and interlocks restored: %s; I, isolation removed by whoever applied it: %s. What must be stated is for the site's procedure.",
		plural(h.GetSessions(), "session", "sessions"), grouped(h.GetNotClosed()), grouped(h.GetTools()), grouped(h.GetGuards()), grouped(h.GetIsolation())))
}

// rankLines is how many stations a ranking names.
const rankLines = 5

func printRanks(w io.Writer, ranks []*pb.StationRank) {
	if len(ranks) < 2 {
		return
	}
	var hours, excess []string
	for _, r := range ranks[:min(rankLines, len(ranks))] {
		hours = append(hours, r.GetStation()+" "+number(r.GetHoursPerMonth(), 1))
	}
	by := slices.Clone(ranks)
	slices.SortStableFunc(by, func(a, b *pb.StationRank) int { return int(a.GetByExcess() - b.GetByExcess()) })
	for _, r := range by[:min(rankLines, len(by))] {
		excess = append(excess, r.GetStation()+" "+number(r.GetExcessHoursPerMonth(), 1))
	}
	wrapped(w, "Most hours a month: ", "  ", strings.Join(hours, ", "))
	wrapped(w, "Most over standard, hours a month: ", "  ", strings.Join(excess, ", "))
}

func printTrend(w io.Writer, r *pb.ListStationTrendResponse) {
	printFirstCaution(w, r.GetCautions())
	if len(r.GetStations()) == 0 {
		fmt.Fprintln(w, "No station was signed off in this period.")
	}
	for _, s := range r.GetStations() {
		if l := s.GetLimits(); l.GetOk() {
			wrapped(w, "", "  ", fmt.Sprintf("%s: mean %s min, usual from %s to %s (%s)", s.GetStation(), number(l.GetCenter(), 2), number(l.GetLow(), 2), number(l.GetHigh(), 2), plural(l.GetN(), "week", "weeks")))
		} else {
			wrapped(w, "", "  ", fmt.Sprintf("%s: too few weeks for limits (%d)", s.GetStation(), l.GetN()))
		}
		var most float64
		for _, p := range s.GetPoints() {
			most = max(most, p.GetValue())
		}
		g := newGrid("week", ">visits", ">median", "", "")
		for i, p := range s.GetPoints() {
			note := strings.Join(p.GetSignals(), ", ")
			if p.GetLeftOut() {
				note = "few visits: not in the limits"
			}
			visits := int64(0)
			if i < len(s.GetVisits()) {
				visits = s.GetVisits()[i]
			}
			g.row(p.GetKey(), grouped(visits), number(p.GetValue(), 2), bar(int64(p.GetValue()*1000), max(1, int64(most*1000)), 30), note)
		}
		g.print(w)
		fmt.Fprintln(w)
	}
	for _, n := range r.GetNotes() {
		wrapped(w, "", "  ", n)
	}
	printPins(w, r.GetPeriod(), r.GetZones(), nil, r.GetAsOf())
}

func trendCSV(r *pb.ListStationTrendResponse) (header []string, rows [][]string) {
	header = []string{"station", "week", "visits", "median_minutes", "left_out", "signals", "center", "low", "high"}
	for _, s := range r.GetStations() {
		center, low, high := "", "", ""
		if l := s.GetLimits(); l.GetOk() {
			center, low, high = float(l.GetCenter()), float(l.GetLow()), float(l.GetHigh())
		}
		for i, p := range s.GetPoints() {
			visits := int64(0)
			if i < len(s.GetVisits()) {
				visits = s.GetVisits()[i]
			}
			rows = append(rows, []string{s.GetStation(), p.GetKey(), strconv.FormatInt(visits, 10), float(p.GetValue()), strconv.FormatBool(p.GetLeftOut()), strings.Join(p.GetSignals(), ";"), center, low, high})
		}
	}
	return header, rows
}

func printProposals(w io.Writer, r *pb.ListStandardProposalsResponse) {
	printCautions(w, r.GetCautions()[:min(2, len(r.GetCautions()))])
	g := newGrid("kind, task", "station", ">plan", ">observed (95 %)", ">visits", ">out", "")
	kind := ""
	for _, p := range r.GetProposals() {
		if k := p.GetPlant() + " " + p.GetKind(); k != kind { // once, its tasks below it
			kind = k
			g.row(clip(kind, 24))
		}
		observed := ""
		if e := p.GetProposalMinutes(); e.GetOk() {
			observed = fmt.Sprintf("%s (%s-%s)", number(e.GetValue(), 1), number(e.GetLow(), 1), number(e.GetHigh(), 1))
		}
		why := p.GetRefused()
		switch {
		case strings.HasPrefix(why, "marked safety"):
			why = "safety: none"
		case why != "":
			why = "too few"
		}
		g.row("  "+clip(p.GetTask(), 22), clip(p.GetStation(), 15), number(p.GetStandardMinutes(), 1), observed, grouped(p.GetProposalMinutes().GetN()), grouped(p.GetLeftOut()), why)
	}
	if len(r.GetProposals()) == 0 {
		fmt.Fprintln(w, "No plan is valid on the last day of this period.")
	} else {
		g.print(w)
		wrapped(w, "", "  ", "Minutes of hands-on time. Observed: median and its interval from order statistics. Out: batch taps, shared crews, odd and interrupted visits, and the first of a session where the task needs isolation. Too few: under 20 visits. Safety: isolation and restoring are never proposed from observed times.")
	}
	printPins(w, r.GetPeriod(), nil, nil, r.GetAsOf())
}

func proposalsCSV(r *pb.ListStandardProposalsResponse) (header []string, rows [][]string) {
	header = []string{"plant", "kind", "task", "station", "standard_minutes", "proposal_minutes", "low", "high", "visits", "left_out", "batch", "shared", "doubtful", "interrupted", "isolating", "refused"}
	for _, p := range r.GetProposals() {
		value, low, high := "", "", ""
		e := p.GetProposalMinutes()
		if e.GetOk() {
			value, low, high = float(e.GetValue()), float(e.GetLow()), float(e.GetHigh())
		}
		row := []string{p.GetPlant(), p.GetKind(), p.GetTask(), p.GetStation(), float(p.GetStandardMinutes()), value, low, high}
		for _, n := range []int64{e.GetN(), p.GetLeftOut(), p.GetBatch(), p.GetShared(), p.GetDoubtful(), p.GetInterrupted(), p.GetIsolating()} {
			row = append(row, strconv.FormatInt(n, 10))
		}
		rows = append(rows, append(row, p.GetRefused()))
	}
	return header, rows
}

func printReliability(w io.Writer, r *pb.ListReliabilityResponse) {
	printFirstCaution(w, r.GetCautions())
	g := newGrid("press", "station", ">failures", ">dirt", ">run h", ">MTBF h (90 %)", ">MTTR min (90 %)")
	range3 := func(e *pb.Estimate) string {
		if !e.GetOk() {
			return "-"
		}
		return fmt.Sprintf("%s (%s-%s)", number(e.GetValue(), 1), number(e.GetLow(), 1), number(e.GetHigh(), 1))
	}
	for _, x := range r.GetRows() {
		station := x.GetStation()
		if station == "" {
			station = "the press"
		}
		g.row(clip(x.GetPress(), 18), clip(station, 16), grouped(x.GetFailures()), grouped(x.GetDirtFailures()), number(x.GetRunHours(), 1), range3(x.GetMtbfHours()), range3(x.GetMttrMinutes()))
	}
	if len(r.GetRows()) == 0 {
		fmt.Fprintln(w, "Nothing is known of this period.")
	} else {
		g.print(w)
	}
	for _, n := range r.GetNotes() {
		wrapped(w, "", "  ", n)
	}
	printPins(w, r.GetPeriod(), r.GetZones(), nil, r.GetAsOf())
}

func reliabilityCSV(r *pb.ListReliabilityResponse) (header []string, rows [][]string) {
	header = []string{"press", "station", "failures", "dirt_failures", "run_hours", "down_minutes", "mtbf_hours", "mtbf_low", "mtbf_high", "mttr_minutes", "mttr_low", "mttr_high"}
	ends := func(e *pb.Estimate) []string {
		if !e.GetOk() {
			return []string{"", "", ""}
		}
		return []string{float(e.GetValue()), float(e.GetLow()), float(e.GetHigh())}
	}
	for _, x := range r.GetRows() {
		row := []string{x.GetPress(), x.GetStation(), strconv.FormatInt(x.GetFailures(), 10), strconv.FormatInt(x.GetDirtFailures(), 10), float(x.GetRunHours()), float(x.GetDownMinutes())}
		rows = append(rows, append(append(row, ends(x.GetMtbfHours())...), ends(x.GetMttrMinutes())...))
	}
	return header, rows
}

// printOpenSessions writes the sessions in progress; first with all cautions.
func printOpenSessions(w io.Writer, r *pb.WatchSessionsResponse, first bool) {
	if first {
		printCautions(w, r.GetCautions())
	} else {
		printFirstCaution(w, r.GetCautions())
	}
	if len(r.GetSessions()) == 0 {
		fmt.Fprintln(w, "No session is in progress.")
	}
	minutes := func(ms int64) string { return number(float64(ms)/60000, 1) }
	for _, s := range r.GetSessions() {
		zone := s.GetZone()
		text := fmt.Sprintf("%s, %s since %s (%s)", s.GetPress(), enumWord(s.GetOccasion().String(), "OCCASION_"), localClock(s.GetFrom(), zone), zone)
		if s.GetEnded() {
			wrapped(w, "", "  ", text+": ended")
			continue
		}
		wrapped(w, "", "  ", fmt.Sprintf("%s: expected to end at %s, as known at %s", text, localClock(s.GetExpectedEnd(), zone), localClock(s.GetKnown(), zone)))
		g := newGrid("  station", "task", ">signed", ">minutes", ">standard", "")
		for _, v := range s.GetDone() {
			standard := "-"
			if v.GetStandardMs() > 0 {
				standard = minutes(v.GetStandardMs())
			}
			g.row("  "+clip(v.GetStation(), 20), clip(v.GetTask(), 20), localClock(v.GetTo(), zone), minutes(v.GetTimeMs()), standard, v.GetMark())
		}
		for _, t := range s.GetLeft() {
			from := "by standard"
			if t.GetFromVisits() {
				from = "by its visits"
			}
			g.row("  "+clip(t.GetStation(), 20), clip(t.GetTask(), 20), "to do", minutes(t.GetExpectedMs()), "", from)
		}
		g.print(w)
		wrapped(w, "  ", "  ", "Expected "+s.GetMethod()+".")
	}
	fmt.Fprintln(w)
}
