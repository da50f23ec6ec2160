// Package timelinetest builds press histories for tests: rows of a shift as a
// person writes them down, cut into the slices an agent would have made.
package timelinetest

import (
	"testing"
	"time"

	"github.com/downweb/downweb/analytics/timeline"
)

// Log collects the events of one press under one epoch.
type Log struct {
	T      testing.TB
	Zone   *time.Location
	Epoch  uint64
	Slices []timeline.Slice
	Events []timeline.Event
	Step   int64 // longest slice that Run cuts, ms; 0: a minute
	seq    uint64
}

// NewLog starts a log in a zone.
func NewLog(t testing.TB, zone string) *Log {
	t.Helper()
	z, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	return &Log{T: t, Zone: z, Epoch: 1}
}

// At reads "2026-06-15 06:00" (local; seconds may follow), or with a Z at the
// end UTC.
func (l *Log) At(s string) int64 {
	l.T.Helper()
	zone := l.Zone
	if n := len(s); n > 0 && s[n-1] == 'Z' {
		s, zone = s[:n-1], time.UTC
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02 15:04:05"} {
		if t, err := time.ParseInLocation(layout, s, zone); err == nil {
			return t.UnixMilli()
		}
	}
	l.T.Fatalf("%q is no instant", s)
	return 0
}

func (l *Log) id() timeline.ID {
	l.seq++
	return timeline.ID{Epoch: l.Epoch, Seq: l.seq}
}

// Run records a row of a shift as slices that end on whole UTC minutes (or on
// multiples of Step). good and waste
// (mm) are spread evenly, the remainder a millimeter at a time from the start.
func (l *Log) Run(from, to string, state timeline.State, job string, rated, good, waste int64) {
	l.T.Helper()
	l.RunAt(l.At(from), l.At(to), state, job, rated, good, waste)
}

// RunAt is Run with instants.
func (l *Log) RunAt(from, to int64, state timeline.State, job string, rated, good, waste int64) {
	first := len(l.Slices)
	step := l.Step
	if step == 0 {
		step = timeline.Minute
	}
	for at := from; at < to; {
		end := min(to, at/step*step+step)
		l.Slices = append(l.Slices, timeline.Slice{ID: l.id(), Interval: timeline.Interval{From: at, To: end},
			Recorded: end, State: state, Job: job, Rated: rated})
		at = end
	}
	sl := l.Slices[first:]
	n := int64(len(sl))
	for i := range sl {
		k := int64(i)
		sl[i].Good = good*(k+1)/n - good*k/n
		sl[i].Waste = waste*(k+1)/n - waste*k/n
	}
}

// Add records an event; its identity and, if empty, its recorded time are set.
func (l *Log) Add(e timeline.Event) timeline.ID {
	e.ID = l.id()
	if e.Recorded == 0 {
		e.Recorded = e.At
	}
	l.Events = append(l.Events, e)
	return e.ID
}

// Open opens a session.
func (l *Log) Open(at, session string, o timeline.Occasion) timeline.ID {
	return l.Add(timeline.Event{Kind: timeline.KindCleaningOpened, At: l.At(at), Session: session, Occasion: o, Condition: -1})
}

// Close closes a session.
func (l *Log) Close(at, session string) timeline.ID {
	return l.Add(timeline.Event{Kind: timeline.KindCleaningClosed, At: l.At(at), Session: session, Condition: -1})
}

// Sign signs a task off as cleaned.
func (l *Log) Sign(at, session, task, station string) timeline.ID {
	return l.Add(timeline.Event{Kind: timeline.KindStationSignedOff, At: l.At(at), Session: session, Task: task,
		Station: station, Outcome: timeline.OutcomeCleaned, Condition: -1})
}

// Skip skips a task.
func (l *Log) Skip(at, session, task, station, reason string) timeline.ID {
	return l.Add(timeline.Event{Kind: timeline.KindStationSkipped, At: l.At(at), Session: session, Task: task,
		Station: station, Reason: reason, Condition: -1})
}

// Note gives a stretch a reason.
func (l *Log) Note(at, from, to string, kind timeline.NoteKind, reason, station string) timeline.ID {
	return l.Add(timeline.Event{Kind: timeline.KindReasonNoted, At: l.At(at), NoteKind: kind, Reason: reason, Station: station,
		Interval: timeline.Interval{From: l.At(from), To: l.At(to)}, Condition: -1})
}

// Book books waste (mm) to a cause.
func (l *Log) Book(at, from, to string, c timeline.Cause, station string, length int64) timeline.ID {
	return l.Add(timeline.Event{Kind: timeline.KindWasteBooked, At: l.At(at), Cause: c, Station: station, Length: length,
		Interval: timeline.Interval{From: l.At(from), To: l.At(to)}, Condition: -1})
}

// Void takes one event back.
func (l *Log) Void(at string, target timeline.ID) timeline.ID {
	return l.Add(timeline.Event{Kind: timeline.KindVoided, At: l.At(at), TargetEpoch: target.Epoch,
		TargetFirst: target.Seq, TargetLast: target.Seq, Condition: -1})
}

// History settles what was recorded.
func (l *Log) History() *timeline.History {
	return timeline.Build(l.Slices, l.Events, []timeline.EpochRank{{Epoch: l.Epoch, Recorded: 0}})
}

// Frontier is the latest instant that anything speaks of.
func (l *Log) Frontier() int64 {
	var f int64
	for i := range l.Slices {
		f = max(f, l.Slices[i].To)
	}
	for i := range l.Events {
		f = max(f, l.Events[i].At, l.Events[i].To)
	}
	return f
}

// Window is the history a production day is folded from: what speaks of the
// 48 h before its start up to 48 h past its end, and all voids and corrections.
func (l *Log) Window(day timeline.DayPlan) *timeline.History {
	const around = 48 * timeline.Hour
	iv := timeline.Interval{From: day.Start - around, To: day.End + around}
	var sl []timeline.Slice
	for _, s := range l.Slices {
		if s.Interval.And(iv).Len() > 0 {
			sl = append(sl, s)
		}
	}
	var evs []timeline.Event
	for _, e := range l.Events {
		switch {
		case e.Kind == timeline.KindVoided, e.Kind == timeline.KindJobCorrected, iv.Has(e.At), e.Interval.And(iv).Len() > 0:
			evs = append(evs, e)
		}
	}
	return timeline.Build(sl, evs, []timeline.EpochRank{{Epoch: l.Epoch, Recorded: 0}})
}
