package duty

import (
	"math"
	"slices"
	"sort"

	"github.com/downweb/downweb/analytics/timeline"
)

// clock is web and run time counted over a stretch of slices.
type clock struct {
	slices []timeline.Slice
	ms, mm []int64 // counted up to the end of each slice
}

func newClock(sl []timeline.Slice, iv timeline.Interval) clock {
	if n := len(sl); n > 0 && (sl[0].From < iv.From || sl[n-1].To > iv.To) {
		sl = slices.Clone(sl)
		sl[0] = sl[0].Part(iv)
		sl[n-1] = sl[n-1].Part(iv)
	}
	c := clock{slices: sl, ms: make([]int64, len(sl)), mm: make([]int64, len(sl))}
	var ms, mm int64
	for i := range sl {
		a, b := counts(&sl[i])
		ms, mm = ms+a, mm+b
		c.ms[i], c.mm[i] = ms, mm
	}
	return c
}

// counts is what a slice adds to the clocks: run time in PRODUCTION or where
// the web moved, and length in any state.
func counts(s *timeline.Slice) (ms, mm int64) {
	mm = s.Good + s.Waste
	if s.State == timeline.StateProduction || mm > 0 {
		ms = s.Len()
	}
	return ms, mm
}

// at is what was counted up to an instant.
func (c *clock) at(t int64) (ms, mm int64) {
	i := sort.Search(len(c.slices), func(i int) bool { return c.slices[i].To > t })
	if i > 0 {
		ms, mm = c.ms[i-1], c.mm[i-1]
	}
	if i < len(c.slices) && c.slices[i].From < t {
		part := c.slices[i].Part(timeline.Interval{From: c.slices[i].From, To: t})
		a, b := part.Len(), part.Good+part.Waste
		if s := &c.slices[i]; s.State != timeline.StateProduction && s.Good+s.Waste == 0 {
			a = 0
		}
		ms, mm = ms+a, mm+b
	}
	return ms, mm
}

// reach is the first instant at which the count is need more than at from;
// never if that is not in sight.
func (c *clock) reach(from, need int64, length bool) int64 {
	if need <= 0 {
		return from
	}
	ms, mm := c.at(from)
	sum, target := c.ms, ms+need
	if length {
		sum, target = c.mm, mm+need
	}
	i := sort.Search(len(sum), func(i int) bool { return sum[i] >= target })
	if i == len(sum) {
		return never
	}
	var before int64
	if i > 0 {
		before = sum[i-1]
	}
	s := &c.slices[i]
	amount := sum[i] - before
	part := target - before
	return max(from, s.From+(s.Len()*part+amount-1)/amount)
}

// fifths of an interval at which a clock duty opens (in its first round) and
// is due.
const (
	opensAt = 4
	dueAt   = 5
)

// reaches is the earliest instant at which a clock of the task has counted the
// given fifths of its interval since the last sign-off, and whose clock that
// is. mark is the instant st.touch stands for.
func (f *fold) reaches(t *timeline.Task, st *taskState, mark int64, fifths int) (int64, timeline.Cadence) {
	best, by := never, timeline.Cadence(0)
	for i := range t.Triggers {
		tr := &t.Triggers[i]
		at := never
		switch tr.Cadence {
		case timeline.CadenceRunHours:
			if every := int64(math.Round(tr.Every * float64(timeline.Hour))); every > 0 {
				at = f.clock.reach(mark, scaled(every, fifths)-st.touch.ms, false)
			}
		case timeline.CadenceRunKm:
			if every := int64(math.Round(tr.Every * 1e6)); every > 0 {
				at = f.clock.reach(mark, scaled(every, fifths)-st.touch.mm, true)
			}
		case timeline.CadenceDays:
			at = f.counted(st, max(1, int(math.Round(tr.Every))), fifths)
		case timeline.CadenceWeekly:
			if tr.AnchorDay == 0 {
				at = f.counted(st, 7, fifths)
			} else {
				at = f.anchored(st, tr.AnchorDay, fifths)
			}
		}
		if at < best {
			best, by = at, tr.Cadence
		}
	}
	return best, by
}

func scaled(every int64, fifths int) int64 {
	return every/dueAt*int64(fifths) + every%dueAt*int64(fifths)/dueAt
}

// counted is the instant of a clock of n days. Rounds that a closure would put
// on one instant follow each other, a planned day apart.
func (f *fold) counted(st *taskState, n, fifths int) int64 {
	rounds := (fifths + dueAt - 1) / dueAt
	at := int64(0)
	for k := 1; k <= rounds; k++ {
		half := st.since + int64(n*k)*dayMS - int64(n)*dayMS/2
		at = f.dueOn(st.sinceDay+timeline.Day(n*k), max(half, at))
	}
	return at - int64(rounds*dueAt-fifths)*int64(n)*dayMS/dueAt
}

// anchored is the instant of a weekly clock fixed to a weekday: the first one
// is that whose window opens after the last sign-off. A week that a closure
// puts on the due instant of the week before has none of its own.
func (f *fold) anchored(st *taskState, weekday, fifths int) int64 {
	const before = 7 * dayMS / dueAt
	rounds := (fifths + dueAt - 1) / dueAt
	d := st.sinceDay - 1
	d += timeline.Day((weekday - d.Weekday() + 7) % 7)
	at := f.dueOn(d, 0)
	for range 100 {
		// Never signed off: the first due instant after the press was first seen
		// counts, though its window opened before.
		if at-before > st.since || !st.touch.ok && at > st.since {
			break
		}
		d += 7
		at = f.dueOn(d, 0)
	}
	for k := 1; k < rounds; k++ {
		prev := at
		for range 100 { // closures of years have no end of their own
			d += 7
			if at = f.dueOn(d, 0); at > prev {
				break
			}
		}
	}
	if rounds == st.rounds+2 { // late until the next one opens
		return at - before
	}
	return at - int64(rounds*dueAt-fifths)*before
}

// dueOn is the end of the last planned shift of a day; on a day without shifts
// the end of the last planned shift before it, or, where that is not after the
// given instant, of the first one after it. A calendar without shifts gives the
// end of the day.
func (f *fold) dueOn(d timeline.Day, after int64) int64 {
	const far = 60
	for x := d; x > d-far; x-- {
		pl := f.plan(x)
		if end, ok := pl.LastShiftEnd(); ok {
			if end > after {
				return end
			}
			break
		}
	}
	for x := d + 1; x < d+far; x++ {
		pl := f.plan(x)
		if end, ok := pl.LastShiftEnd(); ok && end > after {
			return end
		}
	}
	pl := f.plan(d)
	return pl.End
}
