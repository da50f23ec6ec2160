package stats

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Robust holds what cluster-robust inference on a Fit needs: per cluster the
// eigenvectors of its hat-matrix block in the coordinates of the regressors,
// so that no matrix of the size of a cluster's rows is ever decomposed.
//
// Let H be the hat matrix of the √weight-scaled regression (absorbed effects
// included), e its residual. With S = X̃'WX̃ = LL' and Y = X̃L'⁻¹ (cells of the
// second effect in front), the block of cluster g is YgYg', and
// (I − YgYg')^(−p) Yg h = Yg V (1−λ)^(−p) V'h with Yg'Yg = VΛV'.
type Robust struct {
	Clusters int // clusters with at least one used row

	fit      *Fit
	clusters []clusterPart
	leverage []float64
}

type clusterPart struct {
	id     int // as the caller numbered it
	comp   int // component of cells, −1 none
	cells  int // leading coordinates that belong to the component's cells
	rows   []int
	lambda []float64
	v      [][]float64 // eigenvectors: v[a] belongs to lambda[a]
	ve     []float64   // V'Y'e
}

// Kind is a small-sample correction of the cluster-robust variance.
type Kind int

// CR1 scales the plain sandwich by G/(G−1)·(N−1)/(N−K), K without effects that
// are nested in clusters. CR2 is the bias-reduced linearisation of Bell and
// McCaffrey (Survey Methodology 28, 2002), with identity target on the
// √weight-scaled rows. CR3 is the delete-one-cluster jackknife.
const (
	CR0 Kind = iota
	CR1
	CR2
	CR3
)

// RobustSE is a cluster-robust standard error with its degrees of freedom.
type RobustSE struct {
	SE float64
	DF float64 // Satterthwaite (Bell–McCaffrey) for CR2, else clusters − 1
}

// singular is the distance of an eigenvalue of a hat block from 1 under which
// the direction counts as fitted perfectly and is left out (Moore–Penrose).
const singular = 1e-10

// Robust prepares inference with the given cluster of each row. Absorbed groups
// must lie inside clusters, and where cells are absorbed clusters must be the
// groups. It needs two clusters.
func (f *Fit) Robust(cluster []int) (*Robust, error) {
	n := len(f.w)
	if len(cluster) != n {
		return nil, badInput("%d cluster marks for %d rows", len(cluster), n)
	}
	if len(f.kept) == 0 {
		return nil, tooFew("the regression has no column of its own")
	}
	of := map[int]int{}
	owner := map[int]int{}
	for i, c := range cluster {
		if f.abs.eff.Group != nil {
			g := f.abs.eff.Group[i]
			if o, ok := of[g]; ok && o != c {
				return nil, badInput("group %d lies in clusters %d and %d", g, o, c)
			}
			of[g] = c
			if o, ok := owner[c]; ok && o != g && len(f.abs.comps) > 0 {
				return nil, badInput("cluster %d has several groups beside cells", c)
			}
			owner[c] = g
		}
	}
	rows := map[int][]int{}
	var ids []int
	for i, c := range cluster {
		if !f.Used[i] || f.w[i] == 0 {
			continue
		}
		if rows[c] == nil {
			ids = append(ids, c)
		}
		rows[c] = append(rows[c], i)
	}
	if len(ids) < 2 {
		return nil, tooFew("%d clusters, 2 needed", len(ids))
	}
	r := &Robust{Clusters: len(ids), fit: f, clusters: make([]clusterPart, len(ids)), leverage: make([]float64, n)}
	bad := make([]bool, len(ids))
	Parallel(len(ids), func(c int) {
		comp := -1
		if len(f.abs.comps) > 0 {
			comp = f.abs.compOf[f.abs.eff.Group[rows[ids[c]][0]]]
		}
		bad[c] = !r.decompose(&r.clusters[c], ids[c], comp, rows[ids[c]])
	})
	for _, b := range bad {
		if b {
			return nil, ErrNotConverged
		}
	}
	return r, nil
}

