package method_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/downweb/downweb/analytics/method"
	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/study"
)

// fleet makes a table of presses × days: waste over km with a planted log rate
// ratio of 0.4 where "dirty" is 1, counts of stops, a dose, a week per plant.
func fleet(seed uint64, presses, days int) *method.Table {
	t, err := method.ReadCSV(strings.NewReader(fleetCSV(seed, presses, days)))
	if err != nil {
		panic(err)
	}
	return t
}

func fleetCSV(seed uint64, presses, days int) string {
	rnd := stats.Random{Seed: seed}
	at := uint64(0)
	u := func() float64 { at++; return rnd.Float64(1, at) }
	var b strings.Builder
	b.WriteString("press,day,week,km,waste,rate,stops,dirty,other,dose,mix\n")
	for p := range presses {
		level, dose := u(), 0.0
		dirty := 0
		for d := range days {
			switch {
			case dirty == 0 && u() < 0.12:
				dirty = 1
			case dirty == 1 && u() < 0.5:
				dirty, dose = 0, 0
			}
			km := 2 + 6*u()
			mix := u()
			mu := km * math.Exp(1+level+0.3*mix+0.4*float64(dirty))
			waste := mu * -math.Log(1-u())
			mean := 0.4 * km * math.Exp(0.3*level+0.5*float64(dirty)) * -math.Log(1-u())
			stops, s := 0, math.Exp(-mean)
			for c, f := s, u(); f > c && stops < 200; c += s {
				stops++
				s *= mean / float64(stops)
			}
			fmt.Fprintf(&b, "P%02d,%d,W%d,%.4f,%.4f,%.4f,%d,%d,%d,%.3f,%.4f\n", p, d, 10*(p%2)+d/7, km, waste, waste/km, stops, dirty, int(2*u()), dose, mix)
			dose += km
		}
	}
	return b.String()
}

// requests asks every method once, in a form that suits fleet.
func requests() map[string]method.Request {
	roles := method.Roles{Outcome: "rate", Exposure: []string{"dirty"}, Controls: []string{"mix"}, Group: "press", Time: "day"}
	count := roles
	count.Outcome, count.Offset = "stops", "km"
	waste := roles
	waste.Outcome, waste.Offset = "waste", "km"
	plain := method.Roles{Outcome: "rate", Exposure: []string{"dirty", "mix"}, Group: "press", Time: "day"}
	dose := waste
	dose.Exposure = []string{"dose"}
	out := map[string]method.Request{
		"pearson": {Roles: plain}, "spearman": {Roles: plain}, "kendall": {Roles: plain},
		"partial":           {Roles: method.Roles{Outcome: "rate", Exposure: []string{"dirty"}, Controls: []string{"mix", "km"}}},
		"fixed-effects":     {Roles: roles},
		"wild-bootstrap":    {Roles: roles},
		"poisson":           {Roles: waste},
		"negative-binomial": {Roles: count},
		"circular-shift":    {Roles: waste},
		"block-permutation": {Roles: waste},
		"permutation":       {Roles: method.Roles{Outcome: "rate", Exposure: []string{"dirty"}, Group: "press"}},
		"adjust":            {Roles: method.Roles{Outcome: "mix", Exposure: []string{"press"}}},
		"dose-binned":       {Roles: dose}, "dose-isotonic": {Roles: dose},
		"distributed-lags": {Roles: waste}, "event-study": {Roles: waste},
		"lives": {Roles: method.Roles{Outcome: "km", Event: "dirty"}},
	}
	for name, q := range out {
		q.Method = name
		out[name] = q
	}
	return out
}

// Every method of the registry answers, its Result is JSON, finds the planted
// difference where it looks for it, and says nothing more than a record can.
func TestEveryMethod(t *testing.T) {
	table := fleet(5, 10, 90)
	asked := requests()
	for _, m := range method.Methods() {
		t.Run(m.Name, func(t *testing.T) {
			q, ok := asked[m.Name]
			if !ok {
				t.Fatal("no request for it")
			}
			r, err := method.Run(table, q)
			if err != nil {
				t.Fatal(err)
			}
			b, err := json.Marshal(r)
			if err != nil {
				t.Fatal(err)
			}
			if words := study.ForbiddenWords(string(b)); words != nil {
				t.Errorf("says %q", words)
			}
			if n := utf8.RuneCountInString(m.Title); n > 60 {
				t.Errorf("the title has %d letters, a list holds 60", n)
			}
			if len(r.Estimates) == 0 || r.Rows == 0 || r.Title == "" || r.Formula == "" || len(r.Assumptions) == 0 || len(r.Sources) == 0 {
				t.Errorf("not complete: %s", b)
			}
			again, err := method.Run(table, q)
			if err != nil {
				t.Fatal(err)
			}
			if c, _ := json.Marshal(again); !bytes.Equal(b, c) {
				t.Error("the same request gave another answer")
			}
			if testing.Verbose() {
				t.Logf("%s", b)
			}
		})
	}
}

