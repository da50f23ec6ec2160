package study

import (
	"fmt"
	"math"
	"slices"

	"github.com/downweb/downweb/analytics/stats"
)

// model is one converged fit with the places of its columns.
type model struct {
	names  []string // of the columns
	kinds  []string // "control" or "unit"
	column []int    // column of each unit, −1 when not in the model
	logKM  int      // column of log km, −1 none
	extra  int      // first column of design.extra
	fit    *stats.Fit
	robust *stats.Robust
	y      []float64
	linear bool // least squares

	working *stats.Working // nil: CR2 with one variance
	power   float64        // of the mean, which working goes by
}

// design says what a fit deviates in from the main one. The zero value is the
// main fit.
type design struct {
	y        []float64   // outcome; nil: run waste, m
	offset   []float64   // nil: log km
	use      []bool      // nil: frame.use
	exposure [][]float64 // per unit; nil: its d. A nil element leaves the unit out
	extra    [][]float64 // columns behind the exposures
	noLag    bool
	start    []float64
	linear   bool // least squares on y instead of Poisson
}

const lagName = "log waste rate of the run before"

// controls returns the control columns, which every fit of a run shares and none writes to.
func (s *run) controls(noLag bool) (names []string, cols [][]float64, logKM int) {
	s.controlsOnce.Do(func() {
		s.control.names, s.control.cols, s.control.logKM = s.frame.controls(&s.spec, s.ds.Families)
	})
	names, cols, logKM = slices.Clone(s.control.names), slices.Clone(s.control.cols), s.control.logKM
	if at := slices.Index(names, lagName); noLag && at >= 0 {
		names, cols = slices.Delete(names, at, at+1), slices.Delete(cols, at, at+1)
	}
	return names, cols, logKM
}

// controls returns the control columns in their fixed order: a column that
// depends on earlier ones is dropped, so the order decides which.
func (f *frame) controls(spec *Spec, families []string) (names []string, cols [][]float64, logKM int) {
	n := len(f.rows)
	logKM = -1
	add := func(name string, of func(i int) float64) {
		c := make([]float64, n)
		for i := range c {
			c[i] = of(i)
		}
		names, cols = append(names, name), append(cols, c)
	}
	c := spec.Controls
	if !c.NoLogKM {
		logKM = 0
		add("log km", func(i int) float64 { return stats.Log(f.km[i]) })
	}
	if !c.NoLaggedWaste {
		add(lagName, func(i int) float64 { return f.lag[i] })
	}
	if !c.NoWeekday {
		for d := 2; d <= 7; d++ {
			add("weekday "+weekdays[d-1], func(i int) float64 { return indicator(f.rows[i].Weekday() == d) })
		}
	}
	if c.NoJobMix {
		return names, cols, logKM
	}
	add("no plan", func(i int) float64 { return indicator(f.rows[i].PlannedMM == 0) })
	add("log planned km", func(i int) float64 {
		if f.rows[i].PlannedMM == 0 {
			return 0
		}
		return stats.Log(float64(f.rows[i].PlannedMM) / 1e6)
	})
	add("jobs", func(i int) float64 { return float64(f.rows[i].Jobs) })
	add("shifts", func(i int) float64 { return float64(f.rows[i].Shifts) })
	add("first row after more than one idle day", func(i int) float64 { return f.idle[i] })
	total := make([]int64, len(families))
	sum := make([]float64, n)
	for i, r := range f.rows {
		for k, v := range r.FamilyMM {
			total[k] += v
			sum[i] += float64(v)
		}
	}
	largest := 0
	for k, v := range total {
		if v > total[largest] {
			largest = k
		}
	}
	for k, v := range total {
		if k == largest || v == 0 {
			continue
		}
		add("share of family "+families[k], func(i int) float64 {
			if sum[i] == 0 {
				return 0
			}
			return float64(f.rows[i].FamilyMM[k]) / sum[i]
		})
	}
	return names, cols, logKM
}

var weekdays = [...]string{"Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"}

