package interval

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/stats"
)

// question whose answer is in closed form: √(2·50/(0.25·1)) = 20 km.
func question() Question {
	q := Question{Station: "uv-1", Clean: Range{50, 50}, Meter: Range{0.25, 0.25}, Growth: Growth{Shape: Linear, B: 1, Low: 0.8, High: 1.25}, Grade: 3, MakerLimit: 40,
		Rivals: map[string]float64{"job age": 0.4}}
	for i := range 120 {
		q.Gaps = append(q.Gaps, Gap{Press: string(rune('a' + i%6)), Km: 10 + float64(i%25)})
	}
	return q
}

// TestLinear: worked by hand. T* = √(2K/(M·b)); its ends with b 1.25 and 0.8.
// c(20) = (50 + 0.25·200)/20 = 5.
func TestLinear(t *testing.T) {
	a, err := question().Answer()
	if err != nil || len(a.Refused) > 0 {
		t.Fatalf("%+v %v", a.Refused, err)
	}
	near(t, "optimum", a.Optimum, 20, 1e-12)
	near(t, "low", a.Low, math.Sqrt(2*50/(0.25*1.25)), 1e-12)
	near(t, "high", a.High, math.Sqrt(2*50/(0.25*0.8)), 1e-12)
	near(t, "cost", question().Growth.Cost(20, 50, 0.25), 5, 1e-12)
	// c(T) = 50/T + T/8 is at most 5.25 from T = 21 ± √41 on: 14.6 to 27.4.
	if a.From < 14.5 || a.From > 15.3 || a.To < 26.8 || a.To > 27.5 {
		t.Fatalf("%v to %v", a.From, a.To)
	}
	if a.Today.Km != 21.5 || len(a.Curve) != curvePoints || a.Longest.Km < a.Today.Km {
		t.Fatalf("%+v", a)
	}
}

// TestOptimumIsLeast: no other interval costs less, for both shapes.
func TestOptimumIsLeast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := Growth{Shape: rapid.SampledFrom([]Shape{Linear, Logarithmic, Exponential, Power}).Draw(t, "shape"), B: rapid.Float64Range(0.001, 0.5).Draw(t, "b"), Base: rapid.Float64Range(0.1, 30).Draw(t, "base")}
		k, m := rapid.Float64Range(0.1, 500).Draw(t, "k"), rapid.Float64Range(0.01, 5).Draw(t, "m")
		best := g.mid().optimum(k, m)
		for _, f := range []float64{0.5, 0.9, 0.99, 1.01, 1.1, 2} {
			if g.Cost(best*f, k, m) < g.Cost(best, k, m)*(1-1e-12) {
				t.Fatalf("%v km costs less than %v km", best*f, best)
			}
		}
	})
}

// TestRefusals: each rule fires by its own number.
func TestRefusals(t *testing.T) {
	for rule, change := range map[string]func(q *Question){
		"safety": func(q *Question) { q.Safety = true },
		"costs":  func(q *Question) { q.Meter = Range{} },
		"grade":  func(q *Question) { q.Grade = 1 },
		"gaps":   func(q *Question) { q.Gaps = q.Gaps[:9] },
		"sizes": func(q *Question) {
			for i := range q.Gaps {
				q.Gaps[i].Km = 20 + float64(i%2)*10
			}
		},
		"on demand": func(q *Question) {
			for i := range q.Gaps {
				q.Gaps[i].OnDemand = i%4 == 0
			}
		},
		"rival clocks": func(q *Question) { q.Rivals["ink"] = -0.8 },
		"growth":       func(q *Question) { q.Growth = Growth{Shape: Linear, B: 0.1, Low: -0.2, High: 0.4} },
		"support": func(q *Question) {
			for i := range q.Gaps {
				q.Gaps[i].Press = "a"
			}
		},
		"maker": func(q *Question) { q.MakerLimit = 12 },
	} {
		q := question()
		change(&q)
		a, err := q.Answer()
		if err != nil {
			t.Fatalf("%s: %v", rule, err)
		}
		found := false
		for _, r := range a.Refused {
			found = found || r.Rule == rule
		}
		if !found || len(a.Refused) > 1 && rule != "gaps" && rule != "sizes" {
			t.Errorf("%s: %+v", rule, a.Refused)
		}
	}
	// No growth seen: the lower end of the optimum is still told.
	q := question()
	q.Growth = Growth{Shape: Linear, B: 0.1, Low: -0.2, High: 0.4}
	a, _ := q.Answer()
	near(t, "lower", a.Lower, math.Sqrt(2*50/(0.25*0.4)), 1e-12)
	q.MakerLimit = 25 // never beyond what the maker allows
	if b, _ := q.Answer(); b.Lower != 25 {
		t.Error(b.Lower)
	}
	q.Grade = 1 // and nothing where another rule fired
	if b, _ := q.Answer(); b.Lower != 0 {
		t.Error(b.Lower)
	}
	if !strings.Contains(a.Refused[0].Text, "at least 31.6 km") {
		t.Error(a.Refused)
	}
	// A safety task is refused whatever else is there, with no number.
	q = question()
	q.Safety, q.Override = true, "signed"
	if a, _ = q.Answer(); len(a.Curve) > 0 || a.Optimum != 0 || a.Lower != 0 {
		t.Errorf("%+v", a)
	}
}

