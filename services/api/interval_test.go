package api

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/study"
	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

func planned(tasks ...timeline.Task) *timeline.Press {
	return &timeline.Press{Plant: "a", Name: "1", Currency: "EUR", WebWidth: 500, Stations: []string{"nips", "uv-1"}, Plans: []timeline.Plan{{ValidFrom: 0, Tasks: tasks}}}
}

// TestSafetyOfStations: a station is safety work where its plan marks a task
// so, or names UV, ozone or high voltage; also by a plan that comes into force
// later, never by one that was replaced before.
func TestSafetyOfStations(t *testing.T) {
	plain := timeline.Task{Slug: "wash", Station: "nips", Hazards: []uint8{uint8(pb.Hazard_HAZARD_NIP), uint8(pb.Hazard_HAZARD_SOLVENT)}}
	marked := plain
	marked.Safety = true
	lamp := timeline.Task{Slug: "lamp", Station: "uv-1", Hazards: []uint8{uint8(pb.Hazard_HAZARD_UV)}}
	for name, c := range map[string]struct {
		press   *timeline.Press
		station string
		want    string
	}{
		"plain":          {planned(plain, lamp), "nips", ""},
		"marked":         {planned(marked), "nips", "marks wash as a safety task"},
		"uv":             {planned(plain, lamp), "uv-1", "ultraviolet"},
		"another's task": {planned(marked, timeline.Task{Slug: "x", Station: "uv-1"}), "uv-1", ""},
		"later": {&timeline.Press{Plant: "a", Name: "1", Plans: []timeline.Plan{{ValidFrom: 0, Tasks: []timeline.Task{plain}}, {ValidFrom: 900, Tasks: []timeline.Task{marked}}}},
			"nips", "marks wash"},
		"replaced": {&timeline.Press{Plant: "a", Name: "1", Plans: []timeline.Plan{{ValidFrom: 0, Tasks: []timeline.Task{marked}}, {ValidFrom: 50, Tasks: []timeline.Task{plain}}}},
			"nips", ""},
	} {
		r := rulesOf([]*timeline.Press{c.press}, []string{c.station}, 100, 200)
		if c.want == "" && r.safety != "" || !strings.Contains(r.safety, c.want) {
			t.Errorf("%s: %q", name, r.safety)
		}
		if len(r.cautions) == 0 || r.cautions[0] != firstCaution {
			t.Errorf("%s: cautions %q", name, r.cautions)
		}
	}
}

// TestMakerLimits: the shortest counts; days at the pace of the slowest press,
// so that no press goes over them.
func TestMakerLimits(t *testing.T) {
	p := planned(
		timeline.Task{Slug: "a", Station: "nips", MakerLimit: 150, Triggers: []timeline.Trigger{{Cadence: timeline.CadenceRunKm, Every: 100}}},
		timeline.Task{Slug: "b", Station: "nips", MakerLimit: 7, Triggers: []timeline.Trigger{{Cadence: timeline.CadenceDays, Every: 2}}})
	r := rulesOf([]*timeline.Press{p}, []string{"nips"}, 0, 10)
	km, how := r.limitKm(pace{perDay: map[string]float64{"a/1": 40, "a/2": 12}})
	if km != 84 || !strings.Contains(how, "7 days") {
		t.Errorf("%v %s", km, how)
	}
	if km, _ = r.limitKm(pace{perDay: map[string]float64{"a/1": 40}}); km != 150 {
		t.Error(km)
	}
	if h, _ := r.limitOn("h", 9); h != 63 {
		t.Error(h)
	}
	if km, _ := (&stationRules{}).limitKm(pace{}); km != 0 {
		t.Error(km)
	}
}

// TestMeterPrice: 0.60 a m² of a web of 500 mm is 0.30 a meter.
func TestMeterPrice(t *testing.T) {
	p := planned()
	p.Web = []timeline.WebRate{{Substrate: "", SquareMeter: 600_000}, {Substrate: "film", SquareMeter: 900_000}}
	r := &stationRules{presses: []*timeline.Press{p}, to: 10}
	if c := r.meterPrice("eur"); c.GetLow() != "0.3" || c.GetHigh() != "0.45" {
		t.Error(c)
	}
	if c := r.meterPrice("USD"); c != nil {
		t.Error(c)
	}
}

func TestCostRange(t *testing.T) {
	if r, err := costRange("x", &pb.CostRange{Low: "12", High: "20.5"}); err != nil || r.Low != 12 || r.High != 20.5 {
		t.Error(r, err)
	}
	if r, err := costRange("x", &pb.CostRange{Low: "7"}); err != nil || r.High != 7 {
		t.Error(r, err)
	}
	for _, bad := range []*pb.CostRange{{Low: "a"}, {Low: "-1"}, {Low: "5", High: "4"}, {}, {Low: "NaN"}, {Low: "1e30"}} {
		if _, err := costRange("x", bad); err == nil {
			t.Errorf("%v was taken", bad)
		}
	}
}

