package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/ops/opstest"
)

// Duties through the whole line: due lists, their stream, compliance, and what
// a document would do, from the worked shifts.
func TestAPIDuties(t *testing.T) {
	t.Parallel()
	l := newAPILine(t)
	l.ingest()
	if _, err := l.apply(nil, 0); err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{"p1", "p2", "p3"} {
		l.recordShift(p)
	}
	l.settle()
	t.Run("compliance", func(t *testing.T) { l.compliance(t) })
	t.Run("due", func(t *testing.T) { l.due(t) })
	t.Run("plan", func(t *testing.T) { l.planDuties(t) })
	t.Run("watch", func(t *testing.T) { l.watchDue(t) })
	t.Run("metrics", func(t *testing.T) {
		// The shut-down tasks of p2 are due at 20:00Z: told of at 20:20Z without them, within their grace, they are overdue.
		late := defect(time.Date(2026, 6, 16, 20, 20, 0, 0, time.UTC))
		late.Press = "p2"
		if _, err := l.events.RecordEvents(l.ctx, &pb.RecordEventsRequest{RequestId: "told-late", Events: []*pb.Event{late}}); err != nil {
			t.Fatal(err)
		}
		l.settle()
		m, overdue := l.pressMetrics(t)
		if overdue != 4 { // the watch above has signed one off
			t.Errorf("%d duties are overdue, want the four left of p2's five", overdue)
		}
		// p2 by hand: 420 of 450 min are known on the 15th, 30 unaccounted; nothing of the 450 min to 22:00 on the 16th.
		nearTo(t, "known of p2", opstest.Value(t, m, "downweb_press_known_ratio", "press", "rhein/p2"), 420.0/900, 1e-9)
	})
}

