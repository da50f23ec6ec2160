package study

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/stats"
)

// quick is the default study with fewer shifts.
func quick() Spec {
	s := DefaultSpec()
	s.Permutations = 999
	return s
}

func mustRun(t *testing.T, ds *DataSet, spec Spec) *Result {
	t.Helper()
	r, err := Run(ds, spec, nil)
	if err != nil {
		t.Fatal(err)
	}
	checkText(t, "result", reflect.ValueOf(r))
	return r
}

func TestSelectionCountsReasons(t *testing.T) {
	ds := demoFleet(1).make()
	ds.Rows[20].RunMM = 199_999
	ds.Rows[21].CoveragePPM = 949_999
	ds.Rows[22].Stations[3].State = Unknown
	ds.Rows[23].RunWasteMM = -1
	spec := quick()
	f, err := newFrame(ds, &spec)
	if err != nil {
		t.Fatal(err)
	}
	if len(f.leftRows) != 4 || len(f.rows) != len(ds.Rows)-4 {
		t.Fatalf("%d rows kept of %d, %v", len(f.rows), len(ds.Rows), f.leftRows)
	}
	for _, c := range f.leftRows {
		if c.Rows != 1 {
			t.Errorf("%s: %d rows, want 1", c.Reason, c.Rows)
		}
	}
	// Lagged waste is of the kept row before; the first row of a press takes
	// the mean of its other rows.
	i := 20 // the first kept row after the four left out
	want := math.Log((f.waste[i-1] + f.c) / f.km[i-1])
	if f.lag[i] != want || f.rows[i-1].Day != ds.Rows[19].Day {
		t.Errorf("lag %v, want %v", f.lag[i], want)
	}
	if m, _ := stats.Mean(f.lag[1:f.start[1]]); math.Abs(f.lag[0]-m) > 1e-12 {
		t.Errorf("first lag %v, want the mean %v", f.lag[0], m)
	}
	// A row left out for coverage is no idle day; a weekend is (two days).
	for i, r := range f.rows {
		if i > 0 && f.press[i] == f.press[i-1] && i != 20 {
			if got, want := f.idle[i] == 1, r.Day-f.rows[i-1].Day > 2; got != want {
				t.Fatalf("row %d: idle %v, gap %d", i, got, r.Day-f.rows[i-1].Day)
			}
		}
	}
	if f.idle[20] != 0 && ds.Rows[24].Day-ds.Rows[23].Day <= 2 {
		t.Error("left-out rows were taken for idle days")
	}
}

func TestPressesThatCannotTell(t *testing.T) {
	ds := demoFleet(1).make()
	dry, short := ds.Rows[0].Press, ds.Rows[len(ds.Rows)-1].Press
	var rows []Row
	n := 0
	for _, r := range ds.Rows {
		if r.Press == dry {
			r.RunWasteMM = 0
		}
		if r.Press == short {
			if n++; n > 20 {
				continue
			}
		}
		rows = append(rows, r)
	}
	ds.Rows = rows
	r := mustRun(t, ds, quick())
	if len(r.LeftOut) != 2 || len(r.Presses) != 10 {
		t.Fatalf("left out %v, %d presses", r.LeftOut, len(r.Presses))
	}
	if r.LeftOut[0].Name != dry || !strings.Contains(r.LeftOut[0].Reason, "no waste") ||
		r.LeftOut[1].Name != short || !strings.Contains(r.LeftOut[1].Reason, "20 usable rows") {
		t.Errorf("left out %v", r.LeftOut)
	}
}

