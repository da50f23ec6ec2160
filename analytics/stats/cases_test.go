package stats

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// textColumn reads one column of a reference table as it stands.
func textColumn(t *testing.T, file, name string) (out []string) {
	t.Helper()
	f, err := os.Open(filepath.Join(reference, file))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	j := slices.Index(rows[0], name)
	for _, r := range rows[1:] {
		out = append(out, r[j])
	}
	return out
}

func numberColumn(t *testing.T, file, name string) (out []float64) {
	t.Helper()
	for _, s := range textColumn(t, file, name) {
		out = append(out, parse(t, s))
	}
	return out
}

// ones is a constant column.
func ones(n int) []float64 { return slices.Repeat([]float64{1}, n) }

// eachRow gives every row a cluster of its own.
func eachRow(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

// Anscombe's four sets to all digits (R 4.2.2): r, slope and its standard
// error, rank correlations.
func TestAnscombeAllDigits(t *testing.T) {
	_, c := columnsOf(t, "anscombe.csv")
	for i, w := range []struct{ r, slope, se, rho, tau float64 }{
		{0.81642051634484, 0.500090909090909, 0.117905500595634, 0.818181818181818, 0.636363636363636},
		{0.816236506000243, 0.5, 0.117963745967641, 0.690909090909091, 0.563636363636364},
		{0.816286739489598, 0.499727272727273, 0.117877662221002, 0.990909090909091, 0.963636363636364},
		{0.816521436888503, 0.499909090909091, 0.117818941729686, 0.5, 0.426401432711221},
	} {
		x, y := c["x"+strconv.Itoa(i+1)], c["y"+strconv.Itoa(i+1)]
		r, err := Pearson(x, y)
		if err != nil {
			t.Fatal(err)
		}
		rho, _ := Spearman(x, y)
		tau, _ := Kendall(x, y, false)
		f, err := FitQR(y, [][]float64{ones(11), x})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "r", r.Value, w.r, 1e-14)
		near(t, "slope", f.Beta[1], w.slope, 1e-14)
		near(t, "se", f.SE[1], w.se, 1e-13)
		near(t, "rho", rho.Value, w.rho, 1e-13)
		near(t, "tau", tau.Value, w.tau, 1e-13)
	}
}

// Rank correlation: exact p of Spearman on Hollander and Wolfe's tuna (R's
// cor.test: S 48, p 0.0968), Pearson's interval there; ties in the small SciPy
// example (from memory); Kendall's rankings without continuity.
func TestRankCases(t *testing.T) {
	_, c := columnsOf(t, "hollander_wolfe_tuna.csv")
	s, err := Spearman(c["x"], c["y"])
	if err != nil {
		t.Fatal(err)
	}
	near(t, "exact p", s.P, 0.0967978395061728, 1e-13)
	if !s.Exact {
		t.Error("9 pairs without ties: p must be exact")
	}
	iv, err := FisherInterval(0.571181557563829, 9, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "low", iv.Low, -0.149742633036757, 1e-12)
	near(t, "high", iv.High, 0.895579461838739, 1e-12)
	s, _ = Spearman([]float64{12, 2, 1, 12, 2}, []float64{1, 4, 7, 1, 0})
	near(t, "rho with ties", s.Value, -0.540738070435875, 1e-13)
	near(t, "its p", s.P, 0.346714613976886, 1e-12)
	if s.Exact {
		t.Error("ties: p is not exact")
	}
	_, c = columnsOf(t, "kendall_ties.csv")
	k, _ := Kendall(c["A"], c["B"], false)
	near(t, "z", k.Statistic, 1.83166998613657, 1e-12)
	near(t, "p", k.P, 0.0670006029005387, 1e-12)

	// Trend with ties: Kendall's score against time is the Mann–Kendall test.
	y := []float64{23, 24, 29, 6, 29, 24, 24, 29, 23}
	x := make([]float64, len(y))
	for i := range x {
		x[i] = float64(i)
	}
	score, v, _ := KendallS(x, y)
	k, _ = Kendall(x, y, true)
	if score != 3 {
		t.Errorf("S = %d, want 3", score)
	}
	near(t, "var S", v, 83.6666666666667, 1e-13)
	near(t, "z", k.Statistic, 0.218652155123701, 1e-13)
	near(t, "p", k.P, 0.826921021756705, 1e-12)
}

