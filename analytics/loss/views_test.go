package loss

import (
	"testing"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/timeline"
)

var schemes = map[string]Scheme{"semi-e10": SemiE10, "six-losses": SixLosses, "iso22400": ISO22400}

// drawFacts are facts in which anything can stand beside anything.
func drawFacts(t *rapid.T) []timeline.FactSum {
	var out []timeline.FactSum
	for range rapid.IntRange(0, 60).Draw(t, "facts") {
		f := timeline.FactSum{Planned: rapid.IntRange(0, 5).Draw(t, "planned") > 0, Minor: rapid.Bool().Draw(t, "minor"), JobOpen: rapid.Bool().Draw(t, "job"),
			Stops: rapid.Int64Range(0, 3).Draw(t, "stops"), Sub: uint8(rapid.IntRange(0, 2).Draw(t, "sub"))}
		switch rapid.IntRange(0, 3).Draw(t, "what") {
		case 0:
			f.Leaf, f.State, f.Rated = uint8(LeafProduction), timeline.StateProduction, rapid.Int64Range(50_000, 200_000).Draw(t, "rated")
			f.Dur, f.Good = rapid.Int64Range(0, 5*timeline.Hour).Draw(t, "dur"), rapid.Int64Range(0, 40_000_000).Draw(t, "good")
			f.Sub = uint8(rapid.SampledFrom([]Sub{SubNone, SubSlowDirt}).Draw(t, "slow"))
		case 1:
			f.Leaf, f.State, f.Rated = uint8(rapid.IntRange(int(SetupWaste), int(UnbookedWaste)).Draw(t, "waste leaf")), timeline.StateProduction, rapid.Int64Range(50_000, 200_000).Draw(t, "rated")
			f.Waste, f.Sub = rapid.Int64Range(0, 2_000_000).Draw(t, "waste"), 0
		default:
			f.Leaf = uint8(rapid.IntRange(int(PlannedCleaning), int(Unaccounted)).Draw(t, "leaf"))
			f.State = rapid.SampledFrom([]timeline.State{timeline.StateNone, timeline.StateSetup, timeline.StateCleaning, timeline.StateDown, timeline.StateWaiting}).Draw(t, "state")
			f.Dur = rapid.Int64Range(0, 5*timeline.Hour).Draw(t, "dur")
		}
		out = append(out, f)
	}
	return out
}

// Whatever the facts are, the top lines of every view add up to planned busy
// time to the microsecond, a line's parts never hold more than it does, and every
// leaf with time stands in some top line.
func TestViewsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		facts := drawFacts(t)
		s, _ := FactTree(facts)
		for name, scheme := range schemes {
			lines := View(scheme, &s, facts)
			var sum int64
			held := map[string]bool{}
			for i, l := range lines {
				if l.Level == 0 {
					sum += l.US
					for _, leaf := range l.Leaves {
						held[leaf] = true
					}
				}
				var parts int64
				for _, p := range lines[i+1:] {
					if p.Level <= l.Level {
						break
					}
					if p.Level == l.Level+1 {
						parts += p.US
					}
				}
				whole := l.Slug != "adot" // its parts are named apart, not divided
				if parts != 0 && whole && parts != l.US {
					t.Fatalf("%s: %s is %d µs, its parts %d", name, l.Slug, l.US, parts)
				}
			}
			if sum != s.PBT*1000 {
				t.Fatalf("%s: the lines add up to %d µs of %d planned", name, sum, s.PBT*1000)
			}
			for _, l := range Losses() {
				if l != OutsideWaste && !held[l.Slug()] {
					t.Fatalf("%s: no line holds %s", name, l.Slug())
				}
			}
		}
	})
}

// Facts of another reading than the sums (events arrive in between) still give
// lines that add up.
func TestViewsOfTwoReadings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, _ := FactTree(drawFacts(t))
		facts := drawFacts(t)
		for name, scheme := range schemes {
			var sum int64
			for _, l := range View(scheme, &s, facts) {
				if l.Level == 0 {
					sum += l.US
				}
				if l.US < 0 && l.Slug != "reduced_speed" && l.Slug != "valuable" {
					t.Fatalf("%s: %s is %d", name, l.Slug, l.US)
				}
			}
			if sum != s.PBT*1000 {
				t.Fatalf("%s: %d of %d", name, sum, s.PBT*1000)
			}
		}
	})
}

func lineOf(t *testing.T, lines []Line, slug string) int64 {
	t.Helper()
	for _, l := range lines {
		if l.Slug == slug {
			return l.US
		}
	}
	t.Fatalf("no line %s", slug)
	return 0
}

const minUS = 60_000_000

