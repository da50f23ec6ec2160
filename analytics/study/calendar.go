package study

// calendar lays the rows of a study on days: one slot a day and press, empty
// where the press made no row.
type calendar struct {
	layout *shiftLayout
	slot   []int // of a row
	own    []bool
}

// calendar starts every press at its first row, or, common, at the first row of
// its plant, and then all presses of a plant have the same days. Rotations are
// multiples of step days.
func (s *run) calendar(common bool, step int) *calendar {
	f := s.frame
	first, last := make([]int32, len(f.presses)), make([]int32, len(f.presses))
	for p := range f.presses {
		first[p], last[p] = f.rows[f.start[p]].Day, f.rows[f.start[p+1]-1].Day
	}
	if common {
		from, to := map[int]int32{}, map[int]int32{}
		for p, plant := range f.plantOf {
			if d, ok := from[plant]; !ok || first[p] < d {
				from[plant] = first[p]
			}
			to[plant] = max(to[plant], last[p])
		}
		for p, plant := range f.plantOf {
			first[p], last[p] = from[plant], to[plant]
		}
	}
	c := &calendar{slot: make([]int, len(f.rows))}
	start, rows := []int{0}, make([]int, len(f.presses))
	for p := range f.presses {
		lo, hi := f.start[p], f.start[p+1]
		rows[p] = hi - lo
		for i := lo; i < hi; i++ {
			c.slot[i] = start[p] + int(f.rows[i].Day-first[p])
		}
		days := int(last[p]-first[p]) + 1
		start = append(start, start[p]+(days+step-1)/step*step)
	}
	c.layout = newLayout(start, rows, f.plantOf, len(f.plants), step)
	c.own = make([]bool, start[len(start)-1])
	for i, u := range s.main.fit.Used {
		c.own[c.slot[i]] = u
	}
	return c
}

// spread puts values of rows into their slots.
func (c *calendar) spread(x []float64) []float64 {
	out := make([]float64, len(c.own))
	for i, v := range x {
		out[c.slot[i]] = v
	}
	return out
}

// test runs the shift test at lag 0 on the calendar.
func (c *calendar) test(s *run, which []int, spec *Spec, tick func(int)) []shiftResult {
	var cols []shiftColumn
	for _, k := range which {
		col := s.column(k)
		col.q, col.lags = c.spread(col.q), 0
		cols = append(cols, col)
	}
	return shiftTest(c.layout, c.spread(s.main.fit.Resid), c.own, cols, spec, tick)
}
