package study

import (
	"fmt"
	"slices"
	"sort"

	"github.com/downweb/downweb/analytics/stats"
)

const (
	minFitRows   = 10 // rows after burn-in a press must have to join the fit
	minShiftRows = 40 // rows a press must have to join the shifts (the shift test)
	maxUnknown   = 0.2
)

// Count is a number of rows with one reason.
type Count struct {
	Reason string `json:"reason"`
	Rows   int    `json:"rows"`
}

// LeftOut names a press or a station that is not in the study, and why.
type LeftOut struct {
	Name   string `json:"name"`
	Reason string `json:"reason"`
}

// frame is the table a study works on: kept rows, presses contiguous, rows of
// a press in time order.
type frame struct {
	rows    []*Row
	press   []int // index into presses
	presses []string
	plantOf []int // plant index of a press
	plants  []string
	start   []int // first row of a press; start[len(presses)] is the end
	use     []bool

	waste []float64 // outcome, m
	km    []float64 // length run, km
	day   []float64 // calendar day since the first of the data set, in years
	lag   []float64 // log((waste before + c) / km before)
	idle  []float64 // 1: first row after more than one idle day
	cell  []int     // plant × ISO week, −1 none
	c     float64   // m added before the logarithm of the lagged waste

	stations []int // studied stations, index into DataSet.Stations
	leftRows []Count
	leftOut  []LeftOut // presses and stations
	inData   int
	burnIn   int
}

// newFrame selects rows and presses.
func newFrame(ds *DataSet, spec *Spec) (*frame, error) {
	f := &frame{inData: len(ds.Rows)}
	if err := f.chooseStations(ds, spec); err != nil {
		return nil, err
	}
	kept, idle := f.selectRows(ds, spec)
	f.choosePresses(ds, spec, kept)
	f.columns(spec, idle)
	return f, nil
}

// chooseStations resolves the names and sets stations aside whose state is
// unknown in too many rows: they would take every row with them.
func (f *frame) chooseStations(ds *DataSet, spec *Spec) error {
	var want []int
	if len(spec.Stations) == 0 {
		for s := range ds.Stations {
			want = append(want, s)
		}
	}
	for _, n := range spec.Stations {
		s := slices.Index(ds.Stations, n)
		if s < 0 {
			return fmt.Errorf("%w: stations: %q is not in the data set", ErrSpec, n)
		}
		want = append(want, s)
	}
	slices.Sort(want) // the order of the data set, whatever the spec's
	for _, s := range want {
		exposed, unknown := 0, 0
		for i := range ds.Rows {
			switch ds.Rows[i].Stations[s].State {
			case Unknown:
				unknown++
				exposed++
			case Cleaned, NotCleaned:
				exposed++
			}
		}
		if float64(unknown) > maxUnknown*float64(exposed) {
			f.leftOut = append(f.leftOut, LeftOut{ds.Stations[s],
				fmt.Sprintf("whether it was cleaned is unknown in %d of %d rows", unknown, exposed)})
			continue
		}
		f.stations = append(f.stations, s)
	}
	return nil
}

// selectRows returns the kept rows of each press in order, and which of them
// follow more than one idle day.
func (f *frame) selectRows(ds *DataSet, spec *Spec) (kept []int, idle map[*Row]bool) {
	idle = map[*Row]bool{}
	reasons := []Count{
		{Reason: fmt.Sprintf("less than %.0f m run", float64(spec.MinRunMM)/1000)},
		{Reason: fmt.Sprintf("less than %.0f %% of the planned time covered", spec.MinCoverage*100)},
		{Reason: "whether a station was cleaned is unknown"},
		{Reason: "run waste below zero"},
	}
	lastRun, lastPress := int32(0), ""
	for i := range ds.Rows {
		r := &ds.Rows[i]
		gap := r.Press == lastPress && r.Day-lastRun > 2
		if r.RunMM > 0 {
			lastRun, lastPress = r.Day, r.Press
		}
		unknown := slices.ContainsFunc(f.stations, func(s int) bool { return r.Stations[s].State == Unknown })
		switch {
		case r.RunMM < max(spec.MinRunMM, 1):
			reasons[0].Rows++
		case float64(r.CoveragePPM) < spec.MinCoverage*1e6:
			reasons[1].Rows++
		case unknown:
			reasons[2].Rows++
		case r.RunWasteMM < 0:
			reasons[3].Rows++
		default:
			kept = append(kept, i)
			idle[r] = gap
		}
	}
	for _, c := range reasons {
		if c.Rows > 0 {
			f.leftRows = append(f.leftRows, c)
		}
	}
	return kept, idle
}

