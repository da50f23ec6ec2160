package cleaning_test

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/cleaning"
	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/analytics/timeline/timelinetest"
)

const date = "2026-06-15 "

func newLog(t testing.TB) (*timelinetest.Log, *timeline.Press) {
	return timelinetest.NewLog(t, "Europe/Berlin"), timelinetest.Press(t, "Europe/Berlin", timelinetest.TwoShifts())
}

func crewSign(l *timelinetest.Log, at, session, station, crew string) timeline.ID {
	return l.Add(timeline.Event{Kind: timeline.KindStationSignedOff, At: l.At(date + at), Session: session, Task: station, Station: station,
		Crew: crew, Outcome: timeline.OutcomeCleaned, Condition: -1})
}

func clock(l *timelinetest.Log, t int64) string { return time.UnixMilli(t).In(l.Zone).Format("15:04") }

// The effective-end rule, one line a case: "from–to (by rule) signed".
func TestSessions(t *testing.T) {
	const start, down = timeline.OccasionStartup, timeline.OccasionShutdown
	tests := []struct {
		name string
		do   func(l *timelinetest.Log)
		want string
	}{
		{"closed by the crew", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
			l.Sign(date+"06:10", "s", "a", "a")
			l.Close(date+"06:20", "s")
		}, "s 06:00–06:20 1"},
		{"no close: 15 min after the last sign-off", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
			l.Sign(date+"06:10", "s", "a", "a")
		}, "s 06:00–06:25 by rule 1"},
		{"no close, no sign-off: 15 min after the opening", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
		}, "s 06:00–06:15 by rule 0"},
		{"a close 60 min after counts", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
			l.Sign(date+"06:10", "s", "a", "a")
			l.Close(date+"07:10", "s")
		}, "s 06:00–07:10 1"},
		{"one 61 min after does not", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
			l.Sign(date+"06:10", "s", "a", "a")
			l.Close(date+"07:11", "s")
		}, "s 06:00–06:25 by rule 1"},
		{"a run of 2 min ends it", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
			l.Sign(date+"06:10", "s", "a", "a")
			l.Run(date+"06:15", date+"06:17", timeline.StateProduction, "J", 0, 0, 0)
			l.Close(date+"06:40", "s")
		}, "s 06:00–06:15 by rule 1"},
		{"a run of 1 min does not", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
			l.Sign(date+"06:10", "s", "a", "a")
			l.Run(date+"06:15", date+"06:16", timeline.StateProduction, "J", 0, 0, 0)
			l.Close(date+"06:40", "s")
		}, "s 06:00–06:40 1"},
		{"a run before the last sign-off does not", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
			l.Sign(date+"06:10", "s", "a", "a")
			l.Run(date+"06:15", date+"06:20", timeline.StateProduction, "J", 0, 0, 0)
			l.Sign(date+"06:30", "s", "b", "b")
			l.Close(date+"06:40", "s")
		}, "s 06:00–06:40 2"},
		{"a sign-off while the press runs has no press time and keeps no session open", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
			l.Sign(date+"06:10", "s", "a", "a")
			l.Run(date+"06:15", date+"09:00", timeline.StateProduction, "J", 0, 0, 0)
			l.Sign(date+"08:00", "s", "b", "b")
		}, "s 06:00–06:15 by rule 1"},
		{"opened twice: one session", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
			l.Open(date+"06:05", "s", start)
			l.Sign(date+"06:10", "s", "a", "a")
			l.Close(date+"06:20", "s")
		}, "s 06:00–06:20 1"},
		{"opened again after its close: another", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
			l.Close(date+"06:20", "s")
			l.Open(date+"06:30", "s", start)
			l.Sign(date+"06:40", "s", "a", "a")
			l.Close(date+"06:50", "s")
		}, "s 06:00–06:20 0 | s 06:30–06:50 again 1"},
		{"sessions that overlap are one group", func(l *timelinetest.Log) {
			l.Open(date+"21:00", "s", down)
			l.Open(date+"21:10", "t", timeline.OccasionOnDemand)
			l.Close(date+"21:20", "s")
			l.Close(date+"21:30", "t")
		}, "s 21:00–21:20 0, t 21:10–21:30 0"},
		{"sessions that touch are two", func(l *timelinetest.Log) {
			l.Open(date+"21:00", "s", down)
			l.Close(date+"21:20", "s")
			l.Open(date+"21:20", "t", down)
			l.Close(date+"21:30", "t")
		}, "s 21:00–21:20 0 | t 21:20–21:30 0"},
		{"a close without an opening is nothing", func(l *timelinetest.Log) {
			l.Close(date+"21:20", "s")
			l.Sign(date+"21:10", "s", "a", "a")
		}, ""},
		{"a sign-off after the close is outside", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
			l.Close(date+"06:20", "s")
			l.Sign(date+"06:21", "s", "a", "a")
		}, "s 06:00–06:20 0"},
		{"never longer than 24 h", func(l *timelinetest.Log) {
			l.Open(date+"06:00", "s", start)
			for h := range 30 {
				l.Sign(date+"06:00", "s", "a", "a")
				l.Events[len(l.Events)-1].At += int64(h+1) * timeline.Hour
			}
		}, "s 06:00–06:00 by rule 24"},
		{"a voided opening", func(l *timelinetest.Log) {
			l.Void(date+"07:00", l.Open(date+"06:00", "s", start))
			l.Close(date+"06:20", "s")
		}, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l, p := newLog(t)
			tt.do(l)
			var groups []string
			for _, g := range cleaning.Groups(p, l.History(), nil) {
				var ss []string
				for _, s := range g.Sessions {
					rule := ""
					if s.ClosedByRule {
						rule = " by rule"
					}
					if s.Reopened {
						rule += " again"
					}
					ss = append(ss, fmt.Sprintf("%s %s–%s%s %d", s.ID, clock(l, s.From), clock(l, s.To), rule, len(s.SignOffs)))
				}
				groups = append(groups, strings.Join(ss, ", "))
			}
			if got := strings.Join(groups, " | "); got != tt.want {
				t.Errorf("\n got %s\nwant %s", got, tt.want)
			}
		})
	}
}

