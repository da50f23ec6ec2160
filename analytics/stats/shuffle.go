package stats

import (
	"math"
	"slices"
)

// ShuffleColumn is one statistic of a permutation test: a residual and an
// exposure net of everything else, rows of a group in order. The exposure is
// read Lag rows before the residual's row, around the group's end.
type ShuffleColumn struct {
	R, Q []float64
	Lag  int
	// Factor multiplies the |T| of the data before it is compared with the
	// draws; 0 is 1. See ShuffleTest.
	Factor float64
}

// ShufflePlan says how the exposure moves.
type ShufflePlan struct {
	Start []int // first row of each group; the last entry is the number of rows
	Block int   // 0: circular shift; else block permutation with so many rows a block
	Draws int
	Seed  uint64
}

// Shuffled is the outcome, in the order of the columns.
type Shuffled struct {
	T     []float64 // at the data
	P     []float64 // two-sided, one statistic by itself
	MaxT  []float64 // step-down max-T over all columns
	Draws int
	Exact bool // every rotation was taken (circular shift of few rows)
}

// ShuffleTest permutes exposures against residuals inside groups, the same
// permutation for every column, so that the statistics keep their correlation.
// Per block b of a group (m = max(1, min(⌊n/20⌋, ⌈60/G⌉)) equal parts),
// C_b = Σ_{t∈b} r_t·q_t with q less its group mean, which is C_b less its mean
// over all rotations; T = ΣC_b / √ΣC_b². p = (1 + #{|T*| ≥ F·|T|}) / (1 + draws);
// where all rotations of all groups are no more than the draws they are all
// taken, the data among them. Step-down max-T: Westfall and Young,
// Resampling-Based Multiple Testing (1993).
//
// Factor F is for a residual that is orthogonal to controls. The exposure net of
// them lies outside their span, so Σ r·q varies as the errors do, Σ σ²q²; a
// permuted one lies inside to a share, which r does not see, and the
// denominators are made of residuals in both, whose variance is σ²(1 − h), h the
// row's leverage. So F² = Σ q²r² / Σ q²r²/(1 − h), with r²/(1 − h) the estimate
// of σ² of MacKinnon and White (Journal of Econometrics 29, 1985: HC2).
func ShuffleTest(plan ShufflePlan, cols []ShuffleColumn) (*Shuffled, error) {
	groups := len(plan.Start) - 1
	if groups < 1 || len(cols) == 0 || plan.Draws < 99 || plan.Block < 0 {
		return nil, badInput("%d groups, %d columns, %d draws (at least 99), blocks of %d rows", groups, len(cols), plan.Draws, plan.Block)
	}
	rows := plan.Start[groups]
	for _, c := range cols {
		if len(c.R) != rows || len(c.Q) != rows || c.Lag < 0 || !finite(c.R, c.Q) {
			return nil, badInput("a column has %d and %d rows of %d, lag %d, finite values", len(c.R), len(c.Q), rows, c.Lag)
		}
	}
	s := &shuffler{plan: plan, rows: rows}
	if err := s.cut(); err != nil {
		return nil, err
	}
	all := 1
	for g := range groups {
		if all *= plan.Start[g+1] - plan.Start[g]; all > plan.Draws {
			break
		}
	}
	out := &Shuffled{Draws: plan.Draws, T: make([]float64, len(cols))}
	if out.Exact = plan.Block == 0 && all <= plan.Draws; out.Exact {
		out.Draws = all
	}
	draws := make([][]float64, len(cols)) // |T| per draw
	for c := range draws {
		draws[c] = make([]float64, out.Draws)
	}
	q := make([][]float64, len(cols)) // less the group's mean
	for c := range cols {
		q[c] = s.centred(cols[c].Q)
	}
	if plan.Block > 0 {
		s.permute(cols, q, out.T, draws)
	} else {
		shifts := s.rotations(out.Draws, out.Exact)
		Parallel(len(cols), func(c int) { out.T[c] = s.rotate(&cols[c], q[c], shifts, draws[c]) })
	}
	fair := make([]float64, len(cols))
	for c := range cols {
		if fair[c] = math.Abs(out.T[c]); cols[c].Factor > 0 {
			fair[c] *= cols[c].Factor
		}
	}
	add, over := 1, out.Draws+1
	if out.Exact {
		add, over = 0, out.Draws // the data is one of the draws
	}
	out.P, out.MaxT = make([]float64, len(cols)), make([]float64, len(cols))
	order := make([]int, len(cols))
	for c := range cols {
		order[c] = c
		n := add
		for _, t := range draws[c] {
			if t >= fair[c]-1e-9 {
				n++
			}
		}
		out.P[c] = float64(n) / float64(over)
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case fair[a] > fair[b]:
			return -1
		case fair[a] < fair[b]:
			return 1
		}
		return 0
	})
	count := make([]int, len(cols))
	for j := range out.Draws {
		top := 0.0
		for i := len(order) - 1; i >= 0; i-- {
			if top = max(top, draws[order[i]][j]); top >= fair[order[i]]-1e-9 {
				count[i]++
			}
		}
	}
	high := 0.0
	for i, c := range order {
		high = max(high, float64(count[i]+add)/float64(over))
		out.MaxT[c] = high
	}
	return out, nil
}

type shuffler struct {
	plan   ShufflePlan
	rows   int
	blocks [][2]int // rows [from, to) of each studentising block
	group  []int    // of each block
}

// leastBlocks below which a studentised sum says nothing.
const leastBlocks = 4

