package cleaning

import (
	"cmp"
	"slices"

	"github.com/downweb/downweb/analytics/timeline"
)

// chain is the sign-offs of one crew in one group, in order.
type chain struct {
	crew string
	seg  []stint
}

// stint is the way from the sign-off before to this one.
type stint struct {
	from, began, to int64 // [from, began): interruption; [began, to): work
	session         int   // index into the group's sessions
	signOff         int   // index into History.SignOffs
	visit           int   // index into the result
	own             int64 // the chain's own time of work, not shared
}

// Visits shares the time of cleaning groups among their sign-offs. breaks are
// the breaks of the calendar; standard gives the hands-on time (ms) of a task,
// 0 where there is none. Inside a group, every crew value is one chain; a visit
// runs from the chain's sign-off before (or the opening of its session) to its
// own sign-off, and began_at cuts an interruption off its start. Time in which
// the press ran, or which a note gives to another class than contamination, is
// no cleaning; a break is taken out unless the chain signed off inside it. n
// chains at once get 1/n of the press's time each, to the millisecond. closing
// is, per session id, the time after the last sign-off of all chains; each
// session's own is set in groups, as a session may be opened again. So the
// visits' Time and Interruption and the closings add up to the group's time
// less what was taken out.
func Visits(p *timeline.Press, h *timeline.History, groups []Group, breaks []timeline.Interval, standard func(task, station string) int64) (visits []Visit, closing map[string]int64) {
	closing = map[string]int64{}
	out := outside(p, h)
	for gi := range groups {
		visits = shareGroup(h, &groups[gi], breaks, out, standard, visits, closing)
	}
	return visits, closing
}

// outside is the time that is never cleaning, sorted but not disjoint.
func outside(p *timeline.Press, h *timeline.History) []timeline.Interval {
	out := h.Produced()
	for i := range h.Slices {
		if h.Slices[i].State == timeline.StateTrial {
			out = append(out, h.Slices[i].Interval)
		}
	}
	for i := range h.Notes {
		n := &h.Notes[i]
		if n.NoteKind != timeline.NoteStop {
			continue
		}
		if c := p.Reasons[n.Reason]; c != timeline.ClassNone && c != timeline.ClassContamination {
			out = append(out, n.Interval)
		}
	}
	slices.SortFunc(out, func(a, b timeline.Interval) int { return cmp.Compare(a.From, b.From) })
	return out
}

func chains(h *timeline.History, g *Group) []chain {
	type tap struct{ session, signOff int }
	var taps []tap
	for si, s := range g.Sessions {
		for _, i := range s.SignOffs {
			if at := h.SignOffs[i].At; at <= s.To {
				taps = append(taps, tap{si, i})
			}
		}
	}
	// Sign-offs are sorted by instant, then identity: so are their indexes.
	slices.SortFunc(taps, func(a, b tap) int { return cmp.Compare(a.signOff, b.signOff) })
	var out []chain
	at := map[string]int{}
	for _, t := range taps {
		e := &h.SignOffs[t.signOff]
		k, ok := at[e.Crew]
		if !ok {
			k = len(out)
			at[e.Crew] = k
			out = append(out, chain{crew: e.Crew})
		}
		c := &out[k]
		from := g.Sessions[t.session].From
		if n := len(c.seg); n > 0 {
			from = max(from, c.seg[n-1].to)
		}
		began := from
		if e.Began > from && e.Began < e.At {
			began = e.Began
		}
		c.seg = append(c.seg, stint{from: from, began: began, to: max(e.At, from), session: t.session, signOff: t.signOff})
	}
	slices.SortFunc(out, func(a, b chain) int { return cmp.Compare(a.crew, b.crew) })
	return out
}

