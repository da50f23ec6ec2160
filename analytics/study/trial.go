package study

import (
	"fmt"
	"slices"

	"github.com/downweb/downweb/analytics/stats"
)

// TrialPlan assigns one of several cleaning schedules of one station to every
// press and ISO week at random. It is a function of what stands here: the same
// plan gives the same assignment on any machine.
//
// Windows are counted within the press's week: its first required window is
// cleaned under every schedule (that washes out what the week before left), then
// every n-th.
type TrialPlan struct {
	Station string   `json:"station"`
	Presses []string `json:"presses"` // "plant/press", in byte order
	Mondays []int32  `json:"mondays"` // Monday of each week, days since 1970-01-01, rising
	Every   []int    `json:"every"`   // schedules: clean at every n-th required window; 1 is today's
	Seed    uint64   `json:"seed"`
}

// Limits of a plan.
const (
	maxTrialEvery     = 30
	maxTrialSchedules = 5
	minTrialBlocks    = 4 // every press meets each schedule this often
)

// Check returns an ErrSpec that names the first field out of range.
func (t *TrialPlan) Check() error {
	bad := func(field, format string, a ...any) error {
		return fmt.Errorf("%w: trial.%s %s", ErrSpec, field, fmt.Sprintf(format, a...))
	}
	if t.Station == "" {
		return bad("station", "is empty")
	}
	if k := len(t.Every); k < 2 || k > maxTrialSchedules {
		return bad("every", "has %d schedules, want 2…%d", k, maxTrialSchedules)
	}
	for i, n := range t.Every {
		if n < 1 || n > maxTrialEvery || slices.Contains(t.Every[:i], n) {
			return bad("every", "holds %d, want different numbers of 1…%d", n, maxTrialEvery)
		}
	}
	if len(t.Presses) < 2 {
		return bad("presses", "are %d, want at least 2", len(t.Presses))
	}
	for i, p := range t.Presses {
		if p == "" || i > 0 && p <= t.Presses[i-1] {
			return bad("presses", "must be in order, each once: %q", p)
		}
	}
	if w, need := len(t.Mondays), minTrialBlocks*len(t.Every); w < need {
		return bad("period", "holds %d whole ISO weeks, want at least %d", w, need)
	}
	for i, d := range t.Mondays {
		if (&Row{Day: d}).Weekday() != 1 || i > 0 && d <= t.Mondays[i-1] {
			return bad("period", "week %d does not start on a Monday after the one before", i+1)
		}
	}
	return nil
}

// Mondays lists the Mondays of the whole ISO weeks inside first…last, days
// since 1970-01-01.
func Mondays(first, last int32) (out []int32) {
	for first+6 <= last {
		if (&Row{Day: first}).Weekday() == 1 {
			out = append(out, first)
			first += 7
		} else {
			first++
		}
	}
	return out
}

// Assign draws an assignment: for each press (order of Presses) and each week
// (order of Mondays) the schedule, an element of Every. Draw 0 is the plan;
// draws 1, 2, … are what it might have been, for the test. seed is the plan's
// for the plan, the study's for the test.
//
// The randomisation is restricted, in blocks of as many weeks as there are
// schedules: within a block every press meets every schedule once, and within a
// week the schedules are met by equally many presses, to one. So neither a
// press, nor its trend, nor a week favours a schedule; as whole weeks are
// assigned, no weekday does. A block is a cyclic square whose presses, weeks and
// schedules are put in random order, each order equally likely (Fisher and
// Yates). The last block may be cut.
func (t *TrialPlan) Assign(seed, draw uint64) [][]int {
	g := assigner{plan: t, rnd: stats.Random{Seed: seed}, out: make([][]int, len(t.Presses)),
		presses: make([]int, len(t.Presses)), weeks: make([]int, len(t.Every)), schedules: make([]int, len(t.Every))}
	for p := range g.out {
		g.out[p] = make([]int, len(t.Mondays))
	}
	g.draw(draw)
	return g.out
}

// assigner draws again and again into the same table.
type assigner struct {
	plan                      *TrialPlan
	rnd                       stats.Random
	out                       [][]int
	presses, weeks, schedules []int
	at                        uint64
}

// trialStream keeps a plan's random numbers apart from the shifts of a study
// with the same seed.
const trialStream = 1 << 40

func (g *assigner) draw(draw uint64) {
	g.at = 0
	k := len(g.plan.Every)
	shuffle := func(x []int) {
		for i := range x {
			x[i] = i
		}
		for i := len(x) - 1; i > 0; i-- {
			j := g.rnd.IntN(trialStream+draw, g.at, i+1)
			g.at++
			x[i], x[j] = x[j], x[i]
		}
	}
	for from := 0; from < len(g.plan.Mondays); from += k {
		shuffle(g.presses)
		shuffle(g.weeks)
		shuffle(g.schedules)
		for i, p := range g.presses {
			for w := from; w < min(from+k, len(g.plan.Mondays)); w++ {
				g.out[p][w] = g.plan.Every[g.schedules[(i+g.weeks[w-from])%k]]
			}
		}
	}
}
