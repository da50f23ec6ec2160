package cleaning

import "github.com/downweb/downweb/analytics/timeline"

// Elsewhere says, per crew, when it had a session open on another press.
type Elsewhere map[string][]timeline.Interval

// ShareCrews marks the visits of one press whose crew had a session open on
// another press while the visit lasted: whose time it was nobody can tell, so
// they stay out of medians. Visits without a crew, and batch taps, keep their
// mark.
func ShareCrews(visits []Visit, elsewhere Elsewhere) {
	for i := range visits {
		v := &visits[i]
		if v.Crew == "" || v.Mark == MarkBatch {
			continue
		}
		for _, o := range elsewhere[v.Crew] {
			if o.And(timeline.Interval{From: v.From, To: v.To}).Len() > 0 {
				v.Mark = MarkShared
				break
			}
		}
	}
}
