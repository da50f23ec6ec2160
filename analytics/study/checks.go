package study

import (
	"slices"

	"github.com/downweb/downweb/analytics/stats"
)

// secondaryOutcomes are fitted with the model of the primary one. offset 0 is
// length run.
var secondaryOutcomes = []struct {
	name  string
	value func(r *Row) float64
	base  func(r *Row) float64 // exposure base whose logarithm is the offset; nil: km run
}{
	{"net_waste", func(r *Row) float64 { return float64(r.RunWasteMM+r.RestartWasteMM) / 1000 }, nil},
	{"setup_waste", func(r *Row) float64 { return float64(r.SetupWasteMM) / 1000 }, func(r *Row) float64 { return float64(r.Jobs) }},
	{"contamination_waste", func(r *Row) float64 { return float64(r.ContaminationWasteMM) / 1000 }, nil},
	{"contamination_minutes", func(r *Row) float64 { return float64(r.ContaminationMS) / 60_000 }, func(r *Row) float64 { return float64(r.PlannedMS) / 60_000 }},
}

// check runs the checks that every study reports. Independent fits run side by side; each
// writes only its own places.
func (s *run) check() {
	which := s.assessed()
	if len(which) == 0 {
		return
	}
	for _, k := range which {
		x := &s.result.Findings[k]
		x.Checks, x.Secondary = &Checks{}, map[string]*Estimate{}
		s.spread(x)
	}
	eta := s.main.fit.Eta
	var jobs []func()
	add := func(f func()) { jobs = append(jobs, f) }

	add(func() { s.unrelated(which) })
	add(func() {
		s.betas(which, design{noLag: true, start: eta}, func(c *Checks, b *float64) { c.NoLaggedWaste = b })
	})
	add(func() {
		s.betas(which, design{use: s.withoutTop(), start: eta}, func(c *Checks, b *float64) { c.NoTopRows = b })
	})
	if d, some := s.doubtful(); some {
		add(func() {
			s.betas(which, design{exposure: d, start: eta}, func(c *Checks, b *float64) { c.DoubtfulAsNot = b })
		})
	}
	add(func() { s.leastSquares(which) })
	for _, k := range which {
		add(func() {
			alone := make([][]float64, len(s.units))
			alone[k] = s.units[k].d
			s.betas([]int{k}, design{exposure: alone, start: eta}, func(c *Checks, b *float64) { c.Alone = b })
		})
		add(func() { s.result.Findings[k].Checks.ConditionFound = s.conditionFound(k) })
		if s.lines2() {
			add(func() { s.result.Findings[k].Checks.Pooled = s.pooled(k) })
		}
	}
	second := make([][]*Estimate, len(secondaryOutcomes))
	for o := range secondaryOutcomes {
		add(func() { second[o] = s.secondary(o, which) })
	}
	stats.Parallel(len(jobs), func(i int) { jobs[i]() })
	for o, list := range second {
		for i, e := range list {
			if e != nil {
				s.result.Findings[which[i]].Secondary[secondaryOutcomes[o].name] = e
			}
		}
	}
	s.tick(fitWork * (len(s.units) + len(secondaryOutcomes) + 4))
	s.neighbours(which)
	s.otherShifts(which)
}

// spread fills what follows from the estimate alone.
func (s *run) spread(x *Finding) {
	c, e := x.Checks, x.Waste
	c.WithoutOneLow, c.WithoutOneHigh = e.Beta, e.Beta
	for _, p := range x.ByPress {
		c.WithoutOneLow, c.WithoutOneHigh = min(c.WithoutOneLow, p.BetaWithout), max(c.WithoutOneHigh, p.BetaWithout)
		c.MaxInformation = max(c.MaxInformation, p.Information)
	}
	// Ratios are clamped to finite positive numbers: EValue cannot fail.
	v, _ := stats.EValue(e.Ratio)
	c.EValue, c.EValueInterval = finiteOr(v), 1
	if e.excludesZero() {
		end := e.RatioLow
		if e.Beta < 0 {
			end = e.RatioHigh
		}
		v, _ = stats.EValue(end)
		c.EValueInterval = finiteOr(v)
	}
}

// betas fits a design and hands each unit's coefficient to set; a fit that
// fails leaves the check empty.
func (s *run) betas(which []int, d design, set func(c *Checks, b *float64)) {
	m, err := s.fitModel(d)
	if err != nil {
		return
	}
	for _, k := range which {
		if c := m.column[k]; c >= 0 {
			b := m.fit.Beta[c]
			set(s.result.Findings[k].Checks, &b)
		}
	}
}

// unrelated fits booked splice and material waste, which a clean should not
// go with.
func (s *run) unrelated(which []int) {
	y := make([]float64, len(s.frame.rows))
	for i, r := range s.frame.rows {
		y[i] = float64(r.UnrelatedWasteMM) / 1000
	}
	m, err := s.fitModel(design{y: y})
	if err != nil || s.cluster(m) != nil {
		return
	}
	for _, k := range which {
		if e, err := s.estimate(m, k); err == nil {
			s.result.Findings[k].Checks.Unrelated = &Line{Beta: e.Beta, P: e.P, Rows: m.fit.N}
		}
	}
}

