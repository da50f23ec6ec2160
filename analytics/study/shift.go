package study

import (
	"math"
	"slices"
	"sync"

	"github.com/downweb/downweb/analytics/stats"
)

// The shift test: residuals stay, the residualised exposure of a
// press is rotated against them by a random number of rows, the same for all
// stations and lags of that press. One pair (r, q) per station; every statistic
// of every draw is a sum of look-ups in tables made once by direct summation.

// shiftLayout is the grid the rotation runs on: presses contiguous.
type shiftLayout struct {
	start  []int // first slot of a press; the last entry is the end
	rows   []int // run rows of a press (slots may be more: a calendar grid)
	plant  []int
	plants int
	step   int // rotations are multiples of step slots
	joined []bool
	blocks [][][2]int // per press: slots [from, to) of each block
}

// newLayout cuts each joined press into m = max(1, min(⌊n/20⌋, ⌈60/G⌉))
// contiguous blocks; presses of fewer than 40 rows are not joined.
func newLayout(start, rows, plant []int, plants, step int) *shiftLayout {
	l := &shiftLayout{start: start, rows: rows, plant: plant, plants: plants, step: step,
		joined: make([]bool, len(rows)), blocks: make([][][2]int, len(rows))}
	g := 0
	for p, n := range rows {
		if l.joined[p] = n >= minShiftRows; l.joined[p] {
			g++
		}
	}
	for p, n := range rows {
		if !l.joined[p] {
			continue
		}
		slots := start[p+1] - start[p]
		m := max(1, min(n/20, (60+g-1)/g))
		for b := range m {
			l.blocks[p] = append(l.blocks[p], [2]int{b * slots / m, (b + 1) * slots / m})
		}
	}
	return l
}

// shiftColumn is one station's (or one check's) pair. r at lag 0 is u + beta·q
// on slots where u may be non-zero (own), and u at lags 1…lags.
type shiftColumn struct {
	q    []float64 // all slots
	beta float64
	lags int
	// factor multiplies |T| of lag 0 before it is compared (see leverage).
	factor float64
}

// shiftTable holds, per block, the centred C(k) for lag 0 and, where the column
// has lags, for the bare residual u, padded so that lags are contiguous.
type shiftTable struct {
	zero [][]float64 // per block over all presses: n entries
	lags [][]float64 // per block: n + lags entries, or nil
}

// shiftResult is the outcome for one column.
type shiftResult struct {
	T      []float64 // per lag, at the identity
	fair   float64   // |T| at lag 0 times the leverage factor: what draws are compared with
	P      []float64 // per lag, unadjusted
	draws  []float64 // |T| at lag 0 per draw
	NullSE float64   // standard error of the coefficient under rotation: √Σ_p v_p / Σq²
}

const drawBlock = 256 // draws worked on together, so that a table stays in cache

// leverage returns the factor by which |T| at lag 0 is multiplied before it is
// compared with the draws, for a column q whose coefficient is beta (see
// stats.ShuffleTest). One factor for all columns, √(1 − rank/N), as default-2
// had it, does not do: with it 6.3 % of single tests were below 5 % on 1,500
// simulated fleets of 12 presses × 130 days × 8 stations without any difference,
// without any factor 7.2 %, with this one 5.1 %. It concerns lag 0 only: at other
// lags q is rotated at the identity too.
func (s *run) leverage(q []float64, beta float64) float64 {
	switch {
	case s.spec.PlainShift:
		return 1
	case s.sharpLeverage():
		return s.main.robust.ShuffleFactor(q, beta)
	}
	return math.Sqrt(1 - float64(s.main.fit.Rank)/float64(s.main.fit.N))
}

// rowLayout is the grid of run rows.
func (s *run) rowLayout() *shiftLayout {
	f := s.frame
	rows := make([]int, len(f.presses))
	for p := range rows {
		rows[p] = f.start[p+1] - f.start[p]
	}
	return newLayout(f.start, rows, f.plantOf, len(f.plants), 1)
}

// sharpLeverage reports whether the method is default-3 or later.
func (s *run) sharpLeverage() bool { return s.method != "default-1" && s.method != "default-2" }

// column is the pair of an assessed finding, with all lags of the spec.
func (s *run) column(k int) shiftColumn {
	beta := s.result.Findings[k].Waste.Beta
	return shiftColumn{q: s.q[k], beta: beta, lags: s.spec.MaxLag, factor: s.leverage(s.q[k], beta)}
}

