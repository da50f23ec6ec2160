package stats

import "slices"

// Effects names what is projected out of a panel regression instead of being
// given as columns.
type Effects struct {
	// Group is the group (press) of each row, 0…G−1; an intercept per group is
	// absorbed. nil absorbs nothing: give a constant column yourself.
	Group []int
	// Trend is a clock per row; a slope per group is absorbed. nil: none.
	Trend []float64
	// Cell is a second effect per row (plant × week), 0…C−1, or −1 for rows
	// outside every cell. nil: none. The cells of groups that share cells are
	// solved together, so the cost is cubic in cells per such component.
	Cell []int
}

// absorber projects columns on the orthogonal complement of Effects under row
// weights. Rows of weight 0 do not shape the projection but are projected with
// it: their residuals are out-of-sample residuals.
type absorber struct {
	eff    Effects
	groups int
	rows   [][]int // rows of a group
	comps  []component
	compOf []int // component of a group, −1 none
	local  []int // index of a row's cell inside its component, −1 none

	w   []float64
	tc  []float64 // trend minus the group's weighted mean
	sw  []float64 // Σw of a group
	stt []float64 // Σw·tc² of a group; 0 when no slope can be told
}

// component is a set of groups that share cells.
type component struct {
	groups []int
	cells  int
	chol   []float64 // lower Cholesky factor of D'WM₁D, cells × cells
	drop   []bool    // cells that depend on the rest
	clock  []float64 // mean trend clock of a cell over its rows
	weight []float64 // Σw of a cell
	gw     [][]float64
	gwt    [][]float64 // per group of the component: Σw and Σw·tc per cell
}

func newAbsorber(e Effects, n int) (*absorber, error) {
	a := &absorber{eff: e, w: make([]float64, n)}
	if e.Group == nil {
		if e.Trend != nil || e.Cell != nil {
			return nil, badInput("trend or cells without groups")
		}
		return a, nil
	}
	if len(e.Group) != n || e.Trend != nil && len(e.Trend) != n || e.Cell != nil && len(e.Cell) != n {
		return nil, badInput("effects do not have %d rows", n)
	}
	for _, g := range e.Group {
		if g < 0 {
			return nil, badInput("group %d", g)
		}
		a.groups = max(a.groups, g+1)
	}
	a.rows = make([][]int, a.groups)
	for i, g := range e.Group {
		a.rows[g] = append(a.rows[g], i)
	}
	a.sw, a.stt, a.tc = make([]float64, a.groups), make([]float64, a.groups), make([]float64, n)
	a.findComponents()
	return a, nil
}

// findComponents joins groups that meet in a cell.
func (a *absorber) findComponents() {
	a.compOf = make([]int, a.groups)
	for g := range a.compOf {
		a.compOf[g] = -1
	}
	if a.eff.Cell == nil {
		return
	}
	cells := 0
	for _, c := range a.eff.Cell {
		cells = max(cells, c+1)
	}
	parent := make([]int, a.groups)
	for g := range parent {
		parent[g] = g
	}
	var find func(int) int
	find = func(g int) int {
		for parent[g] != g {
			parent[g] = parent[parent[g]]
			g = parent[g]
		}
		return g
	}
	first := slices.Repeat([]int{-1}, cells)
	for i, c := range a.eff.Cell {
		if c < 0 {
			continue
		}
		g := a.eff.Group[i]
		if first[c] < 0 {
			first[c] = g
		} else if x, y := find(first[c]), find(g); x != y {
			parent[max(x, y)] = min(x, y)
		}
	}
	root := map[int]int{}
	localOf := make([]int, cells)
	for c, g := range first {
		if g < 0 {
			continue
		}
		r := find(g)
		k, ok := root[r]
		if !ok {
			k = len(a.comps)
			root[r] = k
			a.comps = append(a.comps, component{})
		}
		localOf[c] = a.comps[k].cells
		a.comps[k].cells++
	}
	for g := range a.groups {
		if k, ok := root[find(g)]; ok {
			a.compOf[g] = k
			a.comps[k].groups = append(a.comps[k].groups, g)
		}
	}
	a.local = make([]int, len(a.eff.Cell))
	for i, c := range a.eff.Cell {
		a.local[i] = -1
		if c >= 0 {
			a.local[i] = localOf[c]
		}
	}
	for k := range a.comps {
		c := &a.comps[k]
		c.chol, c.drop = make([]float64, c.cells*c.cells), make([]bool, c.cells)
		c.clock, c.weight = make([]float64, c.cells), make([]float64, c.cells)
		if a.eff.Trend != nil {
			rows := make([]float64, c.cells)
			for _, g := range c.groups {
				for _, i := range a.rows[g] {
					if l := a.local[i]; l >= 0 {
						c.clock[l] += a.eff.Trend[i]
						rows[l]++
					}
				}
			}
			for l, n := range rows {
				c.clock[l] /= n
			}
		}
		for range c.groups {
			c.gw = append(c.gw, make([]float64, c.cells))
			c.gwt = append(c.gwt, make([]float64, c.cells))
		}
	}
}

