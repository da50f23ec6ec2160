package duty_test

import (
	"fmt"
	"testing"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/analytics/timeline/timelinetest"
)

// BenchmarkFold is one production day of a press with ten tasks and 16 h of
// one-minute slices.
func BenchmarkFold(b *testing.B) {
	w := &week{timelinetest.NewLog(b, "Europe/Berlin"), timelinetest.Press(b, "Europe/Berlin", timelinetest.TwoShifts(), randomPlan()...)}
	for d := 1; d <= 5; d++ {
		w.state(fmt.Sprintf("d%d 06:00", d), fmt.Sprintf("d%d 07:00", d), timeline.StateCleaning, "")
		w.produce(fmt.Sprintf("d%d 07:00", d), fmt.Sprintf("d%d 21:00", d))
		w.state(fmt.Sprintf("d%d 21:00", d), fmt.Sprintf("d%d 22:00", d), timeline.StateCleaning, "")
		w.sign(fmt.Sprintf("d%d 06:30", d), "start-a")
		w.sign(fmt.Sprintf("d%d 21:30", d), "shut-a")
		w.sign(fmt.Sprintf("d%d 21:40", d), "hours")
	}
	cal := w.p.Calendar
	day, next := cal.Plan(monday+2), cal.Plan(monday+3)
	h := w.Window(day)
	for b.Loop() {
		duty.Fold(w.p, duty.State{}, h, day, next, w.Frontier())
	}
}