// decompose fills one cluster's part.
func (r *Robust) decompose(p *clusterPart, id, comp int, rows []int) bool {
	f := r.fit
	p.id, p.comp, p.rows = id, comp, rows
	if comp >= 0 {
		p.cells = f.abs.comps[comp].cells
	}
	cols := r.columns(p)
	d := len(cols)
	e := make([]float64, len(rows))
	for ri, i := range rows {
		e[ri] = f.Resid[i]
		h := f.abs.leverage(i)
		for j := range cols {
			h += float64(cols[j][ri] * cols[j][ri])
		}
		r.leverage[i] = h
	}
	g := mat.NewSymDense(d, nil)
	for a := range d {
		for b := 0; b <= a; b++ {
			g.SetSym(a, b, dot(cols[a], cols[b]))
		}
	}
	ye := make([]float64, d)
	for a := range d {
		ye[a] = dot(cols[a], e)
	}
	var eig mat.EigenSym
	if d == 0 || !eig.Factorize(g, true) {
		return false
	}
	p.lambda = eig.Values(nil)
	var v mat.Dense
	eig.VectorsTo(&v)
	p.v, p.ve = make([][]float64, d), make([]float64, d)
	for a := range d {
		p.v[a] = mat.Col(nil, a, &v)
		p.ve[a] = dot(p.v[a], ye)
	}
	return true
}

// columns returns Y of a cluster by column: cells of the second effect in front, then the regressors.
func (r *Robust) columns(p *clusterPart) [][]float64 {
	f := r.fit
	d := p.cells + len(f.kept)
	cols := make([][]float64, d)
	for j := range cols {
		cols[j] = make([]float64, len(p.rows))
	}
	buf, noDrop := make([]float64, d), make([]bool, len(f.kept))
	for ri, i := range p.rows {
		root := math.Sqrt(f.w[i])
		y := buf[:p.cells]
		if p.comp >= 0 {
			f.abs.cellRow(p.comp, i, y)
			forward(f.abs.comps[p.comp].chol, p.cells, f.abs.comps[p.comp].drop, y)
		}
		x := buf[p.cells:]
		for j := range x {
			x[j] = f.xt[j][i]
		}
		forward(f.chol, len(f.kept), noDrop, x)
		for j, v := range buf {
			cols[j][ri] = root * v
		}
	}
	return cols
}

// Leverage returns, per row, the diagonal of the hat matrix of the √weight-scaled regression, absorbed effects
// included; 0 of rows that were not used. It sums to the rank.
func (r *Robust) Leverage() []float64 { return r.leverage }

// ShuffleFactor returns the Factor of ShuffleTest for column q of the regression
// net of the others (Partial), whose coefficient is beta.
func (r *Robust) ShuffleFactor(q []float64, beta float64) float64 {
	var qq, seen, had float64
	for i, used := range r.fit.Used {
		if used {
			qq += float64(q[i] * q[i])
		}
	}
	if qq == 0 {
		return 1
	}
	for i, used := range r.fit.Used {
		if !used {
			continue
		}
		x := float64(q[i] * (r.fit.Resid[i] + float64(beta*q[i])))
		x *= x
		seen += x
		// The residual is without the column itself: so is its leverage.
		if d := 1 - (r.leverage[i] - float64(q[i]*q[i])/qq); d > 1e-6 {
			x /= min(1, d)
		}
		had += x
	}
	if had == 0 {
		return 1
	}
	return math.Sqrt(seen / had)
}

// leverage is what the group's own effects add to the leverage of row i.
func (a *absorber) leverage(i int) float64 {
	if a.eff.Group == nil {
		return 0
	}
	g := a.eff.Group[i]
	if a.sw[g] <= 0 {
		return 0
	}
	h := a.w[i] / a.sw[g]
	if a.stt[g] > 0 {
		h += float64(a.w[i]*a.tc[i]) * a.tc[i] / a.stt[g]
	}
	return h
}

// cellRow fills y with row i of M₁D of a component (unscaled).
func (a *absorber) cellRow(comp, i int, y []float64) {
	c := &a.comps[comp]
	clear(y)
	g := a.eff.Group[i]
	gi := 0
	for c.groups[gi] != g {
		gi++
	}
	if a.sw[g] > 0 {
		t := 0.0
		if a.stt[g] > 0 {
			t = a.tc[i] / a.stt[g]
		}
		for l := range y {
			y[l] = -c.gw[gi][l]/a.sw[g] - float64(t*c.gwt[gi][l])
		}
	}
	if l := a.local[i]; l >= 0 {
		y[l]++
	}
}

// power returns (1 − λ)^(−p), 0 where the direction is fitted perfectly.
func power(lambda, p float64) float64 {
	d := 1 - max(lambda, 0)
	if d <= singular {
		return 0
	}
	switch p {
	case 0:
		return 1
	case 0.5:
		return 1 / math.Sqrt(d)
	}
	return 1 / d
}

