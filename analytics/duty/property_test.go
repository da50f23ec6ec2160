package duty_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/duty"
	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/analytics/timeline/timelinetest"
)

// randomPlan has a task of every cadence, ten in all.
func randomPlan() []timeline.Task {
	return []timeline.Task{
		task("start-a", on(timeline.CadenceStartup)), task("start-b", on(timeline.CadenceStartup)),
		task("shut-a", on(timeline.CadenceShutdown)), task("shut-b", on(timeline.CadenceShutdown)),
		task("both", on(timeline.CadenceStartup), on(timeline.CadenceShutdown)),
		task("weekly", fixed(3)),
		{Slug: "days", Station: "days", Standard: 5 * timeline.Minute, Tolerance: 50, Triggers: []timeline.Trigger{every(timeline.CadenceDays, 2)}},
		task("hours", every(timeline.CadenceRunHours, 9)), task("first", every(timeline.CadenceRunKm, 40), fixed(0)),
		{Slug: "job", Station: "start-a", Standard: 3 * timeline.Minute, AlsoDischarges: []string{"days"},
			Triggers: []timeline.Trigger{on(timeline.CadenceJobChange)}},
	}
}

// randomWeek draws eight days of a press: runs, stops, silence, sign-offs,
// skips, sessions, and voids of some of them.
func randomWeek(t *testing.T, rt *rapid.T) *week {
	w := newWeek(t, randomPlan()...)
	w.Step = 20 * timeline.Minute // coarse, for speed
	w.p.Calendar.Closed = map[timeline.Day]string{}
	for d := range 8 {
		if rapid.IntRange(0, 5).Draw(rt, "closed") == 0 {
			w.p.Calendar.Closed[monday+timeline.Day(d)] = "closed"
		}
	}
	for d := range 8 {
		pl := w.p.Calendar.Plan(monday + timeline.Day(d))
		if len(pl.Shifts) == 0 {
			continue
		}
		at := pl.Start - int64(rapid.IntRange(0, 2).Draw(rt, "early"))*timeline.Hour
		for at < pl.Start+17*timeline.Hour {
			to := at + int64(rapid.IntRange(5, 400).Draw(rt, "minutes"))*timeline.Minute
			switch rapid.IntRange(0, 9).Draw(rt, "what") {
			case 0: // silence
			case 1, 2:
				w.RunAt(at, to, timeline.StateDown, "", 0, 0, 0)
			case 3:
				w.RunAt(at, to, timeline.StateSetup, "J", 0, 0, to-at)
			default:
				job := fmt.Sprintf("J%d", rapid.IntRange(1, 4).Draw(rt, "job"))
				w.RunAt(at, to, timeline.StateProduction, job, 60_000, to-at, 0)
			}
			at = to
		}
	}
	w.T = t
	if rapid.Bool().Draw(rt, "new plan") {
		second := []timeline.Task{task("hours", every(timeline.CadenceRunHours, 2)), task("new", fixed(0)), task("shut-a", on(timeline.CadenceStartup))}
		w.p.Plans = append(w.p.Plans, timeline.Plan{ValidFrom: monday + timeline.Day(rapid.IntRange(1, 5).Draw(rt, "valid from")),
			Tasks: append(second, randomPlan()[:2]...)})
	}
	for j := 1; j <= 4; j++ {
		w.Add(timeline.Event{Kind: timeline.KindJobStarted, At: w.At(at(fmt.Sprintf("d%d 07:00", j))), Job: fmt.Sprintf("J%d", j),
			Family: rapid.SampledFrom([]string{"", "film", "paper"}).Draw(rt, "family"), Condition: -1})
	}
	tasks := w.p.Plans[0].Tasks
	start := w.At(at("d1 00:00"))
	var ids []timeline.ID
	for i := range rapid.IntRange(0, 60).Draw(rt, "touches") {
		k := tasks[rapid.IntRange(0, len(tasks)-1).Draw(rt, "task")]
		when := start + int64(rapid.IntRange(0, 8*24*60).Draw(rt, "when"))*timeline.Minute
		e := timeline.Event{Kind: timeline.KindStationSignedOff, At: when, Task: k.Slug, Station: k.Station,
			Outcome: timeline.Outcome(rapid.IntRange(1, 3).Draw(rt, "outcome")), Condition: int8(rapid.IntRange(-1, 3).Draw(rt, "condition"))}
		switch rapid.IntRange(0, 9).Draw(rt, "kind") {
		case 0, 1:
			e.Kind, e.Reason = timeline.KindStationSkipped, rapid.SampledFrom([]string{"no-time", "not-in-use"}).Draw(rt, "reason")
		case 2:
			e.Session = fmt.Sprintf("s%d", i)
			w.Add(timeline.Event{Kind: timeline.KindCleaningOpened, At: when - 20*timeline.Minute, Session: e.Session, Occasion: timeline.OccasionOnDemand, Condition: -1})
		case 3:
			e.Task = ""
		}
		ids = append(ids, w.Add(e))
	}
	for range rapid.IntRange(0, 3).Draw(rt, "voids") {
		if len(ids) > 0 {
			w.Void(at("d7 12:00"), rapid.SampledFrom(ids).Draw(rt, "void"))
		}
	}
	return w
}

// difference names the first thing in which two results differ.
func difference(a, b duty.Result) string {
	for i := range max(len(a.Rows), len(b.Rows)) {
		if i >= len(a.Rows) || i >= len(b.Rows) || a.Rows[i] != b.Rows[i] {
			return fmt.Sprintf("row %d:\n%+v\n%+v", i, a.Rows[i:], b.Rows[i:])
		}
	}
	for i := range max(len(a.Grants), len(b.Grants)) {
		if i >= len(a.Grants) || i >= len(b.Grants) || a.Grants[i] != b.Grants[i] {
			return fmt.Sprintf("grant %d:\n%+v\n%+v", i, a.Grants[i:], b.Grants[i:])
		}
	}
	return fmt.Sprintf("\n%+v\n%+v", a.Exposures, b.Exposures)
}

