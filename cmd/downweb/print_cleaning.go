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
	heads := []string{"station", ">visits", ">median", ">p90", ">mean (95 %)", ">standard", ">above h", ">below h", ">all h", ">odd", ">out"}
	if grouped1 {
		heads = append([]string{"station", "group"}, heads[1:]...)
	}
	g := newGrid(heads...)
	for _, s := range r.GetStations() {
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
			number(s.GetOwnExcessMinutes()/60, 1), number(s.GetSavedMinutes()/60, 1), number(s.GetTotalHours(), 1), grouped(s.GetDoubtful()), grouped(s.GetLeftOut())}
		if grouped1 {
			cells = append([]string{clip(s.GetStation(), 13), clip(s.GetKey(), 13)}, cells[1:]...)
		}
		g.row(cells...)
	}
	if len(r.GetStations()) == 0 {
		fmt.Fprintln(w, "No station was signed off in this period.")
	} else {
		g.print(w)
		wrapped(w, "", "  ", "Minutes per visit; above and below: time over and under standard, summed; * fewer than 10 visits; odd: under 20 % or over 300 % of standard; out: batch taps and shared crews, not timed.")
	}
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
		wrapped(w, "", "  ", text+" (closing counts as a station's time)")
	}
	printPins(w, r.GetPeriod(), nil, nil, r.GetAsOf())
}