// direction returns V'h of a cluster, h the contrast l behind zeros for cells.
func (r *Robust) direction(p *clusterPart, l []float64) []float64 {
	out := make([]float64, len(p.lambda))
	for a, v := range p.v {
		out[a] = dot(l, v[p.cells:])
	}
	return out
}

// contrast returns L⁻¹c for the coefficient of column col.
func (r *Robust) contrast(col int) ([]float64, error) {
	k := r.fit.position(col)
	if k < 0 {
		return nil, tooFew("column %d was dropped", col)
	}
	l := make([]float64, len(r.fit.kept))
	l[k] = 1
	forward(r.fit.chol, len(l), make([]bool, len(l)), l)
	return l, nil
}

// scores returns c'M X̃g'(I−Hgg)^(−p) eg per cluster.
func (r *Robust) scores(l []float64, p float64) []float64 {
	out := make([]float64, len(r.clusters))
	for c := range r.clusters {
		part := &r.clusters[c]
		h := r.direction(part, l)
		var s float64
		for a, ha := range h {
			s += float64(float64(ha*power(part.lambda[a], p)) * part.ve[a])
		}
		out[c] = s
	}
	return out
}

// SE returns the standard error of column col. For CR2 the degrees of freedom
// are those of Pustejovsky and Tipton (JBES 36, 2018) for a single
// coefficient: (Σ P_gg)² / Σ P_gh².
func (r *Robust) SE(col int, kind Kind) (RobustSE, error) {
	l, err := r.contrast(col)
	if err != nil {
		return RobustSE{}, err
	}
	return r.standardError(l, kind)
}

// power of (I − H_gg)⁻¹ in a kind's scores.
func (k Kind) power() float64 {
	switch k {
	case CR2:
		return 0.5
	case CR3:
		return 1
	}
	return 0
}

// standardError of the contrast l = L⁻¹c.
func (r *Robust) standardError(l []float64, kind Kind) (RobustSE, error) {
	var ss float64
	for _, s := range r.scores(l, kind.power()) {
		ss += float64(s * s)
	}
	g := float64(r.Clusters)
	out := RobustSE{DF: g - 1}
	if kind == CR1 {
		_, cells := r.fit.abs.rank()
		k := float64(len(r.fit.kept) + cells)
		n := float64(r.fit.N)
		ss *= g / (g - 1) * (n - 1) / (n - k)
	}
	out.SE = math.Sqrt(ss)
	if kind == CR2 {
		var err error
		if out.DF, err = r.satterthwaite(l); err != nil {
			return RobustSE{}, err
		}
	}
	if !(out.SE > 0) {
		return RobustSE{}, tooFew("no variation between clusters")
	}
	return out, nil
}

func (r *Robust) satterthwaite(l []float64) (float64, error) {
	n := len(r.clusters)
	yb := make([][]float64, n) // Y'b per cluster
	bb := make([]float64, n)
	for c := range r.clusters {
		part := &r.clusters[c]
		h := r.direction(part, l)
		yb[c] = make([]float64, len(h))
		for a, ha := range h {
			lam := max(part.lambda[a], 0)
			f := power(lam, 0.5) * ha
			bb[c] += float64(float64(f*f) * lam)
			f *= lam
			if f == 0 {
				continue
			}
			for j, v := range part.v[a] {
				yb[c][j] += float64(v * f)
			}
		}
	}
	var tr, sq float64
	for g := range n {
		pg := &r.clusters[g]
		for h := 0; h <= g; h++ {
			ph := &r.clusters[h]
			s := dot(yb[g][pg.cells:], yb[h][ph.cells:])
			if pg.comp >= 0 && pg.comp == ph.comp {
				s += dot(yb[g][:pg.cells], yb[h][:ph.cells])
			}
			v := -s
			if g == h {
				v += bb[g]
				tr += v
				sq += float64(v * v)
			} else {
				sq += 2 * float64(v*v)
			}
		}
	}
	if !(tr > 0) || !(sq > 0) {
		return 0, tooFew("no degrees of freedom")
	}
	return tr * tr / sq, nil
}

// Deleted returns, per cluster mark, how much the coefficient of column col
// changes when the cluster is left out of the final working regression (one
// Newton step for FitPoisson, exact for FitLinear): β(−g) − β.
func (r *Robust) Deleted(col int) (map[int]float64, error) {
	l, err := r.contrast(col)
	if err != nil {
		return nil, err
	}
	out := make(map[int]float64, len(r.clusters))
	for c, s := range r.scores(l, 1) {
		out[r.clusters[c].id] = -s
	}
	return out, nil
}
