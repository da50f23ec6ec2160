package loss

import (
	"slices"
	"testing"

	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/timeline"
)

func steps(values ...float64) []Step {
	var out []Step
	for i, v := range values {
		out = append(out, Step{Key: string(rune('a' + i)), Value: v, Known: 1})
	}
	return out
}

func TestChart(t *testing.T) {
	if _, ok := Chart(steps(1, 2, 3, 4, 5, 6, 7)); ok {
		t.Error("seven steps are too few")
	}
	// The flow-rate chart of the NIST/SEMATECH e-Handbook 6.3.2.2 with one week
	// that is left out: it moves nothing.
	flow := []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	s := steps(slices.Insert(slices.Clone(flow), 4, 99)...)
	s[4].LeftOut = LeftUnknown
	x, ok := Chart(s)
	if !ok || x.N != 10 || abs(x.Center-50.81) > 1e-9 || abs(x.High-55.8024116800505) > 1e-9 {
		t.Errorf("%+v, %v", x, ok)
	}
	for _, p := range s {
		if len(p.Signals) > 0 {
			t.Errorf("a signal on %+v", p)
		}
	}
	if c := Changes(s, x); len(c) != 0 {
		t.Errorf("%+v", c)
	}
}

func TestChanges(t *testing.T) {
	// One far point among small steps.
	s := steps(5, 5.1, 4.9, 5, 5.1, 4.9, 5, 9, 5, 5.1)
	x, ok := Chart(s)
	if !ok {
		t.Fatal("no limits")
	}
	c := Changes(s, x)
	if len(c) != 1 || c[0].Step != 7 || c[0].Signal != "beyond the limits" || abs(c[0].Points-(9-x.Center)) > 1e-12 || !slices.Equal(s[7].Signals, []string{"beyond the limits"}) {
		t.Errorf("%+v of %+v", c, s)
	}
	// A shift of level: ten below, ten above. Each run signals from its eighth
	// step on and stands once, at its last step.
	s = steps(4, 5, 4, 5, 4, 5, 4, 5, 4, 5, 8, 7, 8, 7, 8, 7, 8, 7, 8, 7)
	x, _ = Chart(s)
	c = Changes(s, x)
	var eight []int
	for _, y := range c {
		if y.Signal == "8 on one side" {
			eight = append(eight, y.Step)
		}
	}
	if !slices.Equal(eight, []int{9, 19}) {
		t.Errorf("runs at %v of %+v", eight, c)
	}
	if s[6].Rules != 0 || s[7].Rules&stats.RuleEight == 0 {
		t.Errorf("the eighth is the first: %+v", s[5:9])
	}
}

func TestSeriesValues(t *testing.T) {
	facts := []timeline.FactSum{
		{Planned: true, Leaf: uint8(LeafProduction), State: timeline.StateProduction, Rated: 60_000, Dur: 60 * timeline.Minute, Good: 54 * 60_000},
		{Planned: true, Leaf: uint8(ContaminationStop), State: timeline.StateDown, Dur: 30 * timeline.Minute},
		{Planned: true, Leaf: uint8(PlannedCleaning), State: timeline.StateCleaning, Dur: 10 * timeline.Minute},
	}
	s, _ := FactTree(facts)
	for slug, want := range map[string]float64{"oee": 54, "availability": 60, "effectiveness": 90, "quality": 100, "dirt": 30, "cleaning": 10, "contamination_stop": 30, "other_slow": 6, "waiting": 0} {
		if got, ok := SeriesValue(&s, slug); !ok || abs(got-want) > 1e-9 {
			t.Errorf("%s is %v, want %v", slug, got, want)
		}
	}
	if _, ok := SeriesValue(&Sums{}, "oee"); ok {
		t.Error("nothing planned has no value")
	}
	if _, ok := SeriesValue(&s, "none"); ok {
		t.Error("an unknown series has a value")
	}
	names := SeriesNames()
	if len(names) != 6+len(Losses()) || names[0] != "oee" {
		t.Errorf("%v", names)
	}
	if n := len(SeriesLeaves("oee")); n != len(Losses()) {
		t.Errorf("oee has %d leaves", n)
	}
	if SeriesLeaves("quality") != nil || len(SeriesLeaves("dirt")) != 3 {
		t.Error("leaves of a factor, or of dirt")
	}
}