func stationsCSV(r *pb.ListStationTimesResponse) (header []string, rows [][]string) {
	header = []string{"station", "key", "visits", "left_out", "median_minutes", "p90_minutes", "mean_minutes", "mean_low", "mean_high", "standard_minutes", "own_excess_minutes", "saved_minutes", "total_hours", "doubtful", "small"}
	for _, s := range r.GetStations() {
		e := s.GetMeanMinutes()
		mean, low, high := "", "", ""
		if e.GetOk() {
			mean, low, high = float(e.GetValue()), float(e.GetLow()), float(e.GetHigh())
		}
		rows = append(rows, []string{s.GetStation(), s.GetKey(), strconv.FormatInt(s.GetVisits(), 10), strconv.FormatInt(s.GetLeftOut(), 10), float(s.GetMedianMinutes()), float(s.GetP90Minutes()),
			mean, low, high, float(s.GetStandardMinutes()), float(s.GetOwnExcessMinutes()), float(s.GetSavedMinutes()), float(s.GetTotalHours()), strconv.FormatInt(s.GetDoubtful(), 10), strconv.FormatBool(s.GetSmall())})
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
	min := func(ms int64) string { return number(float64(ms)/60000, 1) }
	g := newGrid("press", "day", "occasion", "from", ">min", ">allowed", ">over", ">closing", ">stations", "")
	for _, s := range r.GetSessions() {
		mark := ""
		if s.GetClosedByRule() {
			mark = "by rule"
		}
		allowed, over := min(s.GetAllowanceMs()), min(s.GetOverrunMs())
		if s.GetSameGroup() {
			allowed, over = "", ""
			mark = strings.TrimPrefix(mark+", with the one above", ", ")
		}
		g.row(clip(s.GetPress(), 20), s.GetDay(), enumWord(s.GetOccasion().String(), "OCCASION_"), instant(s.GetFrom().AsTime())[11:], min(s.GetElapsedMs()), allowed, over, min(s.GetClosingMs()), strconv.Itoa(len(s.GetVisits())), mark)
		if visits {
			for _, v := range s.GetVisits() {
				standard := ""
				if v.GetStandardMs() > 0 {
					standard = min(v.GetStandardMs())
				}
				mark := v.GetMark()
				g.row("  "+clip(v.GetStation(), 18), "", clip(v.GetTask(), 12), instant(v.GetTo().AsTime())[11:], min(v.GetTimeMs()), standard, "", "", "", mark)
			}
		}
	}
	g.print(w)
	if visits {
		fmt.Fprintln(w, "Below a session its stations: the sign-off, minutes taken and standard minutes.")
	}
	if rest {
		fmt.Fprintln(w, "There are more: raise --limit.")
	}
	printPins(w, r.GetPeriod(), nil, nil, r.GetAsOf())
}

func sessionsCSV(r *pb.ListSessionsResponse) (header []string, rows [][]string) {
	header = []string{"press", "session", "day", "occasion", "from", "to", "closed_by_rule", "elapsed_ms", "allowance_ms", "closing_ms", "station", "task", "visit_from", "visit_to", "time_ms", "standard_ms", "mark"}
	for _, s := range r.GetSessions() {
		base := []string{s.GetPress(), s.GetSession(), s.GetDay(), enumWord(s.GetOccasion().String(), "OCCASION_"), stamp(s.GetFrom()), stamp(s.GetTo()), strconv.FormatBool(s.GetClosedByRule()),
			strconv.FormatInt(s.GetElapsedMs(), 10), strconv.FormatInt(s.GetAllowanceMs(), 10), strconv.FormatInt(s.GetClosingMs(), 10)}
		if len(s.GetVisits()) == 0 {
			rows = append(rows, append(base, "", "", "", "", "", "", ""))
		}
		for _, v := range s.GetVisits() {
			rows = append(rows, append(append([]string{}, base...), v.GetStation(), v.GetTask(), stamp(v.GetFrom()), stamp(v.GetTo()), strconv.FormatInt(v.GetTimeMs(), 10), strconv.FormatInt(v.GetStandardMs(), 10), v.GetMark()))
		}
	}
	return header, rows
}

// printDuties writes the cautions before anything else, then counts, then the duties.
func printDuties(w io.Writer, r *pb.ListDutiesResponse, rest bool) {
	printCautions(w, r.GetCautions())
	g := newGrid("station", ">on time", ">late", ">missed", ">skipped", ">not required", ">unknown", ">open", ">compliance (95 %)")
	count := func(name string, c *pb.DutyCounts) {
		rate := "-"
		if e := c.GetCompliance(); e.GetOk() {
			rate = fmt.Sprintf("%s (%s-%s)", percent(e.GetValue(), 1), strconv.FormatFloat(100*e.GetLow(), 'f', 1, 64), strconv.FormatFloat(100*e.GetHigh(), 'f', 1, 64))
		}
		g.row(name, grouped(c.GetOnTime()), grouped(c.GetLate()), grouped(c.GetMissed()), grouped(c.GetSkipped()), grouped(c.GetNotRequired()), grouped(c.GetUnknown()), grouped(c.GetOpen()), rate)
	}
	for _, s := range r.GetStations() {
		count(s.GetStation(), s.GetCounts())
	}
	g.rule()
	count("all", r.GetCounts())
	g.print(w)
	fmt.Fprintln(w)
	if len(r.GetDuties()) > 0 {
		g := newGrid("press", "day", "task", "due (UTC)", "outcome", "done (UTC)", "read first")
		for _, d := range r.GetDuties() {
			due, done := "-", ""
			if d.GetDueAt() != nil {
				due = d.GetDueAt().AsTime().Format("01-02 15:04")
			}
			if d.GetDoneAt() != nil {
				done = d.GetDoneAt().AsTime().Format("01-02 15:04")
			}
			outcome := enumWord(d.GetOutcome().String(), "DUTY_OUTCOME_")
			if d.GetReason() != "" {
				outcome += ": " + d.GetReason()
			}
			if d.GetThirdSkip() {
				outcome = "missed (3rd skip)"
			}
			g.row(clip(d.GetPress(), 14), d.GetDay(), clip(d.GetTask(), 18), due, clip(outcome, 17), done, hazardMarks(d))
		}
		g.print(w)
		printHazardLegend(w, r.GetDuties())
	}
	if rest {
		fmt.Fprintln(w, "There are more duties: raise --limit, or narrow by --outcome, --press or the period.")
	}
	printPins(w, r.GetPeriod(), nil, nil, r.GetAsOf())
}

// clip shortens a text to n characters.
func clip(text string, n int) string {
	if r := []rune(text); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return text
}

// hazardMark is one letter or two per hazard, explained below the table.
var hazardMark = map[pb.Hazard][2]string{
	pb.Hazard_HAZARD_NIP: {"N", "nips, unexpected start"}, pb.Hazard_HAZARD_UV: {"U", "UV radiation"}, pb.Hazard_HAZARD_OZONE: {"O", "ozone"},
	pb.Hazard_HAZARD_HIGH_VOLTAGE: {"V", "high voltage"}, pb.Hazard_HAZARD_SOLVENT: {"S", "solvent vapor"}, pb.Hazard_HAZARD_HOT_SURFACE: {"H", "hot surface"},
	pb.Hazard_HAZARD_BLADE: {"B", "blades"}, pb.Hazard_HAZARD_SKIN_SENSITIZER: {"K", "skin sensitizer"}, pb.Hazard_HAZARD_COMPRESSED_AIR: {"A", "compressed air"},
}

func hazardMarks(d *pb.Duty) string {
	marks := ""
	for _, h := range d.GetHazards() {
		m, ok := hazardMark[h]
		if !ok {
			m[0] = "?"
		}
		marks += m[0]
	}
	if d.GetIsolate() {
		marks += " lock"
	}
	return strings.TrimSpace(marks)
}

func printHazardLegend(w io.Writer, duties []*pb.Duty) {
	used, lock := map[pb.Hazard]bool{}, false
	for _, d := range duties {
		for _, h := range d.GetHazards() {
			used[h] = true
		}
		lock = lock || d.GetIsolate()
	}
	var parts []string
	for h := pb.Hazard(1); int(h) < len(pb.Hazard_name); h++ {
		if used[h] {
			parts = append(parts, hazardMark[h][0]+" "+hazardMark[h][1])
		}
	}
	if lock {
		parts = append(parts, "lock: isolate and lock out by the site's procedure")
	}
	if len(parts) > 0 {
		wrapped(w, "Hazards: ", "  ", strings.Join(parts, "; "))
	}
}

// safetyLine stands wherever cleaning work is listed, also when an answer carries no caution of its own.
const safetyLine = "The maker's manual, the site's lock-out procedure, local code and trained people come first."

func printCautions(w io.Writer, cautions []string) {
	if len(cautions) == 0 {
		cautions = []string{safetyLine}
	}
	for _, c := range cautions {
		wrapped(w, "! ", "  ", c)
	}
	fmt.Fprintln(w)
}

func dutiesCSV(r *pb.ListDutiesResponse) (header []string, rows [][]string) {
	header = []string{"press", "day", "task", "station", "cadence", "opens_at", "due_at", "closes_at", "outcome", "done_at", "reason", "hazards", "isolate", "third_skip"}
	for _, d := range r.GetDuties() {
		var hazards []string
		for _, h := range d.GetHazards() {
			hazards = append(hazards, enumWord(h.String(), "HAZARD_"))
		}
		rows = append(rows, []string{d.GetPress(), d.GetDay(), d.GetTask(), d.GetStation(), enumWord(d.GetCadence().String(), "CADENCE_"), stamp(d.GetOpensAt()), stamp(d.GetDueAt()), stamp(d.GetClosesAt()),
			enumWord(d.GetOutcome().String(), "DUTY_OUTCOME_"), stamp(d.GetDoneAt()), d.GetReason(), strings.Join(hazards, ";"), strconv.FormatBool(d.GetIsolate()), strconv.FormatBool(d.GetThirdSkip())})
	}
	return header, rows
}