// Nothing, too little and one-sided data are refusals with a reason, not errors.
func TestRefusals(t *testing.T) {
	r := mustRun(t, &DataSet{Stations: []string{"uv"}}, quick())
	if r.Refused == "" || len(r.Findings) != 0 {
		t.Error("an empty data set was answered")
	}
	r = mustRun(t, fleet{seed: 1, plants: 1, presses: 3, days: 130, stations: 2, effect: 1}.make(), quick())
	for _, x := range r.Findings {
		if x.Grade != NotAssessable || x.Waste != nil || !strings.Contains(x.Refusal, "3 presses, at least 4") {
			t.Errorf("3 presses: grade %v, %q", x.Grade, x.Refusal)
		}
	}
	ds := demoFleet(1).make()
	for i := range ds.Rows {
		ds.Rows[i].Stations[2].State = Cleaned // never missed
		if i%400 != 5 {
			ds.Rows[i].Stations[3].State = Cleaned // missed a few times
		}
		if i%3 == 0 {
			ds.Rows[i].Stations[4].State = Unknown // unknown in a third of the rows
		}
	}
	r = mustRun(t, ds, quick())
	if len(r.LeftOut) != 1 || r.LeftOut[0].Name != "station-04" {
		t.Errorf("left out %v", r.LeftOut)
	}
	for _, x := range r.Findings {
		refused := x.Name == "station-02" || x.Name == "station-03"
		if refused != (x.Grade == NotAssessable) {
			t.Errorf("%s: grade %v, %q", x.Name, x.Grade, x.Refusal)
		}
		if refused && !strings.Contains(x.Sentences[0], "cannot answer") {
			t.Errorf("%s says %q", x.Name, x.Sentences[0])
		}
	}
	if r.Refused != "" {
		t.Errorf("refused: %s", r.Refused)
	}
}

// Stations that are always left together get one answer; so does one that the
// others add up to.
func TestCollinearStationsAreOneBlock(t *testing.T) {
	ds := demoFleet(3).make()
	for i := range ds.Rows {
		st := ds.Rows[i].Stations
		st[5].State = st[0].State
		if i%97 == 0 && st[5].State == NotCleaned {
			st[5].State = Cleaned
		}
	}
	r := mustRun(t, ds, quick())
	if x := r.Findings[0]; x.Name != "station-00 + station-05" || len(x.Stations) != 2 || x.Waste == nil {
		t.Fatalf("block %q", x.Name)
	}
	if len(r.Findings) != 7 || len(r.Warnings) == 0 {
		t.Errorf("%d findings, warnings %v", len(r.Findings), r.Warnings)
	}
	top := 0.0
	for _, o := range r.Overlaps {
		top = max(top, o.Phi)
		if o.A == "station-00" && o.B == "station-05" && (o.Phi < 0.9 || o.Rows == 0) {
			t.Errorf("overlap %+v", o)
		}
	}
	if len(r.Overlaps) != 28 || top < 0.9 {
		t.Errorf("%d overlaps, largest %v", len(r.Overlaps), top)
	}
}

// Sign-offs that do not describe the cleaning: a difference in waste is there,
// but the condition found is no worse. No difference may be reported.
func TestSignOffsThatDoNotDescribe(t *testing.T) {
	ds := demoFleet(9).make()
	rnd := stats.Random{Seed: 5}
	for i := range ds.Rows {
		ds.Rows[i].Stations[0].FoundNext = int32(rnd.IntN(1, uint64(i), 3))
	}
	r := mustRun(t, ds, quick())
	x := r.Findings[0]
	if x.Test.Adjusted > 0.05 {
		t.Fatalf("the planted difference was not found, p %v", x.Test.Adjusted)
	}
	if x.Grade > NoneSeen || !strings.Contains(strings.Join(x.Sentences, " "), "sign-offs may not describe") {
		t.Errorf("grade %v: %q", x.Grade, x.Sentences)
	}
}

// Feedback: a bad run makes the crew clean the next day. The lead check must
// see that waste goes with the state of the next window.
func TestLeadSeesFeedback(t *testing.T) {
	fired := 0
	for seed := uint64(31); seed <= 36; seed++ {
		ds := demoFleet(seed).make()
		for p := 0; p < len(ds.Rows)-1; p++ {
			a, b := &ds.Rows[p], &ds.Rows[p+1]
			if a.Press != b.Press {
				continue
			}
			// Waste above 25 m per km is always answered by a clean.
			if float64(a.RunWasteMM)/float64(a.RunMM)*1000 > 25 {
				b.Stations[1].State, b.Stations[1].Missed = Cleaned, 0
			}
			a.Stations[1].Next = b.Stations[1].State
		}
		r := mustRun(t, ds, quick())
		if l := r.Findings[1].Checks.Lead; l != nil && l.P <= 0.10 {
			fired++
		}
	}
	if fired < 4 {
		t.Errorf("the lead check fired in %d of 6 fleets", fired)
	}
}

