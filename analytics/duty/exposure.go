package duty

import (
	"cmp"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// freeze notes how one task left its station at the day's first PRODUCTION. A
// start-up clean not signed by then counts as not cleaned, whatever the grace
// allows for the duty. A task of which no window has closed yet counts as
// cleaned, as none was required; one due at shut-down as unknown, as the day
// before is.
func (f *fold) freeze(slug string, st *taskState, wins []window) {
	t := taskIn(f.p.TasksOn(f.day.Day), slug)
	if t == nil && len(wins) == 0 {
		return // left the plan
	}
	x := Exposure{Station: st.station, State: st.exposed, SinceMM: -1, SinceMS: -1, InRow: st.inRow}
	if x.State == neverClosed {
		x.State = Cleaned
		if trigger(t, timeline.CadenceShutdown) != nil {
			x.State = NotKnown
		}
	}
	if st.clean.ok {
		x.SinceMM, x.SinceMS = st.clean.mm, st.clean.ms
		x.AtLeast = st.clean.atLeast || f.longestGap(timeline.Interval{From: max(f.own.From, st.cleanAt), To: f.res.FirstProduction}) > 0
	}
	for i := range wins {
		w := &wins[i]
		if w.cadence != timeline.CadenceStartup || w.idle {
			continue
		}
		switch {
		case w.done != nil && w.done.At <= f.res.FirstProduction:
			x.State, x.InRow = Cleaned, 0
		case w.done != nil:
			x.State, x.LateStart = NotCleaned, true
			x.InRow++
		case w.skip != nil && f.p.SkipNotReq[w.skip.Reason]:
			x.State = NotExposed
		case w.outcome == Unknown || w.outcome == Open && w.pending:
			x.State = NotKnown
		default:
			x.State = NotCleaned
			x.InRow++
		}
	}
	f.frozen = append(f.frozen, x)
}

// exposures joins the tasks of each station: one task's missing clean makes it
// not cleaned; else one unknown makes it unknown; else one clean makes it
// cleaned. The meters are those since the latest clean by any of its tasks.
func (f *fold) exposures() {
	by := map[string]Exposure{}
	for _, x := range f.frozen {
		y, ok := by[x.Station]
		if !ok {
			by[x.Station] = x
			continue
		}
		y.State = worse(y.State, x.State)
		y.InRow = max(y.InRow, x.InRow)
		y.LateStart = y.LateStart || x.LateStart
		if x.SinceMM >= 0 && (y.SinceMM < 0 || x.SinceMS < y.SinceMS) {
			y.SinceMM, y.SinceMS, y.AtLeast = x.SinceMM, x.SinceMS, x.AtLeast
		}
		by[x.Station] = y
	}
	for _, x := range by {
		x.NextCondition = f.nextCondition(x.Station)
		f.res.Exposures = append(f.res.Exposures, x)
	}
	slices.SortFunc(f.res.Exposures, func(a, b Exposure) int { return cmp.Compare(a.Station, b.Station) })
}

func worse(a, b ExposureState) ExposureState {
	for _, s := range []ExposureState{NotCleaned, NotKnown, Cleaned} {
		if a == s || b == s {
			return s
		}
	}
	return NotExposed
}

// nextCondition is the condition found at the station's next sign-off after
// the day's first PRODUCTION, within 48 h of the day's end; -1: none said.
func (f *fold) nextCondition(station string) int8 {
	for _, e := range timeline.EventsIn(f.h.SignOffs, timeline.Interval{From: f.res.FirstProduction + 1, To: f.own.To + lookAround}) {
		if e.Station == station && e.At <= f.frontier {
			return e.Condition
		}
	}
	return -1
}
