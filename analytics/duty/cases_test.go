package duty_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/analytics/timeline/timelinetest"
)

// week is a press-week written as a script: days are d1 (Mon 2026-06-15) to
// d7 and beyond, times local.
type week struct {
	*timelinetest.Log
	p *timeline.Press
}

func newWeek(t *testing.T, tasks ...timeline.Task) *week {
	return &week{timelinetest.NewLog(t, "Europe/Berlin"), timelinetest.Press(t, "Europe/Berlin", timelinetest.TwoShifts(), tasks...)}
}

const monday = 20619 // 2026-06-15

func dayName(n int) string { return (timeline.Day(monday) + timeline.Day(n-1)).String() }

// at turns "d2 06:30" into "2026-06-16 06:30".
func at(s string) string {
	var n int
	var clock string
	if _, err := fmt.Sscanf(s, "d%d %s", &n, &clock); err != nil {
		panic(s)
	}
	return dayName(n) + " " + clock
}

// produce runs job J1 at 1 m/s... 60 m a minute: 3.6 km an hour.
func (w *week) produce(from, to string) { w.state(from, to, timeline.StateProduction, "J1") }

func (w *week) state(from, to string, s timeline.State, job string) {
	a, b := w.At(at(from)), w.At(at(to))
	var good int64
	if s == timeline.StateProduction {
		good = (b - a) // 1 mm a ms: 60 m a minute
	}
	w.RunAt(a, b, s, job, 60_000, good, 0)
}

// fill gives every planned minute without a slice the state OFF, up to an
// instant.
func (w *week) fill(to string) {
	end := w.At(at(to))
	h := w.History().Slices
	for d := timeline.Day(monday) - 1; ; d++ {
		pl := w.p.Calendar.Plan(d)
		if pl.Start >= end {
			return
		}
		for _, s := range pl.Segments {
			for m := s.From; m < min(s.To, end); m += timeline.Minute {
				if iv := (timeline.Interval{From: m, To: m + timeline.Minute}); len(timeline.SlicesIn(h, iv)) == 0 {
					w.RunAt(m, m+timeline.Minute, timeline.StateOff, "", 0, 0, 0)
				}
			}
		}
	}
}

// sign signs a task off outside any session.
func (w *week) sign(when, task string) timeline.ID { return w.Sign(at(when), "", task, task) }

func (w *week) skip(when, task, reason string) { w.Skip(at(when), "", task, task, reason) }

// rows folds day by day, each from its own window and the state's bytes, and
// prints the rows of a task as "d1 on time", in order.
func (w *week) rows(task string) string {
	w.T.Helper()
	rs := w.fold()
	var out []string
	for _, r := range rs {
		for _, x := range r.Rows {
			if x.Task == task {
				s := fmt.Sprintf("d%d %v", int(x.Day)-monday+1, x.Outcome)
				if x.ThirdSkip {
					s += " (third skip)"
				}
				out = append(out, s)
			}
		}
	}
	return strings.Join(out, ", ")
}

func (w *week) fold() []duty.Result {
	w.T.Helper()
	return foldDays(w.T, w.p, w.Log, monday, w.Frontier())
}

// foldDays folds from a day to the frontier, handing the state on as bytes.
func foldDays(t testing.TB, p *timeline.Press, l *timelinetest.Log, from timeline.Day, frontier int64) []duty.Result {
	t.Helper()
	var out []duty.Result
	var b []byte
	for d := from; ; d++ {
		day := p.Calendar.Plan(d)
		if day.Span().From >= frontier {
			return out
		}
		st, err := duty.ParseState(b)
		if err != nil {
			t.Fatal(err)
		}
		r, next := duty.Fold(p, st, l.Window(day), day, p.Calendar.Plan(d+1), frontier)
		out = append(out, r)
		b = next.Append(nil)
	}
}

func task(slug string, tr ...timeline.Trigger) timeline.Task {
	return timeline.Task{Slug: slug, Station: slug, Standard: 5 * timeline.Minute, Triggers: tr}
}