// secondary fits one secondary outcome; the list is parallel to which.
func (s *run) secondary(o int, which []int) []*Estimate {
	n := len(s.frame.rows)
	out := secondaryOutcomes[o]
	d := design{y: make([]float64, n), use: slices.Clone(s.frame.use)}
	if out.base != nil {
		d.offset = make([]float64, n)
	}
	for i, r := range s.frame.rows {
		d.y[i] = out.value(r)
		if out.base == nil {
			continue
		}
		if b := out.base(r); b > 0 {
			d.offset[i] = stats.Log(b)
		} else {
			d.use[i] = false
		}
	}
	m, err := s.fitModel(d)
	if err != nil || s.cluster(m) != nil {
		return nil
	}
	list := make([]*Estimate, len(which))
	for i, k := range which {
		if e, err := s.estimate(m, k); err == nil {
			list[i] = e
		}
	}
	return list
}

// withoutTop is the row mask without the 1 % of used rows with most waste.
func (s *run) withoutTop() []bool {
	var idx []int
	for i, u := range s.main.fit.Used {
		if u {
			idx = append(idx, i)
		}
	}
	slices.SortStableFunc(idx, func(a, b int) int {
		switch x, y := s.frame.waste[a], s.frame.waste[b]; {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	use := slices.Clone(s.frame.use)
	for _, i := range idx[:topRows(len(idx))] {
		use[i] = false
	}
	return use
}

// doubtful recodes cleans that were signed off too fast as not cleaned.
func (s *run) doubtful() (exposure [][]float64, some bool) {
	for _, u := range s.units {
		d := slices.Clone(u.d)
		for i, r := range s.frame.rows {
			for _, st := range u.stations {
				if x := r.Stations[st]; x.State == Cleaned && x.Doubtful {
					d[i], some = 1, true
				}
			}
		}
		exposure = append(exposure, d)
	}
	return exposure, some
}

// leastSquares is the labelled sensitivity: waste per 1000 m by least squares.
func (s *run) leastSquares(which []int) {
	y := make([]float64, len(s.frame.rows))
	for i := range y {
		y[i] = s.frame.waste[i] / s.frame.km[i]
	}
	m, err := s.fitModel(design{y: y, linear: true})
	if err != nil || s.cluster(m) != nil {
		return
	}
	for _, k := range which {
		c := m.column[k]
		if c < 0 {
			continue
		}
		se, err := m.robust.SE(c, stats.CR2)
		if err != nil {
			continue
		}
		t, err := stats.TQuantile(1-float64(s.spec.Alpha/2), se.DF)
		if err != nil {
			continue
		}
		b := m.fit.Beta[c]
		half := float64(t * se.SE)
		s.result.Findings[k].Checks.LeastSquares = &Range{b, finiteOr(b - half), finiteOr(b + half)}
	}
}

// conditionFound is the positive control: how many steps worse the condition
// at the next sign-off is after a not-cleaned window than after a cleaned one
// of the same press. nil when fewer than 20 of either were recorded, or on
// fewer than 4 presses.
func (s *run) conditionFound(k int) *Line {
	f, u := s.frame, s.units[k]
	n := len(f.rows)
	y, use := make([]float64, n), make([]bool, n)
	rows, dirty := 0, 0
	both := make([][2]bool, len(f.presses))
	for i, r := range f.rows {
		if u.state[i] != Cleaned && u.state[i] != NotCleaned {
			continue
		}
		var sum, cnt float64
		for _, st := range u.stations {
			if v := r.Stations[st].FoundNext; v >= 0 {
				sum += float64(v)
				cnt++
			}
		}
		if cnt == 0 {
			continue
		}
		y[i], use[i] = sum/cnt, true
		rows++
		dirty += int(u.d[i])
		both[f.press[i]][int(u.d[i])] = true
	}
	presses := 0
	for _, b := range both {
		if b[0] && b[1] {
			presses++
		}
	}
	if dirty < minNotCleaned || rows-dirty < minNotCleaned || presses < minInformative {
		return nil
	}
	fit, err := stats.FitLinear(stats.Panel{Y: y, X: [][]float64{u.d}, Use: use, Effects: stats.Effects{Group: f.press}})
	if err != nil {
		return nil
	}
	rob, err := fit.Robust(f.press)
	if err != nil {
		return nil
	}
	line := &Line{Beta: fit.Beta[0], P: 1, Rows: rows}
	se, err := rob.SE(0, stats.CR2)
	if err != nil {
		if fit.Beta[0] > 0 && fit.Dispersion < 1e-20 {
			line.P = 0 // the same step on every press, without any spread
		}
		return line
	}
	if line.P, err = stats.TTwoSided(fit.Beta[0]/se.SE, se.DF); err != nil {
		return nil
	}
	return line
}
