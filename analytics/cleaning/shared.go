package cleaning

import "github.com/downweb/downweb/analytics/timeline"

// PressVisits are the groups of one press and the visits made of them.
type PressVisits struct {
	Groups []Group
	Visits []Visit
}

// ShareCrews marks the visits of crews that had sessions open on two presses at
// once while the visit lasted: whose time it was nobody can tell, so they stay
// out of medians. Visits without a crew, and batch taps, keep their mark.
func ShareCrews(presses []PressVisits) {
	type open struct {
		press int
		timeline.Interval
	}
	by := map[string][]open{}
	for pi := range presses {
		signed := map[string]map[string]bool{} // session → crews
		for _, v := range presses[pi].Visits {
			if v.Crew == "" {
				continue
			}
			if signed[v.Session] == nil {
				signed[v.Session] = map[string]bool{}
			}
			signed[v.Session][v.Crew] = true
		}
		for _, g := range presses[pi].Groups {
			for _, s := range g.Sessions {
				for crew := range signed[s.ID] {
					by[crew] = append(by[crew], open{pi, s.Interval})
				}
			}
		}
	}
	for pi := range presses {
		for i := range presses[pi].Visits {
			v := &presses[pi].Visits[i]
			if v.Crew == "" || v.Mark == MarkBatch {
				continue
			}
			for _, o := range by[v.Crew] {
				if o.press != pi && o.And(timeline.Interval{From: v.From, To: v.To}).Len() > 0 {
					v.Mark = MarkShared
				}
			}
		}
	}
}