func on(c timeline.Cadence) timeline.Trigger { return timeline.Trigger{Cadence: c} }

func every(c timeline.Cadence, n float64) timeline.Trigger {
	return timeline.Trigger{Cadence: c, Every: n}
}

// weekday of a fixed weekly duty.
func fixed(d int) timeline.Trigger {
	return timeline.Trigger{Cadence: timeline.CadenceWeekly, AnchorDay: d}
}

// normal is a press that runs every weekday d1–d5 from 07:00 to 21:00.
func (w *week) normal(days ...int) {
	for _, d := range days {
		w.produce(fmt.Sprintf("d%d 07:00", d), fmt.Sprintf("d%d 21:00", d))
	}
}

func TestDuties(t *testing.T) {
	startup, shutdown := on(timeline.CadenceStartup), on(timeline.CadenceShutdown)
	tests := []struct {
		name  string
		tasks []timeline.Task
		do    func(w *week)
		want  string // rows of task "a"
	}{
		{"start-up: on time, within the grace, after it, not at all", []timeline.Task{task("a", startup)}, func(w *week) {
			w.normal(1, 2, 3, 4)
			w.sign("d1 06:50", "a")
			w.sign("d2 07:30", "a") // 07:00 + 30 min
			w.sign("d3 07:31", "a") // the window is closed
			w.fill("d5 06:00")
		}, "d1 on time, d2 on time, d3 missed, d4 missed"},
		{"start-up: tighter grace of its own is late inside the window", []timeline.Task{
			{Slug: "a", Station: "a", Grace: 10 * minute, Triggers: []timeline.Trigger{startup}}}, func(w *week) {
			w.normal(1)
			w.sign("d1 07:20", "a")
			w.fill("d2 06:00")
		}, "d1 late"},
		{"start-up clean done the evening before", []timeline.Task{task("a", startup)}, func(w *week) {
			w.normal(1, 2)
			w.sign("d1 06:50", "a")
			w.sign("d1 21:30", "a")
			w.fill("d3 06:00")
		}, "d1 on time, d2 on time"},
		{"start-up clean older than 16 h at first production", []timeline.Task{task("a", startup)}, func(w *week) {
			w.produce("d1 07:00", "d1 14:00")
			w.produce("d2 07:00", "d2 14:00")
			w.sign("d1 06:50", "a")
			w.sign("d1 14:59", "a") // 16 h 1 min before
			w.fill("d3 06:00")
		}, "d1 on time, d2 missed"},
		{"press idle for days", []timeline.Task{task("a", startup)}, func(w *week) {
			w.normal(1, 4)
			w.sign("d1 06:50", "a")
			w.sign("d4 06:50", "a")
			w.fill("d5 06:00")
		}, "d1 on time, d2 not required, d3 not required, d4 on time"},
		{"a run of 9 min is no run, one of 10 min is", []timeline.Task{task("a", startup)}, func(w *week) {
			w.produce("d1 07:00", "d1 07:09")
			w.produce("d2 07:00", "d2 07:10")
			w.fill("d3 06:00")
		}, "d1 not required, d2 missed"},
		{"weekend makes no row", []timeline.Task{task("a", startup)}, func(w *week) {
			w.normal(5, 8)
			w.sign("d5 06:50", "a")
			w.sign("d8 06:50", "a")
			w.fill("d9 06:00")
		}, "d1 not required, d2 not required, d3 not required, d4 not required, d5 on time, d8 on time"},
		{"silent planned time could hide a run", []timeline.Task{task("a", startup), task("b", shutdown)}, func(w *week) {
			w.normal(1, 3)
			w.sign("d1 06:50", "a")
			w.sign("d3 06:50", "a")
			w.fill("d2 06:00") // nothing of Tuesday
			w.state("d3 06:00", "d3 07:00", timeline.StateOff, "")
			w.state("d3 21:00", "d4 06:00", timeline.StateOff, "")
		}, "d1 on time, d2 unknown, d3 on time"},
		{"agent offline during the clean", []timeline.Task{task("a", startup)}, func(w *week) {
			w.fill("d2 06:10")
			w.state("d2 06:40", "d2 07:00", timeline.StateOff, "")
			w.normal(2)
			w.state("d2 21:00", "d3 06:00", timeline.StateOff, "")
		}, "d1 not required, d2 unknown"},
		{"30 s offline cannot hide a clean", []timeline.Task{task("a", startup)}, func(w *week) {
			w.fill("d2 06:10")
			w.RunAt(w.At(at("d2 06:10"))+30_000, w.At(at("d2 07:00")), timeline.StateOff, "", 0, 0, 0)
			w.normal(2)
			w.fill("d3 06:00")
		}, "d1 not required, d2 missed"},
		{"shut-down: on time, by grace, late, missed", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1, 2, 3, 4, 5)
			w.sign("d1 21:30", "a")
			w.sign("d2 22:30", "a") // shift end + 30 min
			w.sign("d4 05:00", "a") // of Wednesday: 8 h after the last production
			w.fill("d6 12:00")
		}, "d1 on time, d2 on time, d3 late, d4 missed, d5 missed"},
		{"shut-down: before the window opens it does not count", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1)
			w.sign("d1 19:59", "a")
			w.fill("d2 12:00")
		}, "d1 missed"},
		{"shut-down: closed by the next first production", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1)
			w.produce("d2 06:00", "d2 12:00")
			w.sign("d2 06:01", "a")
			w.fill("d3 12:00")
		}, "d1 missed, d2 missed"},
		{"shut-down: closed 12 h after the last production", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1)
			w.sign("d2 09:00", "a") // 12 h
			w.normal(3)
			w.sign("d4 09:01", "a")
			w.fill("d4 12:00")
		}, "d1 late, d2 not required, d3 missed"},
		{"shut-down: a press that stopped at noon still has a window", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.produce("d1 06:10", "d1 07:00")
			w.sign("d1 07:30", "a")
			w.fill("d2 12:00")
		}, "d1 on time"},
		{"skips by class", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1, 2, 3)
			w.skip("d1 21:30", "a", "no-time")
			w.skip("d2 21:30", "a", "not-in-use")
			w.sign("d3 21:30", "a")
			w.fill("d4 12:00")
		}, "d1 skipped, d2 not required, d3 on time"},
		{"third skip in a row shows as missed, a clean starts anew", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1, 2, 3, 4, 5)
			for _, d := range []int{1, 2, 3, 5} {
				w.skip(fmt.Sprintf("d%d 21:30", d), "a", "no-time")
			}
			w.sign("d4 21:30", "a")
			w.fill("d6 12:00")
		}, "d1 skipped, d2 skipped, d3 missed (third skip), d4 on time, d5 skipped"},
		{"a clean after a skip in the window counts", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1)
			w.skip("d1 21:10", "a", "no-time")
			w.sign("d1 21:50", "a")
			w.fill("d2 05:00")
		}, "d1 on time"},
		{"voided sign-off", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1)
			w.Void(at("d2 08:00"), w.sign("d1 21:30", "a"))
			w.fill("d2 12:00")
		}, "d1 missed"},
		{"the same sign-off from two sources", []timeline.Task{task("a", startup, shutdown)}, func(w *week) {
			w.produce("d1 07:00", "d1 21:00")
			w.produce("d2 07:00", "d2 21:00")
			w.sign("d1 06:50", "a")
			for range 2 { // one touch fed twice under its own key: one duty, not two
				w.Add(timeline.Event{Kind: timeline.KindStationSignedOff, At: w.At(at("d1 21:30")), Task: "a", Station: "a",
					SourceKey: "k1", Outcome: timeline.OutcomeCleaned, Condition: -1})
			}
			w.fill("d2 22:00")
		}, "d1 on time, d1 on time, d2 missed, d2 open"},
		{"one sign-off discharges one duty of a task", []timeline.Task{task("a", startup, shutdown)}, func(w *week) {
			w.normal(1, 2)
			w.sign("d1 06:50", "a")
			w.sign("d1 21:30", "a")
			w.sign("d2 21:30", "a")
			w.fill("d3 05:00")
		}, "d1 on time, d1 on time, d2 missed, d2 on time"},
		{"also discharges", []timeline.Task{
			{Slug: "b", Station: "b", Triggers: []timeline.Trigger{startup}, AlsoDischarges: []string{"a"}}, task("a", startup)}, func(w *week) {
			w.normal(1, 2)
			w.sign("d1 06:50", "b")
			w.sign("d2 06:50", "a")
			w.fill("d3 05:00")
		}, "d1 on time, d2 on time"},
		{"a sign-off that names only the station", []timeline.Task{task("a", startup)}, func(w *week) {
			w.normal(1)
			w.Sign(at("d1 06:50"), "", "", "a")
			w.fill("d2 05:00")
		}, "d1 on time"},
		{"a station with two tasks: the session's occasion says which", []timeline.Task{
			task("a", startup), {Slug: "b", Station: "a", Triggers: []timeline.Trigger{shutdown}}}, func(w *week) {
			w.normal(1, 2)
			w.Open(at("d1 06:40"), "s1", timeline.OccasionStartup)
			w.Sign(at("d1 06:50"), "s1", "", "a")
			w.Open(at("d1 21:10"), "s2", timeline.OccasionShutdown)
			w.Sign(at("d1 21:20"), "s2", "", "a")
			w.Sign(at("d2 06:50"), "", "", "a") // could be either: neither
			w.fill("d3 05:00")
		}, "d1 on time, d2 missed"},
		{"weekly, fixed to Wednesday: early on the day, late, missed", []timeline.Task{task("a", fixed(3))}, func(w *week) {
			w.normal(1, 2, 3, 4, 5, 8, 9, 10, 11, 12, 15, 16, 17, 18, 19, 22, 23, 24)
			w.sign("d3 10:00", "a")
			w.sign("d11 10:00", "a")
			w.fill("d24 23:00")
		}, "d3 on time, d11 late, d23 missed, d24 open"},
		{"weekly, fixed: a clean two days before does not count", []timeline.Task{task("a", fixed(5))}, func(w *week) {
			w.normal(1, 2, 3, 4, 5)
			w.sign("d3 10:00", "a")
			w.fill("d5 23:00")
		}, "d5 open"},
		{"weekly, counted from the last sign-off", []timeline.Task{task("a", fixed(0))}, func(w *week) {
			w.normal(1, 2, 3, 4, 5, 8, 9, 10, 11, 12, 15, 16, 17)
			w.sign("d2 10:00", "a")  // resets, nothing was open
			w.sign("d10 09:00", "a") // due d9 22:00 + 30 min: late
			w.fill("d17 23:00")
		}, "d10 late, d17 open"},
		{"due on a closed day: at the last shift before it", []timeline.Task{task("a", fixed(3))}, func(w *week) {
			w.p.Calendar.Closed = map[timeline.Day]string{monday + 2: "holiday"}
			w.normal(1, 2, 4)
			w.sign("d2 22:31", "a") // due Tuesday 22:00
			w.fill("d4 23:00")
		}, "d2 late"},
		{"every 2 days", []timeline.Task{task("a", every(timeline.CadenceDays, 2))}, func(w *week) {
			w.normal(1, 2, 3, 4, 5)
			w.sign("d1 06:30", "a")
			w.sign("d3 21:00", "a") // due d3 22:00
			w.fill("d5 23:00")
		}, "d3 on time, d5 open"},
		{"clock of a press that did not run is not required", []timeline.Task{task("a", every(timeline.CadenceDays, 2))}, func(w *week) {
			w.fill("d6 00:00")
		}, "d5 not required, d5 open"},
		{"run hours: due at the crossing, late, reset", []timeline.Task{task("a", every(timeline.CadenceRunHours, 10))}, func(w *week) {
			w.normal(1, 2)
			w.produce("d3 07:00", "d3 08:00")
			w.sign("d1 18:00", "a") // due 17:00
			w.sign("d2 14:00", "a") // 3 + 7 h: exactly due
			w.fill("d3 08:00")
		}, "d1 late, d2 on time"},
		{"run hours: missed when due again", []timeline.Task{task("a", every(timeline.CadenceRunHours, 5))}, func(w *week) {
			w.normal(1)
			w.fill("d2 05:00")
		}, "d1 missed, d1 open"},
		{"km count in every state", []timeline.Task{task("a", every(timeline.CadenceRunKm, 3.6))}, func(w *week) {
			w.RunAt(w.At(at("d1 06:30")), w.At(at("d1 07:00")), timeline.StateSetup, "J1", 0, 0, 1_800_000)
			w.produce("d1 07:00", "d1 07:40") // 1.8 km more at 07:30
			w.sign("d1 08:01", "a")
			w.state("d1 07:40", "d1 09:00", timeline.StateOff, "")
		}, "d1 late"},
		{"whichever first, and a sign-off resets all", []timeline.Task{task("a", every(timeline.CadenceDays, 3), every(timeline.CadenceRunHours, 20))}, func(w *week) {
			w.normal(1, 2, 3)
			w.sign("d2 12:00", "a") // 19 of 20 h: on time by hours
			w.sign("d3 16:00", "a") // 18 h
			w.fill("d4 06:00")
		}, "d2 on time, d3 on time"},
		{"counter reset by an early clean makes no row", []timeline.Task{task("a", every(timeline.CadenceRunHours, 10))}, func(w *week) {
			w.normal(1)
			w.produce("d2 07:00", "d2 09:00")
			w.sign("d1 12:00", "a")
			w.fill("d2 07:00")
		}, "d2 open"},
		{"skip of a clock duty", []timeline.Task{task("a", every(timeline.CadenceRunHours, 5))}, func(w *week) {
			w.normal(1)
			w.skip("d1 12:10", "a", "no-time")
			w.fill("d1 21:00")
		}, "d1 skipped, d1 open"}, // due again at 17:00
		{"job change", []timeline.Task{task("a", on(timeline.CadenceJobChange))}, func(w *week) {
			w.Add(timeline.Event{Kind: timeline.KindJobStarted, At: w.At(at("d1 06:00")), Job: "J1", Family: "paper", Condition: -1})
			w.Add(timeline.Event{Kind: timeline.KindJobStarted, At: w.At(at("d1 10:00")), Job: "J2", Family: "film", Condition: -1})
			w.Add(timeline.Event{Kind: timeline.KindJobStarted, At: w.At(at("d1 14:00")), Job: "J3", Family: "film", Condition: -1})
			w.Add(timeline.Event{Kind: timeline.KindJobStarted, At: w.At(at("d2 06:00")), Job: "J4", Family: "paper", Condition: -1})
			w.state("d1 07:00", "d1 10:00", timeline.StateProduction, "J1")
			w.state("d1 11:00", "d1 14:00", timeline.StateProduction, "J2")
			w.state("d1 15:00", "d1 18:00", timeline.StateProduction, "J3")
			w.state("d2 07:00", "d2 10:00", timeline.StateProduction, "J4")
			w.sign("d1 10:30", "a")
			w.sign("d1 20:00", "a")
			w.fill("d2 12:00")
		}, "d1 on time, d2 on time"},
		{"job change: same family where the plan says so", []timeline.Task{task("a", timeline.Trigger{Cadence: timeline.CadenceJobChange, SameFamily: true})}, func(w *week) {
			w.Add(timeline.Event{Kind: timeline.KindJobStarted, At: w.At(at("d1 06:00")), Job: "J1", Family: "film", Condition: -1})
			w.Add(timeline.Event{Kind: timeline.KindJobStarted, At: w.At(at("d1 10:00")), Job: "J2", Family: "film", Condition: -1})
			w.state("d1 07:00", "d1 10:00", timeline.StateProduction, "J1")
			w.state("d1 11:00", "d1 14:00", timeline.StateProduction, "J2")
			w.fill("d2 00:00")
		}, "d1 missed"},
		{"plan changed mid-week: the version at the opening rules", []timeline.Task{task("a", startup)}, func(w *week) {
			w.p.Plans = append(w.p.Plans, timeline.Plan{ValidFrom: monday + 2, Tasks: []timeline.Task{task("b", startup)}})
			w.normal(1, 2, 3, 4)
			w.fill("d5 06:00")
		}, "d1 missed, d2 missed, d3 missed"},
		{"plan with a shorter interval: due once, when it begins", []timeline.Task{task("a", every(timeline.CadenceRunHours, 100))}, func(w *week) {
			w.p.Plans = append(w.p.Plans, timeline.Plan{ValidFrom: monday + 2, Tasks: []timeline.Task{task("a", every(timeline.CadenceRunHours, 4))}})
			w.normal(1, 2) // 28 h
			w.produce("d3 07:00", "d3 10:00")
			w.sign("d3 06:20", "a")
			w.fill("d3 12:00")
		}, "d3 on time"},
		{"tolerance of 20 % of a week is a day after due", []timeline.Task{
			{Slug: "a", Station: "a", Tolerance: 20, Triggers: []timeline.Trigger{fixed(2)}}}, func(w *week) {
			w.normal(1, 2, 3, 4, 5, 8, 9, 10, 11)
			w.sign("d3 22:00", "a") // due d2 22:00
			w.sign("d10 22:01", "a")
			w.fill("d12 06:00")
		}, "d3 on time, d10 late"},
		{"session spanning two production days: each task's own day", []timeline.Task{task("a", startup, shutdown)}, func(w *week) {
			w.p.Calendar.Patterns[0].Shifts = w.p.Calendar.Patterns[0].Shifts[:1]
			w.p.Calendar.Patterns[0].Shifts[0].Start, w.p.Calendar.Patterns[0].Shifts[0].End = 6*60, 6*60 // round the clock
			w.p.Calendar.Patterns[0].Shifts[0].Breaks = nil
			w.produce("d1 06:30", "d2 05:30")
			w.produce("d2 06:30", "d3 05:00")
			w.sign("d1 06:20", "a")
			w.Open(at("d2 05:40"), "s", timeline.OccasionShutdown)
			w.Sign(at("d2 05:50"), "s", "a", "a") // Monday's shut-down
			w.Sign(at("d2 06:10"), "s", "a", "a") // Tuesday's start-up
			w.Close(at("d2 06:15"), "s")
			w.fill("d3 12:00")
		}, "d1 on time, d1 on time, d2 on time, d2 open, d3 open"},
		{"sign-off without a session, and one with, count alike", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1, 2)
			w.sign("d1 21:30", "a")
			w.Open(at("d2 21:10"), "s", timeline.OccasionShutdown)
			w.Sign(at("d2 21:30"), "s", "a", "a")
			w.fill("d3 12:00")
		}, "d1 on time, d2 on time"},
		{"two touches of one clean are one duty", []timeline.Task{task("a", shutdown)}, func(w *week) {
			w.normal(1, 2)
			w.sign("d1 21:30", "a")
			w.sign("d1 21:31", "a")
			w.fill("d3 05:00")
		}, "d1 on time, d2 open"},
		{"a voided sign-off leaves the one before it", []timeline.Task{task("a", every(timeline.CadenceRunHours, 10))}, func(w *week) {
			w.normal(1, 2)
			w.sign("d1 15:30", "a") // 8 h 30 min: opens at 8 h
			w.Void(at("d2 08:00"), w.sign("d1 20:00", "a"))
			w.fill("d2 12:00")
		}, "d1 on time, d2 open"}, // due at 5.5 + 4.5 h: d2 11:30
		{"plan changed mid-week: another cadence", []timeline.Task{task("a", startup)}, func(w *week) {
			w.p.Plans = append(w.p.Plans, timeline.Plan{ValidFrom: monday + 2, Tasks: []timeline.Task{task("a", shutdown)}})
			w.normal(1, 2, 3, 4)
			w.sign("d1 06:50", "a")
			w.sign("d2 06:50", "a")
			w.sign("d3 06:50", "a") // its window opened on Tuesday, under the old plan
			w.sign("d3 21:30", "a")
			w.sign("d4 21:30", "a")
			w.fill("d5 05:00")
		}, "d1 on time, d2 on time, d3 on time, d3 on time, d4 on time"},
		{"a day's clock through closures: at the last shift before them", []timeline.Task{task("a", every(timeline.CadenceDays, 4))}, func(w *week) {
			w.p.Calendar.Closed = map[timeline.Day]string{monday + 3: "works holiday", monday + 4: "works holiday"}
			w.normal(1, 2, 3, 8)
			w.sign("d1 06:50", "a") // due d5, closed: end of d3
			w.sign("d3 22:31", "a")
			w.fill("d8 22:00")
		}, "d3 late, d8 open"}, // the next, due on a Sunday, on the first shift after
		{"a closure longer than the interval: one duty after it, not one a day", []timeline.Task{task("a", every(timeline.CadenceDays, 2))}, func(w *week) {
			w.p.Calendar.Closed = map[timeline.Day]string{}
			for d := range 5 {
				w.p.Calendar.Closed[monday+timeline.Day(7+d)] = "summer closure"
			}
			w.normal(1, 2, 3, 4, 5)
			w.sign("d3 21:30", "a")
			w.sign("d5 21:30", "a")
			w.normal(15, 16)
			w.fill("d16 06:00")
		}, "d3 on time, d5 on time, d16 open"},
		{"counter reset: lengths add up whatever the counter showed", []timeline.Task{task("a", every(timeline.CadenceRunKm, 3.6))}, func(w *week) {
			w.produce("d1 07:00", "d1 07:30") // 1.8 km
			// The counter starts again at 0: the slice says what was made since.
			w.RunAt(w.At(at("d1 07:30")), w.At(at("d1 07:31")), timeline.StateProduction, "J1", 60_000, 0, 0)
			w.produce("d1 07:31", "d1 08:01") // 1.8 km more at 08:01
			w.sign("d1 08:31", "a")           // due + 30 min
			w.state("d1 08:01", "d1 09:00", timeline.StateOff, "")
		}, "d1 on time"},
		{"three clocks, the shortest rules each time", []timeline.Task{
			task("a", every(timeline.CadenceDays, 3), every(timeline.CadenceRunHours, 20), every(timeline.CadenceRunKm, 40))}, func(w *week) {
			w.produce("d1 07:00", "d1 18:00")
			w.sign("d1 18:00", "a") // 39.6 of 40 km
			w.state("d1 18:00", "d4 22:31", timeline.StateOff, "")
			w.sign("d4 22:31", "a") // three days later, nothing made: due d4 22:00
			w.fill("d5 06:00")
		}, "d1 on time, d4 late"},
		{"open where the frontier is the end of the day", []timeline.Task{task("a", every(timeline.CadenceRunHours, 5))}, func(w *week) {
			w.produce("d1 07:00", "d1 13:00")
			w.fill("d2 00:00")
			w.state("d1 22:00", "d2 06:00", timeline.StateOff, "")
		}, "d1 open"},
		{"open at the frontier", []timeline.Task{task("a", startup)}, func(w *week) {
			w.normal(1)
			w.sign("d1 06:50", "a")
			w.state("d2 06:00", "d2 06:30", timeline.StateOff, "")
			w.state("d1 21:00", "d1 22:00", timeline.StateOff, "")
		}, "d1 on time, d2 open"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := newWeek(t, tt.tasks...)
			tt.do(w)
			if got := w.rows("a"); got != tt.want {
				t.Errorf("\n got %s\nwant %s", got, tt.want)
			}
		})
	}
}