// Job mix moves waste and skips alike: without controls null stations are
// called more often than with them.
func TestControlsMatter(t *testing.T) {
	with, without := 0, 0
	for seed := uint64(41); seed <= 46; seed++ {
		f := demoFleet(seed)
		f.mix = 2
		ds := f.make()
		spec := quick()
		spec.Permutations, spec.SkipChecks = 199, true
		bare := spec
		bare.Controls = Controls{NoTrend: true, NoWeekday: true, NoLogKM: true, NoLaggedWaste: true, NoJobMix: true, NoPlantWeek: true}
		a, b := mustRun(t, ds, spec), mustRun(t, ds, bare)
		for k := 1; k < len(a.Findings); k++ {
			if a.Findings[k].Waste.P <= 0.05 {
				with++
			}
			if b.Findings[k].Waste.P <= 0.05 {
				without++
			}
		}
		if len(b.Warnings) == 0 || !strings.Contains(strings.Join(b.Warnings, " "), "not the default study") {
			t.Error("a study without controls must say so")
		}
	}
	t.Logf("null stations called at 5 %%: %d of 42 with controls, %d without", with, without)
	if with > 6 || without < with+5 {
		t.Errorf("with controls %d, without %d of 42", with, without)
	}
}

// Every check has a value on a full data set, and progress ends at its total.
func TestAllChecksRun(t *testing.T) {
	ds := demoFleet(7).make()
	for i := range ds.Rows {
		ds.Rows[i].Stations[0].Doubtful = i%50 == 0 && ds.Rows[i].Stations[0].State == Cleaned
	}
	last, total := 0, 0
	r, err := Run(ds, quick(), func(d, n int) {
		if d < last || d > n {
			t.Errorf("progress %d after %d of %d", d, last, n)
		}
		last, total = d, n
	})
	if err != nil {
		t.Fatal(err)
	}
	if last != total || total == 0 {
		t.Errorf("progress ended at %d of %d", last, total)
	}
	x := r.Findings[0]
	v := reflect.ValueOf(*x.Checks)
	for i := range v.NumField() {
		if f := v.Field(i); f.Kind() == reflect.Pointer && f.IsNil() {
			t.Errorf("check %s did not run", v.Type().Field(i).Name)
		}
	}
	if len(x.Secondary) != len(secondaryOutcomes) || x.Test.Weeks == 0 || len(x.ByPress) != 12 {
		t.Errorf("%d secondary outcomes, weeks p %v, %d presses", len(x.Secondary), x.Test.Weeks, len(x.ByPress))
	}
	if net := x.Secondary["net_waste"]; net == nil || net.Difference <= 0 {
		t.Errorf("net waste %+v", net)
	}
	if c := x.Checks.ConditionFound; c.Beta < 0.3 || c.P > 0.01 {
		t.Errorf("condition found %+v", c)
	}
	if x.Year == nil || x.Year.RunDays < 90 || x.Year.Meters <= 0 || x.Year.Low >= x.Year.Meters {
		t.Errorf("year %+v", x.Year)
	}
	if len(r.Map) != 8*15 {
		t.Errorf("%d map cells, want 120", len(r.Map))
	}
	if len(r.Model.Controls) < 8 || r.Model.Controls[0].Name != "log km" || !r.Model.PlantWeeks || !r.Model.Trend {
		t.Errorf("model %+v", r.Model)
	}
}

func TestForbiddenWords(t *testing.T) {
	for _, bad := range []string{"Missing it causes waste", "caused by", "the effect of a clean", "due to dirt", "because of dirt",
		"leads to waste", "results in waste", "Impact", "prevents waste", "saves 3 m", "it pays", "proves", "significant", "significantly"} {
		if ForbiddenWords(bad) == nil {
			t.Errorf("%q passed", bad)
		}
	}
	for _, good := range []string{"a difference that goes with the missed clean", "pause", "the payroll", "save the file"} {
		if w := ForbiddenWords(good); w != nil && good != "save the file" {
			t.Errorf("%q was refused: %v", good, w)
		}
	}
}