// Rate models find the planted 0.4 (stops: 0.5), and none for "other".
func TestPlanted(t *testing.T) {
	table := fleet(8, 12, 120)
	for _, name := range []string{"poisson", "negative-binomial"} {
		q := requests()[name]
		q.Roles.Exposure = []string{"dirty", "other"}
		q.Options.Level = 0.999
		r, err := method.Run(table, q)
		if err != nil {
			t.Fatal(err)
		}
		want := map[string]float64{"poisson": 0.4, "negative-binomial": 0.5}[name]
		if e := r.Estimates[0]; !(*e.Low < want && want < *e.High) || *e.P > 0.01 {
			t.Errorf("%s: %v (%v to %v), p %v", name, e.Value, *e.Low, *e.High, *e.P)
		}
		if e := r.Estimates[1]; !(*e.Low < 0 && 0 < *e.High) {
			t.Errorf("%s: none planted, found %v (%v to %v)", name, e.Value, *e.Low, *e.High)
		}
	}
}

// The e-Handbook's lives (NIST/SEMATECH 8.4.1.3: β 1.7208, η 606.5280, log
// likelihood −75.135; 8.2.1.5: products 19/20, ×18/19, …) by way of a table.
func TestLives(t *testing.T) {
	run := func(file string) *method.Result {
		t.Helper()
		b, err := os.ReadFile("../../testdata/reference/reliability/" + file)
		if err != nil {
			t.Fatal(err)
		}
		table, err := method.ReadCSV(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		r, err := method.Run(table, method.Request{Method: "lives", Roles: method.Roles{Outcome: "time", Event: "event"}})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	want := map[string]float64{"Weibull shape": 1.7208, "Weibull scale": 606.5280, "log likelihood": -75.135}
	for _, f := range run("nist_weibull_censored.csv").Figures {
		if w, ok := want[f.Name]; ok {
			if math.Abs(f.Value-w) > 5e-4 {
				t.Errorf("%s is %v, published %v", f.Name, f.Value, w)
			}
			delete(want, f.Name)
		}
	}
	if len(want) > 0 {
		t.Errorf("not reported: %v", want)
	}
	for i, w := range []float64{0.95, 0.9, 0.8471, 0.7941, 0.7374, 0.6704} {
		if e := run("nist_km.csv").Estimates[i]; math.Abs(e.Value-w) > 5e-5 {
			t.Errorf("step %d is %v, want %v", i, e.Value, w)
		}
	}
}

// A study's data set as a table: names, units, what is missing.
func TestFromDataSet(t *testing.T) {
	ds := &study.DataSet{Stations: []string{"deck1"}, Families: []string{"film", "paper"}, Rows: []study.Row{
		{Press: "rhein/p1", Plant: "rhein", Day: 20_600, RunMM: 4_000_000, RunWasteMM: 30_000, Jobs: 2, Shifts: 1, CoveragePPM: 980_000,
			FamilyMM: []int64{1, 3}, Stations: []study.StationDay{{State: study.NotCleaned, SinceCleanMM: 9_000_000, FoundNext: 2, Missed: 1}}},
		{Press: "rhein/p1", Plant: "rhein", Day: 20_601, FamilyMM: []int64{0, 0},
			Stations: []study.StationDay{{State: study.Unknown, SinceCleanMM: study.None, FoundNext: study.None}}},
	}}
	table := method.FromDataSet(ds)
	want := map[string][2]float64{"run_km": {4, 0}, "run_waste_m": {30, 0}, "waste_m_per_km": {7.5, math.NaN()}, "coverage": {0.98, 0},
		"share.film": {0.25, math.NaN()}, "deck1.not_cleaned": {1, math.NaN()}, "deck1.km": {9, math.NaN()}, "deck1.found": {2, math.NaN()}, "deck1.missed": {1, 0}}
	for _, c := range table.Columns {
		w, ok := want[c.Name]
		for i := range w {
			if ok && c.Numbers[i] != w[i] && !(math.IsNaN(w[i]) && math.IsNaN(c.Numbers[i])) {
				t.Errorf("%s, row %d is %v, want %v", c.Name, i+1, c.Numbers[i], w[i])
			}
		}
		delete(want, c.Name)
		if c.Name == "week" && c.Text[0] != "rhein 2026-W22" {
			t.Errorf("week %q", c.Text[0])
		}
	}
	if len(want) > 0 {
		t.Errorf("no columns %v", want)
	}
}

// Simpson's case: inside every press the outcome falls with the exposure, over
// all presses it rises.
func TestPooledSignIsNamed(t *testing.T) {
	rnd := stats.Random{Seed: 2}
	table := &method.Table{Columns: []method.Column{{Name: "press"}, {Name: "x"}, {Name: "y"}}}
	for i := range uint64(120) {
		p := float64(i % 6)
		x := p + rnd.Float64(1, i)
		c := table.Columns
		c[0].Numbers = append(c[0].Numbers, p)
		c[1].Numbers = append(c[1].Numbers, x)
		c[2].Numbers = append(c[2].Numbers, 2*p-(x-p)+0.1*rnd.Float64(2, i))
	}
	for _, name := range []string{"pearson", "spearman", "kendall"} {
		r, err := method.Run(table, method.Request{Method: name, Roles: method.Roles{Outcome: "y", Exposure: []string{"x"}, Group: "press"}})
		if err != nil {
			t.Fatal(err)
		}
		if r.Estimates[0].Value > -0.8 || r.Figures[0].Value < 0.3 || !strings.Contains(strings.Join(r.Notes, " "), "the sign is the other one") {
			t.Errorf("%s: inside %v, pooled %v, notes %q", name, r.Estimates[0].Value, r.Figures[0].Value, r.Notes)
		}
	}
}

// A control that runs alongside the dose is named, one that does not is not.
func TestRivalClock(t *testing.T) {
	table := fleet(5, 10, 90)
	for _, c := range table.Columns {
		if c.Name == "dose" {
			shadow := make([]float64, len(c.Numbers))
			for i, v := range c.Numbers {
				shadow[i] = 3*v + float64(i%5)
			}
			table.Columns = append(table.Columns, method.Column{Name: "shadow", Numbers: shadow})
			break
		}
	}
	q := requests()["dose-binned"]
	q.Roles.Controls = append(q.Roles.Controls, "shadow")
	r, err := method.Run(table, q)
	if err != nil {
		t.Fatal(err)
	}
	notes := strings.Join(r.Notes, " ")
	if !strings.Contains(notes, "dose and shadow move together (correlation 1.00)") || strings.Contains(notes, "mix move") {
		t.Errorf("notes: %s", notes)
	}
}

// What a request gets wrong is named.
func TestRefusals(t *testing.T) {
	table := fleet(1, 4, 30)
	ok := requests()["poisson"]
	cases := []struct {
		change func(q *method.Request)
		want   string
		is     error
	}{
		{func(q *method.Request) { q.Method = "astrology" }, "no method", stats.ErrInput},
		{func(q *method.Request) { q.Roles.Outcome = "" }, "needs a column for outcome", stats.ErrInput},
		{func(q *method.Request) { q.Roles.Outcome = "Waste" }, `no column "Waste"`, stats.ErrInput},
		{func(q *method.Request) { q.Roles.Event = "dirty" }, "takes no column for event", stats.ErrInput},
		{func(q *method.Request) { q.Options.Bins = 3 }, "does not read option bins", stats.ErrInput},
		{func(q *method.Request) { q.Options.Correction = "CR9" }, "correction", stats.ErrInput},
		{func(q *method.Request) { q.Options.Level = 95 }, "level", stats.ErrInput},
		{func(q *method.Request) { q.Roles.Outcome = "press" }, "must hold numbers", stats.ErrInput},
		{func(q *method.Request) { q.Method = "negative-binomial" }, "not a count", stats.ErrInput},
		{func(q *method.Request) { q.Roles.Exposure = []string{"km"}; q.Roles.Controls = []string{"km"} }, "can be told", stats.ErrTooFew},
		{func(q *method.Request) { q.Roles.Cell, q.Roles.Group = "week", "" }, "a cell needs a group", stats.ErrInput},
		{func(q *method.Request) { q.Method = "fixed-effects" }, "takes no column for offset", stats.ErrInput},
		{func(q *method.Request) { q.Roles.Cluster = "week" }, "every press must lie inside one week", stats.ErrInput},
		{func(q *method.Request) { q.Roles.Time = "week"; q.Method = "circular-shift" }, "have the same week", stats.ErrInput},
	}
	for i, c := range cases {
		q := ok
		c.change(&q)
		_, err := method.Run(table, q)
		if err == nil || !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("case %d: %v, want %q", i+1, err, c.want)
		}
	}
	if _, err := method.Run(&method.Table{}, ok); !errors.Is(err, stats.ErrTooFew) {
		t.Error(err)
	}
	for _, bad := range []string{"", "a,b\n1\n", "a,a\n1,2\n"} {
		if _, err := method.ReadCSV(strings.NewReader(bad)); !errors.Is(err, stats.ErrInput) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}