// Any order of arrival, and everything twice, gives the same results.
func TestOrderDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := randomWeek(t, rt)
		want := w.fold()
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		again := *w.Log
		again.Slices = append(append([]timeline.Slice{}, w.Slices...), w.Slices[:len(w.Slices)/2]...)
		again.Events = append(append([]timeline.Event{}, w.Events...), w.Events...)
		r.Shuffle(len(again.Slices), func(i, j int) { again.Slices[i], again.Slices[j] = again.Slices[j], again.Slices[i] })
		r.Shuffle(len(again.Events), func(i, j int) { again.Events[i], again.Events[j] = again.Events[j], again.Events[i] })
		if got := foldDays(t, w.p, &again, monday, w.Frontier()); !reflect.DeepEqual(got, want) {
			rt.Fatalf("differs")
		}
	})
}

// Day by day from stored bytes and small windows equals one pass over the whole
// history with the state in memory; what was decided does not change when the
// press goes on; every duty makes one row.
func TestFoldInOneGo(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := randomWeek(t, rt)
		days := w.fold()
		h, f := w.History(), w.Frontier()
		var st duty.State
		type key struct {
			task    string
			cadence timeline.Cadence
			due     int64
		}
		seen := map[key]bool{}
		for i := range days {
			d := monday + timeline.Day(i)
			cal := w.p.Calendar
			before := st.Append(nil)
			r, next := duty.Fold(w.p, st, h, cal.Plan(d), cal.Plan(d+1), f)
			if !reflect.DeepEqual(r, days[i]) {
				rt.Fatalf("day %v: %s", d, difference(r, days[i]))
			}
			if !bytes.Equal(before, st.Append(nil)) {
				rt.Fatal("the fold changed the state it was given")
			}
			b := next.Append(nil)
			back, err := duty.ParseState(b)
			if err != nil || !bytes.Equal(b, back.Append(nil)) {
				rt.Fatalf("state does not survive its bytes: %v", err)
			}
			if len(b) >= 1000 {
				rt.Fatalf("state of 10 tasks takes %d bytes", len(b))
			}
			for _, x := range r.Rows {
				k := key{x.Task, x.Cadence, x.Due}
				if seen[k] {
					rt.Fatalf("duty twice: %+v", x)
				}
				seen[k] = true
				if x.Outcome < duty.OnTime || x.Outcome > duty.Open || x.Day != d {
					rt.Fatalf("row %+v", x)
				}
				if (x.Outcome == duty.OnTime || x.Outcome == duty.Late) != (x.DoneAt != 0 && x.Reason == "" && x.Outcome < duty.Missed) {
					rt.Fatalf("row %+v", x)
				}
			}
			st = next
		}
	})
}

// A day's results do not change by what lies more than 48 h past its end.
func TestPastStays(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := randomWeek(t, rt)
		full := w.fold()
		n := rapid.IntRange(0, 4).Draw(rt, "day")
		cut := w.p.Calendar.Plan(monday+timeline.Day(n)).Span().To + 48*timeline.Hour
		part := *w.Log
		part.Slices, part.Events = nil, nil
		for _, s := range w.Slices {
			if s.To <= cut {
				part.Slices = append(part.Slices, s)
			}
		}
		for _, e := range w.Events {
			if e.At <= cut || e.Kind == timeline.KindVoided {
				part.Events = append(part.Events, e)
			}
		}
		got := foldDays(t, w.p, &part, monday, min(cut, w.Frontier()))
		for i := 0; i <= n && i < len(full); i++ {
			if !reflect.DeepEqual(got[i], full[i]) {
				rt.Fatalf("day %d with the frontier at %v: %s", i, cut, difference(got[i], full[i]))
			}
		}
	})
}

func TestParseStateRefuses(t *testing.T) {
	w := newWeek(t, randomPlan()...)
	w.normal(1, 2)
	w.sign("d1 06:50", "both")
	day := w.p.Calendar.Plan(monday)
	_, st := duty.Fold(w.p, duty.State{}, w.Window(day), day, w.p.Calendar.Plan(monday+1), w.Frontier())
	b := st.Append(nil)
	for n := 1; n < len(b); n++ {
		if _, err := duty.ParseState(b[:n]); err == nil {
			t.Fatalf("%d of %d bytes read as a state", n, len(b))
		}
	}
	if _, err := duty.ParseState(append(b, 0)); err == nil {
		t.Error("a byte too many")
	}
	b[0]++
	if _, err := duty.ParseState(b); err == nil {
		t.Error("a newer version")
	}
}

func FuzzParseState(f *testing.F) {
	f.Add(duty.State{}.Append(nil))
	w := &week{timelinetest.NewLog(f, "Europe/Berlin"), timelinetest.Press(f, "Europe/Berlin", timelinetest.TwoShifts(), randomPlan()...)}
	w.normal(1, 2)
	day := w.p.Calendar.Plan(monday)
	_, st := duty.Fold(w.p, duty.State{}, w.Window(day), day, w.p.Calendar.Plan(monday+1), w.Frontier())
	f.Add(st.Append(nil))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := duty.ParseState(b)
		if err != nil {
			return
		}
		c := s.Append(nil)
		if again, err := duty.ParseState(c); err != nil || !bytes.Equal(again.Append(nil), c) {
			t.Fatalf("%x reads as a state that writes %x: %v", b, c, err)
		}
	})
}