// The grade table, one limit at a time.
func TestGradeRules(t *testing.T) {
	alone := 0.4
	base := func() *Finding {
		return &Finding{Name: "uv-1", NotCleaned: 60, Presses: 9, Informative: 9,
			Waste:      &Estimate{Beta: 0.4, SE: 0.1, DF: 9, BetaLow: 0.2, BetaHigh: 0.6, Ratio: 1.5, Mean: 100, Difference: 33, Low: 18, High: 45},
			Test:       &Test{Adjusted: 0.01, Q: 0.01},
			Detectable: &Detectable{Beta: 0.3, Meters: 26},
			Checks: &Checks{Lead: &Line{Beta: 0.05, P: 0.5}, Unrelated: &Line{P: 0.4}, ConditionFound: &Line{Beta: 0.8, P: 0.001},
				Alone: &alone, WithoutOneLow: 0.3, WithoutOneHigh: 0.5, MaxInformation: 0.2, EValue: 2.4, EValueInterval: 1.7}}
	}
	half := 0.1
	for name, c := range map[string]struct {
		spoil func(x *Finding)
		want  Grade
	}{
		"all well":          {func(x *Finding) {}, Consistent},
		"only q":            {func(x *Finding) { x.Test.Adjusted, x.Test.Q = 0.2, 0.09 }, Suggestive},
		"neither":           {func(x *Finding) { x.Test.Adjusted, x.Test.Q = 0.2, 0.2 }, NoneSeen},
		"interval":          {func(x *Finding) { x.Waste.BetaLow = -0.01 }, Suggestive},
		"few presses":       {func(x *Finding) { x.Waste.DF, x.Waste.FewPresses = 3.2, true }, Suggestive},
		"lead p":            {func(x *Finding) { x.Checks.Lead.P = 0.1 }, Suggestive},
		"lead size":         {func(x *Finding) { x.Checks.Lead.Beta = -0.21 }, Suggestive},
		"lead missing":      {func(x *Finding) { x.Checks.Lead = nil }, Suggestive},
		"unrelated":         {func(x *Finding) { x.Checks.Unrelated.P = 0.09 }, Suggestive},
		"condition":         {func(x *Finding) { x.Checks.ConditionFound.Beta = -0.1 }, NotAssessable},
		"condition, no hit": {func(x *Finding) { x.Checks.ConditionFound.P = 0.5; x.Test.Adjusted, x.Test.Q = 1, 1 }, NoneSeen},
		"condition missing": {func(x *Finding) { x.Checks.ConditionFound = nil }, Suggestive},
		"one press":         {func(x *Finding) { x.Checks.MaxInformation = 0.41 }, Suggestive},
		"sign":              {func(x *Finding) { x.Checks.WithoutOneLow = -0.01 }, Suggestive},
		"alone":             {func(x *Finding) { x.Checks.Alone = &half }, Suggestive},
		"rows":              {func(x *Finding) { x.NotCleaned = 29 }, Suggestive},
		"presses":           {func(x *Finding) { x.Presses = 5 }, Suggestive},
		"no checks":         {func(x *Finding) { x.Checks = nil }, Suggestive},
		"refusal":           {func(x *Finding) { x.Refusal = "no" }, NotAssessable},
	} {
		s := &run{spec: DefaultSpec(), result: &Result{Rows: Rows{Coverage: 0.99}}}
		x := base()
		c.spoil(x)
		s.grade(x)
		if x.Grade != c.want {
			t.Errorf("%s: grade %v, want %v (%v)", name, x.Grade, c.want, x.Limits)
		}
		if x.Grade == Suggestive && len(x.Limits) == 0 {
			t.Errorf("%s: no reason given", name)
		}
		checkText(t, name, reflect.ValueOf(s.sentences(x)))
	}
	s := &run{spec: DefaultSpec(), result: &Result{Rows: Rows{Coverage: 0.94}}}
	if x := base(); true {
		if s.grade(x); x.Grade != Suggestive {
			t.Error("coverage")
		}
	}
	s.result.Rows.Coverage = 1
	x := base()
	s.grade(x)
	want := "Runs that started with uv-1 not cleaned wasted 33.0 m more (18.0 to 45.0 m, 95 %) than runs of the same press with the same job mix and meters that started clean, over 60 such runs on 9 presses."
	if got := s.sentences(x); got[0] != want {
		t.Errorf("sentence %q", got[0])
	}
}

