package interval

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"github.com/downweb/downweb/analytics/stats"
)

// reference values and data: testdata/reference/reliability/README.md names
// the sources.
const reference = "../../testdata/reference/reliability"

func lives(t *testing.T, file, time, event string, keep func(row map[string]string) bool) []Life {
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
	var out []Life
	for _, r := range rows[1:] {
		row := map[string]string{}
		for i, name := range rows[0] {
			row[name] = r[i]
		}
		if keep != nil && !keep(row) {
			continue
		}
		x, err := strconv.ParseFloat(row[time], 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, Life{x, row[event] == "1"})
	}
	return out
}

func expected(t *testing.T, v any) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(reference, "50_reliability.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, v); err != nil {
		t.Fatal(err)
	}
}

// maybe is a number, or R's NA.
type maybe float64

func (m *maybe) UnmarshalJSON(b []byte) error {
	if string(b) == `"NA"` {
		*m = maybe(math.NaN())
		return nil
	}
	return json.Unmarshal(b, (*float64)(m))
}

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > rel*math.Max(math.Abs(want), 1e-300) {
		t.Errorf("%s: %.15g, want %.15g", what, got, want)
	}
}

// TestKaplanMeier: NIST/SEMATECH e-Handbook 8.2.1.5 and 8.4.1.3, and the
// leukemia data of Miller (1981) with R survival's limits.
func TestKaplanMeier(t *testing.T) {
	var want struct {
		KM struct {
			Time   []float64 `json:"time"`
			R      []float64 `json:"R"`
			SE     []float64 `json:"greenwood_se"`
			Hazard []float64 `json:"nelson_aalen"`
		} `json:"nist_km"`
		W struct {
			Time []float64 `json:"time"`
			S    []float64 `json:"surv"`
			SE   []float64 `json:"greenwood_se"`
		} `json:"nist_weibull_km"`
		AML struct {
			Strata []string  `json:"strata"`
			Time   []float64 `json:"time"`
			Surv   []float64 `json:"surv"`
			Low    []maybe   `json:"lower95_log"`
			High   []maybe   `json:"upper95_log"`
		} `json:"aml"`
	}
	expected(t, &want)
	got, err := KaplanMeier(lives(t, "nist_km.csv", "time", "event", nil))
	if err != nil || len(got) != len(want.KM.Time) {
		t.Fatal(got, err)
	}
	for i, s := range got {
		near(t, "time", s.Time, want.KM.Time[i], 0)
		near(t, "survival", s.Survival, want.KM.R[i], 1e-13)
		near(t, "se", s.SE, want.KM.SE[i], 1e-12)
		near(t, "hazard", s.Hazard, want.KM.Hazard[i], 1e-12)
	}
	if _, ok := MedianLife(got); ok {
		t.Error("a median where half survive")
	}
	got, err = KaplanMeier(lives(t, "nist_weibull_censored.csv", "time", "event", nil))
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range got {
		near(t, "survival", s.Survival, want.W.S[i], 1e-13)
		near(t, "se", s.SE, want.W.SE[i], 1e-12)
	}
	for _, group := range []string{"Maintained", "Nonmaintained"} {
		got, err := KaplanMeier(lives(t, "aml.csv", "time", "status", func(r map[string]string) bool { return r["x"] == group }))
		if err != nil {
			t.Fatal(err)
		}
		i := 0
		for j, s := range want.AML.Strata {
			if s != "x="+group {
				continue
			}
			// R lists times of censoring too; survival does not change there.
			for i+1 < len(got) && got[i+1].Time <= want.AML.Time[j] {
				i++
			}
			near(t, group, got[i].Survival, want.AML.Surv[j], 1e-12)
			if want.AML.Surv[j] > 0 {
				near(t, group+" low", got[i].Low, float64(want.AML.Low[j]), 1e-9)
				near(t, group+" high", got[i].High, float64(want.AML.High[j]), 1e-9)
			}
		}
	}
	if _, err := KaplanMeier([]Life{{5, false}}); !errors.Is(err, stats.ErrTooFew) {
		t.Error(err)
	}
	if _, err := KaplanMeier([]Life{{-1, true}}); !errors.Is(err, stats.ErrInput) {
		t.Error(err)
	}
}

// TestWeibull: NIST/SEMATECH e-Handbook 8.4.1.3, ten of twenty units failed.
func TestWeibull(t *testing.T) {
	var want struct {
		W map[string]any `json:"nist_weibull"`
	}
	expected(t, &want)
	num := func(k string) float64 { return want.W[k].(float64) }
	w, err := FitWeibull(lives(t, "nist_weibull_censored.csv", "time", "event", nil))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "beta", w.Beta, num("beta"), 1e-9)
	near(t, "eta", w.Eta, num("eta"), 1e-9)
	near(t, "log likelihood", w.LogLik, num("loglik"), 1e-12)
	near(t, "mean", w.Mean(), num("mean"), 1e-8)
	near(t, "sd", w.SD(), num("sd"), 1e-8)
	near(t, "B10", w.Quantile(0.1), num("B10"), 1e-8)
	near(t, "R(500)", w.Survival(500), num("R500"), 1e-8)
	near(t, "se of eta", w.SEEta, num("se_eta_delta"), 1e-6)
	near(t, "se of beta", w.SEBeta, num("se_beta_delta"), 1e-6)
	p, err := stats.ChiSquareUpper(num("lr_test_weibull_vs_exponential"), 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "p of an exponential", w.PExponential, p, 1e-8)
	if _, err := FitWeibull([]Life{{5, true}, {5, true}, {5, true}}); !errors.Is(err, stats.ErrTooFew) {
		t.Error(err)
	}
	if _, err := FitWeibull([]Life{{5, true}, {7, false}}); !errors.Is(err, stats.ErrTooFew) {
		t.Error(err)
	}
}

