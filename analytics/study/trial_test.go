package study

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/stats"
)

func trialPlan(presses, weeks int, every ...int) *TrialPlan {
	t := &TrialPlan{Station: "uv-1", Every: every, Seed: 5}
	for p := range presses {
		t.Presses = append(t.Presses, fmt.Sprintf("north/p%02d", p))
	}
	const monday = 20458 // 2026-01-05
	t.Mondays = Mondays(monday, int32(monday+7*weeks-1))
	return t
}

// Within a block of weeks each press meets each schedule once; within a week the
// schedules are met by equally many presses, to one.
func TestAssignIsBalanced(t *testing.T) {
	for _, c := range []struct {
		presses, weeks int
		every          []int
	}{{12, 26, []int{1, 2}}, {5, 12, []int{1, 2, 3}}, {7, 17, []int{2, 1, 5, 7}}, {2, 11, []int{1, 4}}} {
		plan := trialPlan(c.presses, c.weeks, c.every...)
		if err := plan.Check(); err != nil {
			t.Fatal(err)
		}
		for draw := range uint64(200) {
			a := plan.Assign(plan.Seed, draw)
			k := len(c.every)
			for p := range a {
				for from := 0; from+k <= c.weeks; from += k {
					seen := map[int]bool{}
					for _, n := range a[p][from : from+k] {
						seen[n] = true
					}
					if len(seen) != k {
						t.Fatalf("draw %d, press %d, weeks from %d: %v", draw, p, from, a[p][from:from+k])
					}
				}
			}
			for w := range c.weeks {
				count := map[int]int{}
				for p := range a {
					count[a[p][w]]++
				}
				low, high := c.presses, 0
				for _, n := range c.every {
					low, high = min(low, count[n]), max(high, count[n])
				}
				if high-low > 1 {
					t.Fatalf("draw %d, week %d: %v", draw, w, count)
				}
			}
		}
	}
}

// With two presses and two schedules a block has two outcomes, equally likely
// and independent between blocks: over 4,000 draws the 16 outcomes of 4 blocks
// are uniform (chi-square), and every press meets every schedule equally often.
func TestAssignIsUniform(t *testing.T) {
	plan := trialPlan(2, 8, 1, 2)
	count := make([]float64, 16)
	const draws = 4000
	for d := range uint64(draws) {
		a := plan.Assign(9, d)
		at := 0
		for b := range 4 {
			at = 2*at + a[0][2*b] - 1
		}
		count[at]++
	}
	var chi float64
	for _, c := range count {
		chi += (c - draws/16) * (c - draws/16) / (draws / 16)
	}
	if p, _ := stats.ChiSquareUpper(chi, 15); p < 0.001 {
		t.Errorf("chi-square %.1f, p %.5f: %v", chi, p, count)
	}
}

// A plan is kept by its seed alone: this assignment must never change.
func TestAssignIsFrozen(t *testing.T) {
	plan := trialPlan(3, 9, 1, 2)
	const want = "[[1 2 1 2 1 2 1 2 1] [2 1 2 1 1 2 1 2 2] [2 1 2 1 2 1 2 1 1]]"
	if got := fmt.Sprint(plan.Assign(5, 0)); got != want {
		t.Errorf("assignment %s, want %s", got, want)
	}
}

func TestTrialPlanCheck(t *testing.T) {
	for want, spoil := range map[string]func(p *TrialPlan){
		"station":     func(p *TrialPlan) { p.Station = "" },
		"every has 1": func(p *TrialPlan) { p.Every = p.Every[:1] },
		"different":   func(p *TrialPlan) { p.Every[1] = 1 },
		"holds 31":    func(p *TrialPlan) { p.Every[1] = 31 },
		"at least 2":  func(p *TrialPlan) { p.Presses = p.Presses[:1] },
		"in order":    func(p *TrialPlan) { p.Presses[1] = p.Presses[0] },
		"at least 8":  func(p *TrialPlan) { p.Mondays = p.Mondays[:7] },
		"Monday":      func(p *TrialPlan) { p.Mondays[3]++ },
	} {
		p := trialPlan(4, 10, 1, 2)
		spoil(p)
		if err := p.Check(); !errors.Is(err, ErrSpec) || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q in %v", want, err)
		}
	}
	if m := Mondays(20459, 20458+21); len(m) != 2 || m[0] != 20465 {
		t.Errorf("Mondays %v", m)
	}
}