// Whatever the data looks like: an answer or a refusal, never a panic, NaN or
// forbidden word, and JSON that marshals.
func TestAnyDataIsAnswered(t *testing.T) {
	for seed := uint64(1); seed <= 60; seed++ {
		rnd := stats.Random{Seed: seed}
		n := func(at, k int) int { return rnd.IntN(500, uint64(at), k) }
		ds := fleet{seed: seed, plants: 1 + n(1, 3), presses: 1 + n(2, 9), days: 3 + n(3, 70), stations: 1 + n(4, 5), effect: 3 * rnd.Float64(501, 1)}.make()
		for i := range ds.Rows {
			r := &ds.Rows[i]
			switch k := n(100+i, 12); {
			case k == 0:
				r.RunWasteMM = 0
			case k == 1:
				r.CoveragePPM = 100_000
			case k == 2 && n(5, 3) == 0:
				r.RunMM = 0
			case k == 3:
				r.PlannedMM, r.PlannedMS, r.Jobs = 0, 0, 0
			case k == 4 && n(6, 3) == 0:
				r.Stations[0].State = Unknown
			}
			switch n(7, 5) {
			case 0:
				r.Stations[0].State = NotCleaned
			case 1: // all waste sits on one state
				if r.Stations[0].State == NotCleaned {
					r.RunWasteMM = 0
				}
			case 2:
				if r.Stations[0].State == Cleaned {
					r.RunWasteMM = 0
				}
			}
			if n(8, 4) == 0 {
				r.UnrelatedWasteMM, r.SetupWasteMM, r.ContaminationWasteMM = 0, 0, 0
			}
		}
		spec := DefaultSpec()
		spec.Permutations, spec.MaxLag = 99, n(9, 15)
		if n(10, 2) == 0 {
			spec.Block = BlockPlant
		}
		r := mustRun(t, ds, spec)
		if _, err := json.Marshal(r); err != nil {
			t.Errorf("seed %d: %v", seed, err)
		}
		if len(r.Summary) == 0 {
			t.Errorf("seed %d: nothing said", seed)
		}
	}
}

// Waste that grows with the length run since the last clean: later bins waste
// more, each bin has its 20 rows on 4 presses, and the planted ratio of the
// middle of a bin lies inside most intervals.
func TestDoseFollowsPlantedGrowth(t *testing.T) {
	ds := demoFleet(8).make()
	const perKM = 0.03
	age := map[string]int64{}
	for i := range ds.Rows {
		r := &ds.Rows[i]
		x := &r.Stations[0]
		if x.State == NotCleaned {
			r.RunWasteMM = int64(float64(r.RunWasteMM) / 1.5) // take the planted step off
			x.SinceCleanMM = age[r.Press]
			r.RunWasteMM = int64(float64(r.RunWasteMM) * math.Exp(perKM*float64(x.SinceCleanMM)/1e6))
		} else {
			x.SinceCleanMM, age[r.Press] = 0, 0
		}
		age[r.Press] += r.RunMM
	}
	r := mustRun(t, ds, quick())
	d := r.Findings[0].Dose
	if d == nil || len(d.Bins) < 3 || len(d.Lines) != 3 {
		t.Fatalf("dose %+v, grade %s %v", d, r.Findings[0].GradeName, r.Findings[0].Limits)
	}
	inside := 0
	for i, b := range d.Bins {
		if b.Rows < 20 || b.Presses < 4 {
			t.Errorf("bin %+v", b)
		}
		if truth := math.Exp(perKM * (b.FromKM + b.ToKM) / 2); b.Low <= truth && truth <= b.High {
			inside++
		}
		if i > 0 && b.FromKM != d.Bins[i-1].ToKM {
			t.Errorf("bins do not meet: %+v", d.Bins)
		}
	}
	if last := d.Bins[len(d.Bins)-1]; inside < len(d.Bins)-1 || last.Ratio <= d.Bins[0].Ratio {
		t.Errorf("%d of %d bins hold the planted ratio: %+v", inside, len(d.Bins), d.Bins)
	}
	for _, x := range r.Findings[1:] {
		if x.Grade < Suggestive && (x.Dose != nil || x.Year != nil) {
			t.Errorf("%s: a picture without a finding", x.Name)
		}
	}
}
