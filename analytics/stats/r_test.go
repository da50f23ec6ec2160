package stats

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/stats/statstest"
)

type randomPanel struct {
	y, km, t, x1, d1, d2 []float64
	press, cell          []int
}

// simulate makes a small unbalanced panel of two plants with weeks, a trend, a
// skewed outcome and zeros.
func simulate(seed uint64, presses, rows int) *randomPanel {
	rnd := Random{Seed: seed}
	p := &randomPanel{}
	at := uint64(0)
	u := func() float64 { at++; return rnd.Float64(1, at) }
	for g := range presses {
		level, slope := 3+u(), 0.4*(u()-0.5)
		for d := range rows {
			if u() < 0.15 {
				continue
			}
			km := 2 + 6*u()
			x1, d1, d2 := u(), 0.0, 0.0
			if u() < 0.2+0.2*x1 {
				d1 = 1
			}
			if u() < 0.15+0.3*d1 {
				d2 = 1
			}
			t := float64(d) / float64(rows)
			mu := km * math.Exp(level-2+slope*t+0.4*x1+0.3*d1)
			y := mu * -math.Log(1-u()) * 1.2
			if u() < 0.1 {
				y = 0
			}
			p.y, p.km, p.t = append(p.y, y), append(p.km, km), append(p.t, t)
			p.x1, p.d1, p.d2 = append(p.x1, x1), append(p.d1, d1), append(p.d2, d2)
			p.press = append(p.press, g)
			p.cell = append(p.cell, (g%2)*100+d/7)
		}
	}
	// Renumber cells 0…C−1.
	id := map[int]int{}
	for i, c := range p.cell {
		if _, ok := id[c]; !ok {
			id[c] = len(id)
		}
		p.cell[i] = id[c]
	}
	return p
}

// csv is the panel as R reads it.
func (p *randomPanel) csv() string {
	var b strings.Builder
	b.WriteString("y,km,t,x1,d1,d2,press,cell\n")
	for i := range p.y {
		fmt.Fprintf(&b, "%.17g,%.17g,%.17g,%.17g,%g,%g,%d,%d\n", p.y[i], p.km[i], p.t[i], p.x1[i], p.d1[i], p.d2[i], p.press[i], p.cell[i])
	}
	return b.String()
}

func (p *randomPanel) offset() []float64 {
	off := make([]float64, len(p.y))
	for i := range off {
		off[i] = math.Log(p.km[i])
	}
	return off
}

// effects are those that the scripts in R fit as dummies.
func (p *randomPanel) effects() map[string]Effects {
	return map[string]Effects{
		"level": {Group: p.press},
		"trend": {Group: p.press, Trend: p.t},
		"cells": {Group: p.press, Trend: p.t, Cell: p.cell},
	}
}

const rPanel = `
suppressPackageStartupMessages({library(clubSandwich); library(sandwich)})
d <- read.csv(commandArgs(TRUE)[1]); d$press <- factor(d$press); d$cell <- factor(d$cell)
out <- list()
one <- function(f) {
  # glm.fit detects aliased columns at tolerance epsilon/1000: first find them, then polish without them.
  g <- glm(f, family = quasipoisson, offset = log(km), data = d)
  X <- model.matrix(g); X <- X[, !is.na(coef(g))]
  g <- glm(d$y ~ X + 0, family = quasipoisson, offset = log(d$km), control = list(epsilon = 1e-14, maxit = 100))
  mu <- fitted(g)
  z <- (g$linear.predictors - log(d$km)) + (d$y - mu) / mu
  s <- sqrt(mu); A <- X * s; b <- z * s
  l <- lm(b ~ A + 0)
  ct <- coef_test(l, vcov = "CR2", cluster = d$press, test = "Satterthwaite")
  pick <- match(paste0("A", c("x1", "d1", "d2")), names(coef(l)))
  V0 <- diag(vcovCR(l, cluster = d$press, type = "CR0"))[pick]
  list(beta = unname(coef(g)[paste0("X", c("x1", "d1", "d2"))]), se = ct$SE[pick], df = ct$df[pick],
       cr0 = unname(sqrt(V0)), hat = unname(hatvalues(l)), deviance = deviance(g), dispersion = summary(g)$dispersion)
}
out$level <- one(y ~ press + x1 + d1 + d2)
out$trend <- one(y ~ press + press:t + x1 + d1 + d2)
out$cells <- one(y ~ press + press:t + cell + x1 + d1 + d2)
cat(jsonlite::toJSON(out, digits = NA, auto_unbox = TRUE))
`

type rFit struct {
	Beta, SE, DF, CR0    []float64
	Hat                  []float64
	Deviance, Dispersion float64
}

