package study

import (
	"math"
	"slices"
	"strings"

	"github.com/downweb/downweb/analytics/stats"
)

const (
	blockPhi = 0.9 // stations whose exposures agree more than this are one block
	blockVIF = 5.0 // so are stations with a joint variance inflation above this
)

// unit is what the study gives one answer for: a station, or a block of
// stations that are nearly always cleaned or not cleaned together.
type unit struct {
	name     string
	stations []int     // index into DataSet.Stations
	state    []State   // per row
	d        []float64 // 1 not cleaned, else 0
}

// Overlap tells how far two stations are cleaned or not cleaned together.
type Overlap struct {
	A    string  `json:"a"`
	B    string  `json:"b"`
	Phi  float64 `json:"phi"`            // correlation of the two states over rows where both were required
	Rows int     `json:"rows_separated"` // rows where exactly one of them was not cleaned
}

// newUnits merges collinear stations, decided from exposures alone.
func newUnits(ds *DataSet, f *frame) (units []unit, overlaps []Overlap) {
	for _, s := range f.stations {
		units = append(units, f.unitOf(ds, []int{s}))
	}
	for i := range units {
		for j := i + 1; j < len(units); j++ {
			if phi, rows, ok := f.phi(&units[i], &units[j]); ok {
				overlaps = append(overlaps, Overlap{units[i].name, units[j].name, phi, rows})
			}
		}
	}
	for range f.stations { // every round merges one pair
		a, b, ok := f.nextMerge(units)
		if !ok {
			break
		}
		both := slices.Concat(units[a].stations, units[b].stations)
		slices.Sort(both)
		units[a] = f.unitOf(ds, both)
		units = slices.Delete(units, b, b+1)
	}
	return units, overlaps
}

// unitOf makes a unit of stations: not cleaned when any of them was not.
func (f *frame) unitOf(ds *DataSet, stations []int) unit {
	u := unit{stations: slices.Clone(stations), state: make([]State, len(f.rows)), d: make([]float64, len(f.rows))}
	var names []string
	for _, s := range stations {
		names = append(names, ds.Stations[s])
	}
	u.name = strings.Join(names, " + ")
	for i, r := range f.rows {
		u.state[i] = joint(r, stations, func(d StationDay) State { return d.State })
		if u.state[i] == NotCleaned {
			u.d[i] = 1
		}
	}
	return u
}

// joint combines the states of several stations of one row.
func joint(r *Row, stations []int, of func(StationDay) State) State {
	out := NotExposed
	for _, s := range stations {
		switch x := of(r.Stations[s]); {
		case x == Unknown || out == Unknown:
			out = Unknown
		case x == NotCleaned || out == NotCleaned:
			out = NotCleaned
		case x == Cleaned:
			out = Cleaned
		}
	}
	return out
}

// phi is the correlation of two units' states over used rows where both were
// required; ok is false when one never changes.
func (f *frame) phi(a, b *unit) (phi float64, separated int, ok bool) {
	var n, na, nb, both int
	for i, x := range a.state {
		y := b.state[i]
		if !f.use[i] || x == NotExposed || y == NotExposed {
			continue
		}
		n++
		if x == NotCleaned {
			na++
		}
		if y == NotCleaned {
			nb++
			if x == NotCleaned {
				both++
			}
		}
	}
	if na == 0 || nb == 0 || na == n || nb == n {
		return 0, 0, false
	}
	va, vb := float64(na)*float64(n-na), float64(nb)*float64(n-nb)
	cov := float64(n*both - na*nb)
	return cov / math.Sqrt(va) / math.Sqrt(vb), na + nb - 2*both, true
}

// nextMerge returns the pair to merge next: first any pair with φ > 0.9, then
// the unit with the largest variance inflation above 5 with its closest partner.
func (f *frame) nextMerge(units []unit) (a, b int, ok bool) {
	best := make([]int, len(units))
	phis := make([]float64, len(units))
	for i := range units {
		best[i] = -1
	}
	var top float64
	for i := range units {
		for j := i + 1; j < len(units); j++ {
			phi, _, defined := f.phi(&units[i], &units[j])
			if !defined {
				continue
			}
			if phi > top {
				top, a, b = phi, i, j
			}
			if p := math.Abs(phi); p > phis[i] {
				phis[i], best[i] = p, j
			}
			if p := math.Abs(phi); p > phis[j] {
				phis[j], best[j] = p, i
			}
		}
	}
	if top > blockPhi {
		return a, b, true
	}
	worst, at := blockVIF, -1
	for i, v := range f.inflation(units) {
		if v > worst && best[i] >= 0 {
			worst, at = v, i
		}
	}
	if at < 0 {
		return 0, 0, false
	}
	return min(at, best[at]), max(at, best[at]), true
}

// inflation returns the variance inflation of each unit's exposure given the
// others and the press levels; 1 where it has none to speak of.
func (f *frame) inflation(units []unit) []float64 {
	out := slices.Repeat([]float64{1}, len(units))
	var x [][]float64
	for _, u := range units {
		x = append(x, u.d)
	}
	fit, err := stats.FitLinear(stats.Panel{Y: make([]float64, len(f.rows)), X: x, Use: f.use, Effects: stats.Effects{Group: f.press}})
	if err != nil {
		return out
	}
	for k := range units {
		if fit.Dropped[k] {
			if _, _, varies := f.phi(&units[k], &units[k]); varies {
				out[k] = math.MaxFloat64
			}
			continue
		}
		se, err := fit.ModelSE(k, 1)
		if err != nil {
			continue
		}
		var within float64
		for p := range f.presses {
			var n, s float64
			for i := f.start[p]; i < f.start[p+1]; i++ {
				if f.use[i] {
					n++
					s += units[k].d[i]
				}
			}
			if n > 0 {
				within += s - s*s/n
			}
		}
		out[k] = within * se * se
	}
	return out
}
