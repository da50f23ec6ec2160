package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

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
