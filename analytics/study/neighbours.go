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
		cols = append(cols, shiftColumn{q: z, factor: s.leverage(z, 0)})
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
	res := shiftTest(s.layout, s.main.fit.Resid, s.main.fit.Used, cols, &s.spec, s.tick)
	for i, l := range lines {
		l.P = res[i].P[0]
		put[i](l)
	}
}

// otherShifts repeats the lag-0 test with rotations by whole calendar weeks
// and, where residuals of presses of a plant move together, with the same
// rotation for all presses of a plant.
func (s *run) otherShifts(which []int) {
	for i, r := range s.calendar(false, 7).test(s, which, &s.spec, s.tick) {
		s.result.Findings[which[i]].Test.Weeks = r.P[0]
	}
	if s.result.Rows.CrossPress <= 0.1 || s.spec.Block == BlockPlant {
		return
	}
	for i, r := range s.plantShifts(which, nil) {
		s.result.Findings[which[i]].Test.Plant = r.P[0]
	}
}

// plantShifts is the lag-0 test with one rotation for all presses of a plant, by
// days of its calendar: what presses shared on a day stays together. Before
// default-3 it was by the same share of each press's rows, which tears days
// apart where presses are idle on different ones.
func (s *run) plantShifts(which []int, tick func(int)) []shiftResult {
	spec := s.spec
	spec.Block = BlockPlant
	if !s.sharpLeverage() {
		var cols []shiftColumn
		for _, k := range which {
			col := s.column(k)
			col.lags = 0
			cols = append(cols, col)
		}
		return shiftTest(s.layout, s.main.fit.Resid, s.main.fit.Used, cols, &spec, tick)
	}
	return s.calendar(true, 1).test(s, which, &spec, tick)
}