// A shift worked by hand: 480 min planned. Production 300 (valuable 270, all
// rated 280, so 20 slow, 10 waste), set-up 40, planned cleaning 20, overrun 5,
// planned maintenance 10, contamination stop 30 with a job and 4 (minor) with
// one, breakdown 25 without a job, trial 15, reel change 6 with a job and 3
// (minor), waiting 12 with a job and 2 (minor), no record 8.
func TestViewsByHand(t *testing.T) {
	m := func(l Leaf, min int64, job, minor bool) timeline.FactSum {
		return timeline.FactSum{Planned: true, Leaf: uint8(l), State: timeline.StateDown, Dur: min * timeline.Minute, JobOpen: job, Minor: minor}
	}
	gap := m(Unaccounted, 8, false, false)
	gap.State = timeline.StateNone
	facts := []timeline.FactSum{
		{Planned: true, Leaf: uint8(LeafProduction), State: timeline.StateProduction, Rated: 100_000, Dur: 300 * timeline.Minute, Good: 27_000_000, JobOpen: true},
		{Planned: true, Leaf: uint8(UnbookedWaste), State: timeline.StateProduction, Rated: 100_000, Waste: 600_000, JobOpen: true},
		{Planned: true, Leaf: uint8(SetupWaste), State: timeline.StateProduction, Rated: 100_000, Waste: 400_000, JobOpen: true},
		m(Setup, 40, true, false), m(PlannedCleaning, 20, true, false), m(CleaningOverrun, 5, false, false), m(PlannedMaintenance, 10, false, false),
		m(ContaminationStop, 30, true, false), m(ContaminationStop, 4, true, true), m(OtherBreakdown, 25, false, false), m(Trials, 15, false, false),
		m(ReelChange, 6, true, false), m(ReelChange, 3, true, true), m(Waiting, 12, true, false), m(Waiting, 2, true, true), gap,
	}
	s, _ := FactTree(facts)
	if s.PBT != 480*timeline.Minute {
		t.Fatalf("planned %d", s.PBT)
	}
	for _, c := range []struct {
		scheme Scheme
		want   map[string]int64 // minutes
	}{
		{SemiE10, map[string]int64{"prd": 300, "sby": 14, "manufacturing": 314, "eng": 15, "uptime": 329,
			"sdt": 20 + 5 + 10 + 40 + 9, "udt": 34 + 25, "downtime": 143, "no_record": 8}},
		{SixLosses, map[string]int64{"breakdown": 30 + 25, "setup_adjustment": 40 + 6, "minor_stops": 4 + 3 + 2, "reduced_speed": 20,
			"defects": 6, "reduced_yield": 4, "none_of_six": 35 + 15 + 12 + 8, "planned_stops": 35, "trials": 15, "waiting": 12, "no_record": 8, "valuable": 270}},
		{ISO22400, map[string]int64{"apt": 300, "aust": 40, "aupt": 340, "adet": 30 + 4 + 6 + 3 + 12 + 2, "aubt": 397, "adot": 25 + 15 + 8 + 35, "apmt": 35}},
	} {
		lines := View(c.scheme, &s, facts)
		if len(lines) != len(c.want) {
			t.Errorf("scheme %d has %d lines, want %d", c.scheme, len(lines), len(c.want))
		}
		for slug, want := range c.want {
			if got := lineOf(t, lines, slug); got != want*minUS {
				t.Errorf("scheme %d: %s is %v min, want %d", c.scheme, slug, float64(got)/minUS, want)
			}
		}
	}
	// The names "on demand" and "overrun" decide nothing by state: all the stops
	// above were DOWN.
	if got := lineOf(t, View(SixLosses, &s, facts), "minor_stops"); got != 9*minUS {
		t.Errorf("minor stops %d", got)
	}
}

// Nakajima 1988 (testdata/reference/oee): 460 min loading; 20 min breakdown, 20
// set-up, 20 adjustment, 400 pieces at an actual cycle of 0.8 and an ideal one of
// 0.5 min, 8 rejects: minor stops 80, reduced speed 120, defects 4, valuable 196.
func TestSixLossesNakajima(t *testing.T) {
	facts := []timeline.FactSum{
		{Planned: true, Leaf: uint8(LeafProduction), State: timeline.StateProduction, Rated: 1000, Dur: 320 * timeline.Minute, Good: 196_000},
		{Planned: true, Leaf: uint8(UnbookedWaste), State: timeline.StateProduction, Rated: 1000, Waste: 4_000},
		{Planned: true, Leaf: uint8(OtherBreakdown), State: timeline.StateDown, Dur: 20 * timeline.Minute},
		{Planned: true, Leaf: uint8(Setup), State: timeline.StateSetup, Dur: 40 * timeline.Minute},
		{Planned: true, Leaf: uint8(OtherBreakdown), State: timeline.StateDown, Minor: true, Dur: 80 * timeline.Minute},
	}
	s, _ := FactTree(facts)
	lines := View(SixLosses, &s, facts)
	for slug, want := range map[string]int64{"breakdown": 20, "setup_adjustment": 40, "minor_stops": 80, "reduced_speed": 120, "defects": 4, "valuable": 196} {
		if got := lineOf(t, lines, slug); got != want*minUS {
			t.Errorf("%s is %v min, published %d", slug, float64(got)/minUS, want)
		}
	}
	if got := s.Factors().OEE; abs(got-49.0/115) > 1e-12 {
		t.Errorf("OEE %v, published inputs give 49/115", got)
	}
}
