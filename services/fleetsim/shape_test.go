package fleetsim_test

import (
	"errors"
	"flag"
	"io"
	"os"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/fleetsim"
	"github.com/downweb/downweb/services/registry"
)

var update = flag.Bool("update", false, "write the scenario's YAML anew")

const scenario = "../../testdata/scenarios/demo/"

// The documents as shipped are those the simulator uses.
func TestScenarioYAML(t *testing.T) {
	for _, p := range fleetsim.Plants() {
		if problems := registry.Validate(p); len(problems) > 0 {
			t.Fatalf("%s: %v", p.Plant, problems)
		}
		text, err := registry.FormatYAML(p)
		if err != nil {
			t.Fatal(err)
		}
		text = append([]byte("# An invented plant. Cleaning plans are examples, not advice: the maker's manual, the\n"+
			"# site's lock-out procedure, local code and trained people come first.\n"), text...)
		name := scenario + p.Plant + ".yaml"
		if *update {
			if err := os.MkdirAll(scenario, 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(name, text, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		shipped, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if string(shipped) != string(text) {
			t.Errorf("%s is not what the simulator uses: go test ./services/fleetsim -run ScenarioYAML -update", name)
		}
		back, problems := registry.ValidateYAML(shipped)
		if len(problems) > 0 || !proto.Equal(back, p) {
			t.Errorf("%s reads back differently: %v", name, problems)
		}
	}
}

// Slices follow each other without a gap, at most a minute and inside a UTC
// minute, and cover exactly the shifts of the calendar that everyone else
// resolves; breaks are OFF. 26 weeks with the clock changes of both zones.
func TestSlicesTileShifts(t *testing.T) {
	s := newSim(t, 3, 26)
	presses := resolvePresses(t)
	states := map[pb.State]int64{}
	for i := range s.Len() {
		p := presses[s.Press(i)]
		for d := s.First(); d <= s.Last(); d++ {
			sl, _ := s.Raw(i, d)
			plan := p.Calendar.Plan(timeline.Day(d))
			if len(plan.Shifts) == 0 {
				if len(sl) > 0 {
					t.Fatalf("%s: slices on %v, a day without shifts", s.Press(i), d)
				}
				continue
			}
			from, to := plan.Shifts[0].From, plan.Shifts[len(plan.Shifts)-1].To
			var want []timeline.Interval
			for _, x := range plan.Shifts {
				want = append(want, x.Breaks...)
			}
			at := from
			for _, x := range sl {
				if x.From != at || x.To <= x.From || x.To-x.From > 60000 || x.From/60000 != (x.To-1)/60000 {
					t.Fatalf("%s %v: slice %+v follows %d", s.Press(i), d, x, at)
				}
				at = x.To
				inBreak := false
				for _, b := range want {
					inBreak = inBreak || x.From >= b.From && x.To <= b.To
				}
				if inBreak != (x.State == pb.State_STATE_OFF) {
					t.Fatalf("%s %v: %+v, in a break: %v", s.Press(i), d, x, inBreak)
				}
				if x.Good < 0 || x.Waste < 0 || x.State == pb.State_STATE_PRODUCTION && (x.Rated <= 0 || x.Job == "") ||
					x.State != pb.State_STATE_PRODUCTION && x.Good != 0 {
					t.Fatalf("%s %v: %+v", s.Press(i), d, x)
				}
				states[x.State] += x.To - x.From
			}
			if at != to {
				t.Fatalf("%s %v: slices end at %d, the shift at %d", s.Press(i), d, at, to)
			}
			if f, l, ok := s.Span(i, d); !ok || f != from || l != to {
				t.Fatalf("%s %v: span %d to %d", s.Press(i), d, f, l)
			}
		}
	}
	var all int64
	for _, ms := range states {
		all += ms
	}
	for st := pb.State_STATE_PRODUCTION; st <= pb.State_STATE_OFF; st++ {
		t.Logf("%-18v %5.1f %%", st, 100*float64(states[st])/float64(all))
		if states[st] == 0 {
			t.Errorf("no %v", st)
		}
	}
	if share := float64(states[pb.State_STATE_PRODUCTION]) / float64(all); share < 0.4 || share > 0.75 {
		t.Errorf("%.2f of the time in production", share)
	}
}

// A run can go on after its last day, as live events do, and the truth of the
// run does not change by it.
func TestGoesOn(t *testing.T) {
	s := newSim(t, 5, 2)
	for d := s.First(); d <= s.Last(); d++ {
		if _, err := s.Day(0, d, io.Discard); err != nil {
			t.Fatal(err)
		}
	}
	before, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	n := int64(0)
	for d := s.Last() + 1; d <= s.Last()+14; d++ {
		c, err := s.Day(0, d, io.Discard)
		if err != nil {
			t.Fatal(err)
		}
		n += c["slice"]
	}
	if after, err := s.Truth(); err != nil || string(after) != string(before) || n < 5000 {
		t.Errorf("two weeks more: %d slices, truth changed: %v", n, string(after) != string(before))
	}
	if _, err := s.Day(0, s.First(), io.Discard); !errors.Is(err, fleetsim.ErrOrder) {
		t.Errorf("a day again: %v", err)
	}
	if _, err := s.Day(1, s.First()+1, io.Discard); !errors.Is(err, fleetsim.ErrOrder) {
		t.Errorf("a day left out: %v", err)
	}
}

func TestConfig(t *testing.T) {
	for _, c := range []fleetsim.Config{{Until: "yesterday"}, {Until: "1066-10-14"}, {Weeks: -1}, {Weeks: 5000}} {
		if _, err := fleetsim.New(c); err == nil {
			t.Errorf("%+v is accepted", c)
		}
	}
	s, err := fleetsim.New(fleetsim.Config{Until: "2026-06-28"})
	if err != nil || s.Len() != 12 || s.Last().String() != "2026-06-28" || s.First().String() != "2025-12-29" {
		t.Errorf("%v to %v: %v", s.First(), s.Last(), err)
	}
}

// Cleaning looks like cleaning: shares and times of a run.
func TestCleaningIsPlausible(t *testing.T) {
	s := newSim(t, 11, 26)
	rows := int64(0)
	seen := map[string]int{}
	for i := range s.Len() {
		open := map[string]bool{}
		for d := s.First(); d <= s.Last(); d++ {
			sl, ev := s.Raw(i, d)
			for _, e := range ev {
				switch b := e.Body.(type) {
				case *pb.Event_ReasonNoted:
					if e.RecordedAt.AsTime().Sub(b.ReasonNoted.To.AsTime()) > 6*time.Hour {
						seen["notes made much later"]++
					}
					if b.ReasonNoted.Kind == pb.NoteKind_NOTE_KIND_SLOW {
						seen["slow notes"]++
					}
				case *pb.Event_CleaningOpened:
					open[b.CleaningOpened.Session] = true
					seen["sessions "+b.CleaningOpened.Occasion.String()]++
				case *pb.Event_CleaningClosed:
					delete(open, b.CleaningClosed.Session)
				case *pb.Event_WasteBooked:
					seen["booked "+b.WasteBooked.Cause.String()]++
					if b.WasteBooked.Found == pb.WhereFound_WHERE_FOUND_DOWNSTREAM {
						seen["found downstream"]++
					}
				case *pb.Event_Voided:
					seen["void: "+b.Voided.Why]++
				}
			}
			for _, x := range sl {
				if x.State == pb.State_STATE_PRODUCTION {
					rows++
					break
				}
			}
		}
		seen["sessions never closed"] += len(open)
	}
	t.Log(seen)
	for _, want := range []string{"notes made much later", "slow notes", "sessions never closed", "found downstream",
		"sessions OCCASION_STARTUP", "sessions OCCASION_SHUTDOWN", "sessions OCCASION_CHANGEOVER", "sessions OCCASION_ON_DEMAND",
		"booked WASTE_CAUSE_SETUP", "booked WASTE_CAUSE_SPLICE", "booked WASTE_CAUSE_RESTART", "booked WASTE_CAUSE_CONTAMINATION",
		"booked WASTE_CAUSE_CURE", "booked WASTE_CAUSE_REGISTER", "booked WASTE_CAUSE_MATERIAL", "booked WASTE_CAUSE_OTHER",
		"void: signed off by mistake", "void: booked twice"} {
		if seen[want] == 0 {
			t.Errorf("no %s in 26 weeks", want)
		}
	}
	for _, x := range s.TruthOf().Stations {
		if x.Effect {
			share := float64(x.NotCleaned) / float64(rows)
			t.Logf("%s: %d of %d runs started not cleaned (%.1f %%), %.1f m more each", x.Station, x.NotCleaned, rows, 100*share, x.ExtraMeters)
			if share < 0.10 || share > 0.16 || x.ExtraMeters < 10 {
				t.Errorf("%s: share %.3f, %.1f m", x.Station, share, x.ExtraMeters)
			}
		} else if x.ExtraMeters != 0 {
			t.Errorf("%s has no effect, yet %.1f m", x.Station, x.ExtraMeters)
		}
	}
}