func shareGroup(h *timeline.History, g *Group, breaks, out []timeline.Interval, standard func(task, station string) int64, visits []Visit, closing map[string]int64) []Visit {
	for i := range g.Sessions {
		g.Sessions[i].Closing = 0
	}
	cs := chains(h, g)
	first := len(visits)
	for ci := range cs {
		for k := range cs[ci].seg {
			st := &cs[ci].seg[k]
			e := &h.SignOffs[st.signOff]
			s := &g.Sessions[st.session]
			st.visit = len(visits)
			visits = append(visits, Visit{
				Session: s.ID, Station: e.Station, Task: e.Task, Crew: e.Crew, Occasion: s.Occasion,
				From: st.began, To: st.to, First: st.began == s.From, Standard: standard(e.Task, e.Station), SignOff: e.ID,
			})
		}
	}
	// Elementary pieces: nothing changes inside one.
	cuts := []int64{g.From, g.To}
	add := func(t int64) {
		if t > g.From && t < g.To {
			cuts = append(cuts, t)
		}
	}
	for ci := range cs {
		for _, st := range cs[ci].seg {
			add(st.from)
			add(st.began)
			add(st.to)
		}
	}
	for _, s := range g.Sessions {
		add(s.From)
		add(s.To)
	}
	for _, l := range [][]timeline.Interval{breaks, out} {
		for _, b := range l {
			add(b.From)
			add(b.To)
		}
	}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	var work []*stint
	for i := 1; i < len(cuts); i++ {
		piece := timeline.Interval{From: cuts[i-1], To: cuts[i]}
		if covered(out, piece.From) {
			continue
		}
		brk, inBreak := find(breaks, piece.From)
		work = work[:0]
		atBreak := false // a chain is on its way to a sign-off after the break
		for ci := range cs {
			st := cs[ci].at(piece.From)
			if st == nil {
				continue
			}
			if inBreak && !cs[ci].signedIn(h, brk) {
				atBreak = true
				continue
			}
			work = append(work, st)
		}
		if len(work) == 0 {
			if !inBreak || !atBreak && anySigned(h, cs, brk) {
				if s := g.sessionAt(piece.From); s != nil {
					s.Closing += piece.Len()
					closing[s.ID] += piece.Len()
				}
			}
			continue
		}
		n, left := int64(len(work)), piece.Len()
		for k, st := range work {
			share := left / (n - int64(k)) // remainders go to the last chains
			left -= share
			v := &visits[st.visit]
			if piece.From < st.began {
				v.Interruption += share
				continue
			}
			v.Time += share
			st.own += piece.Len()
		}
	}
	for ci := range cs {
		markChain(cs[ci].seg, visits)
	}
	slices.SortStableFunc(visits[first:], func(a, b Visit) int {
		return cmp.Or(cmp.Compare(a.To, b.To), cmp.Compare(a.SignOff.Epoch, b.SignOff.Epoch), cmp.Compare(a.SignOff.Seq, b.SignOff.Seq))
	})
	return visits
}

// at is the stint a chain is in, nil before its first and after its last.
func (c *chain) at(t int64) *stint {
	for i := range c.seg {
		if s := &c.seg[i]; t >= s.from && t < s.to {
			return s
		}
	}
	return nil
}

func (c *chain) signedIn(h *timeline.History, b timeline.Interval) bool {
	for _, s := range c.seg {
		if at := h.SignOffs[s.signOff].At; at > b.From && at < b.To {
			return true
		}
	}
	return false
}

func anySigned(h *timeline.History, cs []chain, b timeline.Interval) bool {
	return slices.ContainsFunc(cs, func(c chain) bool { return c.signedIn(h, b) })
}

// sessionAt is the session that idle time belongs to: the last opened one that
// is open.
func (g *Group) sessionAt(t int64) *Session {
	for i := len(g.Sessions) - 1; i >= 0; i-- {
		if g.Sessions[i].Has(t) {
			return &g.Sessions[i]
		}
	}
	return nil
}

func covered(l []timeline.Interval, t int64) bool {
	_, ok := find(l, t)
	return ok
}

func find(l []timeline.Interval, t int64) (timeline.Interval, bool) {
	for _, b := range l {
		if b.Has(t) {
			return b, true
		}
	}
	return timeline.Interval{}, false
}

// markChain finds batch taps and doubtful visits. A batch is at least 3
// sign-offs, each following the one before within a fifth of its own standard;
// its time is shared in proportion to the standards (evenly where there are
// none), whole milliseconds, cumulatively rounded down.
func markChain(seg []stint, visits []Visit) {
	for i := 0; i < len(seg); {
		j := i + 1
		for j < len(seg) && 5*(seg[j].to-seg[j-1].to) <= visits[seg[j].visit].Standard && visits[seg[j].visit].Standard > 0 {
			j++
		}
		if j-i >= 3 {
			var total, weights int64
			for _, s := range seg[i:j] {
				total += visits[s.visit].Time
				weights += visits[s.visit].Standard
			}
			var done, given int64
			for _, s := range seg[i:j] {
				v := &visits[s.visit]
				done += v.Standard
				upTo := total * done / weights
				v.Time, v.Mark = upTo-given, MarkBatch
				v.Own = s.own
				v.From = visits[seg[i].visit].From
				given = upTo
			}
			i = j
			continue
		}
		v := &visits[seg[i].visit]
		v.Own = seg[i].own
		if v.Standard > 0 && (5*seg[i].own < v.Standard || seg[i].own > 3*v.Standard) {
			v.Mark = MarkDoubtful
		}
		i++
	}
}
