package cleaning_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/timeline"
)

// What the crew states at the hand-back stays with its session, also where the
// close came too late to end it; without a close nothing was stated.
func TestChecks(t *testing.T) {
	l, p := newLog(t)
	closing := func(at, session string, c timeline.Checks) {
		l.Close(date+at, session)
		l.Events[len(l.Events)-1].Checks = c
	}
	l.Open(date+"06:00", "s", timeline.OccasionStartup)
	closing("06:20", "s", timeline.CheckTools|timeline.CheckIsolation)
	l.Open(date+"06:30", "s", timeline.OccasionStartup)
	closing("06:40", "s", timeline.CheckTools|timeline.CheckGuards|timeline.CheckIsolation)
	l.Open(date+"09:00", "late", timeline.OccasionOnDemand)
	closing("11:00", "late", timeline.CheckGuards)
	l.Open(date+"12:00", "never", timeline.OccasionOnDemand)
	var got []timeline.Checks
	for _, g := range cleaning.Groups(p, l.History(), nil) {
		got = append(got, g.Sessions[0].Checks)
	}
	const stated = timeline.CheckStated
	if want := []timeline.Checks{stated | 5, stated | 7, stated | 2, 0}; !slices.Equal(got, want) {
		t.Errorf("checks %v, want %v", got, want)
	}
}

// n chains at once: a station's press time is 1/n, the crew's own time is
// whole, and it is the own time that is held against the standard.
func TestOwnTime(t *testing.T) {
	l, p := newLog(t)
	l.Open(date+"17:00", "s", timeline.OccasionShutdown)
	for _, crew := range []string{"x", "y", "z"} {
		crewSign(l, "17:12", "s", crew, crew)
	}
	l.Close(date+"17:12", "s")
	v, _ := cleaning.Visits(p, l.History(), cleaning.Groups(p, l.History(), nil), nil, func(_, _ string) int64 { return 10 * minute })
	for _, x := range v {
		if x.Time != 4*minute || x.Own != 12*minute || !x.First || x.Mark != "" {
			t.Errorf("%+v", x)
		}
	}
}

func TestPropose(t *testing.T) {
	var v []cleaning.Visit
	add := func(n int, x cleaning.Visit) {
		for range n {
			v = append(v, x)
		}
	}
	for i := range 20 {
		add(1, cleaning.Visit{Own: int64(i+1) * minute, Time: minute})
	}
	add(1, cleaning.Visit{Own: 99 * minute, Mark: cleaning.MarkBatch})
	add(2, cleaning.Visit{Own: 99 * minute, Mark: cleaning.MarkShared})
	add(3, cleaning.Visit{Own: 99 * minute, Mark: cleaning.MarkDoubtful})
	add(4, cleaning.Visit{Own: 99 * minute, Interruption: 1})
	// n = 20: the median's 95 % interval is from the 6th to the 15th value
	// (Conover, Practical Nonparametric Statistics, table of the binomial; from
	// memory).
	p := cleaning.Propose(v, false)
	if !p.OK || p.N != 20 || p.Median != 10.5*60000 || p.Low != 6*60000 || p.High != 15*60000 || p.LeftOut() != 10 ||
		p.Batch != 1 || p.Shared != 2 || p.Doubtful != 3 || p.Interrupted != 4 {
		t.Errorf("%+v", p)
	}
	v[0].First = true
	if p := cleaning.Propose(v, false); !p.OK {
		t.Errorf("the first of a session, nothing to isolate: %+v", p)
	}
	if p := cleaning.Propose(v, true); p.OK || p.N != 19 || p.Isolating != 1 || p.Median != 0 {
		t.Errorf("19 are too few: %+v", p)
	}
}

