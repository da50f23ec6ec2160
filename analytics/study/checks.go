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

// check runs the checks of STUDY §2.8. Independent fits run side by side; each
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

// neighbours tests the state of the next window and of the window before as
// added terms: one Newton step from the main fit for the coefficient, the
// shift test for p.
func (s *run) neighbours(which []int) {
	f := s.frame
	var cols []shiftColumn
	var put []func(l *Line)
	var lines []*Line
	add := func(x []float64, known []bool, set func(l *Line)) {
		ones, n := 0, 0
		for i, v := range x {
			if s.main.fit.Used[i] && known[i] {
				n++
				ones += int(v)
			}
		}
		if ones < minNotCleaned || n-ones < minNotCleaned {
			return
		}
		z, ok := s.main.fit.Residualise(x)
		if !ok {
			return
		}
		var num, den float64
		for i := range z {
			z[i] *= s.root[i]
			if !known[i] {
				z[i] = 0
			}
			if s.main.fit.Used[i] {
				num += float64(z[i] * s.main.fit.Resid[i])
				den += float64(z[i] * z[i])
			}
		}
		if den == 0 {
			return
		}
		cols = append(cols, shiftColumn{q: z})
		lines = append(lines, &Line{Beta: num / den, Rows: n})
		put = append(put, set)
	}
	for _, k := range which {
		u, checks := s.units[k], s.result.Findings[k].Checks
		lead, before := make([]float64, len(f.rows)), make([]float64, len(f.rows))
		known, all := make([]bool, len(f.rows)), make([]bool, len(f.rows))
		for i, r := range f.rows {
			next := joint(r, u.stations, func(d StationDay) State { return d.Next })
			known[i], all[i] = next != Unknown, true
			lead[i] = indicator(next == NotCleaned)
			if i > f.start[f.press[i]] {
				before[i] = indicator(u.state[i] == Cleaned && u.state[i-1] == NotCleaned)
			}
		}
		add(lead, known, func(l *Line) { checks.Lead = l })
		add(before, all, func(l *Line) { checks.CarryOver = l })
	}
	if len(cols) == 0 {
		s.tick(s.spec.Permutations)
		return
	}
	res := shiftTest(s.layout, s.main.fit.Resid, s.main.fit.Used, cols, &s.spec, s.leverage(), s.tick)
	for i, l := range lines {
		l.P = res[i].P[0]
		put[i](l)
	}
}

// otherShifts repeats the lag-0 test with rotations by whole calendar weeks
// and, where residuals of presses of a plant move together, with the same
// rotation for all presses of a plant.
func (s *run) otherShifts(which []int) {
	f := s.frame
	start, rows := []int{0}, make([]int, len(f.presses))
	slot := make([]int, len(f.rows))
	for p := range f.presses {
		lo, hi := f.start[p], f.start[p+1]
		rows[p] = hi - lo
		first := f.rows[lo].Day
		for i := lo; i < hi; i++ {
			slot[i] = start[p] + int(f.rows[i].Day-first)
		}
		days := int(f.rows[hi-1].Day-first) + 1
		start = append(start, start[p]+(days+6)/7*7)
	}
	n := start[len(start)-1]
	spread := func(x []float64) []float64 {
		out := make([]float64, n)
		for i, v := range x {
			out[slot[i]] = v
		}
		return out
	}
	own := make([]bool, n)
	for i, u := range s.main.fit.Used {
		own[slot[i]] = u
	}
	var cols, rowCols []shiftColumn
	for _, k := range which {
		b := s.result.Findings[k].Waste.Beta
		cols = append(cols, shiftColumn{q: spread(s.q[k]), beta: b})
		rowCols = append(rowCols, shiftColumn{q: s.q[k], beta: b})
	}
	l := newLayout(start, rows, f.plantOf, len(f.plants), 7)
	for i, r := range shiftTest(l, spread(s.main.fit.Resid), own, cols, &s.spec, s.leverage(), s.tick) {
		s.result.Findings[which[i]].Test.Weeks = r.P[0]
	}
	if s.result.Rows.CrossPress <= 0.1 || s.spec.Block == BlockPlant {
		return
	}
	spec := s.spec
	spec.Block = BlockPlant
	for i, r := range shiftTest(s.layout, s.main.fit.Resid, s.main.fit.Used, rowCols, &spec, s.leverage(), nil) {
		s.result.Findings[which[i]].Test.Plant = r.P[0]
	}
}