// TestWeibullScales: a fit in other units is the same fit.
func TestWeibullScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(4, 40).Draw(t, "n")
		scale := math.Exp(rapid.Float64Range(-8, 8).Draw(t, "scale"))
		var a, b []Life
		for i := range n {
			x := rapid.Float64Range(1, 1000).Draw(t, "time")
			failed := i < 3 || rapid.Bool().Draw(t, "failed")
			a, b = append(a, Life{x, failed}), append(b, Life{x * scale, failed})
		}
		wa, err1 := FitWeibull(a)
		wb, err2 := FitWeibull(b)
		if (err1 == nil) != (err2 == nil) {
			t.Fatal(err1, err2)
		}
		if err1 != nil {
			return
		}
		if math.Abs(wa.Beta/wb.Beta-1) > 1e-8 || math.Abs(wa.Eta*scale/wb.Eta-1) > 1e-8 || !(wa.BetaLow <= wa.Beta && wa.Beta <= wa.BetaHigh) {
			t.Fatalf("%+v %+v", wa, wb)
		}
	})
}

// TestAgeReplacement: Durrett, Essentials of Stochastic Processes, section 3
// (car, exact by hand; tool), and Weibull cases of the reference.
func TestAgeReplacement(t *testing.T) {
	car := func(x float64) float64 { return math.Max(0, 1-x/10) }
	r, err := AgeReplacement(car, 5, 10, 10, 13)
	if err != nil || r.RunToFailure {
		t.Fatal(r, err)
	}
	near(t, "car age", r.Age, (-1+math.Sqrt(1.6))/0.03, 1e-6)
	near(t, "car rate", r.Rate, 2.56491106406735, 1e-9)
	near(t, "car without", r.RateRunToFailure, 2.6, 1e-12)
	tool := func(x float64) float64 { return math.Max(0, 1-x*x/900) }
	if r, err = AgeReplacement(tool, 20, 30, 300, 1200); err != nil {
		t.Fatal(err)
	}
	near(t, "tool age", r.Age, 14.5760481526994, 1e-6)
	near(t, "tool rate", r.Rate, 38.1605894854221, 1e-9)
	near(t, "tool without", r.RateRunToFailure, 60, 1e-12)
	for _, c := range []struct{ beta, eta, planned, failure, age, rate, without float64 }{
		{2.5, 1000, 1, 5, 493.046957596634, 0.00346204273878927, 0.00563530248993014},
		{2, 100, 1, 10, 33.6451191255388, 0.0605612144259699, 0.112837916709551},
	} {
		r, err := Weibull{Beta: c.beta, Eta: c.eta}.Replace(c.planned, c.failure)
		if err != nil || r.RunToFailure {
			t.Fatal(r, err)
		}
		near(t, "age", r.Age, c.age, 1e-5)
		near(t, "rate", r.Rate, c.rate, 1e-9)
		near(t, "without", r.RateRunToFailure, c.without, 1e-9)
	}
	for _, w := range []Weibull{{Beta: 1, Eta: 100}, {Beta: 0.7, Eta: 100}} {
		if r, err := w.Replace(1, 5); err != nil || !r.RunToFailure || r.Age != 0 {
			t.Errorf("%+v: %+v %v", w, r, err)
		}
	}
	if r, err := (Weibull{Beta: 3, Eta: 100}).Replace(5, 5); err != nil || !r.RunToFailure {
		t.Error(r, err)
	}
	if _, err := (Weibull{Beta: 3, Eta: 100}).Replace(-1, 5); !errors.Is(err, stats.ErrInput) {
		t.Error(err)
	}
}

// TestQuantileInterval: against the inverse of a numeric Hessian of the log
// likelihood in (log η, log β).
func TestQuantileInterval(t *testing.T) {
	var lives []Life
	for i, x := range []float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386, 500, 500, 500, 500, 500, 500, 500, 500, 500, 500} {
		lives = append(lives, Life{Time: x, Failed: i < 10})
	}
	w, err := FitWeibull(lives)
	if err != nil {
		t.Fatal(err)
	}
	ll := func(u, v float64) float64 { return weibullLogLik(lives, math.Exp(v), math.Exp(u)) }
	u, v := math.Log(w.Eta), math.Log(w.Beta)
	const h = 1e-4
	uu := -(ll(u+h, v) - 2*ll(u, v) + ll(u-h, v)) / (h * h)
	vv := -(ll(u, v+h) - 2*ll(u, v) + ll(u, v-h)) / (h * h)
	uv := -(ll(u+h, v+h) - ll(u+h, v-h) - ll(u-h, v+h) + ll(u-h, v-h)) / (4 * h * h)
	det := uu*vv - uv*uv
	for _, p := range []float64{0.1, 0.5, 0.6321205588285577} {
		g := -math.Log(-math.Log1p(-p)) / w.Beta
		se := math.Sqrt(vv/det + g*g*uu/det - 2*g*uv/det)
		low, high, ok := w.QuantileInterval(p)
		if !ok {
			t.Fatal("no interval")
		}
		near(t, "low", math.Log(low), math.Log(w.Quantile(p))-1.959963984540054*se, 1e-4)
		near(t, "high", math.Log(high), math.Log(w.Quantile(p))+1.959963984540054*se, 1e-4)
	}
}
