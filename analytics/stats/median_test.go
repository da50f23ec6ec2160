package stats

import (
	"errors"
	"strconv"
	"testing"

	"github.com/downweb/downweb/analytics/stats/statstest"
)

// Ranks of the distribution-free 95 % interval of the median, as printed in the
// tables of handbooks (e.g. Conover, Practical Nonparametric Statistics, from
// memory): n = 6: 1 and 6, 10: 2 and 9, 15: 4 and 12, 20: 6 and 15, 25: 8 and 18.
func TestMedianIntervalRanks(t *testing.T) {
	for _, c := range []struct{ n, low, high int }{{6, 1, 6}, {10, 2, 9}, {15, 4, 12}, {20, 6, 15}, {25, 8, 18}} {
		x := make([]float64, c.n)
		for i := range x {
			x[i] = float64(c.n - i)
		}
		m, iv, err := MedianInterval(x, 0.95)
		if err != nil || iv.Low != float64(c.low) || iv.High != float64(c.high) || m != float64(c.n+1)/2 {
			t.Errorf("n %d: %v %v %v, want ranks %d and %d", c.n, m, iv, err, c.low, c.high)
		}
	}
	if _, _, err := MedianInterval([]float64{1, 2, 3, 4, 5}, 0.95); !errors.Is(err, ErrTooFew) {
		t.Errorf("five values: %v", err)
	}
}

const rMedian = `
x <- scan(commandArgs(TRUE)[1], sep = ",", quiet = TRUE)
n <- length(x); s <- sort(x); k <- qbinom(0.025, n, 0.5)
set.seed(1)
means <- replicate(100000, mean(sample(x, n, replace = TRUE)))
q <- quantile(means, c(0.025, 0.975), type = 7)
cat(jsonlite::toJSON(list(median = median(x), low = s[k], high = s[n + 1 - k], mean = mean(x),
  boot = unname(q), p90 = unname(quantile(x, 0.9, type = 7))), digits = NA, auto_unbox = TRUE))
`

// R: median, qbinom for the ranks, and 100,000 bootstrap resamples of the mean
// with R's own generator; ours has 1,000 resamples, so its ends may differ by
// their own Monte Carlo error (about 5 % of the interval's width).
func TestMedianAndBootstrapAgainstR(t *testing.T) {
	rnd := Random{Seed: 9}
	x := make([]float64, 43)
	text := ""
	for i := range x {
		x[i] = float64(int(3000+9000*rnd.Float64(1, uint64(i))*rnd.Float64(2, uint64(i)))) / 1000
		if i > 0 {
			text += ","
		}
		text += strconv.FormatFloat(x[i], 'f', -1, 64)
	}
	var want struct {
		Median, Low, High, Mean, P90 float64
		Boot                         []float64
	}
	statstest.R(t, nil, rMedian, text+"\n", &want)
	m, iv, err := MedianInterval(x, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "median", m, want.Median, 1e-12)
	near(t, "low", iv.Low, want.Low, 1e-12)
	near(t, "high", iv.High, want.High, 1e-12)
	p90, _ := Quantile(x, 0.9, Type7)
	near(t, "p90", p90, want.P90, 1e-12)
	mean, b, err := BootstrapMean(x, 0.95, 1000, 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", mean, want.Mean, 1e-12)
	tol := 0.1 * (want.Boot[1] - want.Boot[0])
	if d := b.Low - want.Boot[0]; d > tol || d < -tol {
		t.Errorf("bootstrap low %v, R %v", b.Low, want.Boot[0])
	}
	if d := b.High - want.Boot[1]; d > tol || d < -tol {
		t.Errorf("bootstrap high %v, R %v", b.High, want.Boot[1])
	}
}