func TestAllowance(t *testing.T) {
	l, p := newLog(t)
	l.Open(date+"21:00", "s", timeline.OccasionShutdown)
	l.Open(date+"21:05", "t", timeline.OccasionOnDemand)
	a := l.Sign(date+"21:10", "s", "a", "a")
	b := l.Sign(date+"21:12", "t", "b", "b")
	c := l.Sign(date+"21:14", "t", "c", "c")
	l.Close(date+"21:20", "s")
	l.Close(date+"21:30", "t")
	grants := map[timeline.ID]int64{a: 7 * minute, b: 4 * minute}
	_ = c // not due: grants nothing
	if g := cleaning.Groups(p, l.History(), grants); len(g) != 1 || g[0].Allowance != 11*minute || g[0].Occasion != timeline.OccasionShutdown {
		t.Errorf("%+v", g)
	}
	p.Hands[timeline.OccasionShutdown], p.OpenClose = 2, 3*minute
	if g := cleaning.Groups(p, l.History(), grants); g[0].Allowance != 11*minute/2+3*minute {
		t.Errorf("two hands, 3 min to open and close: %d", g[0].Allowance)
	}
}

// Visits, one line a case: "station minutes mark", closing last.
func TestVisits(t *testing.T) {
	breaks := func(l *timelinetest.Log) []timeline.Interval {
		return []timeline.Interval{{From: l.At(date + "18:00"), To: l.At(date + "18:30")}}
	}
	tests := []struct {
		name string
		do   func(l *timelinetest.Log)
		want string
	}{
		{"one chain", func(l *timelinetest.Log) {
			crewSign(l, "17:10", "s", "a", "")
			crewSign(l, "17:25", "s", "b", "")
			l.Close(date+"17:30", "s")
		}, "a 10, b 15, closing 5"},
		{"two chains side by side: half each while both work", func(l *timelinetest.Log) {
			crewSign(l, "17:10", "s", "a", "x")
			crewSign(l, "17:20", "s", "b", "y")
			l.Close(date+"17:30", "s")
		}, "a 5, b 15, closing 10"},
		{"a break without a sign-off of the chain is taken out", func(l *timelinetest.Log) {
			crewSign(l, "17:50", "s", "a", "")
			crewSign(l, "18:40", "s", "b", "")
			l.Close(date+"18:40", "s")
		}, "a 50 doubtful, b 20, closing 0"},
		{"a break with one stays", func(l *timelinetest.Log) {
			crewSign(l, "18:10", "s", "a", "")
			crewSign(l, "18:40", "s", "b", "")
			l.Close(date+"18:40", "s")
		}, "a 70 doubtful, b 30, closing 0"},
		{"the chain that worked through has the break to itself", func(l *timelinetest.Log) {
			crewSign(l, "18:10", "s", "a", "x") // 60 shared + 10 alone
			crewSign(l, "18:40", "s", "b", "y") // 60 shared + 10 alone
			l.Close(date+"18:40", "s")
		}, "a 40 doubtful, b 40 doubtful, closing 0"},
		{"a break in the closing is taken out", func(l *timelinetest.Log) {
			crewSign(l, "17:55", "s", "a", "")
			l.Close(date+"18:40", "s")
		}, "a 55 doubtful, closing 15"},
		{"began_at cuts an interruption off", func(l *timelinetest.Log) {
			crewSign(l, "17:10", "s", "a", "")
			crewSign(l, "17:40", "s", "b", "")
			l.Events[len(l.Events)-1].Began = l.At(date + "17:28")
			l.Close(date+"17:40", "s")
		}, "a 10, b 12 after 18, closing 0"},
		{"began_at before the chain's last sign-off says nothing", func(l *timelinetest.Log) {
			crewSign(l, "17:10", "s", "a", "")
			crewSign(l, "17:20", "s", "b", "")
			l.Events[len(l.Events)-1].Began = l.At(date + "17:05")
			l.Close(date+"17:20", "s")
		}, "a 10, b 10, closing 0"},
		{"batch taps share the chain's time by the standards", func(l *timelinetest.Log) {
			crewSign(l, "17:40", "s", "a", "")
			crewSign(l, "17:42", "s", "b", "")
			crewSign(l, "17:44", "s", "c", "")
			l.Close(date+"17:44", "s")
		}, "a 14.667 batch, b 14.667 batch, c 14.667 batch, closing 0"},
		{"two taps in a row are no batch", func(l *timelinetest.Log) {
			crewSign(l, "17:10", "s", "a", "")
			crewSign(l, "17:11", "s", "b", "")
			l.Close(date+"17:11", "s")
		}, "a 10, b 1 doubtful, closing 0"},
		{"time in which the press ran is no cleaning", func(l *timelinetest.Log) {
			crewSign(l, "17:10", "s", "a", "")
			l.Run(date+"17:15", date+"17:25", timeline.StateProduction, "J", 0, 0, 0)
			crewSign(l, "17:30", "s", "b", "")
			l.Close(date+"17:30", "s")
		}, "a 10, b 10, closing 0"},
		{"nor time that a note gives to another class", func(l *timelinetest.Log) {
			crewSign(l, "17:10", "s", "a", "")
			l.Note(date+"18:00", date+"17:12", date+"17:20", timeline.NoteStop, "mechanical", "")
			crewSign(l, "17:30", "s", "b", "")
			l.Close(date+"17:30", "s")
		}, "a 10, b 12, closing 0"},
		{"a note of dirt leaves it", func(l *timelinetest.Log) {
			crewSign(l, "17:10", "s", "a", "")
			l.Note(date+"18:00", date+"17:12", date+"17:20", timeline.NoteStop, "contamination", "")
			crewSign(l, "17:30", "s", "b", "")
			l.Close(date+"17:30", "s")
		}, "a 10, b 20, closing 0"},
		{"a sign-off without a session is no visit", func(l *timelinetest.Log) {
			crewSign(l, "17:10", "", "a", "")
			crewSign(l, "17:20", "s", "b", "")
			l.Close(date+"17:20", "s")
		}, "b 20, closing 0"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l, p := newLog(t)
			l.Open(date+"17:00", "s", timeline.OccasionShutdown)
			tt.do(l)
			visits, closing := cleaning.Visits(p, l.History(), cleaning.Groups(p, l.History(), nil), breaks(l),
				func(_, _ string) int64 { return 10 * minute })
			var out []string
			for _, v := range visits {
				s := fmt.Sprintf("%s %.5g", v.Station, float64(v.Time)/60000)
				if v.Interruption > 0 {
					s += fmt.Sprintf(" after %.5g", float64(v.Interruption)/60000)
				}
				if v.Mark != "" {
					s += " " + v.Mark
				}
				out = append(out, s)
			}
			out = append(out, fmt.Sprintf("closing %.5g", float64(closing["s"])/60000))
			if got := strings.Join(out, ", "); got != tt.want {
				t.Errorf("\n got %s\nwant %s", got, tt.want)
			}
		})
	}
}

