package naive

import (
	"math/big"
	"sort"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// session is one cleaning session as far as it counts.
type session struct {
	span
	occasion pb.Occasion
	byRule   bool
	signs    []int // indexes in log.facts
}

// group is sessions that overlap, with one allowance.
type group struct {
	sessions []session
	signs    []int
	left     *big.Rat // of the allowance, ms
}

// sessions finds where each session really ends.
func (w *walk) sessions() []session {
	var out []session
	runs := w.log.runs()
	for _, f := range w.log.facts {
		o := f.ev.GetCleaningOpened()
		if o == nil {
			continue
		}
		s := session{span: span{f.at, 0}, occasion: o.Occasion}
		last, closed := f.at, int64(-1)
		for _, g := range w.log.facts {
			if x := g.ev.GetCleaningClosed(); x != nil && x.Session == o.Session && closed < 0 {
				closed = g.at
			}
		}
		for i, g := range w.log.facts {
			x := g.ev.GetStationSignedOff()
			if x == nil || x.Session != o.Session || closed >= 0 && g.at > closed {
				continue
			}
			// While the press runs it counts for duties and has no press time.
			if w.log.stateAt(g.at-1) == pb.State_STATE_PRODUCTION {
				continue
			}
			s.signs = append(s.signs, i)
			last = max(last, g.at)
		}
		end := int64(1) << 62
		if closed >= 0 {
			end = closed
		}
		if closed < 0 || closed > last+60*60_000 {
			if end > last+15*60_000 {
				end, s.byRule = last+15*60_000, true
			}
		}
		for _, r := range runs {
			if r.from >= last && r.to-r.from >= 2*60_000 && r.from < end {
				end = r.from
			}
		}
		s.to = max(end, s.from)
		out = append(out, s)
	}
	return out
}

// groups joins overlapping sessions and gives each group its allowance.
func (w *walk) groups() []*group {
	list := w.sessions()
	sort.SliceStable(list, func(i, j int) bool { return list[i].from < list[j].from })
	var out []*group
	end := int64(0)
	for _, s := range list {
		if n := len(out); n == 0 || s.from >= end {
			out = append(out, &group{})
			end = s.to
		}
		g := out[len(out)-1]
		g.sessions = append(g.sessions, s)
		g.signs = append(g.signs, s.signs...)
		end = max(end, s.to)
	}
	granted := w.granted()
	for _, g := range out {
		minutes := new(big.Rat)
		for _, i := range g.signs {
			if m := granted[i]; m != nil {
				minutes.Add(minutes, m)
			}
		}
		hands := int64(1)
		for _, h := range w.plant.Hands {
			if h.Occasion == g.occasion() {
				hands = int64(h.People)
			}
		}
		minutes.Quo(minutes, whole(hands))
		minutes.Add(minutes, decimal(w.plant.OpenCloseMinutes))
		g.left = minutes.Mul(minutes, whole(60_000))
	}
	return out
}

// holds says whether a session of the group holds an instant.
func (g *group) holds(t int64) bool {
	for _, s := range g.sessions {
		if s.has(t) {
			return true
		}
	}
	return false
}

// occasion of a group is that of the session opened first.
func (g *group) occasion() pb.Occasion { return g.sessions[0].occasion }

// signedIn says whether a sign-off of the group falls inside a stretch.
func (w *walk) signedIn(g *group, s span) bool {
	for _, i := range g.signs {
		if s.has(w.log.facts[i].at) {
			return true
		}
	}
	return false
}
