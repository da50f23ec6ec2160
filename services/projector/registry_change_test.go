package projector

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/analytics/timeline/timelinetest"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/registry"
)

// A change to calendar, plan or rate writes the rows of the days it affects and
// no other: rows outside them are equal to what is stored, so they keep their
// version. What is folded from the first dirty day on equals a fold from the
// beginning.
func TestRegistryChangeWritesAffectedDays(t *testing.T) {
	data, err := os.ReadFile(filepath.Join(scenario, "plant.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	plant, problems := registry.ValidateYAML(data)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	// One early shift, Monday to Friday, and one rate, whatever the file holds.
	plant.Calendars = []*pb.Calendar{{Shifts: []*pb.Shift{{Name: "early", Days: []pb.Weekday{1, 2, 3, 4, 5}, Start: "06:00", End: "14:00"}}}}
	plant.Closures, plant.ExtraShifts, plant.MaintenanceWindows, plant.DayOf = nil, nil, nil, 0
	p1 := func(p *pb.Plant) *pb.Press {
		for _, x := range p.Presses {
			if x.Press == "p1" {
				return x
			}
		}
		t.Fatal("no press p1")
		return nil
	}
	p1(plant).Rates = []*pb.PressRate{{PressHour: "180"}}
	resolve := func(p *pb.Plant) *timeline.Press {
		list, err := registry.Resolve(p)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range list {
			if x.Name == "p1" {
				return x
			}
		}
		return nil
	}
	l := timelinetest.NewLog(t, "Europe/Berlin")
	for d := 1; d <= 30; d++ { // June 2026 begins on a Monday
		day := fmt.Sprintf("2026-06-%02d ", d)
		l.Run(day+"06:00", day+"08:00", timeline.StateProduction, "J", 100_000, 9_000_000, 600_000)
		l.Run(day+"08:00", day+"08:40", timeline.StateMaintenance, "", 0, 0, 0)
	}
	all := func(from, to int) map[string]bool {
		out := map[string]bool{}
		for d := from; d <= to; d++ {
			out[fmt.Sprintf("2026-06-%02d", d)] = true
		}
		return out
	}
	for _, tt := range []struct {
		name  string
		do    func(p *pb.Plant)
		days  map[string]bool // days whose row of press_days changes
		facts map[string]bool // days on which a fact changes
	}{
		{"a rate from the 10th on", func(p *pb.Plant) {
			p1(p).Rates = append(p1(p).Rates, &pb.PressRate{ValidFrom: "2026-06-10", PressHour: "200"})
		}, all(10, 30), nil},
		{"a rate for the 10th to the 16th", func(p *pb.Plant) {
			p1(p).Rates = append(p1(p).Rates, &pb.PressRate{ValidFrom: "2026-06-10", PressHour: "200"}, &pb.PressRate{ValidFrom: "2026-06-17", PressHour: "180"})
		}, all(10, 16), nil},
		{"a price of web from the 10th on", func(p *pb.Plant) {
			p1(p).Rates = append(p1(p).Rates, &pb.PressRate{ValidFrom: "2026-06-10", PressHour: "180", WebMeter: "0.77"})
		}, all(10, 30), all(10, 30)},
		{"a window of maintenance on the 9th", func(p *pb.Plant) {
			p.MaintenanceWindows = []*pb.MaintenanceWindow{{From: timestamppb.New(at("06-09 06:00").AsTime()), To: timestamppb.New(at("06-09 06:40").AsTime())}}
		}, all(9, 9), all(9, 9)},
		{"another standard from Monday the 15th, which nobody is granted", func(p *pb.Plant) {
			for _, x := range p.Plans {
				if x.ValidFrom == "" && (x.Press == "p1" || x.Kind == p1(p).Kind) {
					next := proto.Clone(x).(*pb.CleaningPlan)
					next.ValidFrom, next.Tasks[0].StandardMinutes = "2026-06-15", 99
					p.Plans = append(p.Plans, next)
					return
				}
			}
			t.Fatal("p1 has no plan")
		}, nil, nil},
		{"a text", func(p *pb.Plant) { p.Name = "another" }, nil, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m := &memory{sl: l.Slices}
			if err := m.fold(resolve(plant), sinceEver); err != nil {
				t.Fatal(err)
			}
			changed := proto.Clone(plant).(*pb.Plant)
			tt.do(changed)
			from, dirty := registry.DirtyFor(plant, changed)["p1"]
			if !dirty {
				if tt.days != nil {
					t.Fatal("nothing is dirty")
				}
				return
			}
			before := m.rows
			f, err := Load(context.Background(), m, m, resolve(changed), from)
			if err != nil {
				t.Fatal(err)
			}
			now, err := f.Run()
			if err != nil {
				t.Fatal(err)
			}
			var old timeline.Projections
			for _, r := range before.Days {
				if r.Day >= f.WriteAt {
					old.Days = append(old.Days, r)
				}
			}
			for _, r := range before.Facts {
				if r.Day >= f.WriteAt {
					old.Facts = append(old.Facts, r)
				}
			}
			now.Visits, now.Duties = nil, nil
			put, gone := diff(old, now)
			days, facts := map[string]bool{}, map[string]bool{}
			for _, r := range append(put.Days, gone.Days...) {
				days[r.Day.String()] = true
			}
			for _, r := range append(put.Facts, gone.Facts...) {
				facts[r.Day.String()] = true
			}
			if len(days)+len(tt.days) > 0 && !reflect.DeepEqual(days, tt.days) {
				t.Errorf("press-days written: %v\nwant %v", days, tt.days)
			}
			if len(facts)+len(tt.facts) > 0 && !reflect.DeepEqual(facts, tt.facts) {
				t.Errorf("facts written on %v\nwant %v", facts, tt.facts)
			}
			if err := m.fold(resolve(changed), from); err != nil {
				t.Fatal(err)
			}
			m.same(t, resolve(changed), "after the change")
		})
	}
	// Calendar: an extra shift, a closure. The carry may go on, the figures of
	// other days do not move.
	for name, do := range map[string]func(p *pb.Plant){
		"extra shift on Saturday the 13th": func(p *pb.Plant) {
			p.ExtraShifts = []*pb.ExtraShift{{Day: "2026-06-13", Name: "extra", Start: "06:00", End: "10:00"}}
		},
		"closed on Friday the 12th": func(p *pb.Plant) { p.Closures = []*pb.Closure{{FirstDay: "2026-06-12"}} },
		"a longer shift from Monday the 15th": func(p *pb.Plant) {
			p.Calendars = append(p.Calendars, &pb.Calendar{ValidFrom: "2026-06-15", Shifts: []*pb.Shift{{Name: "early", Days: []pb.Weekday{1, 2, 3, 4, 5}, Start: "06:00", End: "15:00"}}})
		},
	} {
		t.Run(name, func(t *testing.T) {
			m := &memory{sl: l.Slices}
			if err := m.fold(resolve(plant), sinceEver); err != nil {
				t.Fatal(err)
			}
			changed := proto.Clone(plant).(*pb.Plant)
			do(changed)
			before := map[timeline.Day]timeline.PressDay{}
			for _, r := range m.rows.Days {
				before[r.Day] = r
			}
			if err := m.fold(resolve(changed), registry.DirtyFor(plant, changed)["p1"]); err != nil {
				t.Fatal(err)
			}
			m.same(t, resolve(changed), name)
			var moved []string
			for _, r := range m.rows.Days {
				if b := before[r.Day]; b.PBT != r.PBT || b.In != r.In || b.Out != r.Out {
					moved = append(moved, r.Day.String())
				}
			}
			want := map[string][]string{"extra shift on Saturday the 13th": {"2026-06-13"}, "closed on Friday the 12th": {"2026-06-12"},
				"a longer shift from Monday the 15th": {"2026-06-15", "2026-06-16", "2026-06-17", "2026-06-18", "2026-06-19", "2026-06-22", "2026-06-23", "2026-06-24", "2026-06-25", "2026-06-26", "2026-06-29"}}[name]
			if !reflect.DeepEqual(moved, want) {
				t.Errorf("moved %v, want %v", moved, want)
			}
		})
	}
}