// randomEvening draws sessions, sign-offs by several crews, runs, notes and
// breaks of one evening.
func randomEvening(t testing.TB, rt *rapid.T) (*timelinetest.Log, *timeline.Press, []timeline.Interval) {
	l, p := newLog(t)
	at := func(what string) string {
		return fmt.Sprintf("2026-06-15 %02d:%02d:%02d", rapid.IntRange(15, 21).Draw(rt, what), rapid.IntRange(0, 59).Draw(rt, what), rapid.IntRange(0, 59).Draw(rt, what))
	}
	ids := []string{"s", "t", "u"}
	for range rapid.IntRange(1, 4).Draw(rt, "opened") {
		l.Open(at("open"), rapid.SampledFrom(ids).Draw(rt, "session"), timeline.Occasion(rapid.IntRange(1, 4).Draw(rt, "occasion")))
	}
	for range rapid.IntRange(0, 3).Draw(rt, "closed") {
		l.Close(at("close"), rapid.SampledFrom(ids).Draw(rt, "session"))
	}
	for range rapid.IntRange(0, 12).Draw(rt, "signed") {
		e := timeline.Event{Kind: timeline.KindStationSignedOff, At: l.At(at("sign")), Session: rapid.SampledFrom(ids).Draw(rt, "session"),
			Crew: rapid.SampledFrom([]string{"", "x", "y"}).Draw(rt, "crew"), Station: rapid.SampledFrom(ids).Draw(rt, "station")}
		if rapid.Bool().Draw(rt, "began") {
			e.Began = e.At - int64(rapid.IntRange(0, 3600).Draw(rt, "earlier"))*1000
		}
		l.Add(e)
	}
	for range rapid.IntRange(0, 2).Draw(rt, "runs") {
		from := l.At(at("run"))
		l.RunAt(from, from+int64(rapid.IntRange(1, 30).Draw(rt, "long"))*minute, timeline.StateProduction, "J", 0, 0, 0)
	}
	if rapid.Bool().Draw(rt, "note") {
		from := l.At(at("note"))
		l.Add(timeline.Event{Kind: timeline.KindReasonNoted, At: from, NoteKind: timeline.NoteStop, Reason: "material",
			Interval: timeline.Interval{From: from, To: from + 20*minute}})
	}
	return l, p, []timeline.Interval{{From: l.At("2026-06-15 18:00"), To: l.At("2026-06-15 18:30")}}
}

