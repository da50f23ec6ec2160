package api

import (
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
)

// A press of which less than 90 % is known is left out of its side and named;
// where both sides are the same presses, of the other side too.
func TestLeaveOut(t *testing.T) {
	f := &fleet{scope: []string{"rhein/p1", "rhein/p2"}, presses: map[string]*timeline.Press{"rhein/p1": {Kind: "a"}, "rhein/p2": {Kind: "b"}}}
	sum := func(key string, known int64) timeline.LossSum {
		return timeline.LossSum{Key: key, PressDays: 1, PressDay: timeline.PressDay{PBT: 1000, Measured: known, Unknown: 1000 - known}}
	}
	a := &compareSide{name: "a", fleet: f, sums: []timeline.LossSum{sum("rhein/p1", 900), sum("rhein/p2", 899)}}
	b := &compareSide{name: "b", fleet: f, sums: []timeline.LossSum{sum("rhein/p1", 1000), sum("rhein/p2", 1000)}}
	notes := leaveOut(a, b, true)
	if len(notes) != 1 || !strings.Contains(notes[0], "Left out of a") || !strings.Contains(notes[0], "rhein/p2 (89.9 %)") {
		t.Errorf("notes %q", notes)
	}
	if len(a.presses) != 1 || len(b.presses) != 1 || a.presses[0] != "rhein/p1" || b.presses[0] != "rhein/p1" {
		t.Errorf("presses %q and %q", a.presses, b.presses)
	}
	a.presses, b.presses = nil, nil
	leaveOut(a, b, false)
	if len(a.presses) != 1 || len(b.presses) != 2 {
		t.Errorf("different sides: %q and %q", a.presses, b.presses)
	}
	a.tree, b.tree = newTreeSum(), newTreeSum()
	a.tree.addDays(&a.sums[0])
	b.tree.addDays(&b.sums[0])
	if why := refused(a, b, false); !strings.Contains(why, "different kinds are not compared (a: a; b: a, b)") {
		t.Error(why)
	}
	a.presses, a.tree = nil, newTreeSum()
	if why := refused(a, b, true); !strings.Contains(why, "too little is known of every press of a") {
		t.Error(why)
	}
}

// Amounts of two currencies or bases are never taken from each other.
func TestComparedMoney(t *testing.T) {
	sum := func(currency string, constrained bool, pbt int64) *timeline.LossSum {
		return &timeline.LossSum{PressDays: 1, PressDay: timeline.PressDay{Currency: currency, Constrained: constrained, PBT: pbt}}
	}
	a, b := newTreeSum(), newTreeSum()
	a.addDays(sum("EUR", false, 1000))
	a.addDays(sum("USD", false, 1000))
	b.addDays(sum("EUR", false, 3000))
	b.addDays(sum("EUR", true, 1000))
	for _, d := range comparedLeaves(a, b) {
		if len(d.Money) != 1 || d.Money[0].Currency != "EUR" || d.Money[0].Basis != "press hour" {
			t.Fatalf("%s: %v", d.Leaf, d.Money)
		}
	}
	notes := strings.Join(moneyNotes(a, b), " ")
	for _, want := range []string{"USD at the press hour stands in a alone", "EUR at the contribution hour stands in b alone", "Planned time differs"} {
		if !strings.Contains(notes, want) {
			t.Errorf("%q is not in %q", want, notes)
		}
	}
}
