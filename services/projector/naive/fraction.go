package naive

import (
	"math/big"
	"strconv"
)

func whole(n int64) *big.Rat { return new(big.Rat).SetInt64(n) }

// decimal is a number as a person wrote it.
func decimal(x float64) *big.Rat {
	r, _ := new(big.Rat).SetString(strconv.FormatFloat(x, 'f', -1, 64))
	return r
}

func amount(s string) *big.Rat {
	if s == "" {
		return new(big.Rat)
	}
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic("no decimal: " + s)
	}
	return r
}

// part is n shared by duration.
func part(n, ms, of int64) *big.Rat {
	if of == 0 {
		return new(big.Rat)
	}
	return new(big.Rat).Mul(whole(n), big.NewRat(ms, of))
}

// Round is half to even.
func Round(r *big.Rat) int64 {
	q, m := new(big.Int).DivMod(r.Num(), r.Denom(), new(big.Int))
	switch m.Lsh(m, 1).Cmp(r.Denom()) {
	case 1:
		q.Add(q, big.NewInt(1))
	case 0:
		if q.Bit(0) == 1 {
			q.Add(q, big.NewInt(1))
		}
	}
	return q.Int64()
}
