package stats

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
)

const reference = "../../testdata/reference/stats"

// columnsOf reads a reference table by column name.
func columnsOf(t *testing.T, file string) (names []string, cols map[string][]float64) {
	t.Helper()
	f, err := os.Open(filepath.Join(reference, file))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	cols = map[string][]float64{}
	for j, name := range rows[0] {
		for _, r := range rows[1:] {
			v, err := strconv.ParseFloat(r[j], 64)
			if err != nil {
				t.Fatal(err)
			}
			cols[name] = append(cols[name], v)
		}
	}
	return rows[0], cols
}

// lre is the log relative error: the number of correct digits, at most 15.
func lre(got, want float64) float64 {
	if got == want {
		return 15
	}
	e := math.Abs(got - want)
	if want != 0 {
		e /= math.Abs(want)
	}
	return min(15, max(0, -math.Log10(e)))
}

func near(t *testing.T, name string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol*max(1, math.Abs(want))) {
		t.Errorf("%s = %.15g, want %.15g", name, got, want)
	}
}

// Anscombe (1973) as printed: mean 9 and 7.50, r 0.816, slope 0.500.
func TestAnscombe(t *testing.T) {
	_, c := columnsOf(t, "anscombe.csv")
	for _, k := range []string{"1", "2", "3", "4"} {
		x, y := c["x"+k], c["y"+k]
		mx, _ := Mean(x)
		my, _ := Mean(y)
		r, err := Pearson(x, y)
		if err != nil {
			t.Fatal(err)
		}
		f, err := FitQR(y, [][]float64{slices.Repeat([]float64{1}, len(y)), x})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "mean x", mx, 9, 1e-12)
		near(t, "mean y", my, 7.50, 0.005/7.5)
		near(t, "r", r.Value, 0.816, 0.0008)
		near(t, "intercept", f.Beta[0], 3.00, 0.005)
		near(t, "slope", f.Beta[1], 0.500, 0.0008)
	}
}

