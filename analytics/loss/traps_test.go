package loss

import (
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
)

func published(total, stop, down, made, rejects int64, cycle float64) []timeline.FactSum {
	// A piece is the length made in its ideal cycle at 1 m/min.
	mm := func(n int64) int64 { return int64(float64(n)*cycle*1000 + 0.5) }
	return []timeline.FactSum{
		{Planned: true, Leaf: uint8(LeafProduction), State: timeline.StateProduction, Rated: 1000, Dur: (total - stop - down) * timeline.Minute, Good: mm(made - rejects)},
		{Planned: true, Leaf: uint8(UnbookedWaste), State: timeline.StateProduction, Rated: 1000, Waste: mm(rejects)},
		{Planned: true, Leaf: uint8(OtherBreakdown), State: timeline.StateDown, Dur: down * timeline.Minute},
	}
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(abs(got-want) <= tolerance) {
		t.Errorf("%s is %.12f, want %.12f", what, got, want)
	}
}

// The traps that published examples expose (testdata/reference/oee names the
// sources).
func TestPublishedTraps(t *testing.T) {
	// Factors rounded before they are multiplied: Nakajima's page prints 42.63 %,
	// exact 42.6087 %.
	s, _ := FactTree(published(480, 20, 60, 400, 8, 0.5))
	near(t, "Nakajima OEE", s.Factors().OEE, 49.0/115, 1e-12)
	if abs(s.Factors().OEE-0.87*0.50*0.98) < 1e-5 {
		t.Error("rounded factors were multiplied")
	}
	// An ideal rate rounded to 9.2 a minute instead of an ideal cycle of 0.109 min
	// (Mobley, table 18-1) moves effectiveness and OEE: the two must not mix.
	rate, _ := FactTree(published(7200, 250, 4640, 15906, 558, 1/9.2))
	near(t, "effectiveness at 9.2 a minute", rate.Factors().Effectiveness, 0.748447204968944, 1e-6)
	near(t, "OEE at 9.2 a minute", rate.Factors().OEE, 0.24003753518924, 1e-6)
	// Loss points of one cause (Mobley, table 18-1): maintenance 500, changeover
	// 4,140 of 6,950 min.
	cause := published(7200, 250, 0, 15906, 558, 0.109)
	cause[0].Dur = (6950 - 4640) * timeline.Minute
	cause = append(cause, timeline.FactSum{Planned: true, Leaf: uint8(PlannedMaintenance), State: timeline.StateMaintenance, Dur: 500 * timeline.Minute},
		timeline.FactSum{Planned: true, Leaf: uint8(Setup), State: timeline.StateSetup, Dur: 4140 * timeline.Minute})
	s, _ = FactTree(cause)
	near(t, "points of maintenance", s.Points(s.In[PlannedMaintenance].US), 7.1942446043165, 1e-9)
	near(t, "points of changeover", s.Points(s.In[Setup].US), 59.568345323741, 1e-9)
	near(t, "OEE", s.Factors().OEE, 0.24070964028777, 1e-9)
	// Quality of a mixed fleet by pieces (0.989930) is not quality by time
	// (0.989677): only the second keeps A·E·Q = OEE.
	s, _ = FactTree(append(published(480, 20, 60, 400, 8, 0.5), published(7200, 250, 695, 54516, 545, 0.109)...))
	f := s.Factors()
	near(t, "fleet quality", f.Quality, 0.989677225457015, 1e-9)
	near(t, "A·E·Q", f.Availability*f.Effectiveness*f.Quality, f.OEE, 1e-12)
	if pieces := 1 - 553.0/54916; abs(pieces-0.989930075023673) > 1e-12 || abs(f.Quality-pieces) < 1e-4 {
		t.Errorf("quality %v by time, %v by pieces", f.Quality, pieces)
	}
	// Willmott & McCarthy 2001, p. 127: 910 planned, 115 + 12 down, cycle 3, 203
	// made: A 0.860440, P 203/261 = 0.777778 (printed cut off as 77.7 %).
	s, _ = FactTree(published(910, 0, 127, 203, 0, 3))
	near(t, "Willmott availability", s.Factors().Availability, 0.86043956043956, 1e-12)
	near(t, "Willmott performance", s.Factors().Effectiveness, 203.0/261, 1e-12)
	// The same book, p. 43: OEE 60 % to 75 % gives 1,250 instead of 1,000 good in
	// 80 h, or the 1,000 in 64 h: good per hour goes with OEE.
	for _, c := range []struct{ oee, hours, good int64 }{{60, 80, 1000}, {75, 80, 1250}, {75, 64, 1000}} {
		// Ideal: what 100 % would make, 1,000 / 0.60 in 80 h.
		made := []timeline.FactSum{{Planned: true, Leaf: uint8(LeafProduction), State: timeline.StateProduction, Rated: 1_000_000, Dur: c.hours * timeline.Hour, Good: c.good * 2_880_000}}
		s, _ = FactTree(made)
		near(t, "Willmott OEE", s.Factors().OEE, float64(c.oee)/100, 1e-12)
	}
	// SMRP Best Practices (2020), metric 2.1.1: 24 h, 8 idle, 1.66 scheduled and
	// 2.08 unscheduled down. Inside planned time 12.26/16; scheduled downtime taken
	// out first 12.26/14.34.
	h := func(hundredths int64) int64 { return hundredths * timeline.Hour / 100 }
	s, _ = FactTree([]timeline.FactSum{
		{Planned: true, Leaf: uint8(LeafProduction), State: timeline.StateProduction, Rated: 1_000_000, Dur: h(1226), Good: 12_260 * 60_000},
		{Planned: true, Leaf: uint8(PlannedMaintenance), State: timeline.StateMaintenance, Dur: h(166)},
		{Planned: true, Leaf: uint8(OtherBreakdown), State: timeline.StateDown, Dur: h(208)},
	})
	near(t, "SMRP availability", s.Factors().Availability, 0.76625, 1e-12)
	pbt, _ := s.OutsidePolicy()
	near(t, "SMRP, scheduled outside", float64(s.APT*1000)/float64(pbt), 0.854951185495119, 1e-12)
	// Effectiveness over 1 says that the rated speed is too low: kept, never cut.
	s, _ = FactTree(published(100, 0, 0, 240, 0, 0.5))
	near(t, "effectiveness", s.Factors().Effectiveness, 1.2, 1e-12)
	near(t, "time won back", float64(s.In[OtherSlow].US)/minUS, -20, 1e-12)
}

