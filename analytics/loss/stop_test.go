package loss

import (
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
)

// Whole stops: one a stretch of one leaf and station, counted where it begins;
// over reasons, jobs, breaks, the end of a shift and of a day; not over
// production, another leaf or a night without a shift.
func TestStops(t *testing.T) {
	const P, D, W = timeline.StateProduction, timeline.StateDown, timeline.StateWaiting
	early := pattern("early", 360, 840, weekdays, timeline.Break{Start: 600, Length: 30 * timeline.Minute})
	late := pattern("late", 840, 1320, weekdays)
	night := pattern("night", 1320, 360, weekdays)
	tests := []struct {
		name   string
		shifts []timeline.ShiftPattern
		rows   []row
		day    string
		want   map[string]int64 // shift and leaf
		none   []string
	}{
		{"two reasons of one leaf are one stop", nil, []row{
			{"15 05:00", "15 06:00", P, "", "J1", 100, 100, 0},
			{"15 06:00", "15 06:05", D, "mechanical", "J1", 0, 0, 0},
			{"15 06:05", "15 06:20", D, "", "", 0, 0, 0},
			{"15 06:20", "15 06:30", P, "", "J1", 100, 100, 0},
			{"15 06:30", "15 06:35", D, "", "J1", 0, 0, 0},
		}, "2026-06-15", map[string]int64{"early other_breakdown": 2}, nil},
		{"another leaf ends a stop", nil, []row{
			{"15 06:00", "15 06:05", D, "", "", 0, 0, 0},
			{"15 06:05", "15 06:10", W, "", "", 0, 0, 0},
			{"15 06:10", "15 06:15", D, "", "", 0, 0, 0},
		}, "2026-06-15", map[string]int64{"early other_breakdown": 2, "early waiting": 1}, nil},
		{"a break does not end a stop", nil, []row{
			{"15 07:50", "15 08:00", D, "", "", 0, 0, 0}, // break 08:00Z to 08:30Z
			{"15 08:00", "15 08:30", timeline.StateOff, "", "", 0, 0, 0},
			{"15 08:30", "15 08:40", D, "", "", 0, 0, 0},
		}, "2026-06-15", map[string]int64{"early other_breakdown": 1}, nil},
		{"the end of a shift does not", []timeline.ShiftPattern{early, late}, []row{
			{"15 11:50", "15 12:20", D, "", "", 0, 0, 0},
		}, "2026-06-15", map[string]int64{"early other_breakdown": 1}, []string{"late other_breakdown"}},
		{"nor the end of a day: it was counted on the day before", []timeline.ShiftPattern{early, late, night}, []row{
			{"16 03:50", "16 04:20", D, "", "", 0, 0, 0},
			{"16 05:00", "16 05:10", D, "", "", 0, 0, 0},
		}, "2026-06-16", map[string]int64{"early other_breakdown": 1}, nil},
		{"a night without a shift does", nil, []row{
			{"15 11:50", "15 12:00", D, "", "", 0, 0, 0},
			{"15 12:00", "16 04:00", timeline.StateOff, "", "", 0, 0, 0},
			{"16 04:00", "16 04:20", D, "", "", 0, 0, 0},
		}, "2026-06-16", map[string]int64{"early other_breakdown": 1}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := &shiftCase{t: t, month: 6}
			c.rows(tt.rows)
			shifts := tt.shifts
			if shifts == nil {
				shifts = []timeline.ShiftPattern{early}
			}
			p := testPress(t, shifts...)
			d, _ := timeline.ParseDay(tt.day)
			plan := p.Calendar.Plan(d)
			before := p.Calendar.Plan(d - 1).Segments
			var breaks []timeline.Interval
			for _, s := range plan.Segments {
				if s.Break {
					breaks = append(breaks, s.Interval)
				}
			}
			res := Compute(Input{Press: p, History: timeline.Build(c.sl, nil, nil), Day: plan, Breaks: breaks, Frontier: plan.Span().To,
				PlannedBefore: before[len(before)-1].Planned})
			got := map[string]int64{}
			for _, f := range res.Facts {
				if f.Leaf != Unaccounted && f.Leaf != LeafProduction {
					got[f.Shift+" "+f.Leaf.Slug()] += f.Stops
				}
				if f.Leaf == LeafProduction && f.Stops != 0 || f.Leaf == OutsideWaste && f.Stops != 0 {
					t.Errorf("%+v", f)
				}
			}
			for k, n := range tt.want {
				if got[k] != n {
					t.Errorf("%s: %d stops, want %d", k, got[k], n)
				}
			}
			for _, k := range tt.none {
				if got[k] != 0 {
					t.Errorf("%s: %d stops, want none", k, got[k])
				}
			}
		})
	}
}
