package stats

import (
	"fmt"
	"math"
)

// Kinds of correlation.
const (
	KindPearson  = "pearson"
	KindSpearman = "spearman"
	KindKendall  = "kendall"
)

// CorrelationOf is Pearson, Spearman or Kendall (without continuity).
func CorrelationOf(kind string, x, y []float64) (Correlation, error) {
	switch kind {
	case KindPearson:
		return Pearson(x, y)
	case KindSpearman:
		return Spearman(x, y)
	case KindKendall:
		return Kendall(x, y, false)
	}
	return Correlation{}, badInput("no correlation %q", kind)
}

// Within is a correlation inside groups.
type Within struct {
	Value  float64  `json:"value"`
	SE     float64  `json:"se"` // delete-one-group jackknife
	DF     float64  `json:"df"` // groups − 1
	Range  Interval `json:"interval"`
	Groups int      `json:"groups"` // with spread in both samples
	N      int      `json:"n"`      // pairs in them
}

// CorrelationWithin is Σ n_g·r_g / Σ n_g over the groups' own correlations (of
// ranks inside the group for Spearman and Kendall), with a delete-one-group
// jackknife (Efron, The Jackknife, the Bootstrap and Other Resampling Plans,
// 1982, ch. 3) and t limits on groups − 1, cut at ±1. Groups of fewer than
// three pairs or without spread do not count. It needs three groups.
func CorrelationWithin(kind string, x, y []float64, group []int, level float64) (Within, error) {
	if err := checkPairs(x, y, 3); err != nil {
		return Within{}, err
	}
	if len(group) != len(x) || !(level > 0 && level < 1) {
		return Within{}, badInput("%d rows, %d group marks, level %v", len(x), len(group), level)
	}
	rows := map[int][]int{}
	var ids []int
	for i, g := range group {
		if rows[g] == nil {
			ids = append(ids, g)
		}
		rows[g] = append(rows[g], i)
	}
	var r, n []float64
	for _, g := range ids {
		if len(rows[g]) < 3 {
			continue
		}
		var a, b []float64
		for _, i := range rows[g] {
			a, b = append(a, x[i]), append(b, y[i])
		}
		v, err := groupValue(kind, a, b)
		if err != nil {
			continue // no spread
		}
		r, n = append(r, v), append(n, float64(len(a)))
	}
	if len(r) < 3 {
		return Within{}, tooFew("%d groups with 3 pairs and spread, 3 needed", len(r))
	}
	out := Within{Groups: len(r), DF: float64(len(r) - 1)}
	var sum, total float64
	for g, v := range r {
		sum += float64(n[g] * v)
		total += n[g]
	}
	out.Value, out.N = sum/total, int(total)
	left := make([]float64, len(r))
	for g, v := range r {
		left[g] = (sum - float64(n[g]*v)) / (total - n[g])
	}
	_, ss := meanSS(left)
	out.SE = math.Sqrt(max(0, ss) * out.DF / float64(len(r)))
	t, err := TQuantile(0.5+level/2, out.DF)
	if err != nil {
		return Within{}, fmt.Errorf("interval: %w", err)
	}
	out.Range = Interval{Low: max(-1, out.Value-float64(t*out.SE)), High: min(1, out.Value+float64(t*out.SE))}
	return out, nil
}

// groupValue is the correlation alone, without its p-value.
func groupValue(kind string, x, y []float64) (float64, error) {
	switch kind {
	case KindSpearman:
		c, err := Pearson(Ranks(x), Ranks(y))
		return c.Value, err
	}
	c, err := CorrelationOf(kind, x, y)
	return c.Value, err
}

// PartialCorrelation is the correlation of x and y with controls held fixed:
// Pearson's r of the two residuals of regressions on the controls and a
// constant, t = r√(df/(1−r²)), df = n − 2 − number of controls (Fisher, Metron
// 3, 1924). rank takes mid-ranks of every variable first. It needs one more row
// than 3 + controls, and independent controls.
func PartialCorrelation(x, y []float64, controls [][]float64, rank bool) (Correlation, error) {
	if err := checkPairs(x, y, 4+len(controls)); err != nil {
		return Correlation{}, err
	}
	columns := [][]float64{make([]float64, len(x))}
	for i := range x {
		columns[0][i] = 1
	}
	for _, c := range controls {
		if len(c) != len(x) || !finite(c) {
			return Correlation{}, badInput("a control has %d rows of %d, finite values", len(c), len(x))
		}
		if rank {
			c = Ranks(c)
		}
		m, ss := meanSS(c)
		if ss <= 0 {
			return Correlation{}, tooFew("a control has no spread")
		}
		centred := make([]float64, len(c))
		for i, v := range c {
			centred[i] = v - m
		}
		columns = append(columns, centred)
	}
	if rank {
		x, y = Ranks(x), Ranks(y)
	}
	resid := func(v []float64) ([]float64, error) {
		fit, err := FitQR(v, columns)
		if err != nil {
			return nil, err
		}
		_, before := meanSS(v)
		out := make([]float64, len(v))
		var after float64
		for i := range v {
			out[i] = v[i]
			for j, c := range columns {
				out[i] -= float64(fit.Beta[j] * c[i])
			}
			after += float64(out[i] * out[i])
		}
		if !(after > 1e-20*before) {
			return nil, tooFew("the controls leave nothing of a variable")
		}
		return out, nil
	}
	rx, err := resid(x)
	if err != nil {
		return Correlation{}, err
	}
	ry, err := resid(y)
	if err != nil {
		return Correlation{}, err
	}
	out, err := Pearson(rx, ry)
	if err != nil {
		return Correlation{}, err
	}
	out.DF = float64(len(x) - 2 - len(controls))
	if d := 1 - float64(out.Value*out.Value); d > 0 {
		out.Statistic = out.Value * math.Sqrt(out.DF/d)
		if out.P, err = TTwoSided(out.Statistic, out.DF); err != nil {
			return Correlation{}, err
		}
	}
	return out, nil
}
