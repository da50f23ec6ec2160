package registry

import (
	"math"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// One change to a good document, one problem, named by field.
func TestValidate(t *testing.T) {
	good := readPlant(t)
	if problems := Validate(good); len(problems) > 0 {
		t.Fatalf("the good document: %v", problems)
	}
	shift := func(p *pb.Plant) *pb.Shift { return p.Calendars[0].Shifts[0] }
	task := func(p *pb.Plant, i int) *pb.Task { return p.Plans[0].Tasks[i] }
	for _, c := range []struct {
		field, reason string
		do            func(p *pb.Plant)
	}{
		{"plant", "is not a slug", func(p *pb.Plant) { p.Plant = "Werk A" }},
		{"zone", "IANA", func(p *pb.Plant) { p.Zone = "Europe/Nowhere" }},
		{"zone", "IANA", func(p *pb.Plant) { p.Zone = "" }},
		{"zone", "IANA", func(p *pb.Plant) { p.Zone = "Local" }},
		{"currency", "ISO 4217", func(p *pb.Plant) { p.Currency = "euro" }},
		{"day_of", "not known", func(p *pb.Plant) { p.DayOf = 9 }},
		{"open_close_minutes", "0 to 480", func(p *pb.Plant) { p.OpenCloseMinutes = math.NaN() }},
		{"grace_minutes", "0 to 480", func(p *pb.Plant) { p.GraceMinutes = -1 }},
		{"hands[0].people", "1 to 50", func(p *pb.Plant) { p.Hands[0].People = 0 }},
		{"hands[1].occasion", "twice", func(p *pb.Plant) { p.Hands = append(p.Hands, p.Hands[0]) }},
		{"calendars[0].valid_from", "not YYYY-MM-DD", func(p *pb.Plant) { p.Calendars[0].ValidFrom = "2026-02-30" }},
		{"calendars[0].cycle_anchor", "needed", func(p *pb.Plant) { p.Calendars[0].CycleAnchor = "" }},
		{"calendars[0].shifts[0].start", "HH:MM", func(p *pb.Plant) { shift(p).Start = "6:00" }},
		{"calendars[0].shifts[0].end", "HH:MM", func(p *pb.Plant) { shift(p).End = "24:00" }},
		{"calendars[0].shifts[0].name", "outside every shift", func(p *pb.Plant) { shift(p).Name = "unplanned" }},
		{"calendars[0].shifts[0].days", "no weekday", func(p *pb.Plant) { shift(p).Days = nil }},
		{"calendars[0].shifts[0].days[1]", "twice", func(p *pb.Plant) { shift(p).Days[1] = shift(p).Days[0] }},
		{"calendars[0].shifts[1].weeks[0]", "not in a cycle of 2", func(p *pb.Plant) { p.Calendars[0].Shifts[1].Weeks[0] = 3 }},
		{"calendars[0].shifts[0].breaks[0].minutes", "whole minutes", func(p *pb.Plant) { shift(p).Breaks[0].Minutes = 7.5 }},
		{"calendars[0].shifts[0].breaks[0]", "outside the shift", func(p *pb.Plant) { shift(p).Breaks[0].Start = "13:45" }},
		{"calendars[0].shifts[0].breaks[0]", "outside the shift", func(p *pb.Plant) { shift(p).Breaks[0].Start = "05:00" }},
		{"calendars[0].shifts[0].breaks[1]", "overlaps", func(p *pb.Plant) {
			shift(p).Breaks = append(shift(p).Breaks, &pb.Break{Start: "10:29", Minutes: 5})
		}},
		{"calendars[1].presses[0]", "not in the document", func(p *pb.Plant) { p.Calendars[1].Presses[0] = "p9" }},
		{"calendars[2].presses[0]", "second calendar", func(p *pb.Plant) { p.Calendars = append(p.Calendars, p.Calendars[1]) }},
		{"calendars[0].shifts", "starts before", func(p *pb.Plant) { shift(p).End = "14:01" }},
		{"extra_shifts[0]", "starts before", func(p *pb.Plant) {
			x := p.ExtraShifts[0]
			p.ExtraShifts = append(p.ExtraShifts, &pb.ExtraShift{Day: x.Day, Name: "more", Start: x.Start, End: x.End, Presses: x.Presses})
		}},
		{"closures[1].last_day", "before first_day", func(p *pb.Plant) { p.Closures[1].LastDay = "2026-12-23" }},
		{"extra_shifts[0].day", "not YYYY-MM-DD", func(p *pb.Plant) { p.ExtraShifts[0].Day = "" }},
		{"maintenance_windows[0].to", "not after from", func(p *pb.Plant) { p.MaintenanceWindows[0].To = p.MaintenanceWindows[0].From }},
		{"maintenance_windows[0].from", "milliseconds", func(p *pb.Plant) { p.MaintenanceWindows[0].From = &timestamppb.Timestamp{Seconds: 1.7e9, Nanos: 1} }},
		{"reasons[1].slug", "given twice", func(p *pb.Plant) { p.Reasons[1].Slug = "dirt" }},
		{"reasons[1].class", "missing", func(p *pb.Plant) { p.Reasons[1].Class = 0 }},
		{"reasons[0].text.English", "language code", func(p *pb.Plant) { p.Reasons[0].Text["English"] = "x" }},
		{"skip_reasons[0].class", "missing", func(p *pb.Plant) { p.SkipReasons[0].Class = 0 }},
		{"presses[0].rated_mm_per_min", "1 to 2e+06", func(p *pb.Plant) { p.Presses[0].RatedMmPerMin = 0 }},
		{"presses[0].stations[1].slug", "given twice", func(p *pb.Plant) {
			p.Presses[0].Stations = append(p.Presses[0].Stations[:1:1], append([]*pb.Station{p.Presses[0].Stations[0]}, p.Presses[0].Stations[1:]...)...)
		}},
		{"presses[0].rates[0].press_hour", "decimal", func(p *pb.Plant) { p.Presses[0].Rates[0].PressHour = "1.2345678" }},
		{"presses[0].rates[0].press_hour", "decimal", func(p *pb.Plant) { p.Presses[0].Rates[0].PressHour = "-3" }},
		{"presses[0].rates[0].contribution_hour", "constrained", func(p *pb.Plant) { p.Presses[0].Rates[0].ContributionHour = "" }},
		{"presses[0].rates[1].valid_from", "same day", func(p *pb.Plant) { p.Presses[0].Rates[1].ValidFrom = "2026-01-01" }},
		{"plans[0]", "exactly one", func(p *pb.Plant) { p.Plans[0].Press = "p1" }},
		{"plans[0].kind", "no press is of kind", func(p *pb.Plant) { p.Plans[0].Kind = "digital" }},
		{"plans[1].press", "not in the document", func(p *pb.Plant) { p.Plans[1].Press = "p7" }},
		{"plans[0].tasks[0].station", `press "p2" has no station`, func(p *pb.Plant) {
			p.Presses[1].Stations = p.Presses[1].Stations[1:]
			p.Plans[1].Tasks = nil
		}},
		{"plans[0].tasks[1].slug", "given twice", func(p *pb.Plant) { task(p, 1).Slug = task(p, 0).Slug }},
		{"plans[0].tasks[0].triggers", "when is the task due", func(p *pb.Plant) { task(p, 0).Triggers = nil }},
		{"plans[0].tasks[0].triggers[0].every", "no meaning", func(p *pb.Plant) { task(p, 0).Triggers[0].Every = 2 }},
		{"plans[0].tasks[1].triggers[1].every", "more than 0", func(p *pb.Plant) { task(p, 1).Triggers[1].Every = 0 }},
		{"plans[0].tasks[3].triggers[0].every", "maker's limit", func(p *pb.Plant) { task(p, 3).MakerLimit = 50 }},
		{"plans[0].tasks[0].triggers[0].anchor_day", "weekly", func(p *pb.Plant) { task(p, 0).Triggers[0].AnchorDay = 1 }},
		{"plans[0].tasks[0].standard_minutes", "more than 0", func(p *pb.Plant) { task(p, 0).StandardMinutes = 0 }},
		{"plans[0].tasks[0].hazards[3]", "twice", func(p *pb.Plant) { task(p, 0).Hazards = append(task(p, 0).Hazards, pb.Hazard_HAZARD_NIP) }},
		{"plans[0].tasks[2].also_discharges[0]", "not in this plan", func(p *pb.Plant) { task(p, 2).AlsoDischarges[0] = "nothing" }},
		{"plans[0].tasks[2].also_discharges[0]", "itself", func(p *pb.Plant) { task(p, 2).AlsoDischarges[0] = "uv-weekly" }},
		{"labour_rates[0].labour_hour", "decimal", func(p *pb.Plant) { p.LabourRates[0].LabourHour = "42,00" }},
		{"web_rates[2].valid_from", "same day", func(p *pb.Plant) { p.WebRates = append(p.WebRates, p.WebRates[0]) }},
	} {
		p := proto.Clone(good).(*pb.Plant)
		c.do(p)
		problems := Validate(p)
		if len(problems) != 1 || problems[0].Field != c.field || !strings.Contains(problems[0].Reason, c.reason) {
			t.Errorf("%s (%s): got %v", c.field, c.reason, problems)
		}
	}
	if problems := Validate(nil); len(problems) == 0 {
		t.Error("no document passes")
	}
}