// shiftTest runs all columns over the same rotations. own marks slots the fit
// used; u is 0 elsewhere. tick is called with the draws done since last time.
func shiftTest(l *shiftLayout, u []float64, own []bool, cols []shiftColumn, spec *Spec, tick func(n int)) []shiftResult {
	var blockPress []int
	for p := range l.blocks {
		for range l.blocks[p] {
			blockPress = append(blockPress, p)
		}
	}
	tables := make([]shiftTable, len(cols))
	stats.Parallel(len(cols), func(c int) { tables[c] = makeTable(l, u, own, &cols[c]) })
	shifts := l.rotations(spec)
	out := make([]shiftResult, len(cols))
	for c := range cols {
		n := cols[c].lags + 1
		out[c] = shiftResult{T: make([]float64, n), P: make([]float64, n), draws: make([]float64, spec.Permutations)}
		none := make([]int32, len(l.rows))
		acc := newAccumulator(1, n)
		acc.add(&tables[c], blockPress, none, len(l.rows), 1)
		acc.statistics(out[c].T)
		out[c].fair = cols[c].factor * math.Abs(out[c].T[0])
		out[c].NullSE = nullSE(l, &tables[c], own, &cols[c])
	}
	blocks := (spec.Permutations + drawBlock - 1) / drawBlock
	counts := make([][][]int, blocks)
	var mu sync.Mutex
	stats.Parallel(blocks, func(b int) {
		lo, hi := b*drawBlock, min(spec.Permutations, (b+1)*drawBlock)
		counts[b] = make([][]int, len(cols))
		for c := range cols {
			lags := cols[c].lags + 1
			cnt := make([]int, lags)
			acc := newAccumulator(hi-lo, lags)
			acc.add(&tables[c], blockPress, shifts[lo*len(l.rows):], len(l.rows), hi-lo)
			t := make([]float64, (hi-lo)*lags)
			acc.statistics(t)
			for j := range hi - lo {
				out[c].draws[lo+j] = math.Abs(t[j*lags])
				if out[c].draws[lo+j] >= out[c].fair-1e-9 {
					cnt[0]++
				}
				for k := 1; k < lags; k++ {
					if math.Abs(t[j*lags+k]) >= math.Abs(out[c].T[k])-1e-9 {
						cnt[k]++
					}
				}
			}
			counts[b][c] = cnt
		}
		if tick != nil {
			mu.Lock()
			tick(hi - lo)
			mu.Unlock()
		}
	})
	for c := range cols {
		for k := range out[c].P {
			n := 1
			for b := range counts {
				n += counts[b][c][k]
			}
			out[c].P[k] = float64(n) / float64(spec.Permutations+1)
		}
	}
	return out
}

// rotations draws one shift per draw and press, in slots: draw-major. Random
// numbers are addressed by (seed, draw, press), or (seed, draw, plant).
func (l *shiftLayout) rotations(spec *Spec) []int32 {
	presses := len(l.rows)
	out := make([]int32, spec.Permutations*presses)
	rnd := stats.Random{Seed: spec.Seed}
	for j := range spec.Permutations {
		for p := range presses {
			n := (l.start[p+1] - l.start[p]) / l.step
			var k int
			if spec.Block == BlockPlant {
				k = min(n-1, int(rnd.Float64(uint64(j+1), uint64(l.plant[p]))*float64(n)))
			} else {
				k = rnd.IntN(uint64(j+1), uint64(p), n)
			}
			out[j*presses+p] = int32(k * l.step)
		}
	}
	return out
}

// makeTable sums C_b(k) = Σ_{t∈b} r_t·q_{(t−k) mod n} directly, for the bare
// residual and for q itself, and combines them: C^r = C^u + β·C^qq.
func makeTable(l *shiftLayout, u []float64, own []bool, c *shiftColumn) (t shiftTable) {
	for p := range l.rows {
		lo, n := l.start[p], l.start[p+1]-l.start[p]
		// back[i] = q[(−i) mod n], twice over, so that q_{(t−k) mod n} over
		// rising k is a contiguous run that starts at (n − t).
		back := make([]float64, 2*n)
		for i := range back {
			back[i] = c.q[lo+(2*n-i)%n]
		}
		for _, b := range l.blocks[p] {
			cu, cq := make([]float64, n+c.lags), make([]float64, n)
			for s := b[0]; s < b[1]; s++ {
				run := back[n-s : 2*n-s]
				if v := u[lo+s]; v != 0 {
					axpy(cu[:n], run, v)
				}
				if own[lo+s] && c.beta != 0 {
					axpy(cq, run, c.q[lo+s])
				}
			}
			centre(cu[:n])
			centre(cq)
			zero := make([]float64, n)
			for k := range zero {
				zero[k] = cu[k] + float64(c.beta*cq[k])
			}
			t.zero = append(t.zero, zero)
			if c.lags > 0 {
				for k := range c.lags {
					cu[n+k] = cu[k%n]
				}
				t.lags = append(t.lags, cu)
			} else {
				t.lags = append(t.lags, nil)
			}
		}
	}
	return t
}

