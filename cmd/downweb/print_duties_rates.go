package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// rateText is a rate with its interval, "82.8 % (78.7-86.3)".
func rateText(e *pb.Estimate) string {
	if !e.GetOk() {
		return "-"
	}
	return fmt.Sprintf("%s (%s-%s)", percent(e.GetValue(), 1), strconv.FormatFloat(100*e.GetLow(), 'f', 1, 64), strconv.FormatFloat(100*e.GetHigh(), 'f', 1, 64))
}

// printCompliance writes the cautions, a line of counts and the rate per group, and where a station went longest
// without a clean.
func printCompliance(w io.Writer, r *pb.GetComplianceResponse, by string, zones, dayOf []string) {
	printCautions(w, r.GetCautions())
	g := newGrid(by, ">on time", ">late", ">missed", ">skipped", ">not required", ">unknown", ">open", ">on time (95 %)")
	add := func(name string, c *pb.DutyCounts) {
		g.row(clip(name, 20), grouped(c.GetOnTime()), grouped(c.GetLate()), grouped(c.GetMissed()), grouped(c.GetSkipped()), grouped(c.GetNotRequired()), grouped(c.GetUnknown()), grouped(c.GetOpen()), rateText(c.GetCompliance()))
	}
	for _, row := range r.GetRows() {
		add(row.GetKey(), row.GetCounts())
	}
	g.rule()
	add("all", r.GetTotal().GetCounts())
	g.print(w)
	wrapped(w, "", "  ", "Rate: on time / (on time + late + missed + skipped), Wilson 95 %. Not required, unknown and open duties are outside it.")
	fmt.Fprintln(w)
	if r.GetGapNote() != "" {
		wrapped(w, "", "  ", r.GetGapNote())
	} else if len(r.GetRows()) > 0 {
		g := newGrid(by, ">longest h", "press", "station", "from (UTC)", "to (UTC)", "")
		for _, row := range r.GetRows() {
			if row.GetGapFrom() == nil {
				continue
			}
			cut := ""
			if row.GetGapCut() {
				cut = "or more"
			}
			g.row(clip(row.GetKey(), 20), number(row.GetLongestGapHours(), 1), clip(row.GetGapPress(), 18), clip(row.GetGapStation(), 16), instant(row.GetGapFrom().AsTime())[2:16], instant(row.GetGapTo().AsTime())[2:16], cut)
		}
		g.print(w)
		wrapped(w, "", "  ", "Longest time a station of one press went without a clean, idle hours and weekends included; \"or more\": the period or the newest data cuts it short. An inspection found clean is no clean here.")
	}
	printPins(w, r.GetPeriod(), zones, dayOf, r.GetAsOf())
}

func complianceCSV(r *pb.GetComplianceResponse) (header []string, rows [][]string) {
	header = []string{"key", "on_time", "late", "missed", "skipped", "not_required", "unknown", "open", "n", "compliance", "compliance_low", "compliance_high", "longest_gap_hours", "gap_press", "gap_station", "gap_from", "gap_to", "gap_cut"}
	add := func(key string, x *pb.ComplianceRow) {
		c, e := x.GetCounts(), x.GetCounts().GetCompliance()
		value, low, high, gap := "", "", "", ""
		if e.GetOk() {
			value, low, high = float(e.GetValue()), float(e.GetLow()), float(e.GetHigh())
		}
		if x.GetGapFrom() != nil {
			gap = float(x.GetLongestGapHours())
		}
		row := []string{key}
		for _, n := range []int64{c.GetOnTime(), c.GetLate(), c.GetMissed(), c.GetSkipped(), c.GetNotRequired(), c.GetUnknown(), c.GetOpen(), e.GetN()} {
			row = append(row, strconv.FormatInt(n, 10))
		}
		rows = append(rows, append(row, value, low, high, gap, x.GetGapPress(), x.GetGapStation(), stamp(x.GetGapFrom()), stamp(x.GetGapTo()), strconv.FormatBool(x.GetGapCut())))
	}
	for _, x := range r.GetRows() {
		add(x.GetKey(), x)
	}
	add("all", r.GetTotal())
	return header, rows
}

// heatMarks are the characters of the map, worst first.
var heatMarks = []struct {
	outcome pb.DutyOutcome
	mark    byte
	text    string
}{
	{pb.DutyOutcome_DUTY_OUTCOME_MISSED, 'M', "missed"}, {pb.DutyOutcome_DUTY_OUTCOME_SKIPPED, 'S', "skipped"}, {pb.DutyOutcome_DUTY_OUTCOME_UNKNOWN, '?', "unknown"},
	{pb.DutyOutcome_DUTY_OUTCOME_LATE, 'l', "late"}, {pb.DutyOutcome_DUTY_OUTCOME_OPEN, 'o', "open"}, {pb.DutyOutcome_DUTY_OUTCOME_ON_TIME, '.', "on time"},
	{pb.DutyOutcome_DUTY_OUTCOME_NOT_REQUIRED, '-', "not required"},
}

