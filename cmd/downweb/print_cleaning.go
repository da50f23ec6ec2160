package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func stamp(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().Format(time.RFC3339Nano)
}

func float(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// enumWord is an enum value without its type's prefix: "on time", "shut-down".
func enumWord(name, prefix string) string {
	word := strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(name, prefix), "_", " "))
	switch word {
	case "startup":
		return "start-up"
	case "shutdown":
		return "shut-down"
	case "unspecified":
		return ""
	}
	return word
}

// printStations writes visit times per station against standard, and how they tie to the loss leaf.
func printStations(w io.Writer, r *pb.ListStationTimesResponse) {
	grouped1 := false
	for _, s := range r.GetStations() {
		grouped1 = grouped1 || s.GetKey() != ""
	}
	heads := []string{"station", ">visits", ">median", ">p90", ">mean (95 %)", ">plan", ">above", ">below", ">h/month", ">odd", ">out"}
	printFirstCaution(w, r.GetCautions())
	if grouped1 {
		heads[0] = "station, group"
	}
	g := newGrid(heads...)
	station := ""
	for _, s := range r.GetStations() {
		if grouped1 && s.GetStation() != station { // its name once, its groups below it
			station = s.GetStation()
			g.row(clip(station, 20))
		}
		mean := "too few"
		if e := s.GetMeanMinutes(); e.GetOk() {
			mean = fmt.Sprintf("%s (%s-%s)", number(e.GetValue(), 1), number(e.GetLow(), 1), number(e.GetHigh(), 1))
		}
		standard := "-"
		if s.GetStandardMinutes() > 0 {
			standard = number(s.GetStandardMinutes(), 1)
		}
		visits := grouped(s.GetVisits())
		if s.GetSmall() {
			visits += "*"
		}
		cells := []string{clip(s.GetStation(), 20), visits, number(s.GetMedianMinutes(), 1), number(s.GetP90Minutes(), 1), mean, standard,
			number(s.GetOwnExcessMinutes()/60, 1), number(s.GetSavedMinutes()/60, 1), number(s.GetHoursPerMonth(), 1), grouped(s.GetDoubtful()), grouped(s.GetLeftOut())}
		if grouped1 {
			cells[0] = "  " + clip(s.GetKey(), 16)
		}
		g.row(cells...)
	}
	if len(r.GetStations()) == 0 {
		fmt.Fprintln(w, "No station was signed off in this period.")
	} else {
		g.print(w)
		wrapped(w, "", "  ", "Minutes per visit; plan: the standard; above and below: hours over and under it, summed; h/month: hours in 30.44 days; * fewer than 10 visits; odd: under 20 % or over 300 % of standard, for whatever reason; out: batch taps and shared crews, not timed.")
	}
	for _, text := range r.GetRefused() {
		wrapped(w, "Not shown: ", "  ", text)
	}
	printRanks(w, r.GetRanks())
	if t := r.GetReconciliation(); t != nil {
		explained := t.GetOwnExcessMinutes() - t.GetSavedMinutes() + t.GetInterruptionMinutes() + t.GetUnusedAllowanceMinutes()
		over := number(t.GetOverrunMinutes(), 1)
		if other := t.GetOtherOverrunMinutes(); other != 0 {
			over += " and of those on demand and at changeovers " + number(other, 1)
		}
		text := fmt.Sprintf("Overrun of the sessions %s min = above standard %s - below %s + interruptions %s + allowance not used %s", over,
			number(t.GetOwnExcessMinutes(), 1), number(t.GetSavedMinutes(), 1), number(t.GetInterruptionMinutes(), 1), number(t.GetUnusedAllowanceMinutes(), 1))
		if rest := t.GetOverrunMinutes() + t.GetOtherOverrunMinutes() - explained; rest > 0.05 || rest < -0.05 {
			text += fmt.Sprintf(" + not explained %s", number(rest, 1))
		}
		text += " (closing counts as a station's time)"
		if c, n := t.GetClosingMinutes(), t.GetNotGrantedMinutes(); c != 0 || n != 0 {
			text += fmt.Sprintf(". Of above - below: stations %s, closing %s, tasks that were not due and rounding %s",
				number(t.GetOwnExcessMinutes()-t.GetSavedMinutes()-c-n, 1), number(c, 1), number(n, 1))
		}
		wrapped(w, "", "  ", text)
	}
	printPins(w, r.GetPeriod(), r.GetZones(), nil, r.GetAsOf())
}

func stationsCSV(r *pb.ListStationTimesResponse) (header []string, rows [][]string) {
	header = []string{"station", "key", "visits", "left_out", "median_minutes", "p90_minutes", "mean_minutes", "mean_low", "mean_high", "standard_minutes", "own_excess_minutes", "saved_minutes", "total_hours", "hours_per_month", "doubtful", "small"}
	for _, s := range r.GetStations() {
		e := s.GetMeanMinutes()
		mean, low, high := "", "", ""
		if e.GetOk() {
			mean, low, high = float(e.GetValue()), float(e.GetLow()), float(e.GetHigh())
		}
		rows = append(rows, []string{s.GetStation(), s.GetKey(), strconv.FormatInt(s.GetVisits(), 10), strconv.FormatInt(s.GetLeftOut(), 10), float(s.GetMedianMinutes()), float(s.GetP90Minutes()),
			mean, low, high, float(s.GetStandardMinutes()), float(s.GetOwnExcessMinutes()), float(s.GetSavedMinutes()), float(s.GetTotalHours()), float(s.GetHoursPerMonth()), strconv.FormatInt(s.GetDoubtful(), 10), strconv.FormatBool(s.GetSmall())})
	}
	return header, rows
}

