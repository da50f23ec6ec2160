package study

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