func indicator(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// fitModel fits one design.
func (s *run) fitModel(d design) (*model, error) {
	names, cols, logKM := s.controls(d.noLag)
	m := &model{logKM: logKM, y: d.y}
	for range names {
		m.kinds = append(m.kinds, "control")
	}
	m.names = names
	for k, u := range s.units {
		x := u.d
		if d.exposure != nil {
			x = d.exposure[k]
		}
		if x == nil || !slices.ContainsFunc(x, func(v float64) bool { return v != 0 }) {
			m.column = append(m.column, -1)
			continue
		}
		m.column = append(m.column, len(cols))
		m.names, m.kinds, cols = append(m.names, u.name), append(m.kinds, "unit"), append(cols, x)
	}
	m.extra = len(cols)
	for _, x := range d.extra {
		m.names, m.kinds, cols = append(m.names, "extra"), append(m.kinds, "extra"), append(cols, x)
	}
	if m.y == nil {
		m.y = s.frame.waste
	}
	p := stats.Panel{Y: m.y, X: cols, Offset: d.offset, Use: d.use, Start: d.start, Effects: s.effects}
	if p.Use == nil {
		p.Use = s.frame.use
	}
	var err error
	m.linear = d.linear
	if d.linear {
		p.Offset = nil
		m.fit, err = stats.FitLinear(p)
	} else {
		if p.Offset == nil {
			p.Offset = s.logKM
		}
		m.fit, err = stats.FitPoisson(p)
	}
	if err != nil {
		return nil, fmt.Errorf("fit: %w", err)
	}
	for k, c := range m.column {
		if c >= 0 && m.fit.Dropped[c] {
			m.column[k] = -1
		}
	}
	return m, nil
}

// cluster prepares cluster-robust inference by press.
func (s *run) cluster(m *model) (err error) {
	if m.robust, err = m.fit.Robust(s.frame.press); err != nil {
		return fmt.Errorf("clusters: %w", err)
	}
	if !s.variancePower() || m.linear {
		return nil
	}
	power, told := m.robust.VariancePower()
	if m.power = power; !told {
		return nil
	}
	if m.working, err = m.robust.Working(m.robust.PowerVariance(power)); err != nil {
		return fmt.Errorf("clusters: %w", err)
	}
	return nil
}

// variancePower reports whether the method is default-4 or later.
func (s *run) variancePower() bool { return !slices.Contains(methods[:3], s.method) }

// se is the standard error of a column with its degrees of freedom.
func (m *model) se(col int) (stats.RobustSE, error) {
	if m.working != nil {
		return m.working.SE(col)
	}
	return m.robust.SE(col, stats.CR2)
}

// Estimate is one station's difference in one outcome. Meters are per
// not-cleaned row (for other outcomes than waste: that outcome's unit).
type Estimate struct {
	Beta       float64 `json:"beta"` // log rate ratio
	SE         float64 `json:"se"`   // cluster-robust, clusters are presses
	DF         float64 `json:"df"`   // Satterthwaite
	BetaLow    float64 `json:"beta_low"`
	BetaHigh   float64 `json:"beta_high"`
	Ratio      float64 `json:"ratio"`
	RatioLow   float64 `json:"ratio_low"`
	RatioHigh  float64 `json:"ratio_high"`
	P          float64 `json:"p"`                // of the t statistic
	Mean       float64 `json:"mean_not_cleaned"` // mean outcome of the not-cleaned rows
	Difference float64 `json:"difference"`       // Mean·(1 − exp(−Beta))
	Low        float64 `json:"low"`              // as a share of what was counted
	High       float64 `json:"high"`
	OtherLow   float64 `json:"other_presses_low"` // delete-one-press jackknife: for other presses
	OtherHigh  float64 `json:"other_presses_high"`
	FewPresses bool    `json:"very_few_presses"` // DF below 4
	NotCleaned int     `json:"not_cleaned_rows"`

	without  map[int]float64 // change of Beta with a press left out
	critical float64         // t at 1 − α/2
	power    float64         // t at 0.8
}

// excludesZero reports whether the interval of Beta leaves 0 out.
func (e *Estimate) excludesZero() bool { return e.BetaLow > 0 || e.BetaHigh < 0 }

// estimate reads unit k's difference off a Poisson model.
func (s *run) estimate(m *model, k int) (*Estimate, error) {
	c := m.column[k]
	if c < 0 {
		return nil, fmt.Errorf("%w: exposure cannot be told from the controls", stats.ErrTooFew)
	}
	se, err := m.se(c)
	if err != nil {
		return nil, err
	}
	e := &Estimate{Beta: m.fit.Beta[c], SE: se.SE, DF: se.DF, FewPresses: se.DF < 4}
	if e.critical, err = stats.TQuantile(1-float64(s.spec.Alpha/2), se.DF); err != nil {
		return nil, err
	}
	if e.power, err = stats.TQuantile(0.8, se.DF); err != nil {
		return nil, err
	}
	if e.P, err = stats.TTwoSided(e.Beta/e.SE, e.DF); err != nil {
		return nil, err
	}
	half := float64(e.critical * e.SE)
	e.BetaLow, e.BetaHigh = e.Beta-half, e.Beta+half
	perPress := make([][2]float64, len(s.frame.presses)) // outcome and rows, not cleaned
	var sum, n float64
	for i, p := range s.frame.press {
		if m.fit.Used[i] && s.units[k].d[i] == 1 {
			sum += m.y[i]
			n++
			perPress[p][0] += m.y[i]
			perPress[p][1]++
		}
	}
	if n == 0 {
		return nil, fmt.Errorf("%w: no not-cleaned row", stats.ErrTooFew)
	}
	e.NotCleaned, e.Mean = int(n), sum/n
	e.Ratio, e.RatioLow, e.RatioHigh = exp(e.Beta), exp(e.BetaLow), exp(e.BetaHigh)
	e.Difference = meters(e.Mean, e.Beta)
	e.Low, e.High = meters(e.Mean, e.BetaLow), meters(e.Mean, e.BetaHigh)
	if e.without, err = m.robust.Deleted(c); err != nil {
		return nil, err
	}
	var ss float64
	g := float64(len(e.without))
	for p := range s.frame.presses {
		d, ok := e.without[p]
		if !ok {
			continue
		}
		out := perPress[p]
		mean := e.Mean
		if n > out[1] {
			mean = (sum - out[0]) / (n - out[1])
		}
		x := meters(mean, e.Beta+d) - e.Difference
		ss += float64(x * x)
	}
	h := float64(e.critical * math.Sqrt(ss*(g-1)/g))
	e.OtherLow, e.OtherHigh = finiteOr(e.Difference-h), finiteOr(e.Difference+h)
	return e, nil
}

// meters is W̄(1 − e^(−β)).
func meters(mean, beta float64) float64 { return finiteOr(mean * (1 - exp(-beta))) }

// exp is math.Exp kept inside the finite numbers.
func exp(x float64) float64 { return stats.Exp(min(max(x, -700), 700)) }

// finiteOr keeps a number that a wild interval end made infinite printable.
func finiteOr(x float64) float64 {
	switch {
	case math.IsNaN(x):
		return 0
	case x > 1e300:
		return 1e300
	case x < -1e300:
		return -1e300
	}
	return x
}
