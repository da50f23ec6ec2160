package loss

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
)

func readCSV(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/reference/oee/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Every complete worked example of testdata/reference/oee (Nakajima 1988,
// Mobley 2002 tables 18-1 and 18-2, and two teaching examples), run through the
// same sums as a press's facts: a piece becomes the length made in its ideal
// cycle at 1,000 mm/min.
func TestPublishedExamples(t *testing.T) {
	var fleet []timeline.FactSum
	for _, r := range readCSV(t, "examples.csv")[1:] {
		total, stop, down := number(t, r[1]), number(t, r[2]), number(t, r[3])
		made, rejects, cycle := number(t, r[4]), number(t, r[5]), number(t, r[6])
		piece := cycle * 1000
		ms := func(min float64) int64 { return int64(min*60_000 + 0.5) }
		facts := []timeline.FactSum{
			{Planned: true, Leaf: uint8(LeafProduction), State: timeline.StateProduction, Rated: 1000, Dur: ms(total - stop - down), Good: int64((made-rejects)*piece + 0.5)},
			{Planned: true, Leaf: uint8(UnbookedWaste), State: timeline.StateProduction, Rated: 1000, Waste: int64(rejects*piece + 0.5)},
			{Planned: true, Leaf: uint8(OtherBreakdown), State: timeline.StateDown, Dur: ms(down)},
		}
		s, _ := FactTree(facts)
		f := s.Factors()
		for i, x := range []struct {
			name string
			got  float64
		}{{"availability", f.Availability}, {"effectiveness", f.Effectiveness}, {"quality", f.Quality}, {"OEE", f.OEE}} {
			// The table prints 15 digits; times are whole microseconds of hours.
			if want := number(t, r[7+i]); abs(x.got-want) > 1e-9 {
				t.Errorf("%s: %s %.15f, published inputs give %.15f", r[0], x.name, x.got, want)
			}
		}
		if got := s.Valuable + s.Total().US; got != s.PBT*1000 {
			t.Errorf("%s: leaves do not add up", r[0])
		}
		if r[0] == "nakajima" || r[0] == "mobley-2" {
			fleet = append(fleet, facts...)
		}
		if r[0] == "mobley-1" && abs(f.Quality-0.968) < 0.001 {
			t.Error("mobley-1: the book's own slip (96.8 %) was reproduced")
		}
	}
	// A fleet adds times first, then divides: the simple mean 0.636269 of the
	// two is the wrong answer.
	s, _ := FactTree(fleet)
	f := s.Factors()
	for _, x := range []struct {
		name      string
		got, want float64
	}{{"availability", f.Availability, 0.898110661268556}, {"effectiveness", f.Effectiveness, 0.922951765589782},
		{"quality", f.Quality, 0.989677225457015}, {"OEE", f.OEE, 0.820356140350877}} {
		if abs(x.got-x.want) > 1e-9 {
			t.Errorf("fleet %s %.15f, want %.15f", x.name, x.got, x.want)
		}
	}
}

// The vector for the formulas of ISO 22400-2, testdata/reference/oee.
func TestISO22400Vector(t *testing.T) {
	v := map[string]float64{}
	for _, r := range readCSV(t, "vector.csv")[1:] {
		v[r[0]] = number(t, r[1])
	}
	e := Elements{PBT: v["POT"] - v["planned_down"], APT: v["APT"], AUST: v["AUST"], ADET: v["ADET"], AOET: v["AOET"],
		PRI: v["PRI"], PQ: v["PQ"], GQ: v["GQ"], SQ: v["SQ"], RQ: v["RQ"], Failures: v["failures"], Restoration: v["restoration"]}
	i := e.Indicators()
	for name, got := range map[string]float64{
		"PBT": e.PBT, "AUPT": e.AUPT(), "AUBT": e.AUBT(), "ADOT": e.ADOT(),
		"availability": i.Availability, "effectiveness": i.Effectiveness, "quality": i.Quality, "oee": i.OEE, "nee": i.NEE,
		"allocation_efficiency": i.AllocationEfficiency, "utilization_efficiency": i.UtilizationEfficiency,
		"technical_efficiency": i.TechnicalEfficiency, "setup_ratio": i.SetupRatio, "scrap_ratio": i.ScrapRatio,
		"rework_ratio": i.ReworkRatio, "allocation_ratio": i.AllocationRatio, "process_ratio": i.ProcessRatio,
		"throughput": i.Throughput, "mtbf": i.MTBF, "mttr": i.MTTR,
	} {
		if want := v[name]; abs(got-want) > 1e-12*max(1, abs(want)) {
			t.Errorf("%s = %.15g, want %.15g", name, got, want)
		}
	}
	if (Elements{}).Indicators() != (Indicators{}) {
		t.Error("no data must be zeros, never NaN")
	}
}
