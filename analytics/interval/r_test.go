package interval

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/stats"
	"github.com/downweb/downweb/analytics/stats/statstest"
)

// rLives: survfit and survreg of package survival, quantiles of chi-square, and
// the cost rate of age replacement minimised by integrate and optimize.
const rLives = `
suppressPackageStartupMessages(library(survival))
d <- read.csv(commandArgs(TRUE)[1]); out <- list()
k <- summary(survfit(Surv(time, failed) ~ 1, d, conf.type = "log", se.fit = TRUE))
out$km <- list(time = k$time, risk = k$n.risk, failed = k$n.event, surv = k$surv, se = k$std.err, low = k$lower, high = k$upper, hazard = k$cumhaz)
w <- survreg(Surv(time, failed) ~ 1, d, dist = "weibull", control = survreg.control(rel.tolerance = 1e-13, maxiter = 100))
b <- 1 / w$scale; eta <- exp(coef(w)[[1]]); V <- vcov(w)
e <- survreg(Surv(time, failed) ~ 1, d, dist = "exponential")
out$weibull <- c(b, eta, w$loglik[1], b * sqrt(V[2, 2]), eta * sqrt(V[1, 1]), b * exp(-qnorm(.975) * sqrt(V[2, 2])), b * exp(qnorm(.975) * sqrt(V[2, 2])),
  pchisq(2 * (w$loglik[1] - e$loglik[1]), 1, lower.tail = FALSE))
S <- function(t) exp(-(t / eta)^b)
C <- function(T) (2 * S(T) + 9 * (1 - S(T))) / integrate(S, 0, T, rel.tol = 1e-12)$value
o <- optimize(C, c(eta / 100, 3 * eta), tol = 1e-10)
out$replace <- c(o$minimum, o$objective, 9 / (eta * gamma(1 + 1 / b)))
r <- sum(d$failed); T <- sum(d$time)
out$mtbf <- c(T / r, 2 * T / qchisq(.95, 2 * r + 2), 2 * T / qchisq(.05, 2 * r))
cat(jsonlite::toJSON(out, digits = NA))
`

// Random lives, ties among them, half of them ended before they failed: against
// R 4.2.2 and survival 3.5.
func TestLivesAgainstR(t *testing.T) {
	rnd := stats.Random{Seed: 6}
	var b strings.Builder
	b.WriteString("time,failed\n")
	var ls []Life
	total, failures := 0.0, int64(0)
	for i := range uint64(60) {
		life := 80 * math.Pow(-math.Log(1-rnd.Float64(1, i)), 1/1.9)
		end := 30 + 90*rnd.Float64(2, i)
		l := Life{Time: math.Ceil(min(life, end)), Failed: life <= end}
		ls = append(ls, l)
		total += l.Time
		f := 0
		if l.Failed {
			f = 1
			failures++
		}
		fmt.Fprintf(&b, "%g,%d\n", l.Time, f)
	}
	var want struct {
		KM struct {
			Time, Risk, Failed, Surv, SE, Hazard []float64
			Low, High                            []maybe
		}
		Weibull, Replace, MTBF []float64
	}
	statstest.R(t, []string{"survival"}, rLives, b.String(), &want)
	curve, err := KaplanMeier(ls)
	if err != nil {
		t.Fatal(err)
	}
	if len(curve) != len(want.KM.Time) {
		t.Fatalf("%d steps, R has %d", len(curve), len(want.KM.Time))
	}
	for i, s := range curve {
		near(t, "time", s.Time, want.KM.Time[i], 0)
		near(t, "at risk", float64(s.AtRisk), want.KM.Risk[i], 0)
		near(t, "failed", float64(s.Failed), want.KM.Failed[i], 0)
		near(t, "survival", s.Survival, want.KM.Surv[i], 1e-12)
		near(t, "hazard", s.Hazard, want.KM.Hazard[i], 1e-12)
		if s.Survival > 0 {
			near(t, "se", s.SE, want.KM.SE[i], 1e-10)
			near(t, "low", s.Low, float64(want.KM.Low[i]), 1e-9)
			near(t, "high", s.High, float64(want.KM.High[i]), 1e-9)
		}
	}
	w, err := FitWeibull(ls)
	if err != nil {
		t.Fatal(err)
	}
	for i, got := range []float64{w.Beta, w.Eta, w.LogLik, w.SEBeta, w.SEEta, w.BetaLow, w.BetaHigh, w.PExponential} {
		near(t, fmt.Sprint("weibull ", i), got, want.Weibull[i], 1e-5)
	}
	near(t, "shape", w.Beta, want.Weibull[0], 1e-8)
	near(t, "scale", w.Eta, want.Weibull[1], 1e-8)
	r, err := w.Replace(2, 9)
	if err != nil || r.RunToFailure {
		t.Fatal(r, err)
	}
	near(t, "age", r.Age, want.Replace[0], 1e-4) // the curve is flat there
	near(t, "rate", r.Rate, want.Replace[1], 1e-8)
	near(t, "run to failure", r.RateRunToFailure, want.Replace[2], 1e-8)
	m, err := stats.MTBF(total, failures, 0.90)
	if err != nil {
		t.Fatal(err)
	}
	for i, got := range []float64{m.Value, m.Low, m.High} {
		near(t, fmt.Sprint("mtbf ", i), got, want.MTBF[i], 1e-9)
	}
}
