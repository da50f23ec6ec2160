package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// localIn writes an instant in a zone, "Tue 06-16 06:00"; UTC where the zone is not known here.
func localIn(zone string, t time.Time) string {
	z, err := time.LoadLocation(zone)
	if err != nil {
		z = time.UTC
	}
	return t.In(z).Format("Mon 01-02 15:04")
}

// spanText is a length of time in words, "3 d 4 h", "4 h 05 min", "12 min".
func spanText(ms int64) string {
	d := time.Duration(ms) * time.Millisecond
	h, m := int(d.Hours()), int(d.Minutes())%60
	switch {
	case h >= 48:
		return fmt.Sprintf("%d d %d h", h/24, h%24)
	case h > 0:
		return fmt.Sprintf("%d h %02d min", h, m)
	}
	return fmt.Sprintf("%d min", m)
}

// dueMarks is what to read before a task is begun.
func dueMarks(d *pb.DueDuty) string {
	text := hazardMarks(&pb.Duty{Hazards: d.GetHazards(), Isolate: d.GetIsolate()})
	if d.GetSafety() {
		text = "safety " + text
	}
	return strings.TrimSpace(text)
}

// printDue writes the cautions, then one block per press: overdue first.
func printDue(w io.Writer, r *pb.ListDueDutiesResponse) {
	printCautions(w, r.GetCautions())
	var all []*pb.Duty
	for _, p := range r.GetPresses() {
		title := p.GetPress()
		if p.GetName() != "" {
			title += "  " + p.GetName()
		}
		if p.GetFrontier() == nil {
			wrapped(w, "", "  ", title+": "+strings.Join(p.GetNotes(), " "))
			fmt.Fprintln(w)
			continue
		}
		wrapped(w, "", "  ", fmt.Sprintf("%s: known to %s, next %d h (times in %s)", title, localIn(p.GetZone(), p.GetFrontier().AsTime()), r.GetHours(), p.GetZone()))
		if len(p.GetDuties()) == 0 {
			fmt.Fprintln(w, "Nothing is due.")
		} else {
			g := newGrid(">no", "task", "due", "", ">min", "clock", "read first")
			for _, d := range p.GetDuties() {
				state := ""
				switch {
				case d.GetOverdueMs() > 0:
					state = spanText(d.GetOverdueMs()) + " over"
					if n := d.GetMissedInRow(); n > 0 {
						state = fmt.Sprintf("%s (+%d)", spanText(d.GetOverdueMs()), n)
					}
				case d.GetExpected():
					state = "expected"
				}
				no := "-"
				if d.GetOrder() > 0 {
					no = strconv.Itoa(int(d.GetOrder()))
				}
				g.row(no, clip(d.GetTask(), 17), localIn(p.GetZone(), d.GetDueAt().AsTime()), state, number(d.GetStandardMinutes(), 0), clip(d.GetClock(), 16), dueMarks(d))
				all = append(all, &pb.Duty{Hazards: d.GetHazards(), Isolate: d.GetIsolate()})
			}
			g.print(w)
		}
		if len(p.GetAtJobChange()) > 0 {
			var names []string
			for _, d := range p.GetAtJobChange() {
				names = append(names, strings.TrimSpace(d.GetTask()+" "+bracket(dueMarks(d))))
				all = append(all, &pb.Duty{Hazards: d.GetHazards(), Isolate: d.GetIsolate()})
			}
			wrapped(w, "At the next job change: ", "  ", strings.Join(names, ", "))
		}
		for _, n := range p.GetNotes() {
			wrapped(w, "", "  ", n)
		}
		fmt.Fprintln(w)
	}
	printHazardLegend(w, all)
	wrapped(w, "", "  ", r.GetOrderRule()+" No: place in the plan's working order; (+n): n intervals missed or skipped before; min: standard minutes.")
	printAsOf(w, r.GetAsOf())
}

func bracket(s string) string {
	if s == "" {
		return ""
	}
	return "(" + s + ")"
}

// printAsOf writes the pins of an answer without a period.
func printAsOf(w io.Writer, a *pb.AsOf) {
	through := "no data yet"
	if a.GetThrough() != nil {
		through = "data through " + instant(a.GetThrough().AsTime())
	}
	wrapped(w, "", "  ", fmt.Sprintf("As of insert %s, registry revision %d, rules %d; %s", grouped(int64(a.GetPos())), a.GetRegistryRev(), a.GetRulesVersion(), through))
}