// setWeights prepares the projection for row weights w ≥ 0 (kept, not copied).
func (a *absorber) setWeights(w []float64) {
	a.w = w
	for g, rows := range a.rows {
		var sw, st float64
		for _, i := range rows {
			sw += w[i]
			if a.eff.Trend != nil {
				st += float64(w[i] * a.eff.Trend[i])
			}
		}
		a.sw[g], a.stt[g] = sw, 0
		if a.eff.Trend == nil || sw == 0 {
			continue
		}
		mean := st / sw
		var stt, raw float64
		for _, i := range rows {
			t := a.eff.Trend[i]
			a.tc[i] = t - mean
			stt += float64(float64(w[i]*a.tc[i]) * a.tc[i])
			raw += float64(float64(w[i]*t) * t)
		}
		if stt > 1e-12*raw {
			a.stt[g] = stt
		}
	}
	for k := range a.comps {
		a.factorCells(&a.comps[k])
	}
}

// factorCells builds S = D'WM₁D of a component, where M₁ removes group levels
// and slopes, and factors it; a cell whose pivot vanishes is dropped.
func (a *absorber) factorCells(c *component) {
	n := c.cells
	s := c.chol
	clear(s)
	for gi, g := range c.groups {
		gw, gwt := c.gw[gi], c.gwt[gi]
		clear(gw)
		clear(gwt)
		for _, i := range a.rows[g] {
			if l := a.local[i]; l >= 0 {
				gw[l] += a.w[i]
				gwt[l] += float64(a.w[i] * a.tc[i])
			}
		}
		for x := range n {
			s[x*n+x] += gw[x]
		}
		if a.sw[g] == 0 {
			continue
		}
		for x := range n {
			if gw[x] == 0 {
				continue
			}
			fx := gw[x] / a.sw[g]
			tx := 0.0
			if a.stt[g] > 0 {
				tx = gwt[x] / a.stt[g]
			}
			row := s[x*n : x*n+x+1]
			for y := range row {
				row[y] -= float64(fx*gw[y]) + float64(tx*gwt[y])
			}
		}
	}
	limit := make([]float64, n)
	for x := range n {
		c.weight[x] = 0
		for gi := range c.groups {
			c.weight[x] += c.gw[gi][x]
		}
		limit[x] = 1e-9 * c.weight[x]
	}
	choleskyDrop(s, n, limit, c.drop)
}

// project replaces x by its residual.
func (a *absorber) project(x []float64) {
	if a.eff.Group == nil {
		return
	}
	for g := range a.rows {
		a.removeGroup(g, x)
	}
	for k := range a.comps {
		c := &a.comps[k]
		z := make([]float64, c.cells)
		for _, g := range c.groups {
			for _, i := range a.rows[g] {
				if l := a.local[i]; l >= 0 {
					z[l] += float64(a.w[i] * x[i])
				}
			}
		}
		forward(c.chol, c.cells, c.drop, z)
		backward(c.chol, c.cells, c.drop, z)
		c.fillEmpty(z)
		for _, g := range c.groups {
			for _, i := range a.rows[g] {
				if l := a.local[i]; l >= 0 {
					x[i] -= z[l]
				}
			}
			a.removeGroup(g, x)
		}
	}
}

// fillEmpty gives cells without weight the value that the weighted line
// through the others has at their clock. Levels of cells are only told up to
// the levels and slopes of groups, so 0 would be an arbitrary number there; the
// line makes predictions outside the used rows free of that choice.
func (c *component) fillEmpty(z []float64) {
	if !slices.Contains(c.weight, 0) {
		return
	}
	var sw, sz, st float64
	for l, w := range c.weight {
		sw += w
		sz += float64(w * z[l])
		st += float64(w * c.clock[l])
	}
	if sw == 0 {
		return
	}
	mz, mt := sz/sw, st/sw
	var tt, tz float64
	for l, w := range c.weight {
		d := c.clock[l] - mt
		tt += float64(float64(w*d) * d)
		tz += float64(float64(w*d) * (z[l] - mz))
	}
	slope := 0.0
	if tt > 1e-12*sw*mt*mt && tt > 0 {
		slope = tz / tt
	}
	for l, w := range c.weight {
		if w == 0 {
			z[l] = mz + float64(slope*(c.clock[l]-mt))
		}
	}
}

// removeGroup removes level and slope of one group from x.
func (a *absorber) removeGroup(g int, x []float64) {
	if a.sw[g] == 0 {
		return
	}
	rows := a.rows[g]
	var s, st float64
	if a.stt[g] > 0 {
		for _, i := range rows {
			wx := float64(a.w[i] * x[i])
			s += wx
			st += float64(wx * a.tc[i])
		}
		m, b := s/a.sw[g], st/a.stt[g]
		for _, i := range rows {
			x[i] -= m + float64(b*a.tc[i])
		}
		return
	}
	for _, i := range rows {
		s += float64(a.w[i] * x[i])
	}
	m := s / a.sw[g]
	for _, i := range rows {
		x[i] -= m
	}
}

// rank returns the number of absorbed parameters, and of those that belong to
// cells.
func (a *absorber) rank() (all, cells int) {
	for g := range a.groups {
		if a.sw[g] > 0 {
			all++
		}
		if a.stt[g] > 0 {
			all++
		}
	}
	for _, c := range a.comps {
		for _, d := range c.drop {
			if !d {
				cells++
			}
		}
	}
	return all + cells, cells
}
