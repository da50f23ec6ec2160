package projector

import (
	"cmp"
	"context"
	"fmt"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/timeline"
	"github.com/downweb/downweb/analytics/timeline/timelinetest"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// memory is a log and its rows in memory, filtered as the warehouse filters.
type memory struct {
	sl   []timeline.Slice
	ev   []timeline.Event
	rows timeline.Projections
}

func (m *memory) ReadSlices(_ context.Context, _, _ string, from, to int64) (out []timeline.Slice, err error) {
	for _, s := range m.sl {
		if s.From < to && s.To > from {
			out = append(out, s)
		}
	}
	return out, nil
}

func (m *memory) ReadEvents(_ context.Context, _, _ string, from, to int64) (out []timeline.Event, err error) {
	for _, e := range m.ev {
		switch e.Kind {
		case timeline.KindJobStarted, timeline.KindJobCorrected, timeline.KindVoided:
			out = append(out, e)
		case timeline.KindReasonNoted, timeline.KindWasteBooked:
			if e.From < to && e.To > from {
				out = append(out, e)
			}
		default:
			if e.At >= from && e.At < to {
				out = append(out, e)
			}
		}
	}
	return out, nil
}

func (m *memory) Epochs(context.Context, string, string) ([]timeline.EpochRank, error) {
	return []timeline.EpochRank{{Epoch: 1}}, nil
}

func (m *memory) Repeats(context.Context, string, string) ([]timeline.Repeat, error) {
	type key struct {
		k timeline.Kind
		s string
	}
	by := map[key][]timeline.Event{}
	for _, e := range m.ev {
		if e.SourceKey != "" {
			by[key{e.Kind, e.SourceKey}] = append(by[key{e.Kind, e.SourceKey}], e)
		}
	}
	var out []timeline.Repeat
	for k, l := range by {
		if len(l) > 1 {
			slices.SortFunc(l, func(a, b timeline.Event) int {
				if timeline.Before(&a, &b) {
					return -1
				}
				return 1
			})
			out = append(out, timeline.Repeat{Kind: k.k, SourceKey: k.s, First: l[0].ID})
		}
	}
	return out, nil
}

func (m *memory) LatestRegistry(context.Context) ([]*pb.RegistryRevision, error) { return nil, nil }

func (m *memory) LastDay(context.Context, string, string) (timeline.Day, bool, error) {
	if len(m.rows.Days) == 0 {
		return 0, false, nil
	}
	return m.rows.Days[len(m.rows.Days)-1].Day, true, nil
}

func (m *memory) ReadPressDay(_ context.Context, _, _ string, d timeline.Day) (timeline.PressDay, bool, error) {
	for _, r := range m.rows.Days {
		if r.Day == d {
			return r, true, nil
		}
	}
	return timeline.PressDay{}, false, nil
}

// fold folds from an instant on and keeps the rows before the first written
// day, as storing the difference does.
func (m *memory) fold(p *timeline.Press, from int64) error {
	f, err := Load(context.Background(), m, m, p, from)
	if err != nil {
		return err
	}
	if f == nil {
		m.rows = timeline.Projections{}
		return nil
	}
	now, err := f.Run()
	if err != nil {
		return err
	}
	m.rows.Days = keep(m.rows.Days, now.Days, f.WriteAt, func(r *timeline.PressDay) timeline.Day { return r.Day })
	m.rows.Facts = keep(m.rows.Facts, now.Facts, f.WriteAt, func(r *timeline.ShiftFact) timeline.Day { return r.Day })
	m.rows.Visits = keep(m.rows.Visits, now.Visits, f.WriteAt, func(r *timeline.StationVisit) timeline.Day { return r.Day })
	m.rows.Duties = keep(m.rows.Duties, now.Duties, f.WriteAt, func(r *timeline.DutyRow) timeline.Day { return r.Day })
	return nil
}

func keep[T any](old, now []T, from timeline.Day, day func(*T) timeline.Day) []T {
	old = slices.DeleteFunc(slices.Clone(old), func(r T) bool { return day(&r) >= from })
	if old = append(old, now...); len(old) == 0 {
		return nil
	}
	return old
}

// whole is the fold from the beginning.
func (m *memory) whole(t fataler, p *timeline.Press) timeline.Projections {
	full := &memory{sl: m.sl, ev: m.ev}
	if err := full.fold(p, sinceEver); err != nil {
		t.Fatal(err)
	}
	return full.rows
}

type fataler interface {
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}

func (m *memory) same(t fataler, p *timeline.Press, what string) {
	full := m.whole(t, p)
	if reflect.DeepEqual(full, m.rows) {
		return
	}
	for i := range full.Days {
		if i >= len(m.rows.Days) || !reflect.DeepEqual(full.Days[i], m.rows.Days[i]) {
			got := "nothing"
			if i < len(m.rows.Days) {
				got = fmt.Sprintf("%+v", m.rows.Days[i])
			}
			t.Fatalf("%s: day %s is %s\nfolded from the beginning %+v", what, full.Days[i].Day, got, full.Days[i])
		}
	}
	t.Fatalf("%s: facts, visits or duties differ (%d/%d days, %d/%d facts, %d/%d visits, %d/%d duties)", what, len(m.rows.Days), len(full.Days),
		len(m.rows.Facts), len(full.Facts), len(m.rows.Visits), len(full.Visits), len(m.rows.Duties), len(full.Duties))
}

// twentyDays is a press that makes 9 km a day for 20 days, two days a job.
func twentyDays(t *testing.T) (*timeline.Press, *timelinetest.Log, *memory) {
	cal := &timeline.Calendar{Patterns: []timeline.Pattern{{ValidFrom: timeline.NoDay, Cycle: 1,
		Shifts: []timeline.ShiftPattern{timelinetest.Shift("early", 360, 840, []int{1, 2, 3, 4, 5, 6, 7})}}}}
	p := timelinetest.Press(t, "Europe/Berlin", cal)
	l := timelinetest.NewLog(t, "Europe/Berlin")
	for d := 1; d <= 20; d++ {
		l.Run(fmt.Sprintf("2026-06-%02d 06:00", d), fmt.Sprintf("2026-06-%02d 08:00", d), timeline.StateProduction, fmt.Sprintf("J%d", (d-1)/2), 100_000, 9_000_000, 600_000)
	}
	m := &memory{sl: l.Slices}
	if err := m.fold(p, sinceEver); err != nil {
		t.Fatal(err)
	}
	return p, l, m
}

func booking(l *timelinetest.Log, day, key string) timeline.Event {
	return timeline.Event{Kind: timeline.KindWasteBooked, SourceKey: key, At: l.At(day + " 09:00"), Cause: timeline.CauseOther, Length: 50_000, Condition: -1,
		Interval: timeline.Interval{From: l.At(day + " 06:00"), To: l.At(day + " 07:00")}}
}

// Folding from what a change touches gives what folding from the beginning
// gives.
func TestIncrementalEqualsWhole(t *testing.T) {
	t.Run("a correction is taken back", func(t *testing.T) {
		p, l, m := twentyDays(t)
		c := l.Add(timeline.Event{Kind: timeline.KindJobCorrected, At: l.At("2026-06-15 09:00"), Job: "J0", Rated: 80_000, Condition: -1})
		m.ev = l.Events
		m.fold(p, l.At("2026-06-01 06:00"))
		m.same(t, p, "corrected")
		l.Void("2026-06-20 09:00", c)
		m.ev = l.Events
		m.fold(p, l.At("2026-06-01 06:00")) // what ingest marks: the job's start
		m.same(t, p, "taken back")
	})
	t.Run("one key twice, weeks apart", func(t *testing.T) {
		p, l, m := twentyDays(t)
		l.Add(booking(l, "2026-06-01", "1"))
		m.ev = l.Events
		m.fold(p, l.At("2026-06-01 06:00"))
		l.Add(booking(l, "2026-06-15", "1"))
		m.ev = l.Events
		m.fold(p, l.At("2026-06-15 06:00"))
		m.same(t, p, "repeat")
	})
	t.Run("a void takes nothing back before its earliest instant", func(t *testing.T) {
		p, l, m := twentyDays(t)
		l.Void("2026-06-20 09:00", l.Slices[0].ID)
		l.Events[len(l.Events)-1].Earliest = l.At("2026-06-20 09:00")
		m.ev = l.Events
		m.fold(p, l.At("2026-06-20 09:00"))
		m.same(t, p, "void")
	})
	t.Run("short production days", func(t *testing.T) {
		p, l, m := twentyDays(t)
		sunday, _ := timeline.ParseDay("2026-06-07")
		p.Calendar.Closed = map[timeline.Day]string{sunday: "closed"}
		p.Calendar.Extra = []timeline.ExtraShift{{Day: sunday, ShiftPattern: timelinetest.Shift("night", 1320, 360, []int{7})}}
		for i := range m.sl {
			if s := &m.sl[i]; s.From >= l.At("2026-06-06 06:00") && s.From < l.At("2026-06-06 09:00") {
				s.Job, s.Rated = "JX", 0
			}
		}
		m.fold(p, sinceEver)
		l.Add(timeline.Event{Kind: timeline.KindJobStarted, At: l.At("2026-06-09 07:00"), Job: "JX", Rated: 80_000, Condition: -1})
		m.ev = l.Events
		m.fold(p, l.At("2026-06-09 07:00"))
		m.same(t, p, "job start said late")
	})
	t.Run("a mistyped year is an error, not a century of rows", func(t *testing.T) {
		p, l, m := twentyDays(t)
		before := m.rows
		z := time.Time{}.UnixMilli()
		b := booking(l, "2026-06-20", "")
		b.Interval = timeline.Interval{From: z, To: z + 1000}
		l.Add(b)
		m.ev = l.Events
		if err := m.fold(p, z); err == nil {
			t.Error("no error")
		}
		if !reflect.DeepEqual(m.rows, before) {
			t.Error("rows changed")
		}
	})
}

// Random logs that arrive in random pieces: after each piece the rows are those
// of a fold from the beginning.
func TestIncrementalEqualsWholeOnRandomLogs(t *testing.T) {
	cal := &timeline.Calendar{Patterns: []timeline.Pattern{{ValidFrom: timeline.NoDay, Cycle: 1, Shifts: []timeline.ShiftPattern{
		timelinetest.Shift("early", 360, 840, []int{1, 2, 3, 4, 5}), timelinetest.Shift("night", 1320, 360, []int{1, 3, 5})}}}}
	p := timelinetest.Press(t, "Europe/Berlin", cal)
	p.Restart = 500_000
	p.Plans = []timeline.Plan{{ValidFrom: timeline.NoDay, Tasks: []timeline.Task{
		{Slug: "start", Station: "treater", Standard: 8 * timeline.Minute, Triggers: []timeline.Trigger{{Cadence: timeline.CadenceStartup}}},
		{Slug: "stop", Station: "uv-1", Standard: 10 * timeline.Minute, Triggers: []timeline.Trigger{{Cadence: timeline.CadenceShutdown}}},
		{Slug: "hours", Station: "heads", Standard: 5 * timeline.Minute, Triggers: []timeline.Trigger{{Cadence: timeline.CadenceRunHours, Every: 6}}},
	}}}
	l := timelinetest.NewLog(t, "Europe/Berlin")
	start := l.At("2026-03-23 00:00") // the last week of winter time
	rapid.Check(t, func(t *rapid.T) {
		var sl []timeline.Slice
		var ev []timeline.Event
		seq := uint64(0)
		id := func() timeline.ID { seq++; return timeline.ID{Epoch: 1, Seq: seq} }
		days := rapid.Int64Range(4, 14).Draw(t, "days")
		span := days * 24 * 60
		at := func(label string) int64 { return start + rapid.Int64Range(0, span).Draw(t, label)*timeline.Minute }
		for range rapid.IntRange(1, 30).Draw(t, "runs") {
			a, n := at("run"), rapid.Int64Range(1, 8).Draw(t, "hours")
			st := timeline.State(rapid.SampledFrom([]int{1, 1, 1, 2, 4, 6, 7}).Draw(t, "state"))
			for i := range n {
				s := timeline.Slice{ID: id(), Interval: timeline.Interval{From: a + i*30*timeline.Minute, To: a + (i+1)*30*timeline.Minute},
					State: st, Job: rapid.SampledFrom([]string{"", "A", "B"}).Draw(t, "job"), Recorded: a}
				if st == timeline.StateProduction {
					s.Good, s.Waste = 2_000_000, 50_000
				}
				sl = append(sl, s)
			}
		}
		for range rapid.IntRange(0, 25).Draw(t, "events") {
			e := timeline.Event{ID: id(), At: at("at"), Condition: -1, Recorded: rapid.Int64Range(1, 5).Draw(t, "recorded")}
			switch rapid.IntRange(0, 7).Draw(t, "kind") {
			case 0:
				e.Kind, e.Session, e.Occasion = timeline.KindCleaningOpened, "s", timeline.Occasion(rapid.IntRange(1, 4).Draw(t, "occasion"))
			case 1, 2, 3:
				e.Kind, e.Session, e.Station, e.Outcome = timeline.KindStationSignedOff, "s", rapid.SampledFrom([]string{"treater", "uv-1", "heads"}).Draw(t, "station"), timeline.OutcomeCleaned
			case 4:
				e.Kind, e.NoteKind, e.Reason = timeline.KindReasonNoted, timeline.NoteStop, "dirty"
				e.Interval = timeline.Interval{From: e.At - 3*timeline.Hour, To: e.At}
			case 5:
				e.Kind, e.Cause, e.Length = timeline.KindWasteBooked, timeline.CauseOther, 30_000
				e.Interval = timeline.Interval{From: e.At - 30*timeline.Hour, To: e.At}
			case 6:
				e.Kind, e.Job, e.Family, e.Rated, e.Length = timeline.KindJobStarted, "A", "film", 90_000, int64(seq)
			case 7:
				e.Kind, e.TargetEpoch, e.TargetFirst = timeline.KindVoided, 1, rapid.Uint64Range(1, seq).Draw(t, "target")
				e.TargetLast = e.TargetFirst
				e.Earliest = start - 48*timeline.Hour
			}
			ev = append(ev, e)
		}
		// Pieces, in any order.
		type item struct {
			when int64
			s    *timeline.Slice
			e    *timeline.Event
		}
		var items []item
		for i := range sl {
			items = append(items, item{sl[i].From, &sl[i], nil})
		}
		for i := range ev {
			from := ev[i].At
			if ev[i].Kind == timeline.KindReasonNoted || ev[i].Kind == timeline.KindWasteBooked {
				from = ev[i].From
			}
			if ev[i].Kind == timeline.KindVoided {
				from = ev[i].Earliest
			}
			items = append(items, item{from, nil, &ev[i]})
		}
		if rapid.Bool().Draw(t, "in order") {
			slices.SortFunc(items, func(a, b item) int { return cmp.Compare(a.when, b.when) })
		} else {
			items = rapid.Permutation(items).Draw(t, "order")
		}
		m := &memory{}
		for len(items) > 0 {
			n := rapid.IntRange(1, len(items)).Draw(t, "piece")
			from := items[0].when
			for _, it := range items[:n] {
				from = min(from, it.when)
				if it.s != nil {
					m.sl = append(m.sl, *it.s)
				} else {
					m.ev = append(m.ev, *it.e)
				}
			}
			items = items[n:]
			if err := m.fold(p, from); err != nil {
				t.Fatal(err)
			}
			m.same(t, p, "after a piece")
		}
		if n := len(m.rows.Days); n > 0 {
			a, b := rapid.IntRange(0, n-1).Draw(t, "first"), rapid.IntRange(0, n-1).Draw(t, "last")
			m.explained(t, p, m.rows.Days[min(a, b)].Day, m.rows.Days[max(a, b)].Day)
		}
	})
}