// Kendall's score by sorting is the score by comparing all pairs.
func TestKendallScoreIsAllPairs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 60).Draw(t, "n")
		values := rapid.IntRange(1, 12).Draw(t, "values")
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i] = float64(rapid.IntRange(0, values).Draw(t, "x"))
			y[i] = float64(rapid.IntRange(0, values).Draw(t, "y"))
		}
		want := 0
		for i := range x {
			for j := range i {
				want += sign(x[i]-x[j]) * sign(y[i]-y[j])
			}
		}
		if got := kendallScore(x, y); got != want {
			t.Fatalf("%d, want %d", got, want)
		}
	})
}

// Partial correlation: the example of Kim (2015), printed there as −0.6720863,
// −0.6161163, −0.7215522, 0.6940953; further digits R 4.2.2 (by inverse and by
// residuals).
func TestPartialKim(t *testing.T) {
	_, c := columnsOf(t, "partial_correlation_kim2015.csv")
	check := func(name string, x, y string, controls []string, rank bool, want, tol float64) Correlation {
		t.Helper()
		var z [][]float64
		for _, n := range controls {
			z = append(z, c[n])
		}
		r, err := PartialCorrelation(c[x], c[y], z, rank)
		if err != nil {
			t.Fatal(err)
		}
		near(t, name, r.Value, want, tol)
		return r
	}
	r := check("hl, disp", "hl", "disp", []string{"deg", "BC"}, false, -0.672086308086693, 1e-13)
	near(t, "t", r.Statistic, -2.22326664460316, 1e-12)
	near(t, "df", r.DF, 6, 0)
	near(t, "p", r.P, 0.0678920155068647, 1e-11)
	check("as printed", "hl", "disp", []string{"deg", "BC"}, false, -0.6720863, 5e-8)
	check("hl, deg", "hl", "deg", []string{"disp", "BC"}, false, -0.616116307771087, 1e-13)
	check("disp, deg", "disp", "deg", []string{"hl", "BC"}, false, -0.721552193351414, 1e-13)
	check("deg, BC", "deg", "BC", []string{"hl", "disp"}, false, 0.694095268150233, 1e-13)
	check("ranks", "hl", "disp", []string{"deg", "BC"}, true, -0.764734468125416, 1e-13)
}

// Permutation tests counted out: Darwin's maize (Fisher 1935: 863 of 32,768
// sign patterns, 835 above and 28 alike, from memory), the mice of Efron and
// Tibshirani (1993; they print 0.132 from 1,000 draws), the correlation of the
// tuna over all 9! orders, the lady tasting tea (17 of 70).
func TestPermutationCases(t *testing.T) {
	check := func(name string, x, y []float64, group []int, least, far, total int) Permuted {
		t.Helper()
		p, err := PermuteWithin(x, y, group, 99, 1)
		if err != nil {
			t.Fatal(err)
		}
		if p.AtLeast != least || p.AtLeastIn != far || p.Total != total || !p.Exact {
			t.Errorf("%s: %d and %d of %d (exact %v), want %d and %d of %d", name, p.AtLeast, p.AtLeastIn, p.Total, p.Exact, least, far, total)
		}
		return p
	}
	var x, y []float64
	var pair []int
	for i, d := range numberColumn(t, "darwin_zea_mays.csv", "diff_eighths_inch") {
		x, y, pair = append(x, 1, 0), append(y, d, 0), append(pair, i, i)
	}
	p := check("Darwin", x, y, pair, 863, 1726, 32768)
	near(t, "Darwin p", p.PTwoSided(), 0.05267333984375, 0)
	near(t, "sum", 2*p.Statistic, 314, 1e-12)

	x, y = nil, numberColumn(t, "efron_mouse.csv", "days")
	for _, g := range textColumn(t, "efron_mouse.csv", "group") {
		v := 0.0
		if g == "treatment" {
			v = 1
		}
		x = append(x, v)
	}
	p = check("mice", x, y, nil, 1613, 3184, 11440)
	near(t, "mice p", p.PTwoSided(), 0.278321678321678, 1e-13)
	near(t, "difference", p.Statistic/(7.0*9/16), 30.6349206349206, 1e-13)

	_, c := columnsOf(t, "hollander_wolfe_tuna.csv")
	p = check("tuna", c["x"], c["y"], nil, 22992, 37203, 362880)
	near(t, "tuna p", p.PTwoSided(), 0.102521494708995, 1e-13)

	check("tea", []float64{1, 1, 1, 1, 0, 0, 0, 0}, []float64{1, 1, 1, 0, 1, 0, 0, 0}, nil, 17, 34, 70)
}

