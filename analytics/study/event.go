package study

import (
	"fmt"
	"math"
	"slices"

	"github.com/downweb/downweb/analytics/stats"
)

const (
	eventReach  = 7    // run rows before and after
	eventClean  = 3    // cleaned rows in a row before a missed clean that counts as an event
	eventDraws  = 9999 // of the band over all points
	eventEvents = 20   // fewer are not drawn
)

// EventStudy is waste in the runs around a missed clean, and around the clean
// that followed, each as a ratio to the run before. It is a picture: runs
// before an event that look alike are no proof that they would have stayed so.
type EventStudy struct {
	Miss, Recovery *EventCurve // nil: too few events, or the fit failed
	Lines          []string    // what must stand under the picture
}

// EventCurve is one alignment.
type EventCurve struct {
	Events, Presses int
	Points          []EventPoint // by K; the run before the event, K = −1, is 1 by definition
	// PLeads is the p-value of "no ratio before the event differs from 1", over
	// all of them together.
	PLeads float64
}

// EventPoint is the ratio at K run rows after the event. The first and last
// stand for all rows further off.
type EventPoint struct {
	K         int
	Ratio     float64
	Low, High float64 // by itself
	// AllLow, AllHigh hold for all points together (sup-t).
	AllLow, AllHigh float64
}

// Events fits distributed leads and lags of one unit's events, with the ends
// binned (Schmidheiny & Siegloch, Journal of Applied Econometrics 38 (2023)
// 695–713, from memory), in place of its exposure. An event is the first row
// that started not cleaned after three that started cleaned; the second
// alignment is on the first cleaned row after rows that were not.
//
// The band over all points keeps 95 % for the largest |t| of them: normal
// multipliers on each press's share of the coefficients give the level at which
// the pointwise intervals, t with Satterthwaite's degrees of freedom, do so
// (sup-t; Montiel Olea & Plagborg-Møller, Journal of Applied Econometrics 34
// (2019) 1–17, from memory).
func Events(ds *DataSet, spec Spec, method, name string) (*EventStudy, error) {
	s, k, err := again(ds, spec, method, name)
	if err != nil {
		return nil, err
	}
	out := &EventStudy{Lines: []string{
		"Runs before the event that look alike are no proof that they would have stayed so.",
		"The first and the last point stand for all runs further off.",
	}}
	miss, recovered := s.eventRows(k)
	if out.Miss, err = s.eventCurve(k, miss); err != nil {
		return nil, err
	}
	if out.Recovery, err = s.eventCurve(k, recovered); err != nil {
		return nil, err
	}
	if out.Miss == nil && out.Recovery == nil {
		return nil, fmt.Errorf("%w: fewer than %d events on %d presses", ErrNoPicture, eventEvents, minInformative)
	}
	return out, nil
}

// eventRows marks the events of a unit. Rows in which it was not required are
// passed over.
func (s *run) eventRows(k int) (miss, recovered []bool) {
	f, state := s.frame, s.units[k].state
	miss, recovered = make([]bool, len(f.rows)), make([]bool, len(f.rows))
	for p := range f.presses {
		clean, dirty := 0, false
		for i := f.start[p]; i < f.start[p+1]; i++ {
			switch state[i] {
			case Cleaned:
				recovered[i] = dirty
				clean, dirty = clean+1, false
			case NotCleaned:
				miss[i] = clean >= eventClean
				clean, dirty = 0, true
			}
		}
	}
	return miss, recovered
}

// eventCurve is nil where the events are too few or the fit fails.
func (s *run) eventCurve(k int, event []bool) (*EventCurve, error) {
	f := s.frame
	c := &EventCurve{}
	seen := map[int]bool{}
	for i, e := range event {
		if e && s.main.fit.Used[i] {
			c.Events++
			seen[f.press[i]] = true
		}
	}
	if c.Presses = len(seen); c.Events < eventEvents || c.Presses < minInformative {
		return nil, nil
	}
	d := design{exposure: make([][]float64, len(s.units)), start: s.main.fit.Eta}
	for j := range s.units {
		if j != k {
			d.exposure[j] = s.units[j].d
		}
	}
	for at := -eventReach; at <= eventReach; at++ {
		if at != -1 {
			d.extra = append(d.extra, s.eventColumn(event, at))
			c.Points = append(c.Points, EventPoint{K: at})
		}
	}
	m, err := s.fitModel(d)
	if err != nil || s.cluster(m) != nil {
		return nil, nil
	}
	if err := s.eventBand(c, m); err != nil {
		return nil, err
	}
	c.Points = slices.Insert(c.Points, eventReach-1, EventPoint{K: -1, Ratio: 1, Low: 1, High: 1, AllLow: 1, AllHigh: 1})
	return c, nil
}