// choosePresses keeps presses that have rows and waste to tell something.
func (f *frame) choosePresses(ds *DataSet, spec *Spec, kept []int) {
	few, dry := 0, 0
	for lo := 0; lo < len(kept); {
		hi := lo
		name := ds.Rows[kept[lo]].Press
		var waste int64
		for ; hi < len(kept) && ds.Rows[kept[hi]].Press == name; hi++ {
			if hi-lo >= spec.MaxLag {
				waste += ds.Rows[kept[hi]].RunWasteMM
			}
		}
		n := hi - lo
		switch {
		case n < spec.MaxLag+minFitRows:
			f.leftOut = append(f.leftOut, LeftOut{name, fmt.Sprintf("%d usable rows, at least %d needed", n, spec.MaxLag+minFitRows)})
			few += n
		case waste == 0:
			f.leftOut = append(f.leftOut, LeftOut{name, "no waste in any row"})
			dry += n
		default:
			plant := ds.Rows[kept[lo]].Plant
			pi := slices.Index(f.plants, plant)
			if pi < 0 {
				pi = len(f.plants)
				f.plants = append(f.plants, plant)
			}
			f.start = append(f.start, len(f.rows))
			for k := lo; k < hi; k++ {
				f.rows = append(f.rows, &ds.Rows[kept[k]])
				f.press = append(f.press, len(f.presses))
				f.use = append(f.use, k-lo >= spec.MaxLag)
			}
			f.burnIn += spec.MaxLag
			f.presses, f.plantOf = append(f.presses, name), append(f.plantOf, pi)
		}
		lo = hi
	}
	f.start = append(f.start, len(f.rows))
	for _, c := range []Count{{"press has too few usable rows", few}, {"press without any waste", dry}} {
		if c.Rows > 0 {
			f.leftRows = append(f.leftRows, c)
		}
	}
}

// columns computes what follows from the rows alone.
func (f *frame) columns(spec *Spec, idle map[*Row]bool) {
	n := len(f.rows)
	f.waste, f.km, f.day = make([]float64, n), make([]float64, n), make([]float64, n)
	f.lag, f.idle, f.cell = make([]float64, n), make([]float64, n), make([]int, n)
	if n == 0 {
		return
	}
	first := f.rows[0].Day
	var positive []float64
	for _, r := range f.rows {
		first = min(first, r.Day)
		if r.RunWasteMM > 0 {
			positive = append(positive, float64(r.RunWasteMM)/1000)
		}
	}
	med, err := stats.Median(positive)
	if err != nil {
		return // no positive waste at all: no press was kept
	}
	f.c = med / 100
	for i, r := range f.rows {
		f.waste[i] = float64(r.RunWasteMM) / 1000
		f.km[i] = float64(r.RunMM) / 1e6
		f.day[i] = float64(r.Day-first) / 365
	}
	for p := range f.presses {
		lo, hi := f.start[p], f.start[p+1]
		var sum float64
		for i := lo + 1; i < hi; i++ {
			f.lag[i] = stats.Log((f.waste[i-1] + f.c) / f.km[i-1])
			sum += f.lag[i]
		}
		f.lag[lo] = sum / float64(hi-lo-1)
	}
	for i, r := range f.rows {
		if idle[r] {
			f.idle[i] = 1
		}
	}
	f.cells(spec)
}

// cells numbers plant × ISO week for plants with at least three presses.
func (f *frame) cells(spec *Spec) {
	presses := make([]int, len(f.plants))
	for _, pl := range f.plantOf {
		presses[pl]++
	}
	type key struct{ plant, week int }
	seen := map[key]int{}
	var keys []key
	of := func(i int) key {
		y, w := f.rows[i].ISOWeek()
		return key{f.plantOf[f.press[i]], y*100 + w}
	}
	for i := range f.rows {
		f.cell[i] = -1
		if k := of(i); !spec.Controls.NoPlantWeek && presses[k.plant] >= 3 {
			if _, ok := seen[k]; !ok {
				seen[k] = 0
				keys = append(keys, k)
			}
		}
	}
	sort.Slice(keys, func(a, b int) bool {
		return keys[a].plant < keys[b].plant || keys[a].plant == keys[b].plant && keys[a].week < keys[b].week
	})
	for c, k := range keys {
		seen[k] = c
	}
	for i := range f.rows {
		if c, ok := seen[of(i)]; ok {
			f.cell[i] = c
		}
	}
}

// effects returns what the model absorbs.
func (f *frame) effects(spec *Spec) stats.Effects {
	e := stats.Effects{Group: f.press}
	if !spec.Controls.NoTrend {
		e.Trend = f.day
	}
	if slices.ContainsFunc(f.cell, func(c int) bool { return c >= 0 }) {
		e.Cell = f.cell
	}
	return e
}