// Twelve quiet weeks and one far out; weeks of few visits are left out.
func TestWeekly(t *testing.T) {
	visits := map[string][]cleaning.Visit{}
	week := func(n, visitsOf int, minutes int64) {
		key := fmt.Sprintf("2026-W%02d", n)
		for i := range visitsOf {
			visits[key] = append(visits[key], cleaning.Visit{Time: (minutes + int64(i%3) - 1) * minute})
		}
	}
	for i := range 12 {
		week(i+1, 6, 10+int64(i%2))
	}
	week(13, 6, 30)
	week(14, 4, 90)
	tr := cleaning.Weekly(visits)
	if !tr.OK || tr.Chart.N != 13 || len(tr.Weeks) != 14 {
		t.Fatalf("%+v", tr)
	}
	for i, w := range tr.Weeks {
		if far := i == 12; far != (w.Signals&stats.RuleBeyond3 != 0) {
			t.Errorf("week %+v", w)
		}
	}
	if w := tr.Weeks[13]; !w.LeftOut || w.Visits != 4 || w.Signals != 0 {
		t.Errorf("a week of four visits: %+v", w)
	}
	if tr := cleaning.Weekly(map[string][]cleaning.Visit{"2026-W01": visits["2026-W01"]}); tr.OK || len(tr.Weeks) != 1 {
		t.Errorf("one week: %+v", tr)
	}
}

// Cells under 5 badges or 20 sessions are refused, their complements too, and
// what could be had by subtraction.
func TestRefuse(t *testing.T) {
	n := 0
	cell := func(badges, sessions int) []cleaning.CellEntry {
		var out []cleaning.CellEntry
		for i := range sessions {
			n++
			out = append(out, cleaning.CellEntry{Group: "linden 2026-06", Crew: fmt.Sprintf("%d", n%1000*100+i%badges), Session: fmt.Sprint(n)})
			out[i].Crew = fmt.Sprintf("cell%d-%d", n-i, i%badges)
		}
		return out
	}
	plant := func(group string) string { p, _, _ := strings.Cut(group, " "); return p }
	tests := []struct {
		name  string
		cells cleaning.Cells
		want  string
	}{
		{"enough", cleaning.Cells{"a": cell(5, 20), "b": cell(5, 20)}, ""},
		{"19 sessions", cleaning.Cells{"a": cell(5, 19), "b": cell(9, 99)}, "a b"},
		{"4 badges", cleaning.Cells{"a": cell(4, 40), "b": cell(9, 99)}, "a b"},
		{"alone: no complement", cleaning.Cells{"a": cell(9, 99)}, "a"},
		{"the third by subtraction", cleaning.Cells{"a": cell(9, 99), "b": cell(9, 60), "c": cell(2, 5)}, "b c"},
		{"two small ones that are enough together", cleaning.Cells{"a": cell(9, 99), "b": cell(4, 30), "c": cell(4, 30)}, "b c"},
	}
	for _, tt := range tests {
		got := strings.Join(slices.Sorted(maps.Keys(tt.cells.Refuse(plant))), " ")
		if got != tt.want {
			t.Errorf("%s: refused %q, want %q", tt.name, got, tt.want)
		}
	}
	// One badge under three monthly names is one badge.
	var same []cleaning.CellEntry
	for i := range 60 {
		same = append(same, cleaning.CellEntry{Group: fmt.Sprintf("linden 2026-%02d", i%3+1), Crew: fmt.Sprintf("m%d-%d", i%3, i%2), Session: fmt.Sprint("s", i)})
	}
	if got := (cleaning.Cells{"a": same, "b": cell(9, 99)}).Refuse(plant); !got["a"] {
		t.Error("two badges over three months counted as six")
	}
}

func TestExpected(t *testing.T) {
	var v []cleaning.Visit
	for i := range 9 {
		v = append(v, cleaning.Visit{Own: int64(i+1) * minute})
	}
	v = append(v, cleaning.Visit{Own: minute, Mark: cleaning.MarkDoubtful})
	if _, ok := cleaning.Expected(v); ok {
		t.Error("nine visits are enough")
	}
	v = append(v, cleaning.Visit{Own: 10 * minute})
	if ms, ok := cleaning.Expected(v); !ok || ms != 330_000 {
		t.Errorf("%d, %v", ms, ok)
	}
	// Two chains share 12 min; 4 min after the last sign-off 2 are left, and 3 to close.
	if got := cleaning.ExpectedEnd(100*minute, 104*minute, []int64{5 * minute, 7 * minute}, 2, 3*minute); got != 109*minute {
		t.Errorf("expected end %d", got/minute)
	}
	if got := cleaning.ExpectedEnd(100*minute, 120*minute, []int64{5 * minute}, 1, 0); got != 120*minute {
		t.Errorf("overdue: %d", got/minute)
	}
}
