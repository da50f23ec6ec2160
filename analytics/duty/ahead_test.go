package duty_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
)

func (w *week) ahead(until string, pace duty.Pace) *duty.Ahead {
	return &duty.Ahead{Press: w.p, First: monday, History: w.History(), Frontier: w.Frontier(), Until: w.At(at(until)), Pace: pace}
}

// local writes an instant as the tests do: "d2 06:30".
func (w *week) local(ms int64) string {
	for n := 1; n < 40; n++ {
		if start := w.At(at(fmt.Sprintf("d%d 00:00", n))); ms >= start && ms < w.At(at(fmt.Sprintf("d%d 00:00", n+1))) {
			s := (ms - start) / 1000
			if s%60 != 0 {
				return fmt.Sprintf("d%d %02d:%02d:%02d", n, s/3600, s/60%60, s%60)
			}
			return fmt.Sprintf("d%d %02d:%02d", n, s/3600, s/60%60)
		}
	}
	return "?"
}

func (w *week) items(list []duty.Item) string {
	var out []string
	for _, it := range list {
		s := it.Task.Slug + " " + w.local(it.Row.Due)
		if it.Expected {
			s += " expected"
		}
		if it.Overdue > 0 {
			s += fmt.Sprintf(" overdue %d min", it.Overdue/minute)
		}
		out = append(out, s)
	}
	return strings.Join(out, ", ")
}

// What is due on Tuesday noon for the next 36 h, by hand: the press runs half
// its planned time, ten minutes in each twenty, 3.6 km a run hour.
func TestDueAhead(t *testing.T) {
	w := newWeek(t, task("start", on(timeline.CadenceStartup)), task("shut", on(timeline.CadenceShutdown)),
		task("week", fixed(3)), task("days", every(timeline.CadenceDays, 2)),
		task("hours", every(timeline.CadenceRunHours, 10)),
		task("km", every(timeline.CadenceRunKm, 50)),
		timeline.Task{Slug: "safe", Station: "safe", Safety: true, Triggers: []timeline.Trigger{every(timeline.CadenceRunHours, 5)}},
		task("job", on(timeline.CadenceJobChange)))
	w.normal(1)
	w.produce("d2 07:00", "d2 12:00")
	for _, s := range []string{"d1 06:50 start", "d2 06:50 start", "d1 06:50 days", "d1 17:00 hours", "d1 21:30 shut"} {
		w.sign(s[:8], s[9:])
	}
	w.fill("d2 12:00")
	a := w.ahead("d4 00:00", duty.Pace{RunShare: 0.5, MMPerMS: 1})
	due, job := a.Due()
	// safe: due after 5, 10, 15 run hours; 14 on Monday, so the third at 08:00;
	// it goes first, though km (50 km after 13 h 53 min 20 s) is older.
	// hours: 4 + 5 of 10 used; one more takes six times twenty minutes less ten.
	want := "safe d2 08:00 overdue 240 min, km d1 20:53:20 overdue 906 min, hours d2 13:50 expected, shut d2 22:00, " +
		"start d3 06:00 expected, days d3 22:00, week d3 22:00, shut d3 22:00"
	got := w.items(due)
	// Same instant: working order.
	want = strings.Replace(want, "days d3 22:00, week d3 22:00, shut d3 22:00", "shut d3 22:00, week d3 22:00, days d3 22:00", 1)
	if got != want {
		t.Errorf("\n got %s\nwant %s", got, want)
	}
	if len(job) != 1 || job[0].Task.Slug != "job" || job[0].Row.Due != 0 {
		t.Errorf("at the next job change: %+v", job)
	}
	if c := due[0].Clock; c.Missed != 2 || c.RunMS != 19*timeline.Hour || c.LastAt != 0 || due[0].Risk != duty.RiskSafety {
		t.Errorf("%+v", due[0])
	}
	if c := due[1].Clock; c.WebMM != 68_400_000 || c.Missed != 0 {
		t.Errorf("%+v", c)
	}
	if c := due[2].Clock; c.RunMS != 9*timeline.Hour || c.LastAt != w.At(at("d1 17:00")) {
		t.Errorf("%+v", c)
	}
	// Nothing known of the pace: what runs is not foreseen, dates are.
	due, _ = w.ahead("d4 00:00", duty.Pace{}).Due()
	if got, want := w.items(due), "safe d2 08:00 overdue 240 min, km d1 20:53:20 overdue 906 min, shut d2 22:00, start d3 06:00 expected, shut d3 22:00, week d3 22:00, days d3 22:00"; got != want {
		t.Errorf("\n got %s\nwant %s", got, want)
	}
}

