package method_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/downweb/downweb/analytics/method"
	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/study"
)

// dataSet makes presses × days with three stations and skewed waste.
func dataSet(seed uint64, presses, days int) *study.DataSet {
	rnd := stats.Random{Seed: seed}
	at := uint64(0)
	u := func() float64 { at++; return rnd.Float64(1, at) }
	ds := &study.DataSet{Stations: []string{"anvil", "deck1", "deck2"}}
	for p := range presses {
		level := u()
		for d := range days {
			km := 3 + 9*u()
			r := study.Row{Press: fmt.Sprintf("rhein/p%02d", p), Plant: "rhein", Day: int32(20_000 + d), RunMM: int64(km * 1e6), CoveragePPM: 1e6, Jobs: 1, Shifts: 1}
			mu := km * math.Exp(2+level)
			together := u() < 0.1
			for s := range ds.Stations {
				x := study.StationDay{State: study.Cleaned, FoundNext: study.None, SinceCleanMM: study.None}
				if together || u() < 0.1 {
					x.State = study.NotCleaned
					mu *= 1 + 0.15*float64(s)
				}
				r.Stations = append(r.Stations, x)
			}
			r.RunWasteMM = int64(1000 * mu * -math.Log(1-u()))
			ds.Rows = append(ds.Rows, r)
		}
	}
	ds.Link()
	return ds
}

// The default study and the named methods meet where both can go: without
// controls the study's model is "poisson" of the same table, and its shift test
// is "circular-shift" with the same seed, to the last draw.
func TestStudyIsTheMethods(t *testing.T) {
	ds := dataSet(4, 9, 90)
	spec := study.DefaultSpec()
	spec.MaxLag, spec.Permutations, spec.SkipChecks = 0, 1999, true
	spec.Controls = study.Controls{NoTrend: true, NoWeekday: true, NoLogKM: true, NoLaggedWaste: true, NoJobMix: true, NoPlantWeek: true}
	want, err := study.Run(ds, spec, nil)
	if err != nil {
		t.Fatal(err)
	}
	roles := method.Roles{Outcome: "run_waste_m", Group: "press", Time: "day", Offset: "run_km"}
	for _, s := range ds.Stations {
		roles.Exposure = append(roles.Exposure, s+".not_cleaned")
	}
	ask := func(name string) *method.Result {
		t.Helper()
		q := method.Request{Method: name, Roles: roles}
		if name == "poisson" {
			q.Options.Correction = method.CR2Power
		}
		if name == "circular-shift" {
			q.Options.Draws = spec.Permutations
		}
		r, err := method.Run(method.FromDataSet(ds), q)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if !(math.Abs(got-want) <= 1e-9*max(1, math.Abs(want))) {
			t.Errorf("%s: %.15g, the study has %.15g", what, got, want)
		}
	}
	fit, shift := ask("poisson"), ask("circular-shift")
	if len(want.Findings) != len(fit.Estimates) {
		t.Fatalf("%d findings, %d estimates", len(want.Findings), len(fit.Estimates))
	}
	for k, f := range want.Findings {
		if f.Waste == nil {
			t.Fatalf("%s: %s", f.Name, f.Refusal)
		}
		e, s := fit.Estimates[k], shift.Estimates[k]
		near("rows", float64(fit.Rows), float64(want.Rows.Fitted))
		near("log rate ratio", e.Value, f.Waste.Beta)
		near("standard error", *e.SE, f.Waste.SE)
		near("degrees of freedom", *e.DF, f.Waste.DF)
		near("low", *e.Low, f.Waste.BetaLow)
		near("ratio, high", *e.RatioHigh, f.Waste.RatioHigh)
		near("value of the shift test", s.Value, f.Waste.Beta)
		near("T", *s.Statistic, f.Test.T)
		near("p", *s.P, f.Test.P)
		near("max-T", *s.Adjusted.MaxT, f.Test.Adjusted)
		near("Holm", s.Adjusted.Holm, f.Test.Holm)
	}
}