// TestMaker: the answer is cut at the maker's interval; the written override
// is named, and does not go beyond the data.
func TestMaker(t *testing.T) {
	q := question()
	q.MakerLimit = 18
	a, err := q.Answer()
	if err != nil || len(a.Refused) > 0 || a.To != 18 {
		t.Fatalf("%+v %v", a, err)
	}
	q.MakerLimit, q.Override = 12, "agreed with the maker, J. D., 2026-06-01"
	a, err = q.Answer()
	if err != nil || len(a.Refused) > 0 || len(a.Notes) == 0 || !strings.Contains(a.Notes[0], "in writing") || a.To > a.Longest.Km {
		t.Fatalf("%+v %v", a, err)
	}
}

func TestBadFigures(t *testing.T) {
	for name, change := range map[string]func(q *Question){
		"growth": func(q *Question) { q.Growth.Low = 2 }, "cost": func(q *Question) { q.Clean = Range{5, 1} }, "gap": func(q *Question) { q.Gaps[0].Km = -1 },
		"nan": func(q *Question) { q.Growth.B = math.NaN() },
	} {
		q := question()
		change(&q)
		if _, err := q.Answer(); !errors.Is(err, stats.ErrInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestAreas: each shape's area against Simpson's rule, and near the limits in
// which the closed forms lose digits.
func TestAreas(t *testing.T) {
	for _, c := range []curve{{Linear, 0.3, 0}, {Logarithmic, 0.7, 0}, {Exponential, 0.03, 12}, {Exponential, 1e-7, 12}, {Exponential, 3e-5, 5}, {Power, 0.4, 9}, {Power, 1e-6, 9}} {
		const n, to = 2000, 80.0
		sum, h := 0.0, to/n
		for i := range n {
			a := float64(i) * h
			sum += h / 6 * (c.at(a) + 4*c.at(a+h/2) + c.at(a+h))
		}
		near(t, c.shape.String(), c.area(to)/sum, 1, 1e-6)
	}
}

// TestExponential: an exponential growth with a small slope is the linear one
// with slope Base·B: √(2·50/(0.25·10·0.0001)) = 632 km, a little less as it
// bends upward.
func TestExponential(t *testing.T) {
	got := curve{Exponential, 1e-4, 10}.optimum(50, 0.25)
	if lin := (curve{shape: Linear, b: 1e-3}).optimum(50, 0.25); got >= lin || got < 0.95*lin {
		t.Fatalf("%v, linear %v", got, lin)
	}
	if x := (curve{Exponential, 0.01, 0}).optimum(50, 0.25); !math.IsInf(x, 1) {
		t.Fatal(x)
	}
}

// TestSensitivityAndSessions: what moves the answer is said with its figures.
func TestSensitivityAndSessions(t *testing.T) {
	q := question()
	q.Clean, q.Step = Range{40, 60}, 7
	q.Other = Growth{Shape: Logarithmic, B: 8, Low: 6, High: 11}
	a, err := q.Answer()
	if err != nil || len(a.Refused) > 0 {
		t.Fatal(a.Refused, err)
	}
	// √(2·40/0.25) = 17.9, √(2·60/0.25) = 21.9; √(400/1.25) = 17.9, √(400/0.8) = 22.4.
	for i, want := range []string{"17.9 km to 21.9 km", "17.9 km to 22.4 km", "flattens"} {
		if !strings.Contains(a.Sensitivity[i], want) {
			t.Errorf("%q, want %q", a.Sensitivity[i], want)
		}
	}
	if n := a.Notes[len(a.Notes)-1]; !strings.Contains(n, "every 2nd to every 4th session") {
		t.Errorf("%v to %v: %s", a.From, a.To, n)
	}
}

// TestMakerUnknown: without the maker's interval nothing beyond today's
// practice is answered: cut there, or refused where all of it lies beyond.
func TestMakerUnknown(t *testing.T) {
	q := question()
	q.MakerLimit = 0
	a, err := q.Answer()
	if err != nil || len(a.Refused) > 0 || a.To != a.Today.Km || a.Optimum > a.To || len(a.Notes) == 0 {
		t.Fatalf("%+v %v", a, err)
	}
	q.Clean = Range{110, 110} // √(2·110/0.25) = 29.7 km
	a, err = q.Answer()
	if err != nil || len(a.Refused) != 1 || a.Refused[0].Rule != "maker" || !strings.Contains(a.Refused[0].Text, "not on record") {
		t.Fatalf("%+v %v", a.Refused, err)
	}
	q.MakerLimit = 40
	if a, _ = q.Answer(); len(a.Refused) > 0 {
		t.Fatal(a.Refused)
	}
}

// TestBeyond: an optimum that lies beyond what was run is refused, its lower
// end told.
func TestBeyond(t *testing.T) {
	q := question()
	q.Clean = Range{500, 500}
	a, err := q.Answer()
	if err != nil || len(a.Refused) != 1 || a.Refused[0].Rule != "support" || a.Lower <= 0 || a.Lower > a.Longest.Km {
		t.Fatalf("%+v %v", a.Refused, err)
	}
}
