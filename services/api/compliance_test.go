package api

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// 384 duties due, 318 on time: 0.828125, the worked example that SMRP Best
// Practices, 6th edition (2020), metric 5.4.14 prints as 82.8 %, as quoted in
// public.
func TestComplianceExample(t *testing.T) {
	list := []DutyKeyCount{
		{"a", uint8(duty.OnTime), 300}, {"a", uint8(duty.Missed), 40}, {"a", uint8(duty.NotRequired), 11},
		{"b", uint8(duty.OnTime), 18}, {"b", uint8(duty.Late), 20}, {"b", uint8(duty.Skipped), 6},
		{"b", uint8(duty.Unknown), 9}, {"b", uint8(duty.Open), 5},
	}
	total, rows := complianceRows(list, pb.ComplianceGroup_COMPLIANCE_GROUP_STATION)
	c := total.Counts.Compliance
	if !c.Ok || c.Value != 0.828125 || c.N != 384 || !(c.Low < c.Value && c.Value < c.High) {
		t.Errorf("%v", c)
	}
	if total.Counts.Unknown != 9 || total.Counts.Open != 5 || total.Counts.NotRequired != 11 {
		t.Errorf("%v", total.Counts)
	}
	if len(rows) != 2 || rows[0].Key != "a" || rows[0].Counts.Compliance.N != 340 || rows[1].Counts.Compliance.Value != 18.0/44 {
		t.Errorf("%v", rows)
	}
	if _, rows := complianceRows(list, 0); rows != nil {
		t.Errorf("without a group: %v", rows)
	}
}

// Rates carry Wilson's interval: Newcombe, Statistics in Medicine 17 (1998) 857,
// table I, method 3, to its four places, and to more by R.
func TestComplianceIntervals(t *testing.T) {
	for _, c := range []struct {
		k, n        int64
		low, high   float64
		low4, high4 string
	}{
		{81, 263, 0.255288519878274, 0.3662095769828, "0.2553", "0.3662"},
		{15, 148, 0.0623863995307363, 0.160487241723308, "0.0624", "0.1605"},
		{0, 20, 0, 0.161125158052819, "0.0000", "0.1611"},
		{1, 29, 0.00611321429276265, 0.171755218793203, "0.0061", "0.1718"},
	} {
		total, _ := complianceRows([]DutyKeyCount{{"x", uint8(duty.OnTime), c.k}, {"x", uint8(duty.Missed), c.n - c.k}}, 0)
		e := total.Counts.Compliance
		if e.N != c.n || math.Abs(e.Low-c.low) > 1e-12 || math.Abs(e.High-c.high) > 1e-12 ||
			fmt.Sprintf("%.4f", e.Low) != c.low4 || fmt.Sprintf("%.4f", e.High) != c.high4 {
			t.Errorf("%d of %d: %v", c.k, c.n, e)
		}
	}
}

// Days become ISO 8601 weeks, also over the turn of a year: 2026-01-01 is a
// Thursday, so its week is the first of 2026 and begins on 2025-12-29.
func TestComplianceWeeks(t *testing.T) {
	day := func(s string) string {
		d, err := timeline.ParseDay(s)
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Sprint(int(d))
	}
	_, rows := complianceRows([]DutyKeyCount{{day("2025-12-28"), 1, 1}, {day("2025-12-29"), 1, 2}, {day("2026-01-04"), 3, 3}, {day("2026-01-05"), 1, 4}}, pb.ComplianceGroup_COMPLIANCE_GROUP_WEEK)
	var got []string
	for _, r := range rows {
		got = append(got, fmt.Sprintf("%s %d/%d", r.Key, r.Counts.OnTime, r.Counts.Compliance.N))
	}
	if s := strings.Join(got, ", "); s != "2025-W52 1/1, 2026-W01 2/5, 2026-W02 4/4" {
		t.Error(s)
	}
}

