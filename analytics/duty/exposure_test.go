package duty_test

import (
	"testing"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
)

// exposureOf folds the week and returns a station's exposure on a day; ok is
// false where the day has none.
func (w *week) exposureOf(n int, station string) (duty.Exposure, bool) {
	w.T.Helper()
	rs := w.fold()
	if n > len(rs) {
		w.T.Fatalf("%d days", len(rs))
	}
	for _, x := range rs[n-1].Exposures {
		if x.Station == station {
			return x, true
		}
	}
	return duty.Exposure{}, false
}

// The study's exposure is whether the station was dirty when the day's run
// began, not what became of a duty (findings 1, 2 and 13 of the study rules).
func TestExposure(t *testing.T) {
	startup, shutdown := on(timeline.CadenceStartup), on(timeline.CadenceShutdown)
	tests := []struct {
		name  string
		tasks []timeline.Task
		do    func(w *week)
		day   int
		state duty.ExposureState
		inRow int
		late  bool
	}{
		{"start-up signed before the run", []timeline.Task{task("a", startup)}, func(w *week) {
			w.normal(1)
			w.sign("d1 06:50", "a")
		}, 1, duty.Cleaned, 0, false},
		{"start-up signed in the grace: the run began dirty", []timeline.Task{task("a", startup)}, func(w *week) {
			w.normal(1)
			w.sign("d1 07:10", "a")
			w.fill("d1 12:00")
		}, 1, duty.NotCleaned, 1, true},
		{"a missed shut-down acts on the next run day", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1, 2, 3)
			w.fill("d3 12:00")
			w.sign("d1 21:30", "a")
		}, 3, duty.NotCleaned, 1, false},
		{"and not on its own day", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1, 2, 3)
			w.fill("d3 12:00")
			w.sign("d1 21:30", "a")
		}, 2, duty.Cleaned, 0, false},
		{"before the first shut-down nothing is known", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1)
		}, 1, duty.NotKnown, 0, false},
		{"before the first weekly window nothing was required", []timeline.Task{task("a", fixed(3))}, func(w *week) {
			w.normal(1)
		}, 1, duty.Cleaned, 0, false},
		{"two in a row", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1, 2, 3)
			w.fill("d3 12:00")
		}, 3, duty.NotCleaned, 2, false},
		{"skipped is as dirty as missed", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1, 2)
			w.skip("d1 21:30", "a", "no-time")
			w.fill("d2 12:00")
		}, 2, duty.NotCleaned, 1, false},
		{"not in use is not exposed", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1, 2)
			w.skip("d1 21:30", "a", "not-in-use")
			w.fill("d2 12:00")
		}, 2, duty.NotExposed, 0, false},
		{"cleaned after the window, before the run", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1, 3)
			w.sign("d3 06:30", "a")
			w.fill("d3 12:00")
		}, 3, duty.Cleaned, 0, false},
		{"a clean during the run does not change it", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1, 2)
			w.sign("d2 09:30", "a")
			w.fill("d2 12:00")
		}, 2, duty.NotCleaned, 1, false},
		{"agent offline in the window", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.produce("d1 07:00", "d1 21:00") // 21:00–22:00 is silent
			w.state("d2 06:00", "d2 07:00", timeline.StateOff, "")
			w.normal(2)
		}, 2, duty.NotKnown, 0, false},
		{"weekly: dirty from the close of its window", []timeline.Task{task("a", fixed(3))}, func(w *week) {
			w.normal(1, 2, 3, 4, 5, 8, 9, 10)
			w.fill("d10 12:00")
		}, 10, duty.NotCleaned, 1, false},
		{"weekly: not before", []timeline.Task{task("a", fixed(3))}, func(w *week) {
			w.normal(1, 2, 3, 4, 5, 8, 9, 10)
			w.fill("d10 12:00")
		}, 9, duty.Cleaned, 0, false},
		{"one dirty task makes the station dirty", []timeline.Task{
			{Slug: "a", Station: "s", Triggers: []timeline.Trigger{startup}}, {Slug: "b", Station: "s", Triggers: []timeline.Trigger{shutdown}}}, func(w *week) {
			w.normal(1, 2)
			w.Sign(at("d2 06:50"), "", "a", "s")
			w.fill("d2 12:00")
		}, 2, duty.NotCleaned, 1, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := newWeek(t, tt.tasks...)
			tt.do(w)
			x, ok := w.exposureOf(tt.day, tt.tasks[0].Station)
			if !ok || x.State != tt.state || x.InRow != tt.inRow || x.LateStart != tt.late {
				t.Errorf("%+v (%v), want state %d, %d in a row, late %v", x, ok, tt.state, tt.inRow, tt.late)
			}
		})
	}
}

// Web and run time since the last clean: an inspection does not clean, a gap
// makes them lower bounds, a day without a run has no exposure.
func TestSinceClean(t *testing.T) {
	w := newWeek(t, task("a", every(timeline.CadenceRunHours, 1000)))
	w.normal(1)
	w.sign("d1 14:00", "a") // 7 h to go that day
	w.produce("d3 06:30", "d3 08:30")
	w.Add(timeline.Event{Kind: timeline.KindStationSignedOff, At: w.At(at("d3 12:00")), Task: "a", Station: "a",
		Outcome: timeline.OutcomeInspectedClean, Condition: 2})
	w.produce("d4 07:00", "d4 09:00")
	w.fill("d4 06:30") // 06:30 to 07:00 on d4 is unknown
	if x, ok := w.exposureOf(1, "a"); !ok || x.SinceMM != -1 || x.SinceMS != -1 || x.NextCondition != -1 {
		t.Errorf("never cleaned: %+v", x)
	}
	if x, ok := w.exposureOf(2, "a"); ok {
		t.Errorf("no run: %+v", x)
	}
	if x, _ := w.exposureOf(3, "a"); x.SinceMS != 7*timeline.Hour || x.SinceMM != 7*3_600_000 || x.AtLeast || x.NextCondition != 2 {
		t.Errorf("after 7 h: %+v", x)
	}
	if x, _ := w.exposureOf(4, "a"); x.SinceMS != 9*timeline.Hour || !x.AtLeast {
		t.Errorf("inspected, with a gap: %+v", x)
	}
}
