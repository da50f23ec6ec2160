package projector

import (
	"testing"

	"github.com/downweb/downweb/analytics/loss"
	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/analytics/timeline/timelinetest"
)

// A task of safety has no overrun: of 13 + 15 min against standards of 8 + 10,
// the 5 min of the lamp's guard are planned cleaning, only the treater's 5 are
// overrun. The lamp's guard signed although it was not due keeps its time too.
func TestSafetyTasksHaveNoOverrun(t *testing.T) {
	cal := &timeline.Calendar{Patterns: []timeline.Pattern{{ValidFrom: timeline.NoDay, Cycle: 1,
		Shifts: []timeline.ShiftPattern{timelinetest.Shift("early", 360, 840, []int{1, 2, 3, 4, 5})}}}}
	fold := func(safety bool, cadence timeline.Cadence) timeline.PressDay {
		p := timelinetest.Press(t, "Europe/Berlin", cal)
		p.OpenClose = 0
		p.Plans = []timeline.Plan{{ValidFrom: timeline.NoDay, Tasks: []timeline.Task{
			{Slug: "guard", Station: "uv-1", Standard: 8 * timeline.Minute, Safety: safety, Triggers: []timeline.Trigger{{Cadence: cadence, AnchorDay: 5}}},
			{Slug: "treater", Station: "treater", Standard: 10 * timeline.Minute, Triggers: []timeline.Trigger{{Cadence: timeline.CadenceShutdown}}},
		}}}
		l := timelinetest.NewLog(t, "Europe/Berlin")
		l.Run("2026-06-15 06:00", "2026-06-15 13:00", timeline.StateProduction, "J", 100_000, 40_000_000, 400_000)
		l.Run("2026-06-15 13:00", "2026-06-15 13:28", timeline.StateCleaning, "", 0, 0, 0)
		l.Open("2026-06-15 13:00", "s", timeline.OccasionShutdown)
		l.Sign("2026-06-15 13:13", "s", "guard", "uv-1")
		l.Sign("2026-06-15 13:28", "s", "treater", "treater")
		l.Close("2026-06-15 13:28", "s")
		m := &memory{sl: l.Slices, ev: l.Events}
		return m.whole(t, p).Days[0]
	}
	for _, tt := range []struct {
		safety           bool
		cadence          timeline.Cadence
		planned, overrun int64
	}{
		{false, timeline.CadenceShutdown, 18, 10},
		{true, timeline.CadenceShutdown, 23, 5},
		{false, timeline.CadenceWeekly, 10, 18},
		{true, timeline.CadenceWeekly, 23, 5},
	} {
		r := fold(tt.safety, tt.cadence)
		if a, b := r.In[loss.PlannedCleaning].US/60e6, r.In[loss.CleaningOverrun].US/60e6; a != tt.planned || b != tt.overrun {
			t.Errorf("safety %v, cadence %d: planned %d, overrun %d min; want %d and %d", tt.safety, tt.cadence, a, b, tt.planned, tt.overrun)
		}
	}
}