// printSessions writes one line per session, and one per visit if asked.
func printSessions(w io.Writer, r *pb.ListSessionsResponse, visits, rest bool) {
	if len(r.GetSessions()) == 0 {
		fmt.Fprintln(w, "No cleaning session in this period.")
		printPins(w, r.GetPeriod(), nil, nil, r.GetAsOf())
		return
	}
	printFirstCaution(w, r.GetCautions())
	min := func(ms int64) string { return number(float64(ms)/60000, 1) }
	zones := map[string]bool{}
	g := newGrid("press", "from", "occasion", ">min", ">allowed", ">over", ">signed", "hand-back", "")
	for _, s := range r.GetSessions() {
		mark := ""
		if s.GetClosedByRule() {
			mark = "rule"
		}
		if s.GetReopened() {
			mark = strings.TrimPrefix(mark+", again", ", ")
		}
		allowed, over := min(s.GetAllowanceMs()), min(s.GetOverrunMs())
		if s.GetSameGroup() {
			allowed, over = "", ""
			mark = strings.TrimPrefix(mark+", above", ", ")
		}
		g.row(clip(s.GetPress(), 12), localDay(s.GetFrom(), s.GetZone())+" "+localClock(s.GetFrom(), s.GetZone()), enumWord(s.GetOccasion().String(), "OCCASION_"), min(s.GetElapsedMs()), allowed, over, strconv.Itoa(len(s.GetVisits())), notStated(s), mark)
		zones[s.GetZone()] = true
		if visits {
			for _, v := range s.GetVisits() {
				standard := ""
				if v.GetStandardMs() > 0 {
					standard = min(v.GetStandardMs())
				}
				mark := v.GetMark()
				if v.GetInterruptionMs() > 0 {
					mark = strings.TrimPrefix(mark+" after "+min(v.GetInterruptionMs()), " ")
				}
				g.row("  "+clip(v.GetStation(), 10), localClock(v.GetTo(), s.GetZone()), clip(v.GetTask(), 10), min(v.GetTimeMs()), standard, "", "", "", mark)
			}
			if s.GetClosingMs() > 0 {
				g.row("  closing", "", "", min(s.GetClosingMs()), "", "", "", "", "")
			}
		}
	}
	g.print(w)
	wrapped(w, "", "  ", "Minutes; allowed: standards of what was due and signed; signed: stations. Rule: not ended by the crew's close but by a run or 15 min after the last sign-off; again: opened before under the same id; above: overlaps the session above, one allowance for both.")
	if visits {
		wrapped(w, "", "  ", "Below a session its stations: the sign-off, minutes taken (of the press: half each where two work at once), standard minutes; after: minutes of an interruption, which belongs to no station; closing: after the last sign-off.")
	}
	printHandBack(w, r.GetHandBack())
	wrapped(w, "Times in ", "  ", zoneWords(zones)+".")
	if rest {
		fmt.Fprintln(w, "There are more: raise --limit.")
	}
	printPins(w, r.GetPeriod(), nil, nil, r.GetAsOf())
}

func sessionsCSV(r *pb.ListSessionsResponse) (header []string, rows [][]string) {
	header = []string{"press", "session", "day", "occasion", "from", "to", "closed_by_rule", "elapsed_ms", "allowance_ms", "overrun_ms", "closing_ms", "reopened", "handed_back", "tools_counted_out", "guards_restored", "isolation_removed", "station", "task", "visit_from", "visit_to", "time_ms", "own_ms", "interruption_ms", "standard_ms", "mark"}
	for _, s := range r.GetSessions() {
		base := []string{s.GetPress(), s.GetSession(), s.GetDay(), enumWord(s.GetOccasion().String(), "OCCASION_"), stamp(s.GetFrom()), stamp(s.GetTo()), strconv.FormatBool(s.GetClosedByRule()),
			strconv.FormatInt(s.GetElapsedMs(), 10), strconv.FormatInt(s.GetAllowanceMs(), 10), strconv.FormatInt(s.GetOverrunMs(), 10), strconv.FormatInt(s.GetClosingMs(), 10),
			strconv.FormatBool(s.GetReopened()), strconv.FormatBool(s.GetHandedBack()), strconv.FormatBool(s.GetToolsCountedOut()), strconv.FormatBool(s.GetGuardsRestored()), strconv.FormatBool(s.GetIsolationRemoved())}
		if len(s.GetVisits()) == 0 {
			rows = append(rows, append(base, "", "", "", "", "", "", "", "", ""))
		}
		for _, v := range s.GetVisits() {
			rows = append(rows, append(append([]string{}, base...), v.GetStation(), v.GetTask(), stamp(v.GetFrom()), stamp(v.GetTo()), strconv.FormatInt(v.GetTimeMs(), 10), strconv.FormatInt(v.GetOwnMs(), 10), strconv.FormatInt(v.GetInterruptionMs(), 10), strconv.FormatInt(v.GetStandardMs(), 10), v.GetMark()))
		}
	}
	return header, rows
}

// clip shortens a text to n characters.
func clip(text string, n int) string {
	if r := []rune(text); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return text
}
