package duty_test

import (
	"testing"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/analytics/timeline/timelinetest"
)

// roundTheClock is a press in three shifts, day starting at 06:00.
func roundTheClock(t *testing.T, tasks ...timeline.Task) *week {
	w := newWeek(t, tasks...)
	w.p.Calendar.Patterns[0].Shifts = []timeline.ShiftPattern{
		timelinetest.Shift("early", 6*60, 14*60, timelinetest.Weekdays),
		timelinetest.Shift("late", 14*60, 22*60, timelinetest.Weekdays),
		timelinetest.Shift("night", 22*60, 6*60, timelinetest.Weekdays),
	}
	return w
}

// A shift across midnight belongs to the day it starts on: so do its duties.
func TestDutiesAcrossMidnight(t *testing.T) {
	w := roundTheClock(t, task("a", on(timeline.CadenceShutdown)), task("b", on(timeline.CadenceStartup)))
	w.produce("d1 06:30", "d2 05:30")
	w.produce("d2 06:30", "d3 05:30")
	w.sign("d2 05:50", "a") // of Monday: its night shift ends at 06:00
	w.sign("d3 06:20", "a") // of Tuesday, within the grace
	w.sign("d2 06:10", "b")
	w.fill("d3 12:00")
	w.produce("d3 12:00", "d3 13:00")
	if got, want := w.rows("a"), "d1 on time, d2 on time"; got != want {
		t.Errorf("shut-down: %s, want %s", got, want)
	}
	if got, want := w.rows("b"), "d1 missed, d2 on time, d3 missed"; got != want {
		t.Errorf("start-up: %s, want %s", got, want)
	}
}

// A session over the boundary of two production days has one allowance,
// whichever of the two days is folded, and a clean done the evening before earns
// its standard that evening.
func TestGrantsAcrossDays(t *testing.T) {
	w := roundTheClock(t, task("shut", on(timeline.CadenceShutdown)), task("start", on(timeline.CadenceStartup)), task("early", on(timeline.CadenceStartup)))
	w.produce("d1 06:30", "d2 05:30")
	w.produce("d2 06:30", "d3 05:30")
	w.Open(at("d2 05:40"), "s", timeline.OccasionShutdown)
	w.Sign(at("d2 05:50"), "s", "shut", "shut")
	w.Sign(at("d2 05:55"), "s", "early", "early") // of Tuesday's start
	w.Sign(at("d2 06:05"), "s", "start", "start")
	w.Close(at("d2 06:10"), "s")
	w.fill("d3 12:00")
	rs := w.fold()
	for i, r := range rs[:2] {
		day := w.p.Calendar.Plan(monday + timeline.Day(i))
		groups := cleaning.Groups(w.p, w.Window(day), grantsOf(r))
		if len(groups) != 1 || groups[0].Allowance != 15*minute {
			t.Errorf("day %d: %+v", i+1, groups)
		}
	}
	// And only once: no duty of a third day claims them.
	for _, g := range rs[2].Grants {
		if g.At < w.At(at("d3 06:00")) {
			t.Errorf("claimed again: %+v", g)
		}
	}
}

// A sign-off in the window of a duty that ends not required still grants.
func TestGrantWithoutRun(t *testing.T) {
	w := newWeek(t, task("a", on(timeline.CadenceStartup)))
	w.normal(1)
	w.sign("d1 06:50", "a")
	id := w.sign("d2 06:10", "a") // cleaned, then the order was cancelled
	w.fill("d3 06:00")
	r := w.fold()[1]
	if len(r.Rows) != 1 || r.Rows[0].Outcome != duty.NotRequired || r.Rows[0].DoneBy != id {
		t.Fatalf("%+v", r.Rows)
	}
	if g := grantsOf(r); g[id] != 5*minute {
		t.Errorf("%+v", r.Grants)
	}
}

// The row of a duty names its window.
func TestRowInstants(t *testing.T) {
	w := newWeek(t, task("a", on(timeline.CadenceStartup), on(timeline.CadenceShutdown)))
	w.normal(1, 2)
	id := w.sign("d1 06:50", "a")
	w.fill("d3 12:00")
	rows := w.fold()[1].Rows
	want := []duty.Row{
		{Day: monday + 1, Task: "a", Station: "a", Cadence: timeline.CadenceStartup, Opens: w.At(at("d1 21:00")), Due: w.At(at("d2 07:00")),
			Closes: w.At(at("d2 07:30")), Outcome: duty.Missed},
		{Day: monday + 1, Task: "a", Station: "a", Cadence: timeline.CadenceShutdown, Opens: w.At(at("d2 20:00")), Due: w.At(at("d2 22:00")),
			Closes: w.At(at("d3 09:00")), Outcome: duty.Missed},
	}
	for i := range want {
		if i >= len(rows) || rows[i] != want[i] {
			t.Fatalf("\n got %+v\nwant %+v", rows, want)
		}
	}
	if r := w.fold()[0].Rows[0]; r.DoneAt != w.At(at("d1 06:50")) || r.DoneBy != id {
		t.Errorf("%+v", r)
	}
}

// Clock duties follow each other: four fifths of 5 h, 5 h, 10 h; the next opens
// when the one before is missed.
func TestClockRounds(t *testing.T) {
	w := newWeek(t, task("a", every(timeline.CadenceRunHours, 5)))
	w.normal(1)
	w.fill("d1 21:00")
	rows := w.fold()[0].Rows
	want := []duty.Row{
		{Day: monday, Task: "a", Station: "a", Cadence: timeline.CadenceRunHours, Opens: w.At(at("d1 11:00")), Due: w.At(at("d1 12:00")),
			Closes: w.At(at("d1 17:00")), Outcome: duty.Missed},
		{Day: monday, Task: "a", Station: "a", Cadence: timeline.CadenceRunHours, Opens: w.At(at("d1 17:00")), Due: w.At(at("d1 17:00")), Outcome: duty.Open},
	}
	if len(rows) != 2 || rows[0] != want[0] || rows[1] != want[1] {
		t.Errorf("\n got %+v\nwant %+v", rows, want)
	}
}
