package loss

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/timeline"
)

// cellFacts are the facts of one press and family: planned minutes, of them
// production, its rated minutes and valuable minutes. Stops name no family.
func cellFacts(unit, family string, planned, production, rated, valuable int64) []timeline.FactSum {
	const speed = 60_000 // 1 m/s: a minute is 60,000 mm
	return []timeline.FactSum{
		{Key: unit + "|", Planned: true, Leaf: uint8(Waiting), State: timeline.StateWaiting, Dur: (planned - production) * timeline.Minute},
		{Key: unit + "|" + family, Planned: true, Leaf: uint8(LeafProduction), State: timeline.StateProduction, Rated: speed, Dur: production * timeline.Minute, Good: valuable * speed},
		{Key: unit + "|" + family, Planned: true, Leaf: uint8(UnbookedWaste), State: timeline.StateProduction, Rated: speed, Waste: (rated - valuable) * speed},
	}
}

func sideOf(parts ...[]timeline.FactSum) *Side {
	var facts []timeline.FactSum
	for _, p := range parts {
		facts = append(facts, p...)
	}
	return SideOf(facts, func(key string) (Cell, bool) {
		unit, family, ok := strings.Cut(key, "|")
		return Cell{unit, family}, ok
	})
}

func wantShares(t *testing.T, what string, got Shares, a, e, q, mix float64) {
	t.Helper()
	for _, x := range []struct {
		name      string
		got, want float64
	}{{"availability", got.Availability, a}, {"effectiveness", got.Effectiveness, e}, {"quality", got.Quality, q}, {"mix", got.Mix, mix},
		{"the sum", got.Availability + got.Effectiveness + got.Quality + got.Mix, got.B - got.A}} {
		if math.Abs(x.got-x.want) > 1e-12 {
			t.Errorf("%s: %s is %.9f, want %.9f", what, x.name, x.got, x.want)
		}
	}
}

// Two presses, worked by hand in fractions.
func TestDecomposeByHand(t *testing.T) {
	// Only the plan moves from a poor press to a good one. X: A 0.8, E 0.9, Q 1;
	// Y: A 0.5, E 0.8, Q 1. OEE (0.72 + 0.4)/2 = 0.56, then 0.75·0.72 + 0.25·0.4 =
	// 0.64. No press did anything better: all of it is mix. (Factors of the sums
	// would say availability: 0.65 to 0.725.)
	a := sideOf(cellFacts("X", "f", 1000, 800, 720, 720), cellFacts("Y", "f", 1000, 500, 400, 400))
	b := sideOf(cellFacts("X", "f", 1500, 1200, 1080, 1080), cellFacts("Y", "f", 500, 250, 200, 200))
	if f := b.Factors(); math.Abs(f.Availability-0.725) > 1e-12 || math.Abs(f.OEE-0.64) > 1e-12 {
		t.Errorf("factors %+v", f)
	}
	s := Decompose(a, b)
	wantShares(t, "only mix", s, 0, 0, 0, 0.08)
	if math.Abs(s.MixOnly-0.64) > 1e-12 {
		t.Errorf("a's figures with b's mix: %v", s.MixOnly)
	}
	// One press, one family: A 0.8 → 0.9, E 0.9 → 0.8, Q 1 → 0.9. Shapley of a
	// product of three: Δ·(mean of the other two over the orders).
	a = sideOf(cellFacts("X", "f", 1000, 800, 720, 720))
	b = sideOf(cellFacts("X", "f", 1000, 900, 720, 648))
	wantShares(t, "one press", Decompose(a, b), 0.1*(0.9/3+(0.81+0.8)/6+0.72/3), -0.1*(0.8/3+(0.72+0.9)/6+0.81/3), -0.1*(0.72/3+(0.64+0.81)/6+0.72/3), 0)
	// Mix and availability together: X A 0.8 in both, share 1/2 → 3/4; Y A 0.5 →
	// 0.7. OEE 0.65 → 0.775. Mix first +0.075, last +0.025: 0.05. Availability
	// last +0.05, first +0.10: 0.075.
	a = sideOf(cellFacts("X", "f", 1000, 800, 800, 800), cellFacts("Y", "f", 1000, 500, 500, 500))
	b = sideOf(cellFacts("X", "f", 1500, 1200, 1200, 1200), cellFacts("Y", "f", 500, 350, 350, 350))
	wantShares(t, "mix and availability", Decompose(a, b), 0.075, 0, 0, 0.05)
	// A new family on the same press, at a lower rated share: what a never made
	// takes b's figures, so it is mix. APT 800 both; E 0.9 → (400·0.9 + 400·0.6)/800
	// = 0.75: OEE 0.72 → 0.6.
	a = sideOf(cellFacts("X", "f", 1000, 800, 720, 720))
	b = sideOf(cellFacts("X", "f", 500, 400, 360, 360), cellFacts("X", "g", 500, 400, 240, 240))
	wantShares(t, "a new family", Decompose(a, b), 0, 0, 0, -0.12)
}