// Groups are sorted and disjoint, and visits, interruptions and closings add
// up to their time less breaks, runs and notes; whatever order the events came
// in.
func TestVisitsShareAllTime(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		l, p, breaks := randomEvening(t, rt)
		standard := func(_, station string) int64 { return int64(len(station)+int(station[0])) * 1000 }
		h := l.History()
		groups := cleaning.Groups(p, h, nil)
		var elapsed, out int64
		for i, g := range groups {
			if g.Len() == 0 || i > 0 && g.From < groups[i-1].To {
				rt.Fatalf("groups %+v", groups)
			}
			elapsed += g.Len()
		}
		visits, closing := cleaning.Visits(p, h, groups, breaks, standard)
		var sum int64
		for _, v := range visits {
			if v.Time < 0 || v.Interruption < 0 || v.From > v.To {
				rt.Fatalf("%+v", v)
			}
			sum += v.Time + v.Interruption
		}
		for _, c := range closing {
			sum += c
		}
		// What may be taken out, counted minute by minute and second by second.
		for _, g := range groups {
			for s := g.From; s < g.To; s += 1000 {
				in := false
				for _, n := range h.Notes {
					in = in || n.Has(s)
				}
				for _, x := range timeline.SlicesIn(h.Slices, timeline.Interval{From: s, To: s + 1}) {
					in = in || x.State == timeline.StateProduction
				}
				if in {
					out += 1000
				}
			}
		}
		var rest int64
		for _, g := range groups {
			rest += g.And(breaks[0]).Len()
		}
		if d := elapsed - out - sum; d < 0 || d > rest {
			rt.Fatalf("%d ms elapsed, %d out, %d shared, break %d", elapsed, out, sum, rest)
		}
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 2))
		r.Shuffle(len(l.Events), func(i, j int) { l.Events[i], l.Events[j] = l.Events[j], l.Events[i] })
		l.Events = append(l.Events, l.Events...)
		h2 := l.History()
		groups2 := cleaning.Groups(p, h2, nil)
		visits2, closing2 := cleaning.Visits(p, h2, groups2, breaks, standard)
		if !reflect.DeepEqual(groups, groups2) || !reflect.DeepEqual(visits, visits2) || !reflect.DeepEqual(closing, closing2) {
			rt.Fatal("order of arrival matters")
		}
		rec := cleaning.Reconcile(p, groups, visits, nil)
		if rec.Excess-rec.Saved+rec.Interruption+rec.Rounding != rec.Overrun-rec.Unused {
			rt.Fatalf("%+v does not close", rec)
		}
	})
}

