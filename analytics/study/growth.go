package study

import (
	"fmt"
	"math"
	"slices"

	"github.com/downweb/downweb/analytics/stats"
)

// Growth is how waste per km rises with the km run since the station's last
// clean, in the study's own model with the clock in place of "not cleaned": the
// rate at age A is Base·exp(B·u(A)), u(A) = A in km, or log(1 + A). The other
// stations, the controls and the waste of the run before are held.
type Growth struct {
	Log          bool    // u is log(1 + A)
	B, Low, High float64 // with its interval
	// Base is the rate at age 0, m per km, that makes the rates add up to the
	// waste that was counted, at B and at the ends of its interval.
	Base, BaseLow, BaseHigh float64
	Rows, Presses           int
	TopKm                   float64 // 95th percentile of the ages at the start of a run
}

// Gap is one stretch between two cleans of a station on a press, as the study's
// rows tell it: the km since the clean at the first run of a row, and the km of
// the row, against the km since the clean in the next row.
type Gap struct {
	Press string
	Day   int32 // of the last row before the clean
	Next  int32 // of the first row after it
	Km    float64
}

// Clock is what the data set says of one station's clock.
type Clock struct {
	Linear, Log Growth
	Gaps        []Gap
	// Rivals are the within-press correlations with the clocks of the other
	// stations, by station.
	Rivals  map[string]float64
	Refusal string // no growth could be fitted, and why
}

// ClockOf fits the growth of one station's waste. Gaps and Rivals are filled
// also where Refusal is set.
func ClockOf(ds *DataSet, spec Spec, method, name string) (*Clock, error) {
	at := slices.Index(ds.Stations, name)
	if at < 0 {
		return nil, fmt.Errorf("%w: %s is no station of the data set", ErrNoPicture, name)
	}
	c := &Clock{Gaps: gaps(ds, at), Rivals: rivals(ds, at)}
	s, k, err := again(ds, spec, method, name)
	if err != nil {
		return c, err
	}
	for _, g := range []*Growth{&c.Linear, &c.Log} {
		g.Log = g == &c.Log
		if why := s.growth(g, k, at); why != "" {
			c.Refusal = why
			break
		}
	}
	return c, nil
}

// growth fits one shape; why is not empty where that cannot be.
func (s *run) growth(g *Growth, k, at int) (why string) {
	f, u := s.frame, s.units[k]
	x, out := make([]float64, len(f.rows)), make([]float64, len(f.rows))
	use := slices.Clone(f.use)
	var ages []float64
	for i, r := range f.rows {
		st := r.Stations[at]
		if st.State == NotExposed {
			out[i] = 1
			continue
		}
		if st.SinceCleanMM < 0 {
			use[i] = false
			continue
		}
		x[i] = float64(st.SinceCleanMM) / 1e6
		if use[i] {
			ages = append(ages, x[i])
		}
		if g.Log {
			x[i] = stats.Log(1 + x[i])
		}
	}
	var err error
	if g.TopKm, err = stats.Quantile(ages, doseTop, stats.Type7); err != nil {
		return "how far it ran since the last clean is not on record"
	}
	d := design{exposure: make([][]float64, len(s.units)), start: s.main.fit.Eta, use: use}
	for j := range s.units {
		if j != k {
			d.exposure[j] = s.units[j].d
		}
	}
	d.extra = [][]float64{x, out}
	m, err := s.fitModel(d)
	if err != nil {
		return "the model with the km since clean did not converge"
	}
	if m.fit.Dropped[m.extra] {
		return "the km since clean cannot be told apart from the job mix and the calendar"
	}
	if err := s.cluster(m); err != nil {
		return err.Error()
	}
	se, err := m.se(m.extra)
	if err != nil {
		return err.Error()
	}
	t, err := stats.TQuantile(1-s.spec.Alpha/2, se.DF)
	if err != nil {
		return err.Error()
	}
	g.B = m.fit.Beta[m.extra]
	g.Low, g.High = g.B-t*se.SE, g.B+t*se.SE
	seen := map[int]bool{}
	for i := range f.rows {
		if m.fit.Used[i] && u.state[i] != NotExposed {
			g.Rows++
			seen[f.press[i]] = true
		}
	}
	g.Presses = len(seen)
	for _, b := range []struct {
		slope float64
		base  *float64
	}{{g.B, &g.Base}, {g.Low, &g.BaseLow}, {g.High, &g.BaseHigh}} {
		var waste, weight float64
		for i := range f.rows {
			if m.fit.Used[i] && u.state[i] != NotExposed {
				waste += f.waste[i]
				weight += f.km[i] * exp(b.slope*x[i])
			}
		}
		*b.base = finiteOr(waste / weight)
	}
	return ""
}

// gaps reads the stretches between cleans off the rows. A clean lies between
// two rows where the km since clean rose by less than the row ran; what is
// missing is the gap's length. Rows without a clock end a chain.
func gaps(ds *DataSet, at int) (out []Gap) {
	const rounding = 0.02 // of the row's length: below it no clean is read into the difference
	for i := 0; i+1 < len(ds.Rows); i++ {
		r, next := &ds.Rows[i], &ds.Rows[i+1]
		a, b := r.Stations[at], next.Stations[at]
		if r.Press != next.Press || a.SinceCleanMM < 0 || b.SinceCleanMM < 0 {
			continue
		}
		end := float64(a.SinceCleanMM + r.RunMM)
		if km := (end - float64(b.SinceCleanMM)) / 1e6; float64(b.SinceCleanMM) < end-rounding*float64(r.RunMM) && km > 0 {
			out = append(out, Gap{Press: r.Press, Day: r.Day, Next: next.Day, Km: km})
		}
	}
	return out
}

// rivals correlates a station's clock with those of the others, press means
// taken off; pairs with fewer than 20 rows, or that never vary, are left out.
func rivals(ds *DataSet, at int) map[string]float64 {
	out := map[string]float64{}
	for o, name := range ds.Stations {
		if o == at {
			continue
		}
		var x, y []float64
		for i := 0; i < len(ds.Rows); {
			j := i
			var a, b []float64
			for ; j < len(ds.Rows) && ds.Rows[j].Press == ds.Rows[i].Press; j++ {
				p, q := ds.Rows[j].Stations[at].SinceCleanMM, ds.Rows[j].Stations[o].SinceCleanMM
				if p >= 0 && q >= 0 {
					a, b = append(a, float64(p)/1e6), append(b, float64(q)/1e6)
				}
			}
			if ma, err := stats.Mean(a); err == nil {
				mb, _ := stats.Mean(b) // as long as a
				for k := range a {
					x, y = append(x, a[k]-ma), append(y, b[k]-mb)
				}
			}
			i = j
		}
		if len(x) < 20 {
			continue
		}
		if c, err := stats.Pearson(x, y); err == nil && !math.IsNaN(c.Value) {
			out[name] = c.Value
		}
	}
	return out
}