// What is signed or skipped is no longer due; a start-up clean done ahead
// neither; a shut-down of the day before is, while its window is open.
func TestDueAheadDone(t *testing.T) {
	w := roundTheClock(t, task("start", on(timeline.CadenceStartup)), task("shut", on(timeline.CadenceShutdown)), task("skip", on(timeline.CadenceShutdown)))
	w.produce("d1 06:30", "d2 05:30")
	w.sign("d2 05:45", "start") // of Tuesday
	w.skip("d2 05:50", "skip", "no-time")
	w.fill("d2 06:10")
	due, _ := w.ahead("d2 06:30", duty.Pace{}).Due()
	if got, want := w.items(due), "shut d2 06:00 overdue 10 min"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// Looking ahead says what the fold says once the time has come, whatever the
// dates: the same weeks, folded at a later frontier, have the same duties due.
func TestAheadComesTrue(t *testing.T) {
	w := newWeek(t, randomPlan()...)
	w.p.Calendar.Closed = map[timeline.Day]string{monday + 3: "closed"}
	w.normal(1, 2)
	w.sign("d1 10:00", "first")
	w.sign("d2 10:00", "days")
	w.fill("d3 00:00")
	until := "d12 00:00"
	a := w.ahead(until, duty.Pace{RunShare: 1, MMPerMS: 1})
	var said []string
	for _, r := range a.Rows() {
		if r.Due > a.Frontier {
			said = append(said, r.Task+" "+w.local(r.Due))
		}
	}
	// The same, as it then really was: every planned minute ran.
	for d := timeline.Day(monday); d < monday+12; d++ {
		for _, s := range w.p.Calendar.Plan(d).Segments {
			if iv := s.And(timeline.Interval{From: a.Frontier, To: a.Until}); s.Planned && iv.Len() > 0 {
				w.RunAt(iv.From, iv.To, timeline.StateProduction, "", 60_000, iv.Len(), 0)
			}
		}
	}
	var was []string
	for _, r := range w.fold() {
		for _, x := range r.Rows {
			if x.Due > a.Frontier && x.Due < a.Until && x.DoneAt == 0 {
				was = append(was, x.Task+" "+w.local(x.Due))
			}
		}
	}
	slices.Sort(said)
	slices.Sort(was)
	if len(said) < 40 || !slices.Equal(said, was) {
		t.Errorf("\nsaid %q\n was %q", said, was)
	}
}

func TestPaceOf(t *testing.T) {
	h := timeline.Hour
	p := duty.PaceOf([]timeline.PressDay{{PBT: 15 * h, RunMS: 10 * h, RunMM: 36_000_000}, {RunMS: 3 * h, RunMM: 9}, {PBT: 5 * h}})
	if p.RunShare != 0.5 || math.Abs(p.MMPerMS-1) > 1e-12 {
		t.Errorf("%+v", p)
	}
	if p := duty.PaceOf([]timeline.PressDay{{PBT: h, RunMS: 2 * h}}); p.RunShare != 1 || p.MMPerMS != 0 {
		t.Errorf("%+v", p)
	}
	if p := duty.PaceOf([]timeline.PressDay{{PBT: h}}); p != (duty.Pace{}) {
		t.Errorf("%+v", p)
	}
}

func TestCompare(t *testing.T) {
	row := func(task string, day timeline.Day, due int64) duty.Row {
		return duty.Row{Task: task, Day: day, Due: due}
	}
	got := duty.Compare(
		[]duty.Row{row("a", 1, 10), row("a", 2, 20), row("b", 1, 10), row("c", 1, 5), row("c", 2, 15), row("c", 2, 15)},
		[]duty.Row{row("a", 1, 10), row("a", 2, 22), row("c", 2, 14), row("c", 2, 15), row("d", 3, 30)})
	want := []duty.Change{
		{Kind: duty.Moved, Before: row("a", 2, 20), After: row("a", 2, 22)},
		{Kind: duty.Gone, Before: row("b", 1, 10)},
		{Kind: duty.Gone, Before: row("c", 1, 5)},
		{Kind: duty.Moved, Before: row("c", 2, 15), After: row("c", 2, 14)},
		{Kind: duty.Added, After: row("d", 3, 30)},
	}
	if !slices.Equal(got, want) {
		t.Errorf("\n got %+v\nwant %+v", got, want)
	}
	if got := duty.Compare(nil, nil); got != nil {
		t.Errorf("%v", got)
	}
}
