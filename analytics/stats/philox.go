package stats

import "math/bits"

// Philox4x32 is the counter-based generator philox4x32-10 of Salmon, Moraes,
// Dror and Shaw, "Parallel random numbers: as easy as 1, 2, 3" (SC11, 2011):
// four random words that are a pure function of counter and key.
func Philox4x32(c [4]uint32, k [2]uint32) [4]uint32 {
	for round := range 10 {
		if round > 0 {
			k[0] += 0x9E3779B9
			k[1] += 0xBB67AE85
		}
		p0 := uint64(c[0]) * 0xD2511F53
		p1 := uint64(c[2]) * 0xCD9E8D57
		c = [4]uint32{
			uint32(p1>>32) ^ c[1] ^ k[0], uint32(p1),
			uint32(p0>>32) ^ c[3] ^ k[1], uint32(p0),
		}
	}
	return c
}

// Random gives random numbers addressed by a seed and two counters, so that
// the value at an address never depends on which other values were drawn.
type Random struct{ Seed uint64 }

// Uint64 returns 64 random bits at the address (a, b).
func (r Random) Uint64(a, b uint64) uint64 {
	w := Philox4x32(
		[4]uint32{uint32(b), uint32(b >> 32), uint32(a), uint32(a >> 32)},
		[2]uint32{uint32(r.Seed), uint32(r.Seed >> 32)})
	return uint64(w[1])<<32 | uint64(w[0])
}

// IntN returns a whole number in 0…n−1 at the address (a, b); n ≥ 1. The bias
// of the multiply-and-shift is below n / 2⁶⁴.
func (r Random) IntN(a, b uint64, n int) int {
	hi, _ := bits.Mul64(r.Uint64(a, b), uint64(n))
	return int(hi)
}

// Float64 returns a number in [0, 1) with 53 random bits at the address (a, b).
func (r Random) Float64(a, b uint64) float64 {
	return float64(r.Uint64(a, b)>>11) * 0x1p-53
}
