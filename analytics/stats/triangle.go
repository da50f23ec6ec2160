package stats

import "math"

// choleskyDrop factors the lower triangle of the n × n matrix s in place, row
// by row in the order given; an index whose pivot is at most its limit is
// marked dropped and its row and column are zero in the factor.
func choleskyDrop(s []float64, n int, limit []float64, drop []bool) {
	for j := range n {
		rj := s[j*n : j*n+n]
		for k := range j {
			if drop[k] {
				rj[k] = 0
				continue
			}
			rk := s[k*n : k*n+n]
			rj[k] = (rj[k] - dot(rj[:k], rk[:k])) / rk[k]
		}
		p := rj[j] - dot(rj[:j], rj[:j])
		if drop[j] = !(p > limit[j]); drop[j] {
			clear(rj[:j+1])
			continue
		}
		rj[j] = math.Sqrt(p)
	}
}

// forward solves L y = b in place, dropped entries become 0.
func forward(l []float64, n int, drop []bool, b []float64) {
	for j := range n {
		if drop[j] {
			b[j] = 0
			continue
		}
		b[j] = (b[j] - dot(l[j*n:j*n+j], b[:j])) / l[j*n+j]
	}
}

// backward solves L'y = b in place, dropped entries become 0.
func backward(l []float64, n int, drop []bool, b []float64) {
	for j := n - 1; j >= 0; j-- {
		if drop[j] {
			b[j] = 0
			continue
		}
		b[j] /= l[j*n+j]
		for k := range j {
			b[k] -= float64(l[j*n+k] * b[j])
		}
	}
}

// dot returns Σ a·b with four running sums in a fixed order; len(b) ≥ len(a).
func dot(a, b []float64) float64 {
	b = b[:len(a)]
	var s0, s1, s2, s3 float64
	i := 0
	for ; i+4 <= len(a); i += 4 {
		s0 += float64(a[i] * b[i])
		s1 += float64(a[i+1] * b[i+1])
		s2 += float64(a[i+2] * b[i+2])
		s3 += float64(a[i+3] * b[i+3])
	}
	for ; i < len(a); i++ {
		s0 += float64(a[i] * b[i])
	}
	return (s0 + s1) + (s2 + s3)
}