func dueCSV(r *pb.ListDueDutiesResponse) (header []string, rows [][]string) {
	header = []string{"press", "zone", "frontier", "order", "task", "station", "text", "cadence", "due_at", "expected", "overdue_ms", "missed_in_row", "risk", "standard_minutes", "grace_ms", "hazards", "isolate", "safety", "clock", "last_done_at", "outcomes", "also_discharges"}
	for _, p := range r.GetPresses() {
		for _, list := range [][]*pb.DueDuty{p.GetDuties(), p.GetAtJobChange()} {
			for _, d := range list {
				rows = append(rows, []string{p.GetPress(), p.GetZone(), stamp(p.GetFrontier()), strconv.Itoa(int(d.GetOrder())), d.GetTask(), d.GetStation(), d.GetText(), enumWord(d.GetCadence().String(), "CADENCE_"),
					stamp(d.GetDueAt()), strconv.FormatBool(d.GetExpected()), strconv.FormatInt(d.GetOverdueMs(), 10), strconv.Itoa(int(d.GetMissedInRow())), strconv.Itoa(int(d.GetRisk())),
					float(d.GetStandardMinutes()), strconv.FormatInt(d.GetGraceMs(), 10), strings.Join(hazardWords(d.GetHazards()), ";"), strconv.FormatBool(d.GetIsolate()), strconv.FormatBool(d.GetSafety()),
					d.GetClock(), stamp(d.GetLastDoneAt()), strings.Join(outcomeWords(d.GetOutcomes()), ";"), strings.Join(d.GetAlsoDischarges(), ";")})
			}
		}
	}
	return header, rows
}

func hazardWords(list []pb.Hazard) []string {
	var out []string
	for _, h := range list {
		out = append(out, enumWord(h.String(), "HAZARD_"))
	}
	return out
}

func outcomeWords(list []pb.Outcome) []string {
	var out []string
	for _, o := range list {
		out = append(out, enumWord(o.String(), "OUTCOME_"))
	}
	return out
}

// A printed page fits A4 and US letter in a common typewriter size.
const (
	pageWidth = 78
	pageLines = 60
)