func (s *shuffler) cut() error {
	g := len(s.plan.Start) - 1
	for p := range g {
		lo, n := s.plan.Start[p], s.plan.Start[p+1]-s.plan.Start[p]
		m := max(1, min(n/20, (60+g-1)/g))
		for b := range m {
			s.blocks = append(s.blocks, [2]int{lo + b*n/m, lo + (b+1)*n/m})
			s.group = append(s.group, p)
		}
	}
	if len(s.blocks) < leastBlocks {
		return tooFew("%d rows in %d groups make %d blocks of at least 20 rows or one group, %d needed", s.rows, g, len(s.blocks), leastBlocks)
	}
	return nil
}

// centred returns x less its group means.
func (s *shuffler) centred(x []float64) []float64 {
	q := slices.Clone(x)
	for g := range len(s.plan.Start) - 1 {
		lo, hi := s.plan.Start[g], s.plan.Start[g+1]
		m := Sum(q[lo:hi]) / float64(hi-lo)
		for i := lo; i < hi; i++ {
			q[i] -= m
		}
	}
	return q
}

// rotations draws one shift per draw and group, draw-major; all: every
// combination in turn, the data first.
func (s *shuffler) rotations(draws int, all bool) []int32 {
	groups := len(s.plan.Start) - 1
	out := make([]int32, draws*groups)
	rnd := Random{Seed: s.plan.Seed}
	for j := range draws {
		left := j
		for g := range groups {
			n := s.plan.Start[g+1] - s.plan.Start[g]
			k := left % n
			if left /= n; !all {
				k = rnd.IntN(uint64(j+1), uint64(g), n)
			}
			out[j*groups+g] = int32(k)
		}
	}
	return out
}

// rotate returns T at the data and writes |T| of every draw, from a table of
// C_b(k).
func (s *shuffler) rotate(c *ShuffleColumn, q []float64, shifts []int32, abs []float64) float64 {
	table := make([][]float64, len(s.blocks))
	for b, at := range s.blocks {
		lo := s.plan.Start[s.group[b]]
		n := s.plan.Start[s.group[b]+1] - lo
		table[b] = make([]float64, n)
		// back[i] is q[−i], twice over, so that q_{t−lag−k} over rising k is a
		// contiguous run.
		back := make([]float64, 2*n)
		for i := range back {
			back[i] = q[lo+(2*n-i)%n]
		}
		for i := at[0]; i < at[1]; i++ {
			if r := c.R[i]; r != 0 {
				from := ((c.Lag-(i-lo))%n + n) % n
				addScaled(table[b], back[from:from+n], r)
			}
		}
	}
	groups := len(s.plan.Start) - 1
	t := func(shift []int32) float64 {
		var sum, sq float64
		for b, row := range table {
			v := row[shift[s.group[b]]]
			sum += v
			sq += float64(v * v)
		}
		return studentised(sum, sq)
	}
	for j := range abs {
		abs[j] = math.Abs(t(shifts[j*groups : (j+1)*groups]))
	}
	return t(make([]int32, groups))
}

// permute fills T at the data and |T| of every draw with the exposures' blocks
// of rows in random order.
func (s *shuffler) permute(cols []ShuffleColumn, q [][]float64, t0 []float64, abs [][]float64) {
	rnd := Random{Seed: s.plan.Seed}
	one := func(j int, perm []int, back []float64, set func(c int, t float64)) {
		for g := range len(s.plan.Start) - 1 {
			shuffleBlocks(rnd, uint64(j), uint64(g), s.plan.Block, perm[s.plan.Start[g]:s.plan.Start[g+1]])
		}
		for c := range cols {
			for g := range len(s.plan.Start) - 1 {
				lo, n := s.plan.Start[g], s.plan.Start[g+1]-s.plan.Start[g]
				for i := range n {
					// Row i reads the permuted exposure Lag rows before.
					back[lo+i] = q[c][lo+perm[lo+((i-cols[c].Lag)%n+n)%n]]
				}
			}
			var sum, sq float64
			for _, b := range s.blocks {
				v := dot(cols[c].R[b[0]:b[1]], back[b[0]:b[1]])
				sum += v
				sq += float64(v * v)
			}
			set(c, studentised(sum, sq))
		}
	}
	const chunk = 64
	draws := len(abs[0])
	Parallel((draws+chunk-1)/chunk, func(b int) {
		perm, back := make([]int, s.rows), make([]float64, s.rows)
		for j := b * chunk; j < min(draws, (b+1)*chunk); j++ {
			one(j+1, perm, back, func(c int, t float64) { abs[c][j] = math.Abs(t) })
		}
	})
	one(0, make([]int, s.rows), make([]float64, s.rows), func(c int, t float64) { t0[c] = t })
}

// addScaled adds a·x to dst.
func addScaled(dst, x []float64, a float64) {
	x = x[:len(dst)]
	for i := range dst {
		dst[i] += float64(a * x[i])
	}
}

func studentised(sum, sq float64) float64 {
	if sq > 0 {
		return sum / math.Sqrt(sq)
	}
	return 0
}

// shuffleBlocks fills perm with 0…n−1 cut into blocks of the given length (the
// last one may be shorter) in random order; draw 0 is the identity. Random
// numbers are addressed by draw and, below it, group and block.
func shuffleBlocks(rnd Random, draw, group uint64, block int, perm []int) {
	n := len(perm)
	m := (n + block - 1) / block
	order := make([]int, m)
	for i := range order {
		order[i] = i
	}
	if draw > 0 {
		for i := m - 1; i > 0; i-- {
			j := rnd.IntN(draw, group<<32|uint64(i), i+1)
			order[i], order[j] = order[j], order[i]
		}
	}
	at := 0
	for _, b := range order {
		for i := b * block; i < min(n, (b+1)*block); i++ {
			perm[at] = i
			at++
		}
	}
}
