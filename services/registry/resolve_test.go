package registry

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func resolve(t testing.TB, p *pb.Plant) map[string]*timeline.Press {
	t.Helper()
	m, err := resolved(p)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func day(t testing.TB, s string) timeline.Day {
	t.Helper()
	d, err := timeline.ParseDay(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestResolve(t *testing.T) {
	m := resolve(t, readPlant(t))
	p1, p2 := m["p1"], m["p2"]
	if p1.ID() != "werk-a/p1" || p1.Kind != "uv-flexo-430" || p1.Zone.String() != "Europe/Berlin" || !p1.PolicyInside || p1.Currency != "EUR" {
		t.Errorf("head: %+v", p1)
	}
	if p1.Grace != 30*60000 || p1.ValidFor != 16*3600000 || p1.OpenClose != 2*60000 {
		t.Errorf("defaults: grace %d, valid for %d, open-close %d", p1.Grace, p1.ValidFor, p1.OpenClose)
	}
	if p1.HandsFor(timeline.OccasionShutdown) != 2 || p1.HandsFor(timeline.OccasionStartup) != 1 {
		t.Errorf("hands: %v", p1.Hands)
	}
	if p1.Reasons["dirt"] != timeline.ClassContamination || p1.Reasons["service"] != timeline.ClassPlannedMaint {
		t.Errorf("reasons: %v", p1.Reasons)
	}
	if !p1.SkipNotReq["not-in-use"] || p1.SkipNotReq["no-access"] {
		t.Errorf("skip reasons: %v", p1.SkipNotReq)
	}
	// Rates: 175.5 since ever, 180.00 from new year.
	if r := p1.RateOn(day(t, "2025-12-31")); r.PressHour != 175_500_000 || r.Constrained {
		t.Errorf("old rate: %+v", r)
	}
	if r := p1.RateOn(day(t, "2026-01-01")); r.PressHour != 180_000_000 || r.ContributionHour != 420_000_000 || !r.Constrained {
		t.Errorf("new rate: %+v", r)
	}
	if got := p2.WebNanoPerMM(day(t, "2026-02-01"), "pp-white"); got != 262300 { // 0.61 * 0.43 m = 0.2623 a meter
		t.Errorf("web rate: %d", got)
	}
	if got := p1.LabourOn(day(t, "2026-01-01")); got != 42_000_000 {
		t.Errorf("labour: %d", got)
	}
	// The press's own plan takes over on its day.
	if n := len(p2.TasksOn(day(t, "2026-04-30"))); n != 4 {
		t.Errorf("kind's plan before: %d tasks", n)
	}
	if ts := p2.TasksOn(day(t, "2026-05-01")); len(ts) != 1 || !ts[0].Triggers[0].SameFamily {
		t.Errorf("own plan: %+v", ts)
	}
	task := p1.TasksOn(day(t, "2026-05-01"))[3]
	if task.Standard != 330_000 || task.MakerLimit != 250 || task.Triggers[0].Every != 100 || task.Triggers[0].Cadence != timeline.CadenceRunHours {
		t.Errorf("task: %+v", task)
	}
	if w := p1.TasksOn(0)[2].Triggers[0]; w.AnchorDay != 5 {
		t.Errorf("weekly anchor: %+v", w)
	}
}

// Cycle weeks: the late shift runs in week 1 of 2, counted from 2026-01-05.
func TestResolveCycleAndClosures(t *testing.T) {
	c := resolve(t, readPlant(t))["p1"].Calendar
	for d, shifts := range map[string]int{
		"2026-01-05": 2, "2026-01-09": 2, "2026-01-12": 1, "2026-01-19": 2, "2025-12-29": 1, "2026-06-15": 1, "2026-06-08": 2,
		"2026-04-03": 0,                  // closed for all
		"2026-12-24": 0, "2027-01-01": 0, // closed for p1
		"2026-05-09": 1, // extra Saturday
		"2026-05-10": 0,
	} {
		p := c.Plan(day(t, d))
		if len(p.Shifts) != shifts {
			t.Errorf("%s: %d shifts, want %d", d, len(p.Shifts), shifts)
		}
	}
	p := c.Plan(day(t, "2026-06-15"))
	if got := p.Planned(); got != 450*60000 {
		t.Errorf("planned %d ms, want 450 min (480 less a break of 30)", got)
	}
}

// The clocks of both zones, and nights on which they change. Check values:
// The worked spring night (by hand) for Berlin; for New York the rule
// of the US Energy Policy Act of 2005 (from memory): 02:00 on the second
// Sunday of March and the first of November.
func TestResolveClockChanges(t *testing.T) {
	night := &pb.Calendar{Shifts: []*pb.Shift{{Name: "night", Start: "22:00", End: "06:00",
		Days:   []pb.Weekday{pb.Weekday_WEEKDAY_SAT},
		Breaks: []*pb.Break{{Start: "02:30", Minutes: 30}}}}}
	plant := func(slug, zone string) *pb.Plant {
		return &pb.Plant{Plant: slug, Zone: zone, Currency: "EUR", Calendars: []*pb.Calendar{night},
			Presses: []*pb.Press{{Press: "p1", Kind: "k", RatedMmPerMin: 1}}}
	}
	for _, c := range []struct {
		zone, day  string
		from       string
		minutes    int64
		breakStart string
	}{
		{"Europe/Berlin", "2026-03-28", "2026-03-28T21:00:00Z", 390, "2026-03-29T01:30:00Z"},
		{"Europe/Berlin", "2026-10-24", "2026-10-24T20:00:00Z", 510, "2026-10-25T00:30:00Z"}, // 02:30 twice: the first
		{"Europe/Berlin", "2026-06-13", "2026-06-13T20:00:00Z", 450, "2026-06-14T00:30:00Z"},
		{"America/New_York", "2026-03-07", "2026-03-08T03:00:00Z", 390, "2026-03-08T07:30:00Z"},
		{"America/New_York", "2026-10-31", "2026-11-01T02:00:00Z", 510, "2026-11-01T07:30:00Z"},
		{"America/New_York", "2026-03-28", "2026-03-29T02:00:00Z", 450, "2026-03-29T06:30:00Z"},
	} {
		p := resolve(t, plant("x", c.zone))["p1"].Calendar.Plan(day(t, c.day))
		if len(p.Shifts) != 1 || len(p.Shifts[0].Breaks) != 1 {
			t.Fatalf("%s %s: %+v", c.zone, c.day, p)
		}
		s := p.Shifts[0]
		if at := time.UnixMilli(s.From).UTC().Format(time.RFC3339); at != c.from {
			t.Errorf("%s %s: starts %s, want %s", c.zone, c.day, at, c.from)
		}
		if got := p.Planned() / 60000; got != c.minutes {
			t.Errorf("%s %s: %d min planned, want %d", c.zone, c.day, got, c.minutes)
		}
		if at := time.UnixMilli(s.Breaks[0].From).UTC().Format(time.RFC3339); at != c.breakStart {
			t.Errorf("%s %s: break %s, want %s", c.zone, c.day, at, c.breakStart)
		}
	}
}

func TestResolveOwnCalendar(t *testing.T) {
	c := resolve(t, readPlant(t))["p2"].Calendar
	if p := c.Plan(day(t, "2026-02-26")); len(p.Shifts) == 0 || p.Shifts[0].Name != "early" {
		t.Errorf("before its own calendar: %+v", p.Shifts)
	}
	if p := c.Plan(day(t, "2026-03-02")); len(p.Shifts) != 1 || p.Shifts[0].Name != "night" {
		t.Errorf("own calendar: %+v", p.Shifts)
	}
	if p := c.Plan(day(t, "2026-12-24")); len(p.Shifts) != 1 {
		t.Errorf("p1's closure closes p2: %+v", p.Shifts)
	}
}

func TestResolveRefuses(t *testing.T) {
	p := proto.Clone(readPlant(t)).(*pb.Plant)
	p.Zone = "Nowhere"
	if _, err := Resolve(p); err == nil {
		t.Error("an invalid document resolves")
	}
}
