package timelinetest

import (
	"testing"

	"github.com/downweb/downweb/analytics/timeline"
)

const m = int64(1000) // mm

// daily is a task due at start-up or shut-down.
func daily(slug string, c timeline.Cadence, minutes int64) timeline.Task {
	return timeline.Task{Slug: slug, Station: slug, Standard: minutes * timeline.Minute,
		Triggers: []timeline.Trigger{{Cadence: c}}}
}

// Press is the press of the worked shifts: zone Europe/Berlin, EUR, hour rate
// 180.00, contribution 420.00, web 0.30 a meter, one pair of hands.
func Press(t testing.TB, zone string, cal *timeline.Calendar, tasks ...timeline.Task) *timeline.Press {
	t.Helper()
	l := NewLog(t, zone)
	cal.Zone = l.Zone
	p := &timeline.Press{
		Plant: "plant", Name: "press", Kind: "kind", Zone: l.Zone, Currency: "EUR", PolicyInside: true,
		WebWidth: 330, Rated: 100 * m, Restart: 100 * m, Calendar: cal,
		Reasons: map[string]timeline.ReasonClass{
			"contamination": timeline.ClassContamination, "mechanical": timeline.ClassBreakdown,
			"material": timeline.ClassMaterial, "approval": timeline.ClassApproval},
		SkipNotReq: map[string]bool{"not-in-use": true, "no-access": false, "no-time": false},
		Rates: []timeline.Rate{{ValidFrom: timeline.NoDay, PressHour: 180_000_000, ContributionHour: 420_000_000,
			WebMeter: 300_000}},
		Labour:   []timeline.LabourRate{{ValidFrom: timeline.NoDay, Hour: 42_000_000}},
		Plans:    []timeline.Plan{{ValidFrom: timeline.NoDay, Tasks: tasks}},
		Hands:    map[timeline.Occasion]int{},
		Grace:    30 * timeline.Minute,
		ValidFor: 16 * timeline.Hour,
	}
	seen := map[string]bool{}
	for _, task := range tasks {
		if !seen[task.Station] {
			seen[task.Station] = true
			p.Stations = append(p.Stations, task.Station)
		}
	}
	return p
}

// Shift of a pattern on ISO weekdays, minutes of the day.
func Shift(name string, start, end int, days []int, breaks ...timeline.Break) timeline.ShiftPattern {
	s := timeline.ShiftPattern{Name: name, Start: start, End: end, Breaks: breaks}
	for _, d := range days {
		s.Days[d] = true
	}
	return s
}

// Weekdays are Monday to Friday.
var Weekdays = []int{1, 2, 3, 4, 5}

// TwoShifts is the calendar of the first two worked shifts: early 06:00–14:00
// and late 14:00–22:00, Monday to Friday, half an hour's break in each.
func TwoShifts() *timeline.Calendar {
	return &timeline.Calendar{Patterns: []timeline.Pattern{{ValidFrom: timeline.NoDay, Cycle: 1, Shifts: []timeline.ShiftPattern{
		Shift("early", 6*60, 14*60, Weekdays, timeline.Break{Start: 10 * 60, Length: 30 * timeline.Minute}),
		Shift("late", 14*60, 22*60, Weekdays, timeline.Break{Start: 18 * 60, Length: 30 * timeline.Minute}),
	}}}}
}

// Worked is one worked shift.
type Worked struct {
	*Log
	Press *timeline.Press
	Day   timeline.Day
}

