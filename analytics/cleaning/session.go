package cleaning

import (
	"cmp"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// Limits of the effective-end rule, milliseconds.
const (
	runEnds    = 2 * timeline.Minute  // a PRODUCTION run this long ends a session
	ruleAfter  = 15 * timeline.Minute // end by rule, after the last sign-off
	closeLimit = 60 * timeline.Minute // a later close is not believed
	longest    = 24 * timeline.Hour
)

// Groups are the effective sessions of a history, joined where they overlap.
// grants are the standards (ms) that sign-offs earned by discharging due
// duties; without them every allowance is that of opening and closing alone.
// The groups are sorted and disjoint. A group reaches as far back as the
// history does.
func Groups(p *timeline.Press, h *timeline.History, grants map[timeline.ID]int64) []Group {
	s := sessions(h)
	var out []Group
	for _, x := range s {
		if n := len(out); n > 0 && x.From < out[n-1].To {
			g := &out[n-1]
			g.Sessions = append(g.Sessions, x)
			g.To = max(g.To, x.To)
			continue
		}
		out = append(out, Group{Interval: x.Interval, Occasion: x.Occasion, Sessions: []Session{x}})
	}
	for i := range out {
		g := &out[i]
		g.Union = []timeline.Interval{g.Interval}
		g.Allowance = allowance(p, h, g, grants)
	}
	return out
}

// allowance is the granted standards of the sign-offs made in the group while
// the press stood, divided by the hands planned for its occasion, and what is
// granted for opening and closing.
func allowance(p *timeline.Press, h *timeline.History, g *Group, grants map[timeline.ID]int64) int64 {
	var sum int64
	for _, s := range g.Sessions {
		for _, i := range s.SignOffs {
			sum += grants[h.SignOffs[i].ID]
		}
	}
	return sum/int64(p.HandsFor(g.Occasion)) + p.OpenClose
}

// sessions are the effective sessions, by start. Empty ones (closed by a
// running press at once) are left out.
func sessions(h *timeline.History) []Session {
	runs := h.Produced()
	byID := map[string][]int{}
	for i := range h.Opened {
		byID[h.Opened[i].Session] = append(byID[h.Opened[i].Session], i)
	}
	signed := map[string][]int{}
	for i := range h.SignOffs {
		if s := h.SignOffs[i].Session; s != "" {
			signed[s] = append(signed[s], i)
		}
	}
	closed := map[string][]int{}
	for i := range h.Closed {
		closed[h.Closed[i].Session] = append(closed[h.Closed[i].Session], i)
	}
	var out []Session
	for id, opens := range byID {
		reopened := false
		for k := 0; k < len(opens); {
			e := &h.Opened[opens[k]]
			var s Session
			for k++; ; k++ {
				next := int64(1<<63 - 1)
				if k < len(opens) {
					next = h.Opened[opens[k]].At
				}
				s = effective(h, e, next, signed[id], closed[id], runs)
				if s.To <= next { // else it was open: the second opening says nothing new
					break
				}
			}
			s.Reopened = reopened
			if s.Len() > 0 {
				out = append(out, s)
				reopened = true
			}
		}
	}
	slices.SortFunc(out, func(a, b Session) int {
		return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.ID, b.ID), cmp.Compare(a.To, b.To))
	})
	return out
}

// effective is the session that e opens, from the session's sign-offs and
// closes before next.
func effective(h *timeline.History, e *timeline.Event, next int64, signed, closed []int, runs []timeline.Interval) Session {
	s := Session{ID: e.Session, Occasion: e.Occasion, Opened: e.ID, Crew: e.Crew}
	closeAt := int64(-1)
	for _, i := range closed {
		if c := &h.Closed[i]; c.At >= e.At && c.At < next {
			closeAt, s.Checks = c.At, c.Checks|timeline.CheckStated
			break
		}
	}
	last := e.At
	var mine []int
	for _, i := range signed {
		at := h.SignOffs[i].At
		if at < e.At || at >= next || at > e.At+longest || closeAt >= 0 && at > closeAt {
			continue
		}
		if running(h.Slices, at) {
			continue // cleaned on the run: no press time
		}
		mine = append(mine, i)
		last = max(last, at)
	}
	end, rule := closeAt, false
	if closeAt < 0 || closeAt > last+closeLimit {
		end, rule = last+ruleAfter, true
	}
	for _, r := range runs {
		// A run that had begun before the last sign-off counts from there.
		if from := max(r.From, last); r.To-from >= runEnds {
			if from < end {
				end, rule = from, true
			}
			break
		}
	}
	if end > e.At+longest {
		end, rule = e.At+longest, true
	}
	s.Interval = timeline.Interval{From: e.At, To: end}
	s.ClosedByRule, s.SignOffs = rule, mine
	return s
}

// running says whether the press was in PRODUCTION at the instant and just
// before it: a sign-off at the very start of a run was made at rest.
func running(sl []timeline.Slice, at int64) bool {
	for _, s := range timeline.SlicesIn(sl, timeline.Interval{From: at - 1, To: at}) {
		if s.State == timeline.StateProduction {
			return true
		}
	}
	return false
}