// The vector for ISO 22400-2 (testdata/reference/oee/vector.csv) as facts of a
// press: every indicator the data allows comes out as there, what it does not
// allow says so.
func TestFiguresOfTheVector(t *testing.T) {
	v := map[string]float64{}
	for _, r := range readCSV(t, "vector.csv")[1:] {
		v[r[0]] = number(t, r[1])
	}
	const rated = 20_000 // 1 mm a piece, PRI 0.05 min: 20 pieces a minute, in thousandths
	pieces := func(n float64) int64 { return int64(n) * 1000 }
	min := func(n float64) int64 { return int64(n) * timeline.Minute }
	pbt := v["POT"] - v["planned_down"]
	facts := []timeline.FactSum{
		{Planned: true, Leaf: uint8(LeafProduction), State: timeline.StateProduction, Rated: rated, Dur: min(v["APT"]), Good: pieces(v["GQ"]), JobOpen: true},
		{Planned: true, Leaf: uint8(UnbookedWaste), State: timeline.StateProduction, Rated: rated, Waste: pieces(v["PQ"] - v["GQ"]), JobOpen: true},
		{Planned: true, Leaf: uint8(Setup), State: timeline.StateSetup, Dur: min(v["AUST"]), JobOpen: true},
		// ADET 25: 21 min of three failures, 4 min of one minor stop, which is none.
		{Planned: true, Leaf: uint8(OtherBreakdown), State: timeline.StateDown, Dur: min(14), JobOpen: true, Stops: 2},
		{Planned: true, Leaf: uint8(ContaminationStop), State: timeline.StateDown, Dur: min(7), JobOpen: true, Stops: 1},
		{Planned: true, Leaf: uint8(OtherBreakdown), State: timeline.StateDown, Dur: min(4), JobOpen: true, Stops: 1, Minor: true},
		{Planned: true, Leaf: uint8(Waiting), State: timeline.StateWaiting, Dur: min(pbt - v["APT"] - v["AUST"] - 25)},
	}
	s, _ := FactTree(facts)
	got := map[string]Figure{}
	for _, f := range Figures(&s, facts) {
		if f.Formula == "" || f.Source == "" || f.Method == "" || f.Unit == "" || f.Name == "" {
			t.Errorf("%+v", f)
		}
		got[f.Slug] = f
	}
	for slug, name := range map[string]string{"availability": "availability", "effectiveness": "effectiveness", "quality_ratio": "quality", "oee": "oee", "nee": "nee",
		"allocation_efficiency": "allocation_efficiency", "utilization_efficiency": "utilization_efficiency", "technical_efficiency": "technical_efficiency",
		"setup_ratio": "setup_ratio", "mtbf": "mtbf", "mttr": "mttr"} {
		if f := got[slug]; !f.OK || abs(f.Value-v[name]) > 1e-9*max(1, v[name]) {
			t.Errorf("%s is %v (%v), want %v", slug, f.Value, f.OK, v[name])
		}
	}
	near(t, "scrap and rework", got["scrap_ratio"].Value, v["scrap_ratio"]+v["rework_ratio"], 1e-12)
	near(t, "scrap by length", got["scrap_ratio_length"].Value, 0.025, 1e-12)
	near(t, "corrective maintenance", got["corrective_maintenance_ratio"].Value, 1, 0)
	// Limits: 370 min, 3 failures, 95 %: factors of mtbf_factors.csv.
	near(t, "mtbf below", got["mtbf"].Low, 370.0/3*0.342181653992, 1e-6)
	near(t, "mtbf above", got["mtbf"].High, 370.0/3*4.84909516524, 1e-6)
	if got["mtbf"].N != 3 || got["mttr"].Low >= 7 || got["mttr"].High <= 7 {
		t.Errorf("%+v, %+v", got["mtbf"], got["mttr"])
	}
	for _, slug := range []string{"rework_ratio", "allocation_ratio", "process_ratio", "throughput_rate", "planned_scrap_ratio", "first_pass_yield", "fall_off_ratio"} {
		if f := got[slug]; f.OK || f.Value != 0 || f.Method == "" {
			t.Errorf("%s: %+v", slug, f)
		}
	}
	for _, f := range Figures(&Sums{}, nil) {
		if f.OK || f.Value != 0 || f.Low != 0 || f.High != 0 {
			t.Errorf("without data: %+v", f)
		}
	}
	// No failure: no mean, but a lower limit, in words: −T / ln 0.05.
	quiet := []timeline.FactSum{{Planned: true, Leaf: uint8(LeafProduction), State: timeline.StateProduction, Rated: rated, Dur: 1000 * timeline.Minute, Good: 1000}}
	s, _ = FactTree(quiet)
	for _, f := range Figures(&s, quiet) {
		if f.Slug == "mtbf" && (f.OK || f.Method != "no failure in 1000 min: the mean is at least 334 min (one-sided 95 %)") {
			t.Errorf("%+v", f)
		}
	}
}