// Monday is Mon 2026-06-15 with the first two worked shifts: a plain early
// shift, and a late shift as it stood before (after == false) and after the
// corrections of Tuesday morning. Numbers are invented and worked by hand.
func Monday(t testing.TB, after bool) Worked {
	l := NewLog(t, "Europe/Berlin")
	p := Press(t, "Europe/Berlin", TwoShifts(),
		daily("treater", timeline.CadenceStartup, 8), daily("web-path", timeline.CadenceStartup, 6),
		daily("sensors", timeline.CadenceStartup, 6), daily("static-bar", timeline.CadenceStartup, 4),
		shut("treater", 8), shut("web-cleaner", 5), shut("uv-1", 10), shut("uv-2", 10), shut("static-bar", 5))
	d := "2026-06-15 "
	run := func(from, to string, s timeline.State, job string, rated, good, waste int64) {
		l.Run(d+from, d+to, s, job, rated*m, good*m, waste*m)
	}
	run("06:00", "06:22", timeline.StateCleaning, "", 0, 0, 0)
	run("06:22", "07:00", timeline.StateSetup, "J1", 100, 0, 190)
	run("07:00", "09:30", timeline.StateProduction, "J1", 100, 13200, 300)
	n := len(l.Slices)
	run("09:30", "09:42", timeline.StateDown, "", 0, 0, 0)
	reason(l.Slices[n:], "mechanical")
	run("09:42", "10:00", timeline.StateProduction, "J1", 100, 1580, 40)
	run("10:00", "10:30", timeline.StateOff, "", 0, 0, 0)
	run("10:30", "11:10", timeline.StateSetup, "J2", 120, 0, 160)
	run("11:10", "11:20", timeline.StateProduction, "J2", 120, 1020, 60)
	run("11:20", "13:30", timeline.StateProduction, "J2", 120, 13740, 300)
	n = len(l.Slices)
	run("13:30", "13:38", timeline.StateWaiting, "", 0, 0, 0)
	reason(l.Slices[n:], "material")
	run("13:38", "14:00", timeline.StateProduction, "J2", 120, 2340, 36)
	l.Open(d+"06:00", "start", timeline.OccasionStartup)
	l.Sign(d+"06:07", "start", "treater", "treater")
	l.Sign(d+"06:13", "start", "web-path", "web-path")
	l.Sign(d+"06:18", "start", "sensors", "sensors")
	l.Sign(d+"06:22", "start", "static-bar", "static-bar")
	l.Close(d+"06:22", "start")
	l.Book(d+"14:00", d+"07:00", d+"09:30", timeline.CauseSplice, "", 60*m)
	l.Book(d+"14:00", d+"10:30", d+"11:20", timeline.CauseSetup, "", 200*m)
	l.Book(d+"14:00", d+"11:20", d+"13:30", timeline.CauseMaterial, "", 96*m)

	run("14:00", "16:10", timeline.StateProduction, "J3", 80, 9100, 260)
	run("16:10", "16:45", timeline.StateDown, "", 0, 0, 0)
	run("16:45", "17:00", timeline.StateProduction, "J3", 80, 810, 90)
	run("17:00", "18:00", timeline.StateProduction, "J3", 80, 4740, 60)
	run("18:00", "18:30", timeline.StateOff, "", 0, 0, 0)
	run("19:00", "19:10", timeline.StateWaiting, "", 0, 0, 0)
	run("19:10", "21:15", timeline.StateProduction, "J3", 80, 8800, 200)
	run("21:15", "22:10", timeline.StateCleaning, "", 0, 0, 0)
	l.Run(d+"22:10", "2026-06-16 06:00", timeline.StateOff, "", 0, 0, 0)
	l.Note(d+"16:58", d+"16:45", d+"17:00", timeline.NoteSlow, "contamination", "uv-1")
	l.Open(d+"21:15", "shut", timeline.OccasionShutdown)
	l.Sign(d+"21:27", "shut", "treater-shut", "treater")
	l.Sign(d+"21:31", "shut", "web-cleaner-shut", "web-cleaner")
	l.Sign(d+"21:51", "shut", "uv-1-shut", "uv-1")
	mistake := l.Sign(d+"21:58", "shut", "static-bar-shut", "static-bar")
	l.Sign(d+"22:04", "shut", "uv-2-shut", "uv-2")
	l.Close(d+"22:10", "shut")
	l.Book(d+"22:15", d+"16:45", d+"17:00", timeline.CauseContamination, "uv-1", 70*m)
	twice := l.Book(d+"22:15", d+"16:45", d+"17:00", timeline.CauseContamination, "uv-1", 70*m)
	l.Book(d+"22:15", d+"17:00", d+"18:00", timeline.CauseOther, "", 50*m)
	l.Book(d+"22:15", d+"17:00", d+"18:00", timeline.CauseSplice, "", 30*m)
	if after {
		const tue = "2026-06-16 "
		l.Note(tue+"09:15", d+"16:08", d+"16:40", timeline.NoteStop, "contamination", "uv-1")
		l.Void(tue+"09:20", twice)
		l.Void(tue+"09:21", mistake)
		l.Skip(tue+"09:21", "shut", "static-bar-shut", "static-bar", "no-access")
	}
	return Worked{l, p, mustDay(t, "2026-06-15")}
}