// R 4.2.2: glm(quasipoisson) coefficients, and clubSandwich CR2 with
// Satterthwaite degrees of freedom and CR0 on lm of the √μ-scaled working
// response, all effects as dummies.
func TestPoissonAgainstR(t *testing.T) {
	p := simulate(1, 7, 60)
	off := p.offset()
	var want map[string]rFit
	statstest.R(t, []string{"clubSandwich", "sandwich"}, rPanel, p.csv(), &want)
	for name, e := range p.effects() {
		w := want[name]
		f, err := FitPoisson(Panel{Y: p.y, Offset: off, X: [][]float64{p.x1, p.d1, p.d2}, Effects: e})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		r, err := f.Robust(p.press)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		sum := 0.0
		for i, h := range r.Leverage() {
			near(t, fmt.Sprintf("%s leverage %d", name, i), h, w.Hat[i], 1e-7)
			sum += h
		}
		near(t, name+" leverage against rank", sum, float64(f.Rank), 1e-9)
		near(t, name+" deviance", f.Deviance, w.Deviance, 1e-9)
		near(t, name+" dispersion", f.Dispersion, w.Dispersion, 1e-6)
		for j := range 3 {
			c2, err := r.SE(j, CR2)
			if err != nil {
				t.Fatal(err)
			}
			c0, _ := r.SE(j, CR0)
			near(t, fmt.Sprint(name, " beta ", j), f.Beta[j], w.Beta[j], 1e-8)
			near(t, fmt.Sprint(name, " CR2 ", j), c2.SE/w.SE[j], 1, 1e-6)
			near(t, fmt.Sprint(name, " df ", j), c2.DF/w.DF[j], 1, 1e-6)
			near(t, fmt.Sprint(name, " CR0 ", j), c0.SE/w.CR0[j], 1, 1e-6)
		}
	}
}

// Grunfeld, 10 firms. Pooled OLS with errors
// clustered by firm: Stata's listing as kept in the statsmodels test results
// (single-precision data: 1e-7); CR2 and Satterthwaite df: clubSandwich 0.5.8.
// Within estimator: Baltagi, Econometric Analysis of Panel Data, table 2.1
// (0.110, 0.310; se 0.012, 0.017).
func TestGrunfeldAgainstPublished(t *testing.T) {
	const file = "grunfeld10.csv"
	inv, value, capital := numberColumn(t, file, "inv"), numberColumn(t, file, "value"), numberColumn(t, file, "capital")
	n := len(inv)
	if n != 200 {
		t.Fatalf("%d rows, want 200", n)
	}
	one := make([]float64, n)
	firm := make([]int, n)
	for i, v := range numberColumn(t, file, "firm") {
		one[i] = 1
		firm[i] = int(v) - 1
	}
	f, err := FitLinear(Panel{Y: inv, X: [][]float64{value, capital, one}})
	if err != nil {
		t.Fatal(err)
	}
	r, err := f.Robust(firm)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "value", f.Beta[0], 0.115562156360552, 1e-12)
	near(t, "capital", f.Beta[1], 0.23067848873197, 1e-12)
	for j, w := range []float64{0.01589433647768, 0.08496711097464, 20.425202580078} {
		s, err := r.SE(j, CR1)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "CR1", s.SE/w, 1, 1e-7)
	}
	s, _ := r.SE(0, CR0)
	near(t, "CR0", s.SE, 0.0150027280827959, 1e-12)
	s, _ = r.SE(0, CR2)
	near(t, "CR2", s.SE, 0.0162450777800678, 1e-10)
	near(t, "CR2 df", s.DF, 2.34261641339276, 1e-8)

	f, err = FitLinear(Panel{Y: inv, X: [][]float64{value, capital}, Effects: Effects{Group: firm}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "within value", f.Beta[0], 0.110123804120718, 1e-12)
	near(t, "within capital", f.Beta[1], 0.310065341300139, 1e-12)
	se, _ := f.ModelSE(0, f.Dispersion)
	near(t, "within se", se, 0.0118566942140438, 1e-11)
	r, err = f.Robust(firm)
	if err != nil {
		t.Fatal(err)
	}
	for j, w := range []float64{0.0143421437123503, 0.0497926087237731} {
		s, _ := r.SE(j, CR0)
		near(t, "within CR0", s.SE, w, 1e-11)
	}
	// Leaving a firm out by the closed form is leaving it out.
	del, err := r.Deleted(0)
	if err != nil {
		t.Fatal(err)
	}
	use := make([]bool, n)
	for i := range use {
		use[i] = firm[i] != 3
	}
	g, err := FitLinear(Panel{Y: inv, X: [][]float64{value, capital}, Effects: Effects{Group: firm}, Use: use})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "deleted", del[3], g.Beta[0]-f.Beta[0], 1e-12)
}