func dueText(p *pb.PressDueDuties) string {
	var out []string
	for _, d := range p.GetDuties() {
		s := d.GetTask() + " " + instant(d.GetDueAt().AsTime())
		if d.GetExpected() {
			s += " expected"
		}
		if d.GetOverdueMs() > 0 {
			s += fmt.Sprintf(" overdue %d min", d.GetOverdueMs()/60000)
		}
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}

// By hand: p1 is known to the end of its shift, its start-up tasks are expected
// when the next one begins (06:00 in Berlin); p2 to 09:21 on Tuesday, when its
// static bar was skipped, its shut-down tasks are due when its shift ends at
// 22:00; p3 to the end of its Saturday night: 3 h after the heads were signed
// off at 01:22Z it had run 3 h 25 min less 2 h 18 min … so nothing is due.
func (l *apiLine) due(t *testing.T) {
	c := pb.NewDutyServiceClient(l.conn)
	r, err := c.ListDueDuties(l.ctx, &pb.ListDueDutiesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"treater 2026-06-16 04:00Z expected; web-path 2026-06-16 04:00Z expected; sensors 2026-06-16 04:00Z expected; static-bar 2026-06-16 04:00Z expected",
		"treater 2026-06-16 20:00Z; web-cleaner 2026-06-16 20:00Z; uv-1 2026-06-16 20:00Z; uv-2 2026-06-16 20:00Z; static-bar 2026-06-16 20:00Z",
		"",
	}
	if len(r.Presses) != 3 || r.Hours != 24 || r.AsOf.GetPos() == 0 || r.OrderRule == "" {
		t.Fatalf("%v", r)
	}
	for i, p := range r.Presses {
		if got := dueText(p); got != want[i] || p.Zone != "Europe/Berlin" {
			t.Errorf("%s: %s\nwant %s", p.Press, got, want[i])
		}
		if len(p.Cautions) == 0 || !strings.Contains(p.Cautions[0], "lock-out") {
			t.Errorf("%s: cautions %q", p.Press, p.Cautions)
		}
	}
	// 330 of 450 min in production, 32,616 m in them: testdata/scenarios/worked-shifts/story.md.
	if n := r.Presses[0].Notes; len(n) != 1 || !strings.Contains(n[0], "73 % of planned time in production, 98.8 m/min") {
		t.Errorf("pace %q", n)
	}
	d := r.Presses[0].Duties[0]
	if !d.Isolate || len(d.Hazards) != 3 || d.StandardMinutes != 8 || d.Order != 1 || d.Risk != 2 || d.GraceMs != 30*60_000 || instant(d.LastDoneAt.AsTime()) != "2026-06-15 04:07Z" {
		t.Errorf("%v", d)
	}
	if d := r.Presses[1].Duties[4]; d.LastDoneAt != nil { // the sign-off was taken back
		t.Errorf("%v", d)
	}
	if _, err := c.ListDueDuties(l.ctx, &pb.ListDueDutiesRequest{Scope: &pb.Scope{Presses: []string{"rhein/p9"}}}); err == nil {
		t.Error("a press that is not known")
	} else {
		wantStatus(t, err, codes.NotFound, "rhein/p9")
	}
}

// Worked by hand from the story: ten duties, eight on time; the heads late; the
// static bar skipped, and not cleaned from the start of its production day at
// 14:00 (12:00Z) to Tuesday 07:21Z, where the data ends.
func (l *apiLine) compliance(t *testing.T) {
	c := pb.NewDutyServiceClient(l.conn)
	ask := func(by pb.ComplianceGroup) *pb.GetComplianceResponse {
		r, err := c.GetCompliance(l.ctx, &pb.GetComplianceRequest{Period: june, GroupBy: by, Cells: true})
		if err != nil {
			t.Fatal(err)
		}
		x := r.Total
		if e := x.Counts.Compliance; x.Counts.OnTime != 8 || x.Counts.Late != 1 || x.Counts.Skipped != 1 || e.Value != 0.8 || e.N != 10 {
			t.Errorf("%v: %v", by, x.Counts)
		}
		if math.Abs(x.LongestGapHours-19.35) > 1e-9 || x.GapPress != "rhein/p2" || x.GapStation != "static-bar" || !x.GapCut || instant(x.GapFrom.AsTime()) != "2026-06-15 12:00Z" {
			t.Errorf("%v: gap %v", by, x)
		}
		if len(r.Cautions) < 2 || r.Period.FirstDay != june.FirstDay || r.AsOf.GetPos() == 0 {
			t.Errorf("%v: %v", by, r)
		}
		return r
	}
	text := func(r *pb.GetComplianceResponse) string {
		var out []string
		for _, x := range r.Rows {
			out = append(out, fmt.Sprintf("%s %d/%d %.2f h", x.Key, x.Counts.OnTime, x.Counts.Compliance.N, x.LongestGapHours))
		}
		return strings.Join(out, ", ")
	}
	r := ask(pb.ComplianceGroup_COMPLIANCE_GROUP_UNSPECIFIED)
	if len(r.Rows) != 0 || len(r.Cells) != 10 {
		t.Errorf("%d rows, %d cells", len(r.Rows), len(r.Cells))
	}
	if x := r.Cells[4]; x.Press != "rhein/p2" || x.Station != "static-bar" || x.Day != "2026-06-15" || x.Outcome != pb.DutyOutcome_DUTY_OUTCOME_SKIPPED || x.Duties != 1 {
		t.Errorf("%v", x)
	}
	for by, want := range map[pb.ComplianceGroup]string{
		pb.ComplianceGroup_COMPLIANCE_GROUP_PLANT: "rhein 8/10 19.35 h",
		pb.ComplianceGroup_COMPLIANCE_GROUP_PRESS: "rhein/p1 4/4 7.88 h, rhein/p2 4/5 19.35 h, rhein/p3 0/1 5.20 h",
		// Week 13 ends with the Saturday night, week 25 begins on Monday 15 June.
		pb.ComplianceGroup_COMPLIANCE_GROUP_WEEK: "2026-W13 0/1 5.20 h, 2026-W25 8/9 19.35 h",
		pb.ComplianceGroup_COMPLIANCE_GROUP_TASK: "print-heads 0/1 4.37 h, sensors 1/1 7.70 h, static-bar 1/2 19.35 h, treater 2/2 11.90 h, uv-1 1/1 11.50 h, uv-2 1/1 11.28 h, web-cleaner 1/1 11.83 h, web-path 1/1 7.78 h",
	} {
		if got := text(ask(by)); got != want {
			t.Errorf("%v:\n got %s\nwant %s", by, got, want)
		}
	}
	if a, b := text(ask(pb.ComplianceGroup_COMPLIANCE_GROUP_STATION)), text(ask(pb.ComplianceGroup_COMPLIANCE_GROUP_TASK)); a != b {
		t.Errorf("each station has one task of its name:\n%s\n%s", a, b)
	}
}

// A change of the plan shows in the week before it is applied, and the same
// duties come out once it is.
func (l *apiLine) planDuties(t *testing.T) {
	cur, err := l.registry.GetPlant(l.ctx, &pb.GetPlantRequest{Plant: "rhein"})
	if err != nil {
		t.Fatal(err)
	}
	old := cur.Revision.Plant
	plan := func(change func(p *pb.Plant)) *pb.PlanApplyResponse {
		t.Helper()
		p := proto.Clone(old).(*pb.Plant)
		change(p)
		r, err := l.registry.PlanApply(l.ctx, &pb.PlanApplyRequest{Plant: p})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	counts := func(r *pb.PlanApplyResponse) string {
		var out []string
		for _, c := range r.GetDuties().GetCounts() {
			out = append(out, fmt.Sprintf("%s %s %d->%d +%d -%d ~%d", c.Press, c.Task, c.Before, c.After, c.Added, c.Gone, c.Moved))
		}
		return strings.Join(out, ", ")
	}
	if r := plan(func(p *pb.Plant) { p.Presses[0].Rates[0].PressHour = "190" }); r.Duties != nil || len(r.DirtyPresses) != 1 {
		t.Errorf("money changes no duty: %v", r)
	}
	// Only p1 differs: the sensors weekly on Friday, web path gone, a shut-down
	// task more. The newest data is of Monday 15 June: Tuesday 16 to Monday 22
	// has five working days, one of them a Friday.
	differs := func(p *pb.Plant) {
		p.Plans = append(p.Plans, &pb.CleaningPlan{Press: "p1", ValidFrom: "2026-06-16", Differs: true, Removed: []string{"web-path"}, Tasks: []*pb.Task{
			{Slug: "sensors", Station: "sensors", StandardMinutes: 6, Triggers: []*pb.Trigger{{Cadence: pb.Cadence_CADENCE_WEEKLY, AnchorDay: pb.Weekday_WEEKDAY_FRI}}},
			{Slug: "treater-out", Station: "treater", StandardMinutes: 3, Isolate: true, Triggers: []*pb.Trigger{{Cadence: pb.Cadence_CADENCE_SHUTDOWN}}}}})
	}
	r := plan(differs)
	f := r.GetDuties()
	if f.GetFirstDay() != "2026-06-16" || f.GetLastDay() != "2026-06-22" || f.GetZone() != "Europe/Berlin" || len(f.GetCautions()) < 2 {
		t.Errorf("%v", f)
	}
	// The start-up window of the 16th opened under the old plan: its web path
	// and sensors are still due.
	if got, want := counts(r), "rhein/p1 sensors 5->2 +0 -3 ~1, rhein/p1 treater-out 0->5 +5 -0 ~0, rhein/p1 web-path 5->1 +0 -4 ~0"; got != want {
		t.Errorf("\n got %s\nwant %s", got, want)
	}
	for _, c := range f.Changes {
		if c.Task == "sensors" && c.Kind == pb.DutyChangeKind_DUTY_CHANGE_KIND_MOVED && (instant(c.DueBefore.AsTime()) != "2026-06-19 04:00Z" || instant(c.DueAfter.AsTime()) != "2026-06-19 12:00Z" || c.Cadence != pb.Cadence_CADENCE_WEEKLY) {
			t.Errorf("moved: %v", c)
		}
	}
	// A closure takes one day's duties away; a change far ahead shows its own week.
	if got, want := counts(plan(func(p *pb.Plant) {
		p.Closures = append(p.Closures, &pb.Closure{FirstDay: "2026-06-17", Presses: []string{"p1"}})
	})),
		"rhein/p1 sensors 5->4 +0 -1 ~0, rhein/p1 static-bar 5->4 +0 -1 ~0, rhein/p1 treater 5->4 +0 -1 ~0, rhein/p1 web-path 5->4 +0 -1 ~0"; got != want {
		t.Errorf("\n got %s\nwant %s", got, want)
	}
	far := plan(func(p *pb.Plant) {
		p.Closures = append(p.Closures, &pb.Closure{FirstDay: "2026-12-24", Presses: []string{"p1"}})
	})
	if far.GetDuties().GetFirstDay() != "2026-12-24" || len(far.GetDuties().GetCounts()) != 4 {
		t.Errorf("far ahead: %v", far.GetDuties())
	}
	if r := plan(func(p *pb.Plant) {
		p.Closures = append(p.Closures, &pb.Closure{FirstDay: "2028-12-25", Presses: []string{"p1"}})
	}); len(r.GetDuties().GetCounts()) != 0 || len(r.GetDuties().GetNotes()) != 1 {
		t.Errorf("too far ahead: %v", r.GetDuties())
	}
	// A plan without a date holds since ever: the past is folded anew. The
	// sensors were cleaned on the first day, so every two days is 17 and 19 and
	// the next Monday; the 21st is a Sunday, due on the Friday or after.
	if got := counts(plan(func(p *pb.Plant) {
		p.Plans[0].Tasks[2].Triggers = []*pb.Trigger{{Cadence: pb.Cadence_CADENCE_DAYS, Every: 2}}
	})); !strings.HasPrefix(got, "rhein/p1 sensors 5->3 ") {
		t.Errorf("since ever: %s", got)
	}
	// A new plant has no past; its duties are all added, from today on.
	fresh := proto.Clone(old).(*pb.Plant)
	fresh.Plant = "main"
	n, err := l.registry.PlanApply(l.ctx, &pb.PlanApplyRequest{Plant: fresh})
	if err != nil {
		t.Fatal(err)
	}
	if c := n.GetDuties().GetCounts(); len(c) == 0 || slices.ContainsFunc(c, func(c *pb.DutyChangeCount) bool {
		return c.Before != 0 || c.Gone != 0 || c.Moved != 0 || c.Added != c.After
	}) {
		t.Errorf("a new plant: %v", c)
	}
	// Applied, the due list says what the plan said.
	if _, err := l.apply(differs, cur.Revision.Rev); err != nil {
		t.Fatal(err)
	}
	l.settle()
	d, err := pb.NewDutyServiceClient(l.conn).ListDueDuties(l.ctx, &pb.ListDueDutiesRequest{Scope: &pb.Scope{Presses: []string{"rhein/p1"}}, Hours: 7*24 + 10})
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]int{}
	for _, x := range d.Presses[0].Duties {
		got[x.Task]++
	}
	if got["treater-out"] != 5 || got["web-path"] != 1 || got["treater"] != 5 || got["sensors"] != 2 {
		t.Errorf("after it was applied: %v", got)
	}
}

// The stream sends the list, and again when a sign-off takes a task off it.
func (l *apiLine) watchDue(t *testing.T) {
	ctx, cancel := context.WithTimeout(l.ctx, 30*time.Second)
	defer cancel()
	s, err := pb.NewDutyServiceClient(l.conn).WatchDueDuties(ctx, &pb.WatchDueDutiesRequest{Scope: &pb.Scope{Presses: []string{"rhein/p2"}}})
	if err != nil {
		t.Fatal(err)
	}
	first, err := s.Recv()
	if err != nil {
		t.Fatal(err)
	}
	if got := dueText(first.Due.Presses[0]); !strings.HasPrefix(got, "treater 2026-06-16 20:00Z; ") || len(first.Due.Cautions) < 2 {
		t.Fatalf("%s", got)
	}
	began := time.Now()
	at := timestamppb.New(time.Date(2026, 6, 16, 18, 5, 0, 0, time.UTC)) // the window opens at 18:00Z
	if _, err := l.events.RecordEvents(ctx, &pb.RecordEventsRequest{RequestId: "watched-sign-off", Events: []*pb.Event{{Plant: "rhein", Press: "p2", OccurredAt: at,
		Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Task: "treater", Station: "treater", Outcome: pb.Outcome_OUTCOME_CLEANED}}}}}); err != nil {
		t.Fatal(err)
	}
	for {
		r, err := s.Recv()
		if err != nil {
			t.Fatal(err)
		}
		p := r.Due.Presses[0]
		if p.Frontier.AsTime().Equal(at.AsTime()) {
			if got := dueText(p); !strings.HasPrefix(got, "web-cleaner 2026-06-16 20:00Z; ") || strings.Contains(got, "treater 2026-06-16") {
				t.Errorf("after the sign-off: %s", got)
			}
			break
		}
	}
	t.Logf("seen after %v", time.Since(began))
}
