package study

import (
	"math"
	"strings"
	"testing"
)

// Presses that skip much waste little: all rows together say that a run after a
// missed clean wastes less, every press by itself says more. The study says
// more, and that the two point apart.
func TestPooledPointsApart(t *testing.T) {
	ds := fleet{seed: 3, plants: 2, presses: 12, days: 130, stations: 2, effect: math.Log(1.5)}.make()
	press := -1
	for i := range ds.Rows {
		r := &ds.Rows[i]
		if i == 0 || r.Press != ds.Rows[i-1].Press {
			press++
		}
		if press%2 == 0 { // skips three days in five more, and wastes a fifth
			if x := &r.Stations[0]; i%5 < 3 && x.State == Cleaned {
				x.State = NotCleaned
				x.FoundNext = min(3, x.FoundNext+1)
				r.RunWasteMM = int64(float64(r.RunWasteMM) * 1.5)
			}
			r.RunWasteMM /= 5
		}
	}
	ds.Link()
	r := mustRun(t, ds, quick())
	x := r.Findings[0]
	p := x.Checks.Pooled
	if p == nil || !p.Turned || p.Ratio >= 1 || p.Within <= 1.2 || p.Held != x.Waste.Ratio || p.Held <= 1.2 {
		t.Fatalf("%+v", p)
	}
	if said := strings.Join(x.Sentences, " "); !strings.Contains(said, "They point apart") || !strings.Contains(said, " m more (") {
		t.Errorf("says %q", said)
	}
	if l := r.Findings[1].Checks.Pooled; l == nil || l.Ratio <= 0 {
		t.Errorf("%+v", l)
	}
	// By hand: sums over the rows of the model.
	var w, km [2]float64
	seen := map[string]int{}
	for i := range ds.Rows {
		row := &ds.Rows[i]
		if seen[row.Press]++; seen[row.Press] <= 14 {
			continue
		}
		d := 0
		if row.Stations[0].State == NotCleaned {
			d = 1
		}
		w[d] += float64(row.RunWasteMM)
		km[d] += float64(row.RunMM)
	}
	if want := w[1] / km[1] * km[0] / w[0]; math.Abs(p.Ratio/want-1) > 1e-9 {
		t.Errorf("pooled ratio %.10f, by hand %.10f", p.Ratio, want)
	}
}
