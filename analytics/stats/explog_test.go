package stats

import (
	"math"
	"math/big"
	"testing"
)

// ln 2 is split as the sum says: against 60 digits of the constant (OEIS
// A002162).
func TestLn2Split(t *testing.T) {
	want, _, err := big.ParseFloat("0.693147180559945309417232121458176568075500134360255254120680", 10, 200, big.ToNearestEven)
	if err != nil {
		t.Fatal(err)
	}
	sum := new(big.Float).SetPrec(200).Add(big.NewFloat(ln2Hi), big.NewFloat(ln2Lo))
	d, _ := new(big.Float).Sub(sum, want).Float64()
	if math.Abs(d) > 0x1p-85 {
		t.Errorf("ln2Hi + ln2Lo is off by %g", d)
	}
	if float64(1024*ln2Hi)/1024 != ln2Hi || math.Float64bits(ln2Hi)&(1<<20-1) != 0 {
		t.Error("ln2Hi has too many bits")
	}
}

// Against the standard library: at most 2 units in the last place apart.
func TestExpLog(t *testing.T) {
	rnd := Random{Seed: 1}
	worst := func(got, want float64) float64 {
		u := math.Nextafter(math.Abs(want), math.Inf(1)) - math.Abs(want)
		return math.Abs(got-want) / u
	}
	for i := range 200_000 {
		x := 40 * (rnd.Float64(1, uint64(i)) - 0.5)
		if i%4 == 0 {
			x *= 35
		}
		if i%4 == 1 {
			x /= 1000
		}
		if w := worst(Exp(x), math.Exp(x)); w > 2 {
			t.Fatalf("Exp(%v) = %v, want %v (%.1f ulp)", x, Exp(x), math.Exp(x), w)
		}
		y := math.Exp(x)
		if i%4 == 2 {
			y = 1 + x/40
		}
		if w := worst(Log(y), math.Log(y)); w > 2 {
			t.Fatalf("Log(%v) = %v, want %v (%.1f ulp)", y, Log(y), math.Log(y), w)
		}
	}
	if Exp(0) != 1 || Log(1) != 0 || Exp(-1000) != 0 || !math.IsInf(Exp(1000), 1) || !math.IsInf(Log(0), -1) ||
		!math.IsNaN(Log(-1)) || !math.IsNaN(Exp(math.NaN())) || math.Abs(Log(math.E)-1) > 1e-15 {
		t.Error("special values")
	}
}