func axpy(dst, x []float64, a float64) {
	x = x[:len(dst)]
	i := 0
	for ; i+4 <= len(dst); i += 4 {
		d, s := dst[i:i+4:i+4], x[i:i+4:i+4]
		d[0] += float64(a * s[0])
		d[1] += float64(a * s[1])
		d[2] += float64(a * s[2])
		d[3] += float64(a * s[3])
	}
	for ; i < len(dst); i++ {
		dst[i] += float64(a * x[i])
	}
}

func centre(x []float64) {
	m := stats.Sum(x) / float64(len(x))
	for i := range x {
		x[i] -= m
	}
}

// nullSE is √(Σ_p v_p) / Σ q², v_p the variance of a press's sum over shifts.
func nullSE(l *shiftLayout, t *shiftTable, own []bool, c *shiftColumn) float64 {
	var qq, v float64
	b := 0
	for p := range l.rows {
		lo, n := l.start[p], l.start[p+1]-l.start[p]
		sum := make([]float64, n)
		for range l.blocks[p] {
			for k, x := range t.zero[b] {
				sum[k] += x
			}
			b++
		}
		if !l.joined[p] {
			continue
		}
		for k := range n {
			v += float64(sum[k]*sum[k]) / float64(n)
			if own[lo+k] {
				qq += float64(c.q[lo+k] * c.q[lo+k])
			}
		}
	}
	if qq == 0 {
		return 0
	}
	return math.Sqrt(v) / qq
}

// accumulator sums look-ups and their squares for a run of draws.
type accumulator struct {
	lags    int
	sum, sq []float64 // draw-major, lags + 0 inside
}

func newAccumulator(draws, lags int) *accumulator {
	return &accumulator{lags: lags, sum: make([]float64, draws*lags), sq: make([]float64, draws*lags)}
}

// add walks the blocks in order; shifts is draw-major with presses per draw.
func (a *accumulator) add(t *shiftTable, blockPress []int, shifts []int32, presses, draws int) {
	for b, p := range blockPress {
		zero, lags := t.zero[b], t.lags[b]
		for j := range draws {
			k := int(shifts[j*presses+p])
			s, q := a.sum[j*a.lags:(j+1)*a.lags], a.sq[j*a.lags:(j+1)*a.lags]
			v := zero[k]
			s[0] += v
			q[0] += float64(v * v)
			if a.lags == 1 {
				continue
			}
			row := lags[k+1 : k+a.lags]
			s, q = s[1:], q[1:]
			s, q = s[:len(row)], q[:len(row)]
			for i, v := range row {
				s[i] += v
				q[i] += float64(v * v)
			}
		}
	}
}

// statistics writes sum/√(sum of squares), 0 where nothing varies.
func (a *accumulator) statistics(t []float64) {
	for i, s := range a.sum {
		t[i] = 0
		if a.sq[i] > 0 {
			t[i] = s / math.Sqrt(a.sq[i])
		}
	}
}

// maxT returns step-down max-T adjusted p-values of the columns at lag 0
// (Westfall and Young, Resampling-Based Multiple Testing, 1993): ordered by
// |T|, each is compared with the largest |T| of itself and all smaller ones.
func maxT(res []shiftResult) []float64 {
	order := make([]int, len(res))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch x, y := res[a].fair, res[b].fair; {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	p := make([]float64, len(res))
	if len(res) == 0 {
		return p
	}
	draws := len(res[0].draws)
	count := make([]int, len(res))
	for j := range draws {
		top := 0.0
		for i := len(order) - 1; i >= 0; i-- {
			r := &res[order[i]]
			top = max(top, r.draws[j])
			if top >= r.fair-1e-9 {
				count[i]++
			}
		}
	}
	high := 0.0
	for i, c := range order {
		high = max(high, float64(1+count[i])/float64(draws+1))
		p[c] = high
	}
	return p
}