// One crew with sessions open on two presses: the visits of that time are
// shared and stay out of the median.
func TestShareCrews(t *testing.T) {
	l, p := newLog(t)
	l.Open(date+"21:00", "s", timeline.OccasionShutdown)
	crewSign(l, "21:10", "s", "a", "x")
	crewSign(l, "21:30", "s", "b", "x")
	crewSign(l, "21:30", "s", "c", "")
	l.Close(date+"21:30", "s")
	h := l.History()
	visits := func(elsewhere cleaning.Elsewhere) []cleaning.Visit {
		v, _ := cleaning.Visits(p, h, cleaning.Groups(p, h, nil), nil, func(_, _ string) int64 { return 0 })
		cleaning.ShareCrews(v, elsewhere)
		return v
	}
	marks := func(v []cleaning.Visit) string {
		var out []string
		for _, x := range v {
			out = append(out, x.Station+" "+x.Mark)
		}
		return strings.Join(out, ",")
	}
	other := []timeline.Interval{{From: l.At(date + "21:20"), To: l.At(date + "21:50")}}
	v := visits(cleaning.Elsewhere{"x": other})
	if got := marks(v); got != "a ,b shared,c " {
		t.Errorf("one crew: %q", got)
	}
	if f := cleaning.Summarize(v, 1); f.Visits != 2 || f.LeftOut != 1 || f.Total != 30*minute {
		t.Errorf("%+v", f)
	}
	if got := marks(visits(cleaning.Elsewhere{"y": other, "": other})); got != "a ,b ,c " {
		t.Errorf("another crew: %q", got)
	}
	if got := marks(visits(cleaning.Elsewhere{"x": {{From: l.At(date + "21:30"), To: l.At(date + "21:50")}}})); got != "a ,b ,c " {
		t.Errorf("one after the other: %q", got)
	}
}
