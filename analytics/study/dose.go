package study

import (
	"slices"

	"github.com/downweb/downweb/analytics/stats"
)

const (
	doseBins    = 4  // bins of km since clean above 0, before merging
	doseRows    = 20 // rows a bin needs
	dosePresses = 4  // presses a bin needs
	doseTop     = 0.95
)

// Dose is waste against km run since the station's last clean, each bin
// compared with runs that started right after a clean. It is a picture with
// pointwise intervals, not a test.
type Dose struct {
	Bins  []DoseBin `json:"bins"`
	Lines []string  `json:"lines"` // what must stand under the picture
}

// DoseBin is one bin of the clock.
type DoseBin struct {
	FromKM  float64 `json:"from_km"` // above this
	ToKM    float64 `json:"to_km"`   // up to and with this
	Rows    int     `json:"rows"`
	Presses int     `json:"presses"`
	Ratio   float64 `json:"ratio"` // of waste to the bin at 0
	Low     float64 `json:"low"`
	High    float64 `json:"high"`
}

// dose fits one unit's bins in place of its exposure; nil where the clock was
// not recorded, where fewer than two bins have 20 rows on 4 presses, or where
// the fit fails. Rows above the 95th percentile and rows without a clock get a
// level of their own that is not shown. Ages up to fresh km stand for 0.
func (s *run) dose(k int, fresh float64) *Dose {
	f, u := s.frame, s.units[k]
	if len(u.stations) != 1 {
		return nil
	}
	age := make([]float64, len(f.rows))
	var positive []float64
	zero := 0
	for i, r := range f.rows {
		if age[i] = float64(r.Stations[u.stations[0]].SinceCleanMM) / 1e6; age[i] > 0 && age[i] <= fresh {
			age[i] = 0
		}
		if !s.main.fit.Used[i] || u.state[i] == NotExposed {
			continue
		}
		switch {
		case age[i] > 0:
			positive = append(positive, age[i])
		case age[i] == 0:
			zero++
		}
	}
	if zero < doseRows || len(positive) < 2*doseRows {
		return nil
	}
	edges := []float64{0}
	for b := 1; b <= doseBins; b++ {
		q, err := stats.Quantile(positive, doseTop*float64(b)/doseBins, stats.Type7)
		if err != nil {
			return nil
		}
		if q > edges[len(edges)-1] {
			edges = append(edges, q)
		}
	}
	bins := s.fillBins(k, age, edges)
	if len(bins) < 2 {
		return nil
	}
	d := design{exposure: make([][]float64, len(s.units)), start: s.main.fit.Eta}
	for j := range s.units {
		if j != k {
			d.exposure[j] = s.units[j].d
		}
	}
	last := bins[len(bins)-1].ToKM
	column := func(in func(i int) bool) []float64 {
		c := make([]float64, len(f.rows))
		for i := range c {
			c[i] = indicator(u.state[i] != NotExposed && in(i))
		}
		return c
	}
	for _, b := range bins {
		d.extra = append(d.extra, column(func(i int) bool { return age[i] > b.FromKM && age[i] <= b.ToKM }))
	}
	d.extra = append(d.extra,
		column(func(i int) bool { return age[i] > last }),
		column(func(i int) bool { return age[i] < 0 }))
	m, err := s.fitModel(d)
	if err != nil || s.cluster(m) != nil {
		return nil
	}
	for j := range bins {
		c := m.extra + j
		se, err := m.se(c)
		if err != nil {
			return nil
		}
		t, err := stats.TQuantile(1-float64(s.spec.Alpha/2), se.DF)
		if err != nil {
			return nil
		}
		half := float64(t * se.SE)
		b := m.fit.Beta[c]
		bins[j].Ratio, bins[j].Low, bins[j].High = exp(b), exp(b-half), exp(b+half)
	}
	return &Dose{Bins: bins, Lines: []string{
		"Intervals are for each bin by itself.",
		"The last bins are survivors: runs that stayed good long enough to get there.",
		"Other clocks (job, ink, plate, blade and roll age) are not recorded; the picture may show them as well.",
	}}
}

// fillBins counts rows and presses per bin and merges a bin that has too few
// with the one before it.
func (s *run) fillBins(k int, age, edges []float64) (bins []DoseBin) {
	f := s.frame
	for e := 1; e < len(edges); e++ {
		from := edges[e-1]
		if len(bins) > 0 && !enough(bins[len(bins)-1]) {
			from = bins[len(bins)-1].FromKM
			bins = bins[:len(bins)-1]
		}
		b := DoseBin{FromKM: from, ToKM: edges[e]}
		seen := make([]bool, len(f.presses))
		for i := range f.rows {
			if s.main.fit.Used[i] && s.units[k].state[i] != NotExposed && age[i] > b.FromKM && age[i] <= b.ToKM {
				b.Rows++
				seen[f.press[i]] = true
			}
		}
		for _, x := range seen {
			if x {
				b.Presses++
			}
		}
		bins = append(bins, b)
	}
	if n := len(bins); n > 1 && !enough(bins[n-1]) {
		bins = slices.Delete(bins, n-1, n)
	}
	return bins
}

func enough(b DoseBin) bool { return b.Rows >= doseRows && b.Presses >= dosePresses }

// Year scales the net difference to a year of days like those of the study.
type Year struct {
	Days    int     `json:"days"`     // calendar days from first to last row
	RunDays int     `json:"run_days"` // production days with a row
	Windows float64 `json:"windows"`  // not-cleaned windows per 365 days
	Meters  float64 `json:"net_meters"`
	Low     float64 `json:"low"` // jackknife over presses
	High    float64 `json:"high"`
}

// minRunDays is how long a record must be before it is scaled to a year.
const minRunDays = 90

// year is nil for grades below "suggestive", without net waste, or when the
// study covers fewer than 90 run days.
func (s *run) year(x *Finding, k int) *Year {
	net := x.Secondary["net_waste"]
	if net == nil || x.Grade < Suggestive {
		return nil
	}
	days := map[int32]bool{}
	first, last := s.frame.rows[0].Day, s.frame.rows[0].Day
	n := 0.0
	for i, r := range s.frame.rows {
		days[r.Day] = true
		first, last = min(first, r.Day), max(last, r.Day)
		n += s.units[k].d[i]
	}
	y := &Year{Days: int(last-first) + 1, RunDays: len(days)}
	if y.RunDays < minRunDays {
		return nil
	}
	y.Windows = n * 365 / float64(y.Days)
	y.Meters, y.Low, y.High = finiteOr(net.Difference*y.Windows), finiteOr(net.OtherLow*y.Windows), finiteOr(net.OtherHigh*y.Windows)
	return y
}
