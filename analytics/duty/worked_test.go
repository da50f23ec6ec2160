package duty_test

import (
	"testing"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/analytics/timeline/timelinetest"
)

const minute = timeline.Minute

func fold(w timelinetest.Worked) (duty.Result, duty.State, *timeline.History, timeline.DayPlan) {
	day, next := w.Press.Calendar.Plan(w.Day), w.Press.Calendar.Plan(w.Day+1)
	h := w.Window(day)
	r, st := duty.Fold(w.Press, duty.State{}, h, day, next, w.Frontier())
	return r, st, h, day
}

func grantsOf(r duty.Result) map[timeline.ID]int64 {
	g := map[timeline.ID]int64{}
	for _, x := range r.Grants {
		g[x.SignOff] += x.Standard
	}
	return g
}

func standards(p *timeline.Press) func(task, station string) int64 {
	return func(task, _ string) int64 {
		for _, t := range p.Plans[0].Tasks {
			if t.Slug == task {
				return t.Standard
			}
		}
		return 0
	}
}

// The worked shifts of the accounting rules, by hand in exact fractions.
func TestWorkedShifts(t *testing.T) {
	tests := []struct {
		name      string
		w         timelinetest.Worked
		group     int
		allowance int64 // min
		visits    map[string]int64
		closing   int64
	}{
		{"early shift", timelinetest.Monday(t, true), 0, 24,
			map[string]int64{"treater": 7, "web-path": 6, "sensors": 5, "static-bar": 4}, 0},
		{"late shift as it stands", timelinetest.Monday(t, true), 1, 33,
			map[string]int64{"treater-shut": 12, "web-cleaner-shut": 4, "uv-1-shut": 20, "uv-2-shut": 13}, 6},
		{"late shift before Tuesday", timelinetest.Monday(t, false), 1, 38,
			map[string]int64{"treater-shut": 12, "web-cleaner-shut": 4, "uv-1-shut": 20, "static-bar-shut": 7, "uv-2-shut": 6}, 6},
		{"spring night", timelinetest.Spring(t), 0, 10,
			map[string]int64{"print-heads": 12, "web-cleaner": 20}, 3},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, _, h, day := fold(tt.w)
			groups := cleaning.Groups(tt.w.Press, h, grantsOf(r))
			if len(groups) <= tt.group {
				t.Fatalf("%d groups", len(groups))
			}
			g := groups[tt.group : tt.group+1]
			if g[0].Allowance != tt.allowance*minute {
				t.Errorf("allowance %v min, want %d", float64(g[0].Allowance)/60000, tt.allowance)
			}
			visits, closing := cleaning.Visits(tt.w.Press, h, g, timelinetest.Breaks(day), standards(tt.w.Press))
			if len(visits) != len(tt.visits) {
				t.Errorf("%d visits, want %d", len(visits), len(tt.visits))
			}
			for _, v := range visits {
				if v.Time != tt.visits[v.Task]*minute {
					t.Errorf("%s: %v min, want %d", v.Task, float64(v.Time)/60000, tt.visits[v.Task])
				}
			}
			if c := closing[g[0].Sessions[0].ID]; c != tt.closing*minute {
				t.Errorf("closing %v min, want %d", float64(c)/60000, tt.closing)
			}
		})
	}
}

func TestWorkedDuties(t *testing.T) {
	r, _, _, _ := fold(timelinetest.Monday(t, true))
	got := map[string]duty.Outcome{}
	for _, x := range r.Rows {
		got[x.Task] = x.Outcome
	}
	want := map[string]duty.Outcome{"treater": duty.OnTime, "web-path": duty.OnTime, "sensors": duty.OnTime, "static-bar": duty.OnTime,
		"treater-shut": duty.OnTime, "web-cleaner-shut": duty.OnTime, "uv-1-shut": duty.OnTime, "uv-2-shut": duty.OnTime,
		"static-bar-shut": duty.Skipped}
	for task, o := range want {
		if got[task] != o {
			t.Errorf("%s: %v, want %v", task, got[task], o)
		}
	}
	if len(got) != len(want) || len(r.Rows) != len(want) {
		t.Errorf("%d rows, want %d", len(r.Rows), len(want))
	}
}