// TestTrialRefusals: safety work is never drawn; a schedule stays inside the
// maker's interval and inside a week; what is not on record is no permission.
func TestTrialRefusals(t *testing.T) {
	task := func(limit float64, cadence timeline.Cadence, every float64) timeline.Task {
		return timeline.Task{Slug: "wash", Station: "nips", MakerLimit: limit, Triggers: []timeline.Trigger{{Cadence: cadence, Every: every}}}
	}
	ask := func(most int, tasks ...timeline.Task) []string {
		p := []*timeline.Press{planned(tasks...)}
		return trialRefusals(p, rulesOf(p, []string{"nips"}, 100, 200), "nips", most, 100, 200)
	}
	for name, c := range map[string]struct {
		got  []string
		want string
	}{
		"inside":  {ask(2, task(2, timeline.CadenceStartup, 0)), ""},
		"beyond":  {ask(3, task(2, timeline.CadenceStartup, 0)), "maker: every third window"},
		"unknown": {ask(2, task(0, timeline.CadenceStartup, 0)), "maker: the maker's longest interval of wash is not on record"},
		"km":      {ask(2, task(150, timeline.CadenceRunKm, 100)), "is 200, the maker's longest interval 150"},
		"weekly":  {ask(2, task(30, timeline.CadenceWeekly, 0)), "cadence: "},
		"no plan": {ask(2), "plan: no plan asks"},
		"safety":  {ask(2, func() timeline.Task { x := task(9, timeline.CadenceStartup, 0); x.Safety = true; return x }()), "safety: "},
	} {
		if c.want == "" && c.got != nil || c.want != "" && (len(c.got) != 1 || !strings.Contains(c.got[0], c.want)) {
			t.Errorf("%s: %q", name, c.got)
		}
	}
}

// TestTrialNotesSayTheWashout: what the study takes as given of every week, the
// crews are told; for a clean at shut-down the run that counts is the next.
func TestTrialNotesSayTheWashout(t *testing.T) {
	press := func(c timeline.Cadence) []*timeline.Press {
		return []*timeline.Press{{Plant: "a", Name: "1", Plans: []timeline.Plan{{Tasks: []timeline.Task{{Station: "nips", Triggers: []timeline.Trigger{{Cadence: c}}}}}}}}
	}
	for c, want := range map[timeline.Cadence]string{timeline.CadenceStartup: "The first required window of each week must be cleaned, whatever the schedule (washout)",
		timeline.CadenceShutdown: "The last required window before the first run of each week must be cleaned, whatever the schedule (washout)"} {
		p := press(c)
		notes := strings.Join(trialNotes(&pb.TrialPlan{Station: "nips", Every: []int32{1, 2}}, 0, 8, atShutdown(p, "nips", 100, 200)), " ")
		if !strings.Contains(notes, want) || !strings.Contains(notes, "never forbids a clean") {
			t.Errorf("%v: %q", c, notes)
		}
		if atShutdown(p, "uv", 100, 200) {
			t.Error("another station's task counts")
		}
	}
}

// TestDetectable: two schedules, every and every second window, differ by half
// a window; with s = 10 m between weeks, 4 presses and 16 weeks the slope's
// standard error is 10 / (0.25·√64) = 5 m, of which 2.8 are found in four of
// five trials (1.96 + 0.84).
func TestDetectable(t *testing.T) {
	p := &study.TrialPlan{Every: []int{1, 2}, Presses: make([]string, 4), Mondays: make([]int32, 16)}
	if got := detectableMeters(p, 10); math.Abs(got-14.008) > 0.001 {
		t.Error(got)
	}
	// Weeks at 100 ± 10 m on each of two presses, five run days each: the
	// standard deviation is 10·√(n/(n−1)).
	var days []timeline.PressDay
	for press := range 2 {
		for w := range 14 {
			for d := range 5 {
				days = append(days, timeline.PressDay{Plant: "a", Press: string(rune('1' + press)), Day: timeline.Day(20458 + 7*w + d), RunMS: timeline.Hour, RunMM: 1e6, RunWaste: int64(100_000 + 20_000*(w%2) - 10_000 + 500_000*press)})
			}
		}
	}
	got, ok := weekSpread(days)
	if !ok || math.Abs(got-10*math.Sqrt(14.0/13)) > 1e-9 {
		t.Error(got, ok)
	}
	if _, ok := weekSpread(days[:60]); ok {
		t.Error("few weeks")
	}
}

// TestPace: the median run day, and km per calendar day of each press.
func TestPace(t *testing.T) {
	d := &study.DataSet{Rows: []study.Row{{Press: "a/1", Day: 1, RunMM: 10e6}, {Press: "a/1", Day: 4, RunMM: 30e6}, {Press: "a/2", Day: 1, RunMM: 20e6}}}
	p := paceOf(d)
	if p.dayKm != 20 || p.perDay["a/1"] != 10 || p.perDay["a/2"] != 20 {
		t.Errorf("%+v", p)
	}
	if !slices.Equal(sortedKeys(p.perDay), []string{"a/1", "a/2"}) {
		t.Error("keys")
	}
}