func drawSide(t *rapid.T, name string) [][]timeline.FactSum {
	var out [][]timeline.FactSum
	for _, unit := range []string{"X", "Y", "Z"} {
		for _, family := range []string{"f", "g"} {
			if rapid.IntRange(0, 3).Draw(t, name+"has") == 0 {
				continue
			}
			p := rapid.Int64Range(0, 5000).Draw(t, name+"planned")
			run := rapid.Int64Range(0, p).Draw(t, name+"run")
			rated := rapid.Int64Range(0, run).Draw(t, name+"rated")
			out = append(out, cellFacts(unit, family, p, run, rated, rapid.Int64Range(0, rated).Draw(t, name+"good")))
		}
	}
	return out
}

// On random sides: the four terms add up to the difference; exchanging the sides
// changes their sign; a side against itself gives nothing; order does not matter.
func TestDecomposeProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pa, pb := drawSide(t, "a"), drawSide(t, "b")
		a, b := sideOf(pa...), sideOf(pb...)
		s, r := Decompose(a, b), Decompose(b, a)
		fa, fb := a.Factors(), b.Factors()
		near := func(what string, got, want float64) {
			if math.IsNaN(got) || math.Abs(got-want) > 1e-9 {
				t.Fatalf("%s: %v, want %v", what, got, want)
			}
		}
		near("OEE of a", s.A, fa.OEE)
		near("OEE of b", s.B, fb.OEE)
		near("sum", s.Availability+s.Effectiveness+s.Quality+s.Mix, fb.OEE-fa.OEE)
		near("availability exchanged", r.Availability, -s.Availability)
		near("effectiveness exchanged", r.Effectiveness, -s.Effectiveness)
		near("quality exchanged", r.Quality, -s.Quality)
		near("mix exchanged", r.Mix, -s.Mix)
		if z := Decompose(a, a); z.Availability != 0 || z.Effectiveness != 0 || z.Quality != 0 || z.Mix != 0 {
			t.Fatalf("a side against itself: %+v", z)
		}
		for i, j := 0, len(pa)-1; i < j; i, j = i+1, j-1 {
			pa[i], pa[j] = pa[j], pa[i]
		}
		if again := Decompose(sideOf(pa...), b); again != s {
			t.Fatal("the order of facts matters")
		}
	})
}

// Differences of the leaves add up to the difference in OEE, with the other sign.
func TestDifferencesAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		fa, fb := drawFacts(t), drawFacts(t)
		a, _ := FactTree(fa)
		b, _ := FactTree(fb)
		if a.PBT == 0 || b.PBT == 0 {
			t.Skip("nothing planned")
		}
		sum, most := 0.0, 1.0 // a millisecond planned and hours made give leaves of millions of points
		for _, d := range Differences(&a, &b) {
			sum += d.B - d.A
			most = max(most, math.Abs(d.A), math.Abs(d.B))
			if math.Abs(d.MinutesPer100Hrs-0.6*100*(d.B-d.A)) > 1e-9*(1+math.Abs(d.B-d.A)) {
				t.Fatalf("%+v", d)
			}
		}
		if want := 100 * (a.Factors().OEE - b.Factors().OEE); math.Abs(sum-want) > 1e-12*most*float64(len(Losses())) {
			t.Fatalf("leaves differ by %v points, OEE by %v", sum, want)
		}
	})
}