func heatMark(o pb.DutyOutcome) byte {
	for _, m := range heatMarks {
		if m.outcome == o {
			return m.mark
		}
	}
	return '#'
}

const (
	heatLabel = 22 // columns of a station's name
	heatDays  = 70 // days beside each other
)

// printHeat draws one mark per station and production day, a block per press and ten weeks.
func printHeat(w io.Writer, r *pb.GetComplianceResponse, zones, dayOf []string) {
	printCautions(w, r.GetCautions())
	first, err1 := time.Parse(time.DateOnly, r.GetPeriod().GetFirstDay())
	last, err2 := time.Parse(time.DateOnly, r.GetPeriod().GetLastDay())
	if err1 != nil || err2 != nil || len(r.GetCells()) == 0 {
		fmt.Fprintln(w, "No duty in this period.")
		printPins(w, r.GetPeriod(), zones, dayOf, r.GetAsOf())
		return
	}
	type line struct {
		station string
		marks   map[string]byte
	}
	var presses []string
	lines := map[string][]*line{}
	for _, c := range r.GetCells() { // by press, station, day
		l := lines[c.GetPress()]
		if l == nil {
			presses = append(presses, c.GetPress())
		}
		if n := len(l); n == 0 || l[n-1].station != c.GetStation() {
			l = append(l, &line{c.GetStation(), map[string]byte{}})
			lines[c.GetPress()] = l
		}
		l[len(l)-1].marks[c.GetDay()] = heatMark(c.GetOutcome())
	}
	var legend []string
	for _, m := range heatMarks {
		legend = append(legend, string(m.mark)+"="+strings.ReplaceAll(m.text, " ", "-"))
	}
	wrapped(w, "", "  ", "One mark per station and production day, the worst of the day's duties: "+strings.Join(legend, ", ")+"; blank: nothing due.")
	for _, press := range presses {
		for from := first; !from.After(last); from = from.AddDate(0, 0, heatDays) {
			to := from.AddDate(0, 0, heatDays-1)
			if to.After(last) {
				to = last
			}
			fmt.Fprintln(w)
			heatHead(w, press, from, to)
			for _, l := range lines[press] {
				text := pad(clip(l.station, heatLabel-2), heatLabel)
				for d := from; !d.After(to); d = d.AddDate(0, 0, 1) {
					mark, ok := l.marks[d.Format(time.DateOnly)]
					if !ok {
						mark = ' '
					}
					text += string(mark)
				}
				fmt.Fprintln(w, strings.TrimRight(text, " "))
			}
		}
	}
	fmt.Fprintln(w)
	printPins(w, r.GetPeriod(), zones, dayOf, r.GetAsOf())
}

// heatHead writes the press, the ISO weeks and a bar at each Monday.
func heatHead(w io.Writer, press string, from, to time.Time) {
	weeks, bars := pad(clip(press, heatLabel-2), heatLabel), pad(from.Format(time.DateOnly), heatLabel)
	for d := from; !d.After(to); d = d.AddDate(0, 0, 1) {
		if d.Weekday() == time.Monday || d.Equal(from) {
			_, n := d.ISOWeek()
			at := heatLabel + int(d.Sub(from).Hours()/24)
			if len([]rune(weeks)) <= at {
				weeks = pad(weeks, at) + fmt.Sprintf("W%02d", n)
			}
		}
		if d.Weekday() == time.Monday {
			bars += "|"
		} else {
			bars += " "
		}
	}
	fmt.Fprintln(w, weeks)
	fmt.Fprintln(w, strings.TrimRight(bars, " "))
}

// pad fills a text up with blanks.
func pad(text string, n int) string {
	if k := len([]rune(text)); k < n {
		return text + strings.Repeat(" ", n-k)
	}
	return text
}

func cellsCSV(r *pb.GetComplianceResponse) (header []string, rows [][]string) {
	header = []string{"press", "station", "day", "outcome", "duties"}
	for _, c := range r.GetCells() {
		rows = append(rows, []string{c.GetPress(), c.GetStation(), c.GetDay(), enumWord(c.GetOutcome().String(), "DUTY_OUTCOME_"), strconv.Itoa(int(c.GetDuties()))})
	}
	return header, rows
}
