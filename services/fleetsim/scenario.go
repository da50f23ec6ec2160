package fleetsim

import (
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Press kinds of the scenario.
const (
	kindUV     = "uv-flexo-430"
	kindLED    = "led-flexo-330"
	kindInkjet = "inkjet-330"
)

// Dates the documents cover with closures, extra shifts and maintenance.
const (
	firstYear = 2025
	lastYear  = 2027
)

var workdays = []pb.Weekday{pb.Weekday_WEEKDAY_MON, pb.Weekday_WEEKDAY_TUE, pb.Weekday_WEEKDAY_WED, pb.Weekday_WEEKDAY_THU, pb.Weekday_WEEKDAY_FRI}

// Plants returns the registry documents of the scenario, new ones each time.
func Plants() []*pb.Plant {
	return []*pb.Plant{linden(), maple()}
}

func shift(name, start, end, brk string) *pb.Shift {
	return &pb.Shift{Name: name, Days: workdays, Start: start, End: end, Breaks: []*pb.Break{{Start: brk, Minutes: 30}}}
}

// linden works two shifts; two presses only the early one.
func linden() *pb.Plant {
	p := &pb.Plant{
		Plant: "linden", Name: "Lindenhof labels", Zone: "Europe/Berlin", Currency: "EUR",
		DayOf: pb.DayOf_DAY_OF_START, Policy: pb.Policy_POLICY_INSIDE, OpenCloseMinutes: 2,
		Calendars: []*pb.Calendar{
			{Shifts: []*pb.Shift{shift("early", "06:00", "14:00", "10:00"), shift("late", "14:00", "22:00", "18:00")}},
			{Shifts: []*pb.Shift{shift("early", "06:00", "14:00", "10:00")}, Presses: []string{"p5", "p6"}},
		},
		LabourRates: []*pb.LabourRate{{LabourHour: "42.00"}},
		WebRates:    []*pb.WebRate{{SquareMeter: "0.55"}, {Substrate: "film-clear", SquareMeter: "0.82"}, {Substrate: "film-white", SquareMeter: "0.71"}},
		Presses: []*pb.Press{
			press("p1", kindUV, 120_000, "180.00", "420.00", true), press("p2", kindUV, 120_000, "180.00", "420.00", true),
			press("p3", kindUV, 110_000, "165.00", "390.00", true), press("p4", kindLED, 100_000, "140.00", "310.00", true),
			press("p5", kindLED, 100_000, "140.00", "310.00", true), press("p6", kindInkjet, 60_000, "150.00", "350.00", true),
		},
	}
	closures(p, "works day", 3, 20, 9, 14)
	common(p, "Europe/Berlin")
	return p
}

// maple works two shifts; two presses also the night, two only the day.
func maple() *pb.Plant {
	p := &pb.Plant{
		Plant: "maple", Name: "Maple Creek labels", Zone: "America/New_York", Currency: "USD",
		DayOf: pb.DayOf_DAY_OF_START, Policy: pb.Policy_POLICY_INSIDE, OpenCloseMinutes: 2,
		Calendars: []*pb.Calendar{
			{Shifts: []*pb.Shift{shift("day", "06:00", "14:00", "10:00"), shift("evening", "14:00", "22:00", "18:00")}},
			{Shifts: []*pb.Shift{shift("day", "06:00", "14:00", "10:00"), shift("evening", "14:00", "22:00", "18:00"), shift("night", "22:00", "06:00", "02:00")},
				Presses: []string{"p1", "p2"}},
			{Shifts: []*pb.Shift{shift("day", "06:00", "14:00", "10:00")}, Presses: []string{"p5", "p6"}},
		},
		LabourRates: []*pb.LabourRate{{LabourHour: "38.50"}},
		WebRates:    []*pb.WebRate{{SquareMeter: "0.62"}, {Substrate: "film-clear", SquareMeter: "0.90"}, {Substrate: "film-white", SquareMeter: "0.78"}},
		Presses: []*pb.Press{
			press("p1", kindUV, 120_000, "195.00", "450.00", false), press("p2", kindUV, 110_000, "195.00", "450.00", false),
			press("p3", kindLED, 100_000, "150.00", "330.00", false), press("p4", kindLED, 95_000, "150.00", "330.00", false),
			press("p5", kindInkjet, 60_000, "160.00", "370.00", false), press("p6", kindInkjet, 55_000, "160.00", "370.00", false),
		},
	}
	closures(p, "plant day", 4, 10, 7, 6)
	common(p, "America/New_York")
	return p
}

func press(slug, kind string, rated int64, hour, contribution string, constrained bool) *pb.Press {
	p := &pb.Press{Press: slug, Name: "Press " + slug[1:], Kind: kind, RatedMmPerMin: rated, RestartMm: 50_000, WebWidthMm: 330,
		Rates: []*pb.PressRate{{PressHour: hour, ContributionHour: contribution, Constrained: constrained}}}
	if kind == kindUV {
		p.WebWidthMm = 430
	}
	for _, s := range stationsOf(kind) {
		p.Stations = append(p.Stations, &pb.Station{Slug: s, Name: stationNames[s]})
	}
	return p
}

// closures closes two invented days and the turn of each year.
func closures(p *pb.Plant, why string, m1, d1, m2, d2 int) {
	for y := firstYear; y <= lastYear; y++ {
		p.Closures = append(p.Closures,
			&pb.Closure{FirstDay: fmt.Sprintf("%d-%02d-%02d", y, m1, d1), Why: why},
			&pb.Closure{FirstDay: fmt.Sprintf("%d-%02d-%02d", y, m2, d2), Why: why},
			&pb.Closure{FirstDay: fmt.Sprintf("%d-12-23", y), LastDay: fmt.Sprintf("%d-01-02", y+1), Why: "winter break"})
	}
}

// common adds what both plants have: Saturday shifts, maintenance, reasons and
// plans.
func common(p *pb.Plant, zone string) {
	sat := mustDay(fmt.Sprintf("%d-01-04", firstYear)) // a Saturday
	for n := 0; sat.year() <= lastYear; n++ {
		if n%5 == 2 {
			p.ExtraShifts = append(p.ExtraShifts, &pb.ExtraShift{Day: sat.String(), Name: "saturday", Start: "06:00", End: "12:00",
				Breaks: []*pb.Break{{Start: "09:00", Minutes: 15}}, Presses: []string{"p1", "p3", "p4"}})
		}
		sat += 7
	}
	loc := mustZone(zone)
	wed := mustDay(fmt.Sprintf("%d-01-15", firstYear)) // a Wednesday; every 13 weeks
	for wed.year() <= lastYear {
		for i, presses := range [][]string{{"p1", "p3", "p5"}, {"p2", "p4", "p6"}} {
			from := instant(loc, wed+Day(i), 11*60)
			p.MaintenanceWindows = append(p.MaintenanceWindows, &pb.MaintenanceWindow{
				From: timestamppb.New(msTime(from)), To: timestamppb.New(msTime(from + 2*hour)), Presses: presses})
		}
		wed += 13 * 7
	}
	for _, r := range reasons {
		p.Reasons = append(p.Reasons, &pb.Reason{Slug: r.slug, Text: map[string]string{"en": r.text}, Class: r.class})
	}
	for _, r := range skipReasons {
		p.SkipReasons = append(p.SkipReasons, &pb.SkipReason{Slug: r.slug, Text: map[string]string{"en": r.text}, Class: r.class})
	}
	for _, kind := range []string{kindUV, kindLED, kindInkjet} {
		p.Plans = append(p.Plans, &pb.CleaningPlan{Kind: kind, Tasks: tasksOf(kind)})
	}
}

var reasons = []struct {
	slug, text string
	class      pb.ReasonClass
}{
	{"dirt-on-web", "Dirt on the web", pb.ReasonClass_REASON_CLASS_CONTAMINATION},
	{"heads-blocked", "Print heads blocked", pb.ReasonClass_REASON_CLASS_CONTAMINATION},
	{"cure-weak", "Weak cure, lamp dirty", pb.ReasonClass_REASON_CLASS_CONTAMINATION},
	{"mechanical", "Mechanical fault", pb.ReasonClass_REASON_CLASS_BREAKDOWN},
	{"electrical", "Electrical fault", pb.ReasonClass_REASON_CLASS_BREAKDOWN},
	{"web-break", "Web break", pb.ReasonClass_REASON_CLASS_BREAKDOWN},
	{"no-material", "Waiting for material", pb.ReasonClass_REASON_CLASS_MATERIAL},
	{"no-crew", "Waiting for people", pb.ReasonClass_REASON_CLASS_PEOPLE},
	{"approval", "Waiting for approval", pb.ReasonClass_REASON_CLASS_APPROVAL},
	{"reel-change", "Reel change", pb.ReasonClass_REASON_CLASS_REEL},
	{"service", "Planned service", pb.ReasonClass_REASON_CLASS_PLANNED_MAINTENANCE},
	{"plate-change", "Plate change", pb.ReasonClass_REASON_CLASS_SETUP},
}

var skipReasons = []struct {
	slug, text string
	class      pb.SkipClass
}{
	{"no-time", "No time", pb.SkipClass_SKIP_CLASS_SKIPPED},
	{"no-material", "No cloths or fluid", pb.SkipClass_SKIP_CLASS_SKIPPED},
	{"no-access", "No access", pb.SkipClass_SKIP_CLASS_SKIPPED},
	{"not-in-use", "Not in use on this job", pb.SkipClass_SKIP_CLASS_NOT_REQUIRED},
}
