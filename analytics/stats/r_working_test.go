package stats

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/downweb/downweb/analytics/stats/statstest"
)

const rWorking = `
suppressPackageStartupMessages(library(clubSandwich))
d <- read.csv(commandArgs(TRUE)[1]); d$press <- factor(d$press); d$cell <- factor(d$cell)
root <- function(B) { e <- eigen(B, symmetric = TRUE); v <- ifelse(e$values > 1e-10, 1 / sqrt(e$values), 0); e$vectors %*% (v * t(e$vectors)) }
one <- function(f) {
  g <- glm(f, family = quasipoisson, offset = log(km), data = d)
  X <- model.matrix(g); X <- X[, !is.na(coef(g))]
  g <- glm(d$y ~ X + 0, family = quasipoisson, offset = log(d$km), control = list(epsilon = 1e-14, maxit = 100))
  mu <- fitted(g)
  A <- X * sqrt(mu); b <- ((g$linear.predictors - log(d$km)) + (d$y - mu) / mu) * sqrt(mu)
  l <- lm(b ~ A + 0)
  pick <- match(paste0("A", c("x1", "d1", "d2")), names(coef(l)))
  u <- residuals(l); h <- hatvalues(l)
  keep <- u != 0
  power <- 1 + unname(coef(lm(log(u^2 / (1 - h))[keep] ~ log(mu)[keep]))[2])
  phi <- mu / exp(mean(log(mu)))
  M <- solve(crossprod(A), t(A)); H <- A %*% M
  V <- diag(vcovCR(l, cluster = d$press, type = "CR2"))[pick]
  se <- numeric(3)
  for (j in 1:3) {
    a <- sapply(levels(d$press), function(p) {
      at <- which(d$press == p)
      s <- root(diag(length(at)) - H[at, at]) %*% M[pick[j], at]
      v <- -H[, at] %*% s; v[at] <- v[at] + s; v })
    se[j] <- sqrt(V[j] * sum(M[pick[j], ]^2 * phi) / sum(a^2 * phi))
  }
  block <- sqrt(diag(vcovCR(l, cluster = d$press, type = "CR2", target = phi))[pick])
  list(se = se, block_se = unname(block), power = power)
}
cat(jsonlite::toJSON(list(level = one(y ~ press + x1 + d1 + d2), trend = one(y ~ press + press:t + x1 + d1 + d2),
  cells = one(y ~ press + press:t + cell + x1 + d1 + d2)), digits = NA, auto_unbox = TRUE))
`

// R: the sums of Working's comment with matrices of all rows; the standard errors of clubSandwich's CR2 with the same
// target, which asks for it of each cluster's block, lie near.
func TestWorkingVarianceAgainstR(t *testing.T) {
	p := simulate(2, 9, 60)
	off := p.offset()
	var want map[string]struct {
		SE      []float64 `json:"se"`
		BlockSE []float64 `json:"block_se"`
		Power   float64   `json:"power"`
	}
	statstest.R(t, []string{"clubSandwich"}, rWorking, p.csv(), &want)
	for name, e := range p.effects() {
		x := want[name]
		f, err := FitPoisson(Panel{Y: p.y, Offset: off, X: [][]float64{p.x1, p.d1, p.d2}, Effects: e})
		if err != nil {
			t.Fatal(err)
		}
		r, err := f.Robust(p.press)
		if err != nil {
			t.Fatal(err)
		}
		power, ok := r.VariancePower()
		if !ok {
			t.Errorf("%s: no variance power", name)
		}
		near(t, name+" variance power", power, x.Power, 1e-6)
		w, err := r.Working(r.PowerVariance(2))
		if err != nil {
			t.Fatal(err)
		}
		for j := range 3 {
			se, err := w.SE(j)
			if err != nil {
				t.Fatal(err)
			}
			near(t, fmt.Sprint(name, " se ", j), se.SE/x.SE[j], 1, 1e-6)
			cr2, _ := r.SE(j, CR2)
			near(t, fmt.Sprint(name, " df ", j), se.DF, cr2.DF, 0)
			near(t, fmt.Sprint(name, " se by block ", j), se.SE/x.BlockSE[j], 1, 0.03)
		}
	}
}

// Where all scaled rows have one variance, Working is CR2.
func TestWorkingOfOneVarianceIsCR2(t *testing.T) {
	p := simulate(3, 8, 50)
	f, err := FitPoisson(Panel{Y: p.y, Offset: p.offset(), X: [][]float64{p.x1, p.d1, p.d2}, Effects: p.effects()["cells"]})
	if err != nil {
		t.Fatal(err)
	}
	r, err := f.Robust(p.press)
	if err != nil {
		t.Fatal(err)
	}
	w, err := r.Working(r.PowerVariance(1))
	if err != nil {
		t.Fatal(err)
	}
	for j := range 3 {
		a, _ := r.SE(j, CR2)
		b, err := w.SE(j)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "se", b.SE/a.SE, 1, 1e-9)
		near(t, "df", b.DF/a.DF, 1, 1e-9)
	}
}

// Outcomes drawn with a variance of μ^p give p back: Poisson counts 1, gamma
// multiples of the mean 2 (both by construction).
func TestVariancePowerIsFoundAgain(t *testing.T) {
	for p, draw := range map[float64]func(rnd *rand.Rand, mu float64) float64{
		1: func(rnd *rand.Rand, mu float64) float64 { return mu + math.Sqrt(mu)*rnd.NormFloat64() }, // a count of many
		2: func(rnd *rand.Rand, mu float64) float64 { return mu * (rnd.ExpFloat64() + rnd.ExpFloat64()) / 2 },
	} {
		rnd := rand.New(rand.NewPCG(7, uint64(p)))
		var y, x []float64
		var group []int
		for g := range 10 {
			level := 5 + rnd.NormFloat64()
			for range 200 {
				v := rnd.NormFloat64()
				x, group = append(x, v), append(group, g)
				y = append(y, max(0, draw(rnd, math.Exp(level+0.5*v))))
			}
		}
		f, err := FitPoisson(Panel{Y: y, X: [][]float64{x}, Effects: Effects{Group: group}})
		if err != nil {
			t.Fatal(err)
		}
		r, err := f.Robust(group)
		if err != nil {
			t.Fatal(err)
		}
		// The slope's standard error is about 2.2/√2000 over a spread of log μ of 1.1: 0.05.
		if got, ok := r.VariancePower(); !ok || math.Abs(got-p) > 0.2 {
			t.Errorf("power %v, planted %v", got, p)
		}
	}
}
