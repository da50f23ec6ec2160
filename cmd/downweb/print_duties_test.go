package main

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// dueOn is a press's list of n tasks, the first two overdue.
func dueOn(press string, n int) *pb.PressDueDuties {
	p := &pb.PressDueDuties{Press: press, Name: "Press of a long name, longer than a page would want", Zone: "Europe/Berlin", Frontier: at("2026-06-29T12:13:00Z"),
		Cautions: []string{strings.Repeat("Read the maker's manual and the site's lock-out procedure first. ", 8)}}
	for i := range n {
		d := &pb.DueDuty{Task: fmt.Sprintf("task-%02d-of-a-long-plan", i+1), Station: "uv-1", StationName: "UV unit 1", Text: "Clean window and reflector when cold, both sides, with the cloth the manual names",
			DueAt: at("2026-06-29T20:00:00Z"), StandardMinutes: 7.5, Hazards: []pb.Hazard{pb.Hazard_HAZARD_UV, pb.Hazard_HAZARD_HOT_SURFACE, pb.Hazard_HAZARD_SKIN_SENSITIZER, pb.Hazard_HAZARD_HIGH_VOLTAGE},
			Isolate: true, Safety: i == 0, Order: int32(i + 1), Clock: "at least 41.5 of 60 km, 3 of 7 days", Outcomes: []pb.Outcome{1, 2}, Expected: i > 1}
		if i < 2 {
			d.DueAt, d.OverdueMs, d.MissedInRow = at("2026-06-26T20:00:00Z"), 231_180_000, 2
		}
		p.Duties = append(p.Duties, d)
	}
	return p
}

// Every page fits a sheet, begins with the cautions or says where they are, and
// no task is cut in two or lost.
func TestDuePages(t *testing.T) {
	r := &pb.ListDueDutiesResponse{Hours: 24, AsOf: &pb.AsOf{Pos: 107126, RegistryRev: 2}, Presses: []*pb.PressDueDuties{dueOn("linden/p1", 3), dueOn("linden/p2", 40), dueOn("linden/p3", 0)}}
	r.Presses[0].AtJobChange = []*pb.DueDuty{{Task: "anilox-wash", Station: "anilox", StandardMinutes: 10, Order: 4}}
	var b bytes.Buffer
	if err := printDuePages(&b, r); err != nil {
		t.Fatal(err)
	}
	pages := strings.Split(b.String(), "\f")
	if len(pages) < 5 || !strings.Contains(pages[0], "page 1 of 1") {
		t.Fatalf("%d pages", len(pages))
	}
	for i, p := range pages {
		lines := strings.Split(strings.TrimSuffix(p, "\n"), "\n")
		if len(lines) > pageLines {
			t.Errorf("page %d has %d lines", i+1, len(lines))
		}
		for _, l := range lines {
			if utf8.RuneCountInString(l) > pageWidth || strings.TrimRight(l, " ") != l {
				t.Errorf("page %d: %q", i+1, l)
			}
		}
		if !strings.HasPrefix(lines[0], "CLEANING  linden/p") || !strings.HasPrefix(lines[3], "! Read the ") {
			t.Errorf("page %d begins\n%s", i+1, strings.Join(lines[:4], "\n"))
		}
	}
	first := pages[0]
	for _, want := range []string{"OVERDUE, what can hurt first", "DUE UP TO Tue 06-30 14:13", "AT EACH JOB CHANGE", "[  ]", "SAFETY TASK. ISOLATE AND LOCK OUT first.", "Fri 06-26 22:00", "Mon 06-29 22:00 (exp.)",
		"2 missed or skipped before", "mark: cleaned / inspected clean", "Europe/Berlin", "7.5  ____"} {
		if !strings.Contains(first, want) {
			t.Errorf("the page lacks %q:\n%s", want, first)
		}
	}
	if strings.Index(first, "maker's manual") > strings.Index(first, "OVERDUE") {
		t.Error("the cautions are not first")
	}
	for i := 1; i <= 40; i++ {
		if n := strings.Count(strings.Join(pages[1:], ""), fmt.Sprintf(": task-%02d-", i)); n != 1 {
			t.Errorf("task %d is printed %d times", i, n)
		}
	}
}

// Tables keep to a hundred columns, the cautions stand first, the zone is named.
func TestDueTable(t *testing.T) {
	r := &pb.ListDueDutiesResponse{Hours: 24, AsOf: &pb.AsOf{}, Cautions: []string{safetyLine}, OrderRule: "Overdue first.", Presses: []*pb.PressDueDuties{dueOn("linden/p1", 4), {Press: "linden/p9", Notes: []string{"Nothing is stored of this press yet."}}}}
	f := &pb.DutyForecast{FirstDay: "2026-06-22", LastDay: "2026-06-28", Zone: "Europe/Berlin", Cautions: []string{safetyLine}, Counts: []*pb.DutyChangeCount{{Press: "linden/p1", Task: "corona-wipe", Before: 5, After: 1, Gone: 4, Moved: 1}},
		Changes: []*pb.DutyChange{{Press: "linden/p1", Task: "corona-wipe", Kind: pb.DutyChangeKind_DUTY_CHANGE_KIND_MOVED, Cadence: pb.Cadence_CADENCE_WEEKLY, DueBefore: at("2026-06-26T04:00:00Z"), DueAfter: at("2026-06-26T20:00:00Z"), Expected: true}}}
	h := &pb.GetComplianceResponse{Period: &pb.Period{FirstDay: "2026-06-01", LastDay: "2026-06-28"}, Total: &pb.ComplianceRow{Counts: &pb.DutyCounts{}}, Cells: []*pb.DutyCell{
		{Press: "linden/p1", Station: "uv-1", Day: "2026-06-02", Outcome: pb.DutyOutcome_DUTY_OUTCOME_MISSED}, {Press: "linden/p1", Station: "uv-1", Day: "2026-06-28", Outcome: pb.DutyOutcome_DUTY_OUTCOME_ON_TIME}}}
	for name, c := range map[string]struct {
		print func(w *bytes.Buffer)
		want  []string
	}{
		"due":  {func(w *bytes.Buffer) { printDue(w, r) }, []string{"2 d 16 h (+2)", "Europe/Berlin", "expected", "safety UHKV lock", "linden/p9: Nothing is stored"}},
		"diff": {func(w *bytes.Buffer) { printForecast(w, f) }, []string{"2026-06-22 to 2026-06-28", "Fri 06-26 06:00  Fri 06-26 22:00", "moved", "Europe/Berlin", "expected"}},
		"heat": {func(w *bytes.Buffer) { printHeat(w, h, []string{"Europe/Berlin"}, nil) }, []string{"M=missed", "W23", "uv-1                   M                         .\n"}},
	} {
		var b bytes.Buffer
		c.print(&b)
		if text := strings.TrimLeft(b.String(), "\n"); !strings.HasPrefix(text, "! "+safetyLine[:20]) {
			t.Errorf("%s: the cautions are not first:\n%s", name, text)
		}
		for _, want := range c.want {
			if !strings.Contains(b.String(), want) {
				t.Errorf("%s lacks %q:\n%s", name, want, b.String())
			}
		}
		for line := range strings.SplitSeq(b.String(), "\n") {
			if utf8.RuneCountInString(line) > width {
				t.Errorf("%s: %d wide: %s", name, utf8.RuneCountInString(line), line)
			}
		}
	}
}
