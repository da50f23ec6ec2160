package api

import (
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// pricedPress has a clean of 10 minutes, a person at 42.00 an hour, a press at
// 420.00 where it is sold out, and web at 0.30 a meter.
func pricedPress(name string) *timeline.Press {
	return &timeline.Press{Plant: "a", Name: name, Currency: "EUR", WebWidth: 500,
		Plans:  []timeline.Plan{{ValidFrom: -1000, Tasks: []timeline.Task{{Slug: "t", Station: "inker", Standard: 10 * timeline.Minute}, {Slug: "u", Station: "uv", Standard: timeline.Minute, Hazards: []uint8{uint8(pb.Hazard_HAZARD_UV)}}}}},
		Rates:  []timeline.Rate{{ValidFrom: -1000, PressHour: 180e6, ContributionHour: 420e6, WebMeter: 300_000}},
		Labour: []timeline.LabourRate{{ValidFrom: -1000, Hour: 42e6}}, Hands: map[timeline.Occasion]int{timeline.OccasionShutdown: 2}}
}

func moneyFinding() *study.Finding {
	return &study.Finding{Name: "inker", Stations: []string{"inker"}, Grade: study.Consistent, NotCleaned: 100,
		Secondary: map[string]*study.Estimate{"net_waste": {Difference: 50, OtherLow: 10, OtherHigh: 90}},
		ByPress:   []study.PressShare{{Press: "a/1", NotCleaned: 75}, {Press: "a/2", NotCleaned: 25}, {Press: "a/gone"}},
		Year:      &study.Year{Days: 182, RunDays: 130, Windows: 200, Meters: 10_000, Low: 2_000, High: 18_000}}
}

// The figures are worked by hand: 10,000 m at 0.30 less 200 cleans of 7.00, and
// so for the ends.
func TestMoneyLine(t *testing.T) {
	presses := map[string]*timeline.Press{"a/1": pricedPress("1"), "a/2": pricedPress("2")}
	f := moneyFinding()
	line := func() string { return moneyLine(f, 0.05, presses, 0, 181) }
	want := func(name string, parts ...string) {
		t.Helper()
		got := line()
		if bad := study.ForbiddenWords(got); bad != nil {
			t.Errorf("%s: says %q", name, bad)
		}
		for _, p := range parts {
			if !strings.Contains(got, p) {
				t.Errorf("%s: no %q in %q", name, p, got)
			}
		}
	}
	want("a year", "In money, for inker: if the coming year is like these 182 days, 1600 EUR (-800 to 4000, 95 %) over 200 windows", "at 0.30 EUR a meter", "at 7.00 EUR each (10 hands-on minutes by the plan, priced at the hour of a person", "Below 0 is no reason to leave a clean out")
	// Not a year: 100 runs of 50 m, less 100 cleans.
	f.Year = nil
	want("a short study", "over the runs of this study alone", "5000 m, 1000 to 9000 m", "800 EUR (-400 to 2000, 95 %) over 100 windows")
	f.Year = moneyFinding().Year
	// Three quarters of the runs at 0.30, a quarter at 0.50: 0.35.
	presses["a/2"].Rates[0].WebMeter = 500_000
	want("another price", "at 0.35 EUR a meter", "2100 EUR (-700 to 4900")
	// The price of one press changes in the period: every end is taken farther out.
	presses["a/2"].Rates = append(presses["a/2"].Rates, timeline.Rate{ValidFrom: 90, WebMeter: 900_000})
	want("a price that changes", "at 0.35 to 0.45 EUR a meter", "2600 EUR (-700 to 6700, 95 % at the ends of the prices)")
	presses["a/2"] = pricedPress("2")
	// Sold out: 10 minutes are 5 of the press with the two people planned.
	for _, p := range presses {
		p.Rates[0].Constrained = true
	}
	want("sold out", "-4000 EUR (-6400 to -1600", "at 35.00 EUR each", "the hour of a press that is sold out")
	// Three quarters sold out: 7,500 m less 150 cleans of 35; a quarter not: 2,500 m
	// less 50 of 7.
	presses["a/2"].Rates[0].Constrained = false
	want("two bases", "-3000 EUR (-4800 to -1200, 95 %) over 150 windows", "; and 400 EUR (-200 to 1000, 95 %) over 50 windows", "is not added", "average difference of all presses")
	presses["a/1"].Rates[0].Constrained = false
	presses["a/2"].Currency = "CHF"
	want("two currencies", "1200 EUR (-600 to 3000, 95 %) over 150 windows", "; and 400 CHF (-200 to 1000, 95 %) over 50 windows", "is not added")
	presses["a/2"] = pricedPress("2")
	presses["a/2"].Rates = append(presses["a/2"].Rates, timeline.Rate{ValidFrom: 90, ContributionHour: 420e6, Constrained: true, WebMeter: 300_000})
	want("sold out from some day on", "no figure", "has no one basis over the period (constrained changes in it) for a/2.")
	presses["a/2"] = pricedPress("2")
	presses["a/2"].Labour, presses["a/2"].Rates[0].WebMeter = nil, 0
	want("missing", "no figure. The registry that the study pins has no price of an hour of a person (labour_hour) for a/2; no price of web (web_meter of the press, or web_rates of the plant) for a/2.")
	presses["a/2"] = pricedPress("2")
	f.Stations = []string{"uv"}
	want("safety", "no figure", "safety work", "ultraviolet")
}

// What has no difference, no net waste or a trial's answer has no line of money.
func TestHasMoney(t *testing.T) {
	for _, c := range []struct {
		change func(*study.Finding)
		want   bool
	}{{func(*study.Finding) {}, true}, {func(f *study.Finding) { f.Grade = study.NoneSeen }, false}, {func(f *study.Finding) { f.Grade = study.Randomised }, false}, {func(f *study.Finding) { f.Secondary = nil }, false}} {
		f := moneyFinding()
		if c.change(f); hasMoney(f) != c.want {
			t.Errorf("grade %v: %v", f.Grade, !c.want)
		}
	}
}

// A line stands with its own finding and nowhere else.
func TestAddMoney(t *testing.T) {
	x := &pb.Study{Sentences: []string{"all"}, Findings: []*pb.StationFinding{{Station: "a", Sentence: "A."}, {Station: "b", Sentence: "B."}}}
	addMoney(x, map[string]string{"b": "money"})
	if x.Findings[0].Sentence != "A." || x.Findings[1].Sentence != "B. money" || len(x.Sentences) != 2 {
		t.Error(x)
	}
}