// Correlation: Hollander and Wolfe (1973) p. 187 as in R's cor.test help;
// Kendall's rankings with ties (values from memory, recomputed in R 4.2.2); the
// small tie example of the SciPy documentation (from memory); Fisher interval
// recomputed in R 4.2.2.
func TestCorrelations(t *testing.T) {
	_, c := columnsOf(t, "hollander_wolfe_tuna.csv")
	p, _ := Pearson(c["x"], c["y"])
	near(t, "tuna r", p.Value, 0.571181557563829, 1e-13)
	near(t, "tuna t", p.Statistic, 1.84108263811534, 1e-12)
	near(t, "tuna p", p.P, 0.108173054349494, 1e-10)
	s, _ := Spearman(c["x"], c["y"])
	near(t, "tuna rho", s.Value, 0.6, 1e-13)
	k, _ := Kendall(c["x"], c["y"], false)
	near(t, "tuna tau", k.Value, 0.444444444444444, 1e-13)
	near(t, "tuna exact p", k.P, 0.1194389329806, 1e-12)
	if !k.Exact {
		t.Error("no ties and 9 pairs: p must be exact")
	}

	_, c = columnsOf(t, "kendall_ties.csv")
	score, v, _ := KendallS(c["A"], c["B"])
	if score != 34 {
		t.Errorf("S = %d, want 34", score)
	}
	near(t, "var S", v, 344.558823529412, 1e-12)
	k, _ = Kendall(c["A"], c["B"], true)
	near(t, "tau b", k.Value, 0.407543806262577, 1e-13)
	near(t, "z", k.Statistic, 1.77779733948549, 1e-12)
	near(t, "p", k.P, 0.0754371456202263, 1e-12)
	s, _ = Spearman(c["A"], c["B"])
	near(t, "rho", s.Value, 0.457917496534142, 1e-13)

	k, _ = Kendall([]float64{12, 2, 1, 12, 2}, []float64{1, 4, 7, 1, 0}, false)
	near(t, "tau b, 5 pairs", k.Value, -0.471404520791032, 1e-13)
	near(t, "p, 5 pairs", k.P, 0.282745459932775, 1e-12)

	iv, err := FisherInterval(0.5, 30, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Fisher low", iv.Low, 0.1704313651118, 1e-12)
	near(t, "Fisher high", iv.High, 0.728958556388355, 1e-12)
}

// Benjamini and Hochberg (1995): 15 p-values, 4 rejected at 0.05, 3 by
// Bonferroni and Holm. Adjusted values and the tie case: R 4.2.2 p.adjust.
func TestMultiplicity(t *testing.T) {
	_, c := columnsOf(t, "benjamini_hochberg_1995.csv")
	q, err := BenjaminiHochberg(c["p"])
	if err != nil {
		t.Fatal(err)
	}
	for i, w := range []float64{0.0015, 0.0030, 0.0095, 0.035625, 0.0603, 0.0638571428571429, 0.0638571428571429,
		0.0645, 0.0765, 0.486, 0.581181818181818, 0.714875, 0.753230769230769, 0.813214285714286, 1} {
		near(t, "BH", q[i], w, 1e-13)
	}
	h, _ := Holm(c["p"])
	by, _ := BenjaminiYekutieli(c["p"])
	count := func(p []float64) (n int) {
		for _, v := range p {
			if v <= 0.05 {
				n++
			}
		}
		return n
	}
	if count(q) != 4 || count(h) != 3 || count(by) != 3 {
		t.Errorf("rejected: BH %d (4), Holm %d (3), BY %d (3)", count(q), count(h), count(by))
	}
	ties := []float64{0.04, 0.01, 0.04, 0.2, 0.01, 0.03, 0.9}
	q, _ = BenjaminiHochberg(ties)
	h, _ = Holm(ties)
	for i, w := range []float64{0.056, 0.035, 0.056, 0.233333333333333, 0.035, 0.056, 0.9} {
		near(t, "BH ties", q[i], w, 1e-13)
	}
	for i, w := range []float64{0.16, 0.07, 0.16, 0.4, 0.07, 0.15, 0.9} {
		near(t, "Holm ties", h[i], w, 1e-13)
	}
}

// Wilson: Newcombe, Stat. Med. 17 (1998), table I method 3. Quantiles of
// 1, 2, 4 … 64 and distribution values: R 4.2.2.
func TestWilsonQuantilesDistributions(t *testing.T) {
	for _, c := range []struct {
		k, n   int
		lo, hi float64
	}{
		{81, 263, 0.255288519878274, 0.3662095769828}, {15, 148, 0.0623863995307363, 0.160487241723308},
		{0, 20, 0, 0.161125158052819}, {1, 29, 0.00611321429276265, 0.171755218793203},
	} {
		iv, err := Wilson(c.k, c.n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "Wilson low", iv.Low, c.lo, 1e-12)
		near(t, "Wilson high", iv.High, c.hi, 1e-12)
	}
	x := []float64{64, 1, 2, 32, 4, 8, 16}
	for i, p := range []float64{.1, .25, .5, .9} {
		a, _ := Quantile(x, p, Type6)
		b, _ := Quantile(x, p, Type7)
		near(t, "type 6", a, []float64{1, 2, 8, 64}[i], 1e-13)
		near(t, "type 7", b, []float64{1.6, 3, 8, 44.8}[i], 1e-13)
	}
	a, _ := TQuantile(.975, 1)
	b, _ := TQuantile(.975, 10)
	c, _ := ChiSquareQuantile(.95, 2)
	near(t, "t1", a, 12.7062047361747, 1e-9)
	near(t, "t10", b, 2.22813885198627, 1e-9)
	near(t, "chi2", c, 5.99146454710798, 1e-9)
	u, _ := ChiSquareUpper(5.99146454710798, 2)
	near(t, "chi2 upper", u, 0.05, 1e-12)
	// F.95(3,20) = 3.09839121214078.
	fu, _ := FUpper(3.09839121214078, 3, 20)
	near(t, "F upper", fu, 0.05, 1e-10)
	// Darwin's maize, paired t (R 4.2.2): t 2.14798746133112, df 14.
	p, _ := TTwoSided(2.14798746133112, 14)
	near(t, "t p", p, 0.0497029440218009, 1e-10)
}

// Philox4x32-10 known answers of the Random123 distribution, tests/kat_vectors.
func TestPhiloxKnownAnswers(t *testing.T) {
	if got := Philox4x32([4]uint32{}, [2]uint32{}); got != [4]uint32{0x6627e8d5, 0xe169c58d, 0xbc57ac4c, 0x9b00dbd8} {
		t.Errorf("zero: %x", got)
	}
	f := uint32(0xffffffff)
	if got := Philox4x32([4]uint32{f, f, f, f}, [2]uint32{f, f}); got != [4]uint32{0x408f276d, 0x41c83b0e, 0xa20bc7c6, 0x6d5451fd} {
		t.Errorf("ones: %x", got)
	}
	pi := Philox4x32([4]uint32{0x243f6a88, 0x85a308d3, 0x13198a2e, 0x03707344}, [2]uint32{0xa4093822, 0x299f31d0})
	if pi != [4]uint32{0xd16cfe09, 0x94fdcceb, 0x5001e420, 0x24126ea1} {
		t.Errorf("pi: %x", pi)
	}
}

// Dobson (1990) p. 93, as in R's help of glm: coefficients, standard error and
// deviance.
func TestPoissonDobson(t *testing.T) {
	_, c := columnsOf(t, "dobson_poisson.csv")
	is := func(col string, v float64) []float64 {
		out := make([]float64, len(c[col]))
		for i, x := range c[col] {
			if x == v {
				out[i] = 1
			}
		}
		return out
	}
	dense := [][]float64{slices.Repeat([]float64{1}, 9), is("outcome", 2), is("outcome", 3), is("treatment", 2), is("treatment", 3)}
	f, err := FitPoisson(Panel{Y: c["counts"], X: dense})
	if err != nil {
		t.Fatal(err)
	}
	for j, w := range []float64{3.04452243772342, -0.454255272277597, -0.292987124681474, 0, 0} {
		near(t, "beta", f.Beta[j], w, 1e-12)
	}
	se, _ := f.ModelSE(0, 1)
	near(t, "se", se, 0.170898651856442, 1e-10)
	near(t, "deviance", f.Deviance, 5.12914107700114, 1e-12)

	// The intercept absorbed, then also outcome as a second effect: same slopes.
	g := make([]int, 9)
	f, err = FitPoisson(Panel{Y: c["counts"], X: dense, Effects: Effects{Group: g}})
	if err != nil {
		t.Fatal(err)
	}
	if !f.Dropped[0] {
		t.Error("the constant must be dropped beside an absorbed intercept")
	}
	near(t, "absorbed", f.Beta[1], -0.454255272277597, 1e-12)
	cell := make([]int, 9)
	for i, v := range c["treatment"] {
		cell[i] = int(v) - 1
	}
	f, err = FitPoisson(Panel{Y: c["counts"], X: dense, Effects: Effects{Group: g, Cell: cell}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "with cells", f.Beta[2], -0.292987124681474, 1e-12)
	if !f.Dropped[3] || !f.Dropped[4] {
		t.Error("treatment must be dropped beside its cells")
	}
}

func TestTooFewIsAResult(t *testing.T) {
	_, e1 := Summarize([]float64{1})
	_, e2 := Mean(nil)
	_, e3 := Lag1([]float64{2, 2, 2})
	_, e4 := Pearson([]float64{1, 1, 1}, []float64{1, 2, 3})
	_, e5 := Kendall([]float64{1, 1, 1}, []float64{1, 2, 3}, true)
	_, e6 := FitQR([]float64{1, 2}, [][]float64{{1, 1}, {1, 2}})
	_, e7 := FitQR([]float64{1, 2, 3}, [][]float64{{1, 1, 1}, {2, 2, 2}})
	_, e8 := FitPoisson(Panel{Y: []float64{0, 0, 0}, Effects: Effects{Group: []int{0, 0, 0}}})
	_, e9 := Wilson(0, 0, 0.95)
	_, _, e10 := BootstrapMean([]float64{1}, 0.95, 1000, 1)
	_, e11 := Quantile(nil, 0.5, Type7)
	for i, err := range []error{e1, e2, e3, e4, e5, e6, e7, e8, e9, e10, e11} {
		if !errors.Is(err, ErrTooFew) {
			t.Errorf("case %d: %v", i+1, err)
		}
	}
	_, i1 := Mean([]float64{math.NaN()})
	_, i2 := Pearson([]float64{1}, []float64{1, 2})
	_, i3 := BenjaminiHochberg([]float64{1.5})
	_, i4 := FitPoisson(Panel{Y: []float64{-1, 2}})
	for i, err := range []error{i1, i2, i3, i4} {
		if !errors.Is(err, ErrInput) {
			t.Errorf("input case %d: %v", i+1, err)
		}
	}
}

// The bootstrap interval of a mean must be close to the t interval on a large
// symmetric sample (both estimate the same thing), and repeat to the bit.
func TestBootstrapMean(t *testing.T) {
	rnd := Random{Seed: 3}
	x := make([]float64, 400)
	for i := range x {
		x[i] = rnd.Float64(9, uint64(i))
	}
	m, iv, err := BootstrapMean(x, 0.95, 4000, 11)
	if err != nil {
		t.Fatal(err)
	}
	s, _ := Summarize(x)
	h := 1.966 * s.SD / 20
	near(t, "low", iv.Low, m-h, 0.003)
	near(t, "high", iv.High, m+h, 0.003)
	_, again, _ := BootstrapMean(x, 0.95, 4000, 11)
	if again != iv {
		t.Error("the same seed gave another interval")
	}
}