// folded breaks text into lines of at most the given width, all but the first indented.
func folded(most int, first, rest, words string) []string {
	var out []string
	line, empty := first, true
	for word := range strings.FieldsSeq(words) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > most {
			out = append(out, line)
			line, empty = rest, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	if !empty {
		out = append(out, line)
	}
	return out
}

// printDuePages writes one page per press, form feeds between them.
func printDuePages(w io.Writer, r *pb.ListDueDutiesResponse) error {
	var all []string
	for _, p := range r.GetPresses() {
		all = append(all, pressPages(r, p)...)
	}
	if len(all) == 0 {
		all = []string{"No press is in scope.\n"}
	}
	_, err := io.WriteString(w, strings.Join(all, "\f"))
	return err
}

// pressPages is what is pinned to a press: one page, more only where the list does not fit. The cautions are on the
// first; every further page says where they are.
func pressPages(r *pb.ListDueDutiesResponse, p *pb.PressDueDuties) []string {
	rule := strings.Repeat("-", pageWidth)
	var caution []string
	for _, c := range p.GetCautions() {
		caution = append(caution, folded(pageWidth, "! ", "  ", c)...)
	}
	if len(caution) == 0 {
		caution = folded(pageWidth, "! ", "  ", safetyLine)
	}
	var blocks [][]string
	add := func(head string, list []*pb.DueDuty) {
		for i, d := range list {
			b := dueBlock(p, d)
			if i == 0 { // a heading never stands alone at the foot of a page
				b = append([]string{"", head}, b...)
			}
			blocks = append(blocks, b)
		}
	}
	var overdue, next []*pb.DueDuty
	for _, d := range p.GetDuties() {
		if d.GetOverdueMs() > 0 {
			overdue = append(overdue, d)
		} else {
			next = append(next, d)
		}
	}
	until := ""
	if p.GetFrontier() != nil {
		until = localIn(p.GetZone(), p.GetFrontier().AsTime().Add(time.Duration(r.GetHours())*time.Hour))
	}
	add("OVERDUE, what can hurt first", overdue)
	add("DUE UP TO "+until, next)
	add("AT EACH JOB CHANGE", p.GetAtJobChange())
	if len(blocks) == 0 {
		blocks = append(blocks, []string{"", "Nothing is due."})
	}
	var foot []string
	for _, n := range p.GetNotes() {
		foot = append(foot, folded(pageWidth, "", "  ", n)...)
	}
	foot = append(foot, folded(pageWidth, "", "  ", fmt.Sprintf("No.: place in the plan's working order. Std: standard minutes. Insert %s, registry revision %d.", grouped(int64(r.GetAsOf().GetPos())), r.GetAsOf().GetRegistryRev()))...)
	foot = append(foot, "Handed back by the site's procedure:  time ____________  initials ____________")

	var pages [][]string
	open := func() []string {
		head := "CLEANING  " + p.GetPress()
		if p.GetName() != "" {
			head += "  " + clip(p.GetName(), 30)
		}
		known := "Nothing is known of it yet. Zone " + p.GetZone() + "."
		if p.GetFrontier() != nil {
			known = fmt.Sprintf("Known to %s (%s).", localIn(p.GetZone(), p.GetFrontier().AsTime()), p.GetZone())
		}
		page := []string{clip(head, pageWidth-14), known, rule}
		if len(pages) == 0 {
			page = append(page, caution...)
		} else {
			page = append(page, "! Read the cautions on page 1 first.")
		}
		return append(page, rule, pad("Done  No. Task", 44)+pad("Due", 23)+"Std  Init", rule)
	}
	page := open()
	for _, b := range blocks {
		if len(page)+len(b)+len(foot)+1 > pageLines && len(page) > 6 {
			pages = append(pages, page)
			page = open()
		}
		page = append(page, b...)
	}
	pages = append(pages, append(append(page, rule), foot...))
	out := make([]string, len(pages))
	for i, lines := range pages {
		lines[0] = pad(lines[0], pageWidth-13) + fmt.Sprintf("%13s", fmt.Sprintf("page %d of %d", i+1, len(pages)))
		for j := range lines {
			lines[j] = strings.TrimRight(lines[j], " ")
		}
		out[i] = strings.Join(lines, "\n") + "\n"
	}
	return out
}

// dueBlock is one task on a page: a box to tick, what to do, what to mind.
func dueBlock(p *pb.PressDueDuties, d *pb.DueDuty) []string {
	no := " -"
	if d.GetOrder() > 0 {
		no = fmt.Sprintf("%2d", d.GetOrder())
	}
	due := "at each change"
	if d.GetDueAt() != nil {
		due = localIn(p.GetZone(), d.GetDueAt().AsTime())
		if d.GetExpected() {
			due += " (exp.)"
		}
	}
	station := d.GetStationName()
	if station == "" {
		station = d.GetStation()
	}
	const indent = "          "
	out := []string{pad("[  ]  "+no+"  "+clip(station+": "+d.GetTask(), 33), 44) + pad(due, 23) + fmt.Sprintf("%3s  ____", short(d.GetStandardMinutes()))}
	if d.GetText() != "" {
		out = append(out, folded(pageWidth, indent, indent, d.GetText())...)
	}
	var mind []string
	if d.GetSafety() {
		mind = append(mind, "SAFETY TASK.")
	}
	if d.GetIsolate() {
		mind = append(mind, "ISOLATE AND LOCK OUT first.")
	}
	if len(d.GetHazards()) > 0 {
		mind = append(mind, "Hazards: "+strings.Join(hazardWords(d.GetHazards()), ", ")+".")
	}
	if len(mind) > 0 {
		out = append(out, folded(pageWidth, indent+"! ", indent+"  ", strings.Join(mind, " "))...)
	}
	var also []string
	if d.GetOverdueMs() > 0 {
		text := "overdue " + spanText(d.GetOverdueMs())
		if n := d.GetMissedInRow(); n > 0 {
			text += fmt.Sprintf(", %d missed or skipped before", n)
		}
		also = append(also, text)
	}
	if d.GetClock() != "" {
		also = append(also, d.GetClock())
	}
	if len(d.GetOutcomes()) > 0 {
		also = append(also, "mark: "+strings.Join(outcomeWords(d.GetOutcomes()), " / "))
	}
	if len(d.GetAlsoDischarges()) > 0 {
		also = append(also, "also does "+strings.Join(d.GetAlsoDischarges(), ", "))
	}
	if len(also) > 0 {
		out = append(out, folded(pageWidth, indent, indent, strings.Join(also, "; "))...)
	}
	return out
}

// short writes a number with one digit after the point at most.
func short(v float64) string {
	return strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0")
}