// eventColumn counts the events that lie at rows before row i of its press; at
// the ends, at or beyond.
func (s *run) eventColumn(event []bool, at int) []float64 {
	f := s.frame
	col := make([]float64, len(f.rows))
	for p := range f.presses {
		lo, hi := f.start[p], f.start[p+1]
		for e := lo; e < hi; e++ {
			if !event[e] {
				continue
			}
			from, to := e+at, e+at+1
			switch at {
			case -eventReach:
				from = lo
			case eventReach:
				to = hi
			}
			for i := max(from, lo); i < min(to, hi); i++ {
				col[i]++
			}
		}
	}
	return col
}

// eventBand fills ratios, intervals and the test of the leads.
func (s *run) eventBand(c *EventCurve, m *model) error {
	n := len(c.Points)
	se, df, share := make([]float64, n), make([]float64, n), make([][]float64, n)
	for j := range n {
		col := m.extra + j
		r, err := m.se(col)
		if err != nil { // dropped or without variation: no interval to draw
			continue
		}
		gone, err := m.robust.Deleted(col)
		if err != nil {
			continue
		}
		se[j], df[j] = r.SE, r.DF
		var ss float64
		for p := range s.frame.presses {
			share[j] = append(share[j], gone[p])
			ss += float64(gone[p] * gone[p])
		}
		for p := range share[j] {
			share[j][p] /= math.Sqrt(max(ss, math.SmallestNonzeroFloat64))
		}
	}
	all, leads := s.largest(c, share)
	slices.Sort(all)
	level := all[int(math.Ceil(0.95*float64(len(all)+1)))-1] // a normal quantile: the (1−α) order statistic of the largest
	alpha := normalTail(level)
	seen := 0.0
	for j := range c.Points {
		p := &c.Points[j]
		b := m.fit.Beta[m.extra+j]
		p.Ratio = exp(b)
		p.Low, p.High, p.AllLow, p.AllHigh = p.Ratio, p.Ratio, p.Ratio, p.Ratio
		if se[j] == 0 {
			continue
		}
		one, err := stats.TQuantile(0.975, df[j])
		if err != nil {
			return err
		}
		joint, err := stats.TQuantile(1-alpha/2, df[j])
		if err != nil {
			return err
		}
		p.Low, p.High = exp(b-one*se[j]), exp(b+one*se[j])
		p.AllLow, p.AllHigh = exp(b-joint*se[j]), exp(b+joint*se[j])
		if p.K < 0 {
			tail, err := stats.TTwoSided(b/se[j], df[j])
			if err != nil {
				return err
			}
			z, err := stats.NormalQuantile(1 - max(tail, 1e-15)/2)
			if err != nil {
				return err
			}
			seen = max(seen, z)
		}
	}
	over := 1
	for _, v := range leads {
		if v >= seen-1e-9 {
			over++
		}
	}
	c.PLeads = float64(over) / float64(len(leads)+1)
	return nil
}

// largest draws the largest |normal| over all points, and over those before
// the event, with the correlation of the presses' shares.
func (s *run) largest(c *EventCurve, share [][]float64) (all, leads []float64) {
	rnd := stats.Random{Seed: s.spec.Seed}
	g := make([]float64, len(s.frame.presses))
	for d := range eventDraws {
		for p := range g { // Box and Muller
			u, v := 1-rnd.Float64(uint64(d), uint64(2*p)), rnd.Float64(uint64(d), uint64(2*p+1))
			g[p] = math.Sqrt(-2*math.Log(u)) * math.Cos(2*math.Pi*v)
		}
		top, before := 0.0, 0.0
		for j, w := range share {
			z := 0.0
			for p := range w {
				z += w[p] * g[p]
			}
			z = math.Abs(z)
			top = max(top, z)
			if c.Points[j].K < 0 {
				before = max(before, z)
			}
		}
		all, leads = append(all, top), append(leads, before)
	}
	return all, leads
}

// normalTail is the two-sided tail of a standard normal beyond z.
func normalTail(z float64) float64 { return math.Erfc(z / math.Sqrt2) }