// Adjusted p-values of the 15 of Benjamini and Hochberg (1995) and of the tie
// case, Holm and BY too (R 4.2.2, p.adjust).
func TestAdjustedAllDigits(t *testing.T) {
	_, c := columnsOf(t, "benjamini_hochberg_1995.csv")
	h, err := Holm(c["p"])
	if err != nil {
		t.Fatal(err)
	}
	for i, w := range []float64{0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278, 0.278, 0.278, 0.3213, 1, 1, 1, 1, 1, 1} {
		near(t, "Holm", h[i], w, 1e-13)
	}
	by, _ := BenjaminiYekutieli(c["p"])
	for i, w := range []float64{0.00497734348984349, 0.00995468697968698, 0.0315231754356754, 0.118211907883783, 0.200089208291708, 0.211892622853337, 0.211892622853337} {
		near(t, "BY", by[i], w, 1e-13)
	}
	by, _ = BenjaminiYekutieli([]float64{0.04, 0.01, 0.04, 0.2, 0.01, 0.03, 0.9})
	for i, w := range []float64{0.1452, 0.09075, 0.1452, 0.605, 0.09075, 0.1452, 1} {
		near(t, "BY ties", by[i], w, 1e-13)
	}
}

// Grunfeld, 10 firms: heteroskedasticity-robust errors (every row its own
// cluster) and clusters by firm and by year on pooled least squares, within,
// two-way (R 4.2.2: sandwich, clubSandwich, plm). Published: pooled 0.115562,
// 0.230678; within 0.110124, 0.310065, se 0.011857, 0.017355; F of the firms'
// levels 49.18; clustered by firm as Stata prints it (TestGrunfeldAgainstPublished).
func TestGrunfeldCases(t *testing.T) {
	const file = "grunfeld10.csv"
	inv, value, capital := numberColumn(t, file, "inv"), numberColumn(t, file, "value"), numberColumn(t, file, "capital")
	n := len(inv)
	firm, year := make([]int, n), make([]int, n)
	for i, v := range numberColumn(t, file, "firm") {
		firm[i] = int(v) - 1
	}
	for i, v := range numberColumn(t, file, "year") {
		year[i] = int(v) - 1935
	}
	pooled, err := FitLinear(Panel{Y: inv, X: [][]float64{value, capital, ones(n)}})
	if err != nil {
		t.Fatal(err)
	}
	for j, w := range []float64{0.115562156360552, 0.23067848873197, -42.7143694365594} {
		near(t, "pooled", pooled.Beta[j], w, 1e-12)
	}
	for _, c := range []struct {
		name    string
		cluster []int
		kind    Kind
		want    [3]float64 // value, capital, constant
	}{
		{"HC0", eachRow(n), CR0, [3]float64{0.00675967929005367, 0.0484976632393008, 11.4875628555815}},
		{"HC1", eachRow(n), CR1, [3]float64{0.00681095445687195, 0.0488655395343422, 11.5747011170997}},
		{"HC2", eachRow(n), CR2, [3]float64{0.0069550258013054, 0.0531650538310572, 12.6678742944202}},
		{"HC3", eachRow(n), CR3, [3]float64{0.00716266624438006, 0.0585098662053139, 14.0134954665853}},
		{"firm CR0", firm, CR0, [3]float64{0.0150027280827959, 0.080200798054643, 19.2794308819015}},
		{"firm CR1", firm, CR1, [3]float64{0.0158943366870588, 0.0849671126355401, 20.4252029284739}},
		{"firm CR2", firm, CR2, [3]float64{0.0162450777800678, 0.110467620919051, 25.6074037717881}},
		{"year CR1", year, CR1, [3]float64{0.00790949349727884, 0.038672337482828, 10.2728909498691}},
	} {
		r, err := pooled.Robust(c.cluster)
		if err != nil {
			t.Fatal(err)
		}
		for j, w := range c.want {
			s, err := r.SE(j, c.kind)
			if err != nil {
				t.Fatal(err)
			}
			near(t, c.name, s.SE/w, 1, 1e-10)
			if c.name == "firm CR2" {
				near(t, "df", s.DF, []float64{2.34261641339276, 2.86348461882975, 6.38609342335452}[j], 1e-9)
				p, _ := TTwoSided(pooled.Beta[j]/s.SE, s.DF)
				near(t, "p", p, []float64{0.0123336860984384, 0.132314400169471, 0.143350452410812}[j], 1e-9)
			}
		}
	}
	within, err := FitLinear(Panel{Y: inv, X: [][]float64{value, capital}, Effects: Effects{Group: firm}})
	if err != nil {
		t.Fatal(err)
	}
	rss := within.Dispersion * float64(within.N-within.Rank)
	near(t, "within RSS", rss, 523478.147386252, 1e-12)
	pooledRSS := pooled.Dispersion * float64(pooled.N-pooled.Rank)
	near(t, "F of the levels", (pooledRSS-rss)/9/within.Dispersion, 49.1766254994185, 1e-10)
	levels, err := FitLinear(Panel{Y: inv, Effects: Effects{Group: firm}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "within R²", 1-rss/(levels.Dispersion*float64(levels.N-levels.Rank)), 0.76675758374814, 1e-12)
	both, err := FitLinear(Panel{Y: inv, X: [][]float64{value, capital}, Effects: Effects{Group: firm, Cell: year}})
	if err != nil {
		t.Fatal(err)
	}
	for j, w := range []struct{ beta, se float64 }{{0.117715855082606, 0.0137512830036482}, {0.357916273073427, 0.0227190108825725}} {
		near(t, "two-way", both.Beta[j], w.beta, 1e-11)
		s, _ := both.ModelSE(j, both.Dispersion)
		near(t, "two-way se", s, w.se, 1e-11)
	}
}

// Ships, McCullagh and Nelder (1989), 6.3.2: Poisson with log months of service
// as offset. They print constant −6.41, dispersion 1.69, deviance 38.70 on 25
// degrees of freedom (from memory); further digits R 4.2.2.
func TestShips(t *testing.T) {
	const file = "ships.csv"
	service, y := numberColumn(t, file, "service"), numberColumn(t, file, "incidents")
	x := [][]float64{ones(0)}
	var use []int
	for i, s := range service {
		if s > 0 {
			use = append(use, i)
		}
	}
	at := func(v []float64) (out []float64) {
		for _, i := range use {
			out = append(out, v[i])
		}
		return out
	}
	is := func(col, value string) []float64 {
		var out []float64
		for _, s := range textColumn(t, file, col) {
			v := 0.0
			if s == value {
				v = 1
			}
			out = append(out, v)
		}
		return at(out)
	}
	x[0] = ones(len(use))
	for _, v := range []string{"B", "C", "D", "E"} {
		x = append(x, is("type", v))
	}
	for _, v := range []string{"65", "70", "75"} {
		x = append(x, is("year", v))
	}
	x = append(x, is("period", "75"))
	offset := at(service)
	for i, v := range offset {
		offset[i] = math.Log(v)
	}
	f, err := FitPoisson(Panel{Y: at(y), X: x, Offset: offset})
	if err != nil {
		t.Fatal(err)
	}
	r, err := f.Robust(eachRow(len(use)))
	if err != nil {
		t.Fatal(err)
	}
	want := []struct{ beta, se, quasi, sandwich float64 }{
		{-6.40590156104885, 0.217444106247783, 0.282761804610237, 0.121117931443504},
		{-0.543344301193925, 0.177589907362197, 0.230935864635843, 0.087568702339297},
		{-0.68740164744982, 0.329047216126983, 0.427889199848061, 0.495516412701779},
		{-0.0759614218771318, 0.290578658772374, 0.37786513211846, 0.372143199238879},
		{0.32557945622395, 0.235879402585484, 0.306734851067669, 0.2377450047186},
		{0.697140426700506, 0.149641392519506, 0.194591938697974, 0.108059839007099},
		{0.818426577201747, 0.169773649290263, 0.220771692905196, 0.14152414196471},
		{0.4534266388005, 0.233170477772893, 0.303212196525409, 0.195150694700021},
		{0.384466958212073, 0.118272162623251, 0.153799754408597, 0.0995599203747368},
	}
	for j, w := range want {
		se, _ := f.ModelSE(j, 1)
		quasi, _ := f.ModelSE(j, f.Dispersion)
		s, err := r.SE(j, CR0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "beta", f.Beta[j], w.beta, 1e-10)
		near(t, "se", se, w.se, 1e-8) // R stops a step earlier
		near(t, "quasi", quasi, w.quasi, 1e-8)
		near(t, "sandwich", s.SE, w.sandwich, 1e-8)
	}
	near(t, "deviance", f.Deviance, 38.6950515355548, 1e-11)
	near(t, "dispersion", f.Dispersion, 1.69101012478119, 1e-9)
	if f.N-f.Rank != 25 {
		t.Errorf("%d degrees of freedom, want 25", f.N-f.Rank)
	}
	near(t, "constant as printed", f.Beta[0], -6.41, 0.005/6.41)
}

// Student's sleep data (1908): the paired t is a regression on a constant, the
// t with one variance one on group marks; Welch's t has the standard error HC2
// of the latter. The mice likewise. R 4.2.2.
func TestMeansByRegression(t *testing.T) {
	_, c := columnsOf(t, "sleep.csv")
	d := make([]float64, 10)
	for i := range d {
		d[i] = c["drug1"][i] - c["drug2"][i]
	}
	f, err := FitQR(d, [][]float64{ones(10)})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "paired t", f.Beta[0]/f.SE[0], -4.06212768338204, 1e-12)
	p, _ := TTwoSided(f.Beta[0]/f.SE[0], 9)
	near(t, "p", p, 0.00283289019738427, 1e-11)
	q, _ := TQuantile(0.975, 9)
	near(t, "low", f.Beta[0]-q*f.SE[0], -2.45988576327698, 1e-9)
	near(t, "high", f.Beta[0]+q*f.SE[0], -0.700114236723018, 1e-9)

	twoMeans := func(name string, a, b []float64, pooled, welch float64) {
		t.Helper()
		y := slices.Concat(a, b)
		mark := make([]float64, len(y))
		for i := range a {
			mark[i] = 1
		}
		fit, err := FitLinear(Panel{Y: y, X: [][]float64{ones(len(y)), mark}})
		if err != nil {
			t.Fatal(err)
		}
		se, _ := fit.ModelSE(1, fit.Dispersion)
		near(t, name+" t", fit.Beta[1]/se, pooled, 1e-11)
		r, err := fit.Robust(eachRow(len(y)))
		if err != nil {
			t.Fatal(err)
		}
		s, _ := r.SE(1, CR2)
		near(t, name+" Welch t", fit.Beta[1]/s.SE, welch, 1e-11)
	}
	twoMeans("sleep", c["drug1"], c["drug2"], -1.86081346748685, -1.86081346748685)
	days := numberColumn(t, "efron_mouse.csv", "days")
	twoMeans("mice", days[:7], days[7:], 1.12084539912082, 1.05871058737541)

	// 56 of 70 against 48 of 80 (Newcombe 1998b): chi-square is n·r² of 0/1 marks.
	var x, y []float64
	for i := range 150 {
		first, hit := 0.0, 0.0
		if i < 70 {
			first = 1
		}
		if i < 56 || i >= 70 && i < 118 {
			hit = 1
		}
		x, y = append(x, first), append(y, hit)
	}
	r, _ := Pearson(x, y)
	near(t, "chi-square", 150*r.Value*r.Value, 7.02341137123746, 1e-12)
	u, _ := ChiSquareUpper(150*r.Value*r.Value, 1)
	near(t, "its p", u, 0.00804508136819658, 1e-11)
}

// More limits of a mean time between failures (NIST/SEMATECH e-Handbook
// 8.4.5.1, computed with R 4.2.2): one failure, ten, and the rate of 8 events in
// 100 by the same chi-squares (Garwood, Biometrika 28, 1936).
func TestMTBFCases(t *testing.T) {
	for _, c := range []struct {
		time      float64
		n         int64
		low, high float64
		atFailure float64 // lower limit of a test that ends with its last failure
	}{
		{1000, 1, 179.480259204365, 39497.8902052072, 271.085030681817},
		{5000, 10, 271.881631251518, 1042.66834595339, 292.657741964522},
	} {
		m, err := MTBF(c.time, c.n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "low", m.Low, c.low, 1e-9)
		near(t, "high", m.High, c.high, 1e-9)
		e, err := MeanOfExponential(c.time, c.n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "failure-ended low", e.Low, c.atFailure, 1e-9)
	}
	m, err := MTBF(100, 8, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "rate low", 1/m.High, 0.034538321767485, 1e-10)
	near(t, "rate high", 1/m.Low, 0.157631892201933, 1e-10)
}