func TestWorstOutcome(t *testing.T) {
	order := []duty.Outcome{duty.Missed, duty.Skipped, duty.Unknown, duty.Late, duty.Open, duty.OnTime, duty.NotRequired}
	for i := range order {
		for j := range order {
			if worse(order[i], order[j]) != (i < j) {
				t.Errorf("%v worse than %v", order[i], order[j])
			}
		}
	}
}

// cellReader has more cells than are sent.
type cellReader struct {
	Reader
	rows int
}

func (r cellReader) Duties(context.Context, []string, timeline.Day, timeline.Day) ([]timeline.DutyRow, error) {
	out := make([]timeline.DutyRow, r.rows)
	for i := range out {
		out[i] = timeline.DutyRow{Plant: "rhein", Press: "p1", Station: "s", Day: timeline.Day(i), Outcome: 1}
	}
	return out, nil
}

func TestTooManyCells(t *testing.T) {
	for rows, ok := range map[int]bool{maxRows: true, maxRows + 1: false} {
		s := New(Config{}, Deps{Reader: cellReader{rows: rows}})
		cells, err := s.dutyCells(t.Context(), &fleet{scope: []string{"rhein/p1"}}, 0, 1)
		if (err == nil) != ok || ok && len(cells) != rows {
			t.Errorf("%d cells: %v", rows, err)
		}
	}
}

func TestClockWords(t *testing.T) {
	const h = timeline.Hour
	task := timeline.Task{Triggers: []timeline.Trigger{{Cadence: timeline.CadenceRunKm, Every: 60}, {Cadence: timeline.CadenceRunHours, Every: 12.5}, {Cadence: timeline.CadenceDays, Every: 7}}}
	if got := clockWords(&task, duty.Clock{WebMM: 41_000_000, RunMS: 10*h + h/2, LastAt: 5}, 5+60*h); got != "41 of 60 km, 10.5 of 12.5 run h, 2.5 of 7 days" {
		t.Error(got)
	}
	if got := clockWords(&task, duty.Clock{WebMM: 41_000_000, AtLeast: true}, 0); got != "at least 41 of 60 km, at least 0 of 12.5 run h" {
		t.Error(got)
	}
	if got := clockWords(&timeline.Task{Triggers: []timeline.Trigger{{Cadence: timeline.CadenceStartup}}}, duty.Clock{LastAt: 1}, 9); got != "" {
		t.Error(got)
	}
}

// A list is news where a task comes, goes, is signed off or becomes overdue, or
// its instant moves; not where only time goes by.
func TestNewsOf(t *testing.T) {
	list := func(change func(d *pb.DueDuty)) string {
		d := &pb.DueDuty{Task: "a", DueAt: stamp(90 * timeline.Hour), Expected: true, Clock: "41 of 60 km"}
		change(d)
		return newsOf(&pb.ListDueDutiesResponse{Presses: []*pb.PressDueDuties{{Press: "rhein/p1", Duties: []*pb.DueDuty{d}}}})
	}
	base := list(func(*pb.DueDuty) {})
	for name, c := range map[string]struct {
		news   bool
		change func(d *pb.DueDuty)
	}{
		"the clock counts on":       {false, func(d *pb.DueDuty) { d.Clock = "42 of 60 km" }},
		"expected a minute later":   {false, func(d *pb.DueDuty) { d.DueAt = stamp(90*timeline.Hour + timeline.Minute) }},
		"expected an hour later":    {true, func(d *pb.DueDuty) { d.DueAt = stamp(91 * timeline.Hour) }},
		"overdue":                   {true, func(d *pb.DueDuty) { d.OverdueMs = 1 }},
		"signed off":                {true, func(d *pb.DueDuty) { d.LastDoneAt = stamp(5) }},
		"another interval missed":   {true, func(d *pb.DueDuty) { d.MissedInRow = 1 }},
		"a fixed minute is an hour": {true, func(d *pb.DueDuty) { d.Expected, d.DueAt = false, stamp(90*timeline.Hour+timeline.Minute) }},
	} {
		if got := list(c.change) != base; got != c.news {
			t.Errorf("%s: news %t", name, got)
		}
	}
}
