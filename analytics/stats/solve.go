package stats

// selectColumns decides, at the starting weights, which columns are kept: a
// column is dropped when what earlier columns and effects leave of it is below
// 1e-9 of its variation.
func (f *Fit) selectColumns(x [][]float64) error {
	n := len(f.w)
	f.Dropped = make([]bool, len(x))
	var sw float64
	used := 0
	for i, w := range f.w {
		sw += w
		if f.Used[i] {
			used++
		}
	}
	f.N = used
	if used == 0 || sw == 0 {
		return tooFew("no usable rows")
	}
	f.abs.setWeights(f.w)
	f.xt = make([][]float64, len(x))
	limit := make([]float64, len(x))
	for j, c := range x {
		var m float64
		if f.abs.eff.Group != nil {
			for i, w := range f.w {
				m += float64(w * c[i])
			}
			m /= sw
		}
		for i, w := range f.w {
			limit[j] += float64(float64(w*(c[i]-m)) * (c[i] - m))
		}
		// The second term catches a column whose whole variation is rounding.
		limit[j] = float64(1e-9*limit[j]) + float64(1e-24*sw*m*m)
	}
	Parallel(len(x), func(j int) {
		f.xt[j] = append(make([]float64, 0, n), x[j]...)
		f.abs.project(f.xt[j])
	})
	gram := f.gram()
	choleskyDrop(gram, len(x), limit, f.Dropped)
	kept := f.xt[:0] // solve fills them
	for j, d := range f.Dropped {
		if !d {
			f.kept = append(f.kept, j)
			kept = append(kept, f.xt[j])
		}
	}
	f.xt = kept
	return nil
}

// solve residualises the kept columns and z at the current weights, sets Beta
// and replaces z by the residual of the whole regression.
func (f *Fit) solve(x [][]float64, z []float64) error {
	f.abs.setWeights(f.w)
	k := len(f.kept)
	Parallel(k+1, func(j int) {
		if j == k {
			f.abs.project(z)
			return
		}
		copy(f.xt[j], x[f.kept[j]])
		f.abs.project(f.xt[j])
	})
	f.chol = f.gram()
	drop := make([]bool, k)
	choleskyDrop(f.chol, k, make([]float64, k), drop)
	for _, d := range drop {
		if d {
			return ErrNotConverged
		}
	}
	b := f.inner(z)
	forward(f.chol, k, drop, b)
	backward(f.chol, k, drop, b)
	f.Beta = make([]float64, len(f.Dropped))
	for j, v := range b {
		f.Beta[f.kept[j]] = v
	}
	axpyColumns(z, f.xt, b)
	return nil
}

// axpyColumns subtracts Σ b·column from z.
func axpyColumns(z []float64, cols [][]float64, b []float64) {
	for j, c := range cols {
		v := b[j]
		for i, ci := range c {
			z[i] -= float64(v * ci)
		}
	}
}

const chunk = 2048 // rows per block of the blocked sums; fixed, so that sums never depend on the machine

// gram returns the lower triangle of X̃'WX̃ of the columns in f.xt.
func (f *Fit) gram() []float64 {
	k, n := len(f.xt), len(f.w)
	blocks := (n + chunk - 1) / chunk
	part := make([][]float64, blocks)
	Parallel(blocks, func(b int) {
		lo, hi := b*chunk, min(n, (b+1)*chunk)
		g := make([]float64, k*k)
		wx := make([]float64, hi-lo)
		for j := range k {
			for i := lo; i < hi; i++ {
				wx[i-lo] = f.w[i] * f.xt[j][i]
			}
			for m := 0; m <= j; m++ {
				g[j*k+m] = dot(wx, f.xt[m][lo:hi])
			}
		}
		part[b] = g
	})
	out := make([]float64, k*k)
	for _, g := range part {
		for i, v := range g {
			out[i] += v
		}
	}
	return out
}

// inner returns X̃'Wv.
func (f *Fit) inner(v []float64) []float64 {
	n := len(f.w)
	wv := make([]float64, n)
	for i, w := range f.w {
		wv[i] = w * v[i]
	}
	out := make([]float64, len(f.xt))
	for j, c := range f.xt {
		for lo := 0; lo < n; lo += chunk {
			hi := min(n, lo+chunk)
			out[j] += dot(wv[lo:hi], c[lo:hi])
		}
	}
	return out
}
