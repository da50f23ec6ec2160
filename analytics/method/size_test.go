package method_test

import (
	"fmt"
	"testing"

	"github.com/downweb/downweb/analytics/method"
	"github.com/downweb/downweb/analytics/stats"
)

// sluggish makes presses whose exposure and outcome both wander (each row keeps
// 0.8 of the one before) and have nothing to do with each other, with a shock
// per press on the outcome's slope on the exposure when slopes is above 0 (mean
// 0): the rows of a press are not independent.
func sluggish(seed uint64, presses, days int, slopes float64) *method.Table {
	rnd := stats.Random{Seed: seed}
	at := uint64(0)
	u := func() float64 { at++; return rnd.Float64(1, at) }
	normal := func() (s float64) { // sum of 12 uniforms
		for range 12 {
			s += u()
		}
		return s - 6
	}
	t := &method.Table{Columns: []method.Column{{Name: "press"}, {Name: "day"}, {Name: "x"}, {Name: "y"}}}
	for p := range presses {
		x, y, slope := normal(), normal(), slopes*normal()
		for d := range days {
			x, y = 0.8*x+0.6*normal(), 0.8*y+0.6*normal()
			c := t.Columns
			c[0].Text = append(c[0].Text, fmt.Sprint("P", p))
			c[1].Numbers = append(c[1].Numbers, float64(d))
			c[2].Numbers = append(c[2].Numbers, x)
			c[3].Numbers = append(c[3].Numbers, y+slope*x)
		}
	}
	return t
}

// On tables without any relation a test at 5 % must reject in about 5 % of
// them: between 2 and 8.7 % of 300 (exact binomial bounds at 1 % around 5 %),
// where the test made for independent rows rejects far more.
func TestLevelOfTests(t *testing.T) {
	const tables = 300
	group := method.Roles{Outcome: "y", Exposure: []string{"x"}, Group: "press", Time: "day"}
	alone := method.Roles{Outcome: "y", Exposure: []string{"x"}}
	cases := []struct {
		name    string
		slopes  float64
		q       method.Request
		naive   bool
		atLeast float64
	}{
		{"rows taken as independent", 0, method.Request{Method: "pearson", Roles: alone}, true, 0.15},
		{"rotations", 0, method.Request{Method: "circular-shift", Roles: group, Options: method.Options{Draws: 199}}, false, 0},
		{"rotations, correlation", 0, method.Request{Method: "spearman", Roles: group, Options: method.Options{Draws: 199}}, false, 0},
		{"blocks of 20 rows", 0, method.Request{Method: "block-permutation", Roles: group, Options: method.Options{Draws: 199, BlockLength: 20}}, false, 0},
		{"every row a cluster", 0.3, method.Request{Method: "fixed-effects", Roles: alone}, true, 0.15},
		{"CR2", 0.3, method.Request{Method: "fixed-effects", Roles: group}, false, 0},
		{"wild bootstrap", 0.3, method.Request{Method: "wild-bootstrap", Roles: group}, false, 0},
	}
	for _, c := range cases {
		rejected := make([]bool, tables)
		errs := make([]error, tables)
		stats.Parallel(tables, func(i int) {
			r, err := method.Run(sluggish(uint64(i+1), 8, 60, c.slopes), c.q)
			if errs[i] = err; err == nil {
				rejected[i] = *r.Estimates[0].P <= 0.05
			}
		})
		n := 0
		for i, x := range rejected {
			if errs[i] != nil {
				t.Fatal(c.name, errs[i])
			}
			if x {
				n++
			}
		}
		share := float64(n) / tables
		t.Logf("%-28s %.3f", c.name, share)
		if c.naive && share < c.atLeast || !c.naive && (share < 0.02 || share > 0.087) {
			t.Errorf("%s: rejects in %.3f of the tables", c.name, share)
		}
	}
}