// shut is a shut-down task beside the start-up task of the same station.
func shut(station string, minutes int64) timeline.Task {
	t := daily(station, timeline.CadenceShutdown, minutes)
	t.Slug += "-shut"
	return t
}

func reason(sl []timeline.Slice, r string) {
	for i := range sl {
		sl[i].Reason = r
	}
}

// Spring is the third worked shift: the night from Sat 2026-03-28 22:00 to Sun
// 06:00 in which clocks go forward, 420 min, with a break at a local time that
// does not exist. The print heads are due by run hours, the web cleaner is not.
func Spring(t testing.TB) Worked {
	l := NewLog(t, "Europe/Berlin")
	cal := &timeline.Calendar{Patterns: []timeline.Pattern{{ValidFrom: timeline.NoDay, Cycle: 1, Shifts: []timeline.ShiftPattern{
		Shift("night", 22*60, 6*60, []int{6}, timeline.Break{Start: 2*60 + 30, Length: 30 * timeline.Minute}),
	}}}}
	p := Press(t, "Europe/Berlin", cal,
		timeline.Task{Slug: "print-heads", Station: "print-heads", Standard: 10 * timeline.Minute,
			Triggers: []timeline.Trigger{{Cadence: timeline.CadenceRunHours, Every: 3}}},
		timeline.Task{Slug: "web-cleaner", Station: "web-cleaner", Standard: 5 * timeline.Minute,
			Triggers: []timeline.Trigger{{Cadence: timeline.CadenceRunHours, Every: 300}}})
	d, e := "2026-03-28 ", "2026-03-29 "
	run := func(from, to string, s timeline.State, job string, good, waste int64) {
		rated := int64(0)
		if job != "" {
			rated = 100 * m
		}
		l.Run(from, to, s, job, rated, good*m, waste*m)
	}
	run(d+"21:00Z", d+"21:30Z", timeline.StateSetup, "J4", 0, 120)
	run(d+"21:30Z", e+"01:00Z", timeline.StateProduction, "J4", 19530, 420)
	n := len(l.Slices)
	run(e+"01:00Z", e+"01:10Z", timeline.StateDown, "", 0, 0)
	reason(l.Slices[n:], "contamination")
	for i := range l.Slices[n:] {
		l.Slices[n+i].Station = "web-cleaner"
	}
	run(e+"01:10Z", e+"02:15Z", timeline.StateCleaning, "", 0, 0)
	run(e+"02:15Z", e+"02:30Z", timeline.StateProduction, "J4", 1080, 120)
	run(e+"02:30Z", e+"03:50Z", timeline.StateProduction, "J4", 7920, 80)
	run(e+"03:50Z", e+"04:00Z", timeline.StateWaiting, "", 0, 0)
	l.Open(e+"01:10Z", "demand", timeline.OccasionOnDemand)
	l.Sign(e+"01:22Z", "demand", "print-heads", "print-heads")
	l.Sign(e+"02:12Z", "demand", "web-cleaner", "web-cleaner")
	l.Close(e+"02:15Z", "demand")
	l.Book(e+"04:00Z", e+"02:15Z", e+"02:30Z", timeline.CauseRestart, "", 90*m)
	return Worked{l, p, mustDay(t, "2026-03-28")}
}

func mustDay(t testing.TB, s string) timeline.Day {
	t.Helper()
	d, err := timeline.ParseDay(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// Breaks are the breaks of a day's shifts.
func Breaks(d timeline.DayPlan) []timeline.Interval {
	var out []timeline.Interval
	for _, s := range d.Shifts {
		out = append(out, s.Breaks...)
	}
	return out
}
