package registry

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func TestChangesAndDirty(t *testing.T) {
	old := readPlant(t)
	berlin := func(s string) int64 {
		zone, err := time.LoadLocation("Europe/Berlin")
		if err != nil {
			t.Fatal(err)
		}
		at, err := time.ParseInLocation(time.DateOnly, s, zone)
		if err != nil {
			t.Fatal(err)
		}
		return at.UnixMilli()
	}
	both := func(at int64) map[string]int64 { return map[string]int64{"p1": at, "p2": at} }
	for _, c := range []struct {
		name    string
		do      func(p *pb.Plant)
		changes []string
		dirty   map[string]int64
	}{
		{"nothing", func(*pb.Plant) {}, nil, nil},
		{"texts", func(p *pb.Plant) {
			p.Name = "Werk"
			p.Presses[0].Stations[0].Name = ""
			p.Plans[0].Tasks[0].Text = "Wipe"
			p.Reasons[0].Text["fr"] = "saleté"
			p.Closures[0].Why = "holiday"
		}, []string{
			`name: "Werk A: Etiketten" -> "Werk"`,
			`closures[2026-04-03].why: "works holiday" -> "holiday"`,
			`reasons[dirt].text.fr: none -> "saleté"`,
			`presses[p1].stations[treater].name: "Corona treater" -> none`,
			`plans[uv-flexo-430].tasks[treater-wipe].text: "Wipe the electrodes" -> "Wipe"`,
		}, nil},
		{"dated rate of one press", func(p *pb.Plant) { p.Presses[0].Rates[0].PressHour = "190" },
			[]string{`presses[p1].rates[2026-01-01].press_hour: "180.00" -> "190"`}, map[string]int64{"p1": berlin("2025-12-31")}},
		{"undated rate", func(p *pb.Plant) { p.Presses[0].Rates[1].PressHour = "170" },
			[]string{`presses[p1].rates[since ever].press_hour: "175.5" -> "170"`}, map[string]int64{"p1": SinceEver}},
		{"another spelling of a rate", func(p *pb.Plant) { p.Presses[0].Rates[0].PressHour = "180" },
			[]string{`presses[p1].rates[2026-01-01].press_hour: "180.00" -> "180"`}, nil},
		{"a later plan of the kind", func(p *pb.Plant) {
			c := proto.Clone(p.Plans[0]).(*pb.CleaningPlan)
			c.ValidFrom = "2026-04-01"
			c.Tasks = c.Tasks[:3]
			c.Tasks[2].AlsoDischarges = nil
			p.Plans = append(p.Plans, c)
		}, []string{"plans[uv-flexo-430 2026-04-01]: added"}, both(berlin("2026-03-31"))},
		{"a later plan of the kind that p2's own hides", func(p *pb.Plant) {
			c := proto.Clone(p.Plans[0]).(*pb.CleaningPlan)
			c.ValidFrom = "2026-06-01"
			p.Plans = append(p.Plans, c)
		}, []string{"plans[uv-flexo-430 2026-06-01]: added"}, map[string]int64{"p1": berlin("2026-05-31")}},
		{"own plan withdrawn", func(p *pb.Plant) { p.Plans = p.Plans[:1] },
			[]string{"plans[p2 2026-05-01]: removed"}, map[string]int64{"p2": berlin("2026-04-30")}},
		{"closure of one press", func(p *pb.Plant) { p.Closures[1].LastDay = "2027-01-04" },
			[]string{`closures[2026-12-24 [p1]].last_day: "2027-01-01" -> "2027-01-04"`}, map[string]int64{"p1": berlin("2027-01-01")}}, // the day before the first date added
		{"break moved, day after clocks change", func(p *pb.Plant) {
			p.ExtraShifts = append(p.ExtraShifts, &pb.ExtraShift{Day: "2026-03-30", Name: "x", Start: "04:00", End: "05:00"})
		}, []string{"extra_shifts[2026-03-30 x]: added"}, both(berlin("2026-03-29"))},
		{"maintenance", func(p *pb.Plant) { p.MaintenanceWindows = nil },
			[]string{"maintenance_windows[2026-06-20T05:00:00Z]: removed"}, both(berlin("2026-06-19"))},
		{"web rate", func(p *pb.Plant) { p.WebRates[1].SquareMeter = "0.62" },
			[]string{`web_rates[pp-white 2026-02-01].square_meter: "0.61" -> "0.62"`}, both(berlin("2026-01-31"))},
		{"undated setting", func(p *pb.Plant) { p.OpenCloseMinutes = 0 }, []string{"open_close_minutes: 2 -> none"}, both(SinceEver)},
		{"default written out", func(p *pb.Plant) { p.GraceMinutes = 30 }, []string{"grace_minutes: none -> 30"}, nil},
		{"order of stations", func(p *pb.Plant) { slices.Reverse(p.Presses[0].Stations) },
			[]string{"presses[p1].stations: order changed"}, map[string]int64{"p1": SinceEver}},
		{"own calendar", func(p *pb.Plant) { p.Calendars[1].Shifts[0].End = "05:00" },
			[]string{`calendars[2026-03-01 [p2]].shifts[night].end: "06:00" -> "05:00"`}, map[string]int64{"p2": berlin("2026-02-28")}},
		{"new press", func(p *pb.Plant) {
			x := proto.Clone(p.Presses[0]).(*pb.Press)
			x.Press = "p3"
			p.Presses = append(p.Presses, x)
		}, []string{"presses[p3]: added"}, map[string]int64{"p3": SinceEver}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := proto.Clone(old).(*pb.Plant)
			c.do(p)
			if problems := Validate(p); len(problems) > 0 {
				t.Fatalf("the changed document: %v", problems)
			}
			if got := Changes(old, p); !slices.Equal(got, c.changes) {
				t.Errorf("changes\n got %q\nwant %q", got, c.changes)
			}
			got := DirtyFor(old, p)
			if len(got) != len(c.dirty) {
				t.Fatalf("dirty: got %v, want %v", got, c.dirty)
			}
			for press, at := range c.dirty {
				if got[press] != at {
					t.Errorf("dirty %s: got %v, want %v", press, time.UnixMilli(got[press]).UTC(), time.UnixMilli(at).UTC())
				}
			}
		})
	}
	if got := DirtyFor(nil, old); len(got) != 2 || got["p1"] != SinceEver {
		t.Errorf("a new plant: %v", got)
	}
	if got := Changes(nil, old); len(got) < 10 {
		t.Errorf("a new plant: %q", got)
	}
}
