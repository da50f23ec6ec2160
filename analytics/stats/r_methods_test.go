package stats

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/downweb/downweb/analytics/stats/statstest"
)

// rMethods computes every method again on the rows it is given: base R's own
// tests where there are any, clubSandwich and MASS, else the definition written
// out naively (refits for the wild bootstrap, every rotation for the shift test).
const rMethods = `
suppressPackageStartupMessages({library(clubSandwich); library(MASS)})
d <- read.csv(commandArgs(TRUE)[1]); d$press <- factor(d$press); d$cell <- factor(d$cell)
out <- list()
v <- function(...) unname(c(...))

# correlation: with ties (tied, count), without (y, x1), few pairs
cc <- function(x, y, ...) { r <- suppressWarnings(cor.test(x, y, ...)); v(r$estimate, r$statistic, r$p.value) }
p <- cor.test(d$y, d$x1)
out$pearson <- v(p$estimate, p$statistic, p$p.value, p$conf.int)
out$spearman_ties <- cc(d$count, d$tied, method = "spearman", exact = FALSE)
out$kendall_ties <- cc(d$count, d$tied, method = "kendall", exact = FALSE)
h <- d[1:20, ]; e <- d[1:8, ]
out$kendall_exact <- cc(h$x1, h$km, method = "kendall", exact = TRUE)
out$spearman_exact <- cc(e$x1, e$km, method = "spearman", exact = TRUE)
z <- atanh(out$spearman_ties[1]); n <- nrow(d)
out$spearman_interval <- tanh(z + c(-1, 1) * qnorm(.975) * sqrt((1 + out$spearman_ties[1]^2 / 2) / (n - 3)))
out$kendall_interval <- tanh(atanh(out$kendall_ties[1]) + c(-1, 1) * qnorm(.975) * sqrt(.437 / (n - 4)))
# inside presses: weighted mean of the presses' own, delete-one-press jackknife
within <- function(m) {
  s <- split(d, d$press); r <- sapply(s, function(g) cor(g$y, g$x1, method = m)); w <- sapply(s, nrow)
  th <- sum(r * w) / sum(w); J <- sapply(seq_along(r), function(i) sum(r[-i] * w[-i]) / sum(w[-i])); G <- length(r)
  se <- sqrt((G - 1) / G * sum((J - mean(J))^2)); c(th, se, th + c(-1, 1) * qt(.975, G - 1) * se)
}
out$within <- lapply(c(pearson = "pearson", spearman = "spearman", kendall = "kendall"), within)
# partial, by the inverse of the correlation matrix
pc <- function(m) { P <- solve(cor(d[, c("y", "x1", "km", "t")], method = m)); r <- -P[1, 2] / sqrt(P[1, 1] * P[2, 2])
  df <- n - 4; c(r, r * sqrt(df / (1 - r^2)), 2 * pt(-abs(r * sqrt(df / (1 - r^2))), df)) }
out$partial <- pc("pearson"); out$partial_rank <- pc("spearman")

# linear, levels of presses as dummies: CR0, CR1, CR2 with Satterthwaite, CR3
l <- lm(y ~ press + x1 + d1 + d2, data = d); pick <- c("x1", "d1", "d2")
G <- nlevels(d$press); k <- 3
jack <- function(fit, b) v(sqrt(rowSums(sapply(levels(d$press), function(p) fit(d$press != p) - b)^2))) # CR3: leave one press out
se <- function(t) v(sqrt(diag(as.matrix(vcovCR(l, cluster = d$press, type = t))))[pick])
ct <- coef_test(l, vcov = "CR2", cluster = d$press, test = "Satterthwaite"); ct <- ct[match(pick, names(coef(l))), ]
out$linear <- list(beta = v(coef(l)[pick]), cr0 = se("CR0"), cr1 = se("CR0") * sqrt(G / (G - 1) * (n - 1) / (n - k)),
  cr2 = ct$SE, df = ct$df, p = ct$p_Satt,
  cr3 = jack(function(keep) coef(lm(y ~ press + x1 + d1 + d2, data = d[keep, ]))[pick], coef(l)[pick]))
lc <- linear_contrast(l, vcov = "CR2", cluster = d$press, contrasts = matrix(as.numeric(names(coef(l)) %in% c("d1", "d2")), 1), test = "Satterthwaite")
out$sum <- v(lc$Est, lc$SE, lc$df)

# Poisson pseudo-likelihood, CR3 on the final working regression
g <- glm(y ~ press + x1 + d1 + d2, family = quasipoisson, offset = log(km), data = d, control = list(epsilon = 1e-14, maxit = 100))
d$mu <- fitted(g); d$z <- g$linear.predictors - log(d$km) + (d$y - d$mu) / d$mu
out$poisson_cr3 <- jack(function(keep) coef(lm(z ~ press + x1 + d1 + d2, weights = mu, data = d[keep, ]))[pick], coef(g)[pick])

# negative binomial with log-length offset
b <- glm.nb(count ~ press + x1 + d1 + d2 + offset(log(km)), data = d, control = glm.control(epsilon = 1e-12, maxit = 200))
mu <- fitted(b); wt <- mu / (1 + mu / b$theta)
w <- lm(I(sqrt(wt) * (b$linear.predictors - log(d$km) + (d$count - mu) / mu)) ~ I(sqrt(wt) * model.matrix(b)) + 0)
cb <- coef_test(w, vcov = "CR2", cluster = d$press, test = "Satterthwaite")[names(coef(b)) %in% pick, ]
out$nb <- list(beta = v(coef(b)[pick]), se = v(sqrt(diag(vcov(b)))[pick]), theta = b$theta, se_theta = as.numeric(b$SE.theta),
  loglik = as.numeric(logLik(b)), deviance = b$deviance, cr2 = cb$SE, df = cb$df)

# wild cluster bootstrap of d1: all sign patterns, every one refitted
pr <- as.integer(d$press)
wild <- function(b0, x = "d1", draws = NULL) {
  f0 <- lm(I(y - b0 * d[[x]]) ~ press + x1 + d2, data = d); e <- resid(f0); X <- model.matrix(l); XX <- solve(crossprod(X))
  tt <- function(y, b) { be <- drop(XX %*% crossprod(X, y)); u <- drop(y - X %*% be)
    S <- rowsum(X * u, pr); V <- XX %*% crossprod(S) %*% XX; j <- match(x, colnames(X)); (be[j] - b) / sqrt(V[j, j]) }
  t0 <- tt(d$y, b0)
  if (is.null(draws)) draws <- lapply(0:(2^(G - 1) - 1), function(m) c(1, ifelse(bitwAnd(m, 2^(0:(G - 2))) > 0, -1, 1)))
  ts <- sapply(draws, function(s) tt(fitted(f0) + b0 * d[[x]] + s[pr] * e, b0))
  c(t0, mean(abs(ts) >= abs(t0) * (1 - 1e-9)))
}
set.seed(5); six <- c(-sqrt(c(.5, 1, 1.5)), sqrt(c(.5, 1, 1.5))); webb <- lapply(1:3000, function(i) sample(six, G, TRUE))
b1 <- coef(l)["d1"] + 1.5 * se("CR0")[2]
out$wild <- list(zero = v(wild(0)), other = v(wild(b1)), webb = v(wild(b1, draws = webb)))

# circular shift with max-T: two presses, all rotations, d1 and d2 at lags 0 … 2
s <- d[pr <= 2, ]; s$press <- factor(s$press); L <- 2
s$use <- ave(seq_len(nrow(s)), s$press, FUN = seq_along) > L
lu <- lm(y ~ press + x1 + d1 + d2, data = s[s$use, ]); N <- sum(s$use); K <- length(coef(lu))
u <- numeric(nrow(s)); u[s$use] <- resid(lu)
idx <- split(seq_len(nrow(s)), s$press); nn <- sapply(idx, length)
blocks <- do.call(c, lapply(idx, function(i) { m <- max(1, min(length(i) %/% 20, ceiling(60 / length(idx)))); lapply(seq_len(m) - 1, function(b) i[((b * length(i)) %/% m + 1):(((b + 1) * length(i)) %/% m)]) }))
rot <- function(x, k) unlist(lapply(seq_along(idx), function(g) { i <- idx[[g]]; x[i][((seq_along(i) - 1 - k[g]) %% length(i)) + 1] }))
cols <- list()
for (x in c("d1", "d2")) {
  o <- setdiff(c("x1", "d1", "d2"), x); f <- lm(reformulate(c("press", o), x), data = s[s$use, ])
  q <- s[[x]] - predict(f, s); r0 <- u + ifelse(s$use, coef(lu)[x] * q, 0)
  qc <- q - ave(q, s$press)
  for (lag in 0:L) cols[[length(cols) + 1]] <- list(r = if (lag == 0) r0 else u, q = qc, lag = lag, f = if (lag == 0) sqrt(1 - K / N) else 1)
}
stat <- function(c, k) { qq <- rot(c$q, k + c$lag); C <- sapply(blocks, function(b) sum(c$r[b] * qq[b])); sum(C) / sqrt(sum(C^2)) }
ks <- as.matrix(expand.grid(0:(nn[1] - 1), 0:(nn[2] - 1)))
TT <- t(apply(ks, 1, function(k) sapply(cols, stat, k = k))) # draws × columns
t0 <- TT[1, ]; fair <- abs(t0) * sapply(cols, function(c) c$f)
ord <- order(-fair); mx <- numeric(length(fair)); hi <- 0
for (i in seq_along(ord)) { A <- abs(TT[, ord[i:length(ord)], drop = FALSE]); hi <- max(hi, mean(apply(A, 1, max) >= fair[ord[i]] - 1e-9)); mx[ord[i]] <- hi }
out$shift <- list(t = t0, p = colMeans(abs(TT) >= rep(fair - 1e-9, each = nrow(TT))), maxt = mx, draws = nrow(TT))
# block permutation, blocks of 7 rows, R's own random orders
set.seed(11)
bl <- function(n) { b <- split(seq_len(n), (seq_len(n) - 1) %/% 7); unlist(b[sample(length(b))]) }
B <- 4000
TB <- t(replicate(B, { per <- lapply(nn, bl); sapply(cols[c(1, 4)], function(c) { qq <- unlist(lapply(seq_along(idx), function(g) c$q[idx[[g]]][per[[g]]])); C <- sapply(blocks, function(b) sum(c$r[b] * qq[b])); sum(C) / sqrt(sum(C^2)) }) }))
out$block <- colMeans(abs(TB) >= rep(fair[c(1, 4)] - 1e-9, each = B))

# multiplicity, isotonic
pv <- (rank(d$x1) / n)^3; pv[5] <- pv[9]
out$holm <- p.adjust(pv, "holm"); out$bh <- p.adjust(pv, "BH"); out$by <- p.adjust(pv, "BY")
yy <- d$y[1:40]; ww <- 1 + d$tied[1:40]
out$isotonic <- isoreg(yy)$yf
out$isotonic_weighted <- isoreg(rep(yy, ww))$yf[cumsum(ww)]
# max |z| over three coefficients by normal draws with the correlation of the CR2 matrix
V <- as.matrix(vcovCR(l, cluster = d$press, type = "CR2"))[pick, pick]
Z <- mvrnorm(2e5, rep(0, 3), cov2cor(V)); M <- apply(abs(Z), 1, max)
z <- quantile(M, .95, names = FALSE); out$sup <- c(z, qt(pnorm(z), 5), mean(2 * pnorm(-M) <= .03))

# published sets, from R's packages
q <- quine; X <- model.matrix(~ Eth + Sex + Age + Lrn, q)
out$quine <- list(y = q$Days, x = lapply(seq_len(ncol(X)), function(j) v(X[, j])))
g <- glm(Days ~ Sex/(Age + Eth*Lrn), data = q, family = poisson); X <- model.matrix(g); X <- X[, !is.na(coef(g))]
out$quine_vr <- lapply(seq_len(ncol(X)), function(j) v(X[, j]))
X <- model.matrix(~ wool * tension, warpbreaks); out$warp <- list(y = warpbreaks$breaks, x = lapply(seq_len(ncol(X)), function(j) v(X[, j])))
out$mtcars <- as.list(mtcars[, c("mpg", "carb", "hp", "wt")]); out$nile <- as.numeric(Nile)
cat(jsonlite::toJSON(out, digits = NA, auto_unbox = TRUE))
`

type rMethodsResult struct {
	Pearson          []float64
	SpearmanTies     []float64 `json:"spearman_ties"`
	KendallTies      []float64 `json:"kendall_ties"`
	KendallExact     []float64 `json:"kendall_exact"`
	SpearmanExact    []float64 `json:"spearman_exact"`
	SpearmanInterval []float64 `json:"spearman_interval"`
	KendallInterval  []float64 `json:"kendall_interval"`
	Within           map[string][]float64
	Partial          []float64
	PartialRank      []float64 `json:"partial_rank"`
	Linear           struct{ Beta, CR0, CR1, CR2, DF, P, CR3 []float64 }
	Sum              []float64
	PoissonCR3       []float64 `json:"poisson_cr3"`
	NB               struct {
		Beta, SE, CR2, DF       []float64
		Theta, LogLik, Deviance float64
		SETheta                 float64 `json:"se_theta"`
	}
	Wild  struct{ Zero, Other, Webb []float64 }
	Shift struct {
		T, P, MaxT []float64
		Draws      int
	}
	Block            []float64
	Holm, BH, BY     []float64
	Isotonic         []float64
	IsotonicWeighted []float64 `json:"isotonic_weighted"`
	Sup              []float64
	Quine, Warp      struct {
		Y []float64
		X [][]float64
	}
	QuineVR [][]float64 `json:"quine_vr"`
	MTCars  struct{ MPG, Carb, HP, WT []float64 }
	Nile    []float64
}

// columnsForR adds counts and tied values to a simulated panel.
func columnsForR(p *randomPanel) (text string, count, tied []float64) {
	rnd := Random{Seed: 77}
	var b strings.Builder
	b.WriteString("y,count,tied,km,t,x1,d1,d2,press,cell\n")
	for i := range p.y {
		// Gamma-mixed Poisson by multiplying uniforms.
		mean := 0.5 * p.km[i] * math.Exp(0.3*p.x1[i]+0.4*p.d1[i]) * -math.Log(1-rnd.Float64(2, uint64(i)))
		n, prod := -1.0, 1.0
		for j := uint64(0); prod > math.Exp(-mean); j++ {
			prod *= 1 - rnd.Float64(3+j, uint64(i))
			n++
		}
		count = append(count, n)
		tied = append(tied, float64(rnd.IntN(1, uint64(i), 5)+int(2*p.x1[i])))
		fmt.Fprintf(&b, "%.17g,%g,%g,%.17g,%.17g,%.17g,%g,%g,%d,%d\n", p.y[i], count[i], tied[i], p.km[i], p.t[i], p.x1[i], p.d1[i], p.d2[i], p.press[i], p.cell[i])
	}
	return b.String(), count, tied
}

// R 4.2.2 on random rows: see rMethods.
func TestMethodsAgainstR(t *testing.T) {
	p := simulate(2, 7, 60)
	text, count, tied := columnsForR(p)
	var want rMethodsResult
	statstest.R(t, []string{"clubSandwich", "MASS"}, rMethods, text, &want)
	t.Run("correlation", func(t *testing.T) { againstCorrelation(t, p, count, tied, &want) })
	t.Run("regression", func(t *testing.T) { againstRegression(t, p, count, &want) })
	t.Run("wild bootstrap", func(t *testing.T) { againstWild(t, p, &want) })
	t.Run("shuffles", func(t *testing.T) { againstShuffles(t, p, &want) })
	t.Run("published sets", func(t *testing.T) { againstSets(t, &want) })

	pv := make([]float64, len(p.y))
	for i, r := range Ranks(p.x1) {
		pv[i] = math.Pow(r/float64(len(pv)), 3)
	}
	pv[4] = pv[8]
	for name, c := range map[string]struct {
		f    func([]float64) ([]float64, error)
		want []float64
	}{"Holm": {Holm, want.Holm}, "BH": {BenjaminiHochberg, want.BH}, "BY": {BenjaminiYekutieli, want.BY}} {
		got, err := c.f(pv)
		if err != nil {
			t.Fatal(err)
		}
		all(t, name, got, c.want, 1e-12)
	}
	iso, err := Isotonic(p.y[:40], nil)
	if err != nil {
		t.Fatal(err)
	}
	all(t, "isotonic", iso, want.Isotonic, 1e-12)
	w := make([]float64, 40)
	for i := range w {
		w[i] = 1 + tied[i]
	}
	if iso, err = Isotonic(p.y[:40], w); err != nil {
		t.Fatal(err)
	}
	all(t, "isotonic, weights", iso, want.IsotonicWeighted, 1e-11)
}

func all(t *testing.T, name string, got, want []float64, tol float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s: %d values, R has %d", name, len(got), len(want))
	}
	for i := range want {
		near(t, fmt.Sprint(name, " ", i), got[i], want[i], tol)
	}
}

func againstCorrelation(t *testing.T, p *randomPanel, count, tied []float64, want *rMethodsResult) {
	value := func(c Correlation, err error) Correlation {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	c := value(Pearson(p.y, p.x1))
	iv, _ := FisherInterval(c.Value, c.N, 0.95)
	all(t, "pearson", []float64{c.Value, c.Statistic, c.P, iv.Low, iv.High}, want.Pearson, 1e-10)
	c = value(Spearman(count, tied))
	near(t, "spearman", c.Value, want.SpearmanTies[0], 1e-12)
	near(t, "spearman p", c.P, want.SpearmanTies[2], 1e-9)
	iv, _ = RankInterval(c.Value, c.N, false, 0.95)
	all(t, "spearman interval", []float64{iv.Low, iv.High}, want.SpearmanInterval, 1e-11)
	c = value(Kendall(count, tied, false))
	all(t, "kendall", []float64{c.Value, c.Statistic, c.P}, want.KendallTies, 1e-10)
	iv, _ = RankInterval(c.Value, c.N, true, 0.95)
	all(t, "kendall interval", []float64{iv.Low, iv.High}, want.KendallInterval, 1e-11)
	c = value(Kendall(p.x1[:20], p.km[:20], false))
	near(t, "kendall, 20 pairs", c.Value, want.KendallExact[0], 1e-12)
	near(t, "kendall exact p", c.P, want.KendallExact[2], 1e-11)
	c = value(Spearman(p.x1[:8], p.km[:8]))
	near(t, "spearman, 8 pairs", c.Value, want.SpearmanExact[0], 1e-12)
	near(t, "spearman exact p", c.P, want.SpearmanExact[2], 1e-11)
	for kind, w := range want.Within {
		g, err := CorrelationWithin(kind, p.x1, p.y, p.press, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		all(t, "within "+kind, []float64{g.Value, g.SE, g.Range.Low, g.Range.High}, w, 1e-10)
	}
	for rank, w := range map[bool][]float64{false: want.Partial, true: want.PartialRank} {
		c = value(PartialCorrelation(p.y, p.x1, [][]float64{p.km, p.t}, rank))
		all(t, fmt.Sprint("partial, ranks ", rank), []float64{c.Value, c.Statistic, c.P}, w, 1e-9)
	}
}

func againstRegression(t *testing.T, p *randomPanel, count []float64, want *rMethodsResult) {
	x := [][]float64{p.x1, p.d1, p.d2}
	f, err := FitLinear(Panel{Y: p.y, X: x, Effects: Effects{Group: p.press}})
	if err != nil {
		t.Fatal(err)
	}
	r, err := f.Robust(p.press)
	if err != nil {
		t.Fatal(err)
	}
	all(t, "linear", f.Beta, want.Linear.Beta, 1e-10)
	for k, w := range map[Kind][]float64{CR0: want.Linear.CR0, CR1: want.Linear.CR1, CR2: want.Linear.CR2, CR3: want.Linear.CR3} {
		for j := range x {
			s, err := r.SE(j, k)
			if err != nil {
				t.Fatal(err)
			}
			near(t, fmt.Sprint("CR", int(k), " ", j), s.SE/w[j], 1, 1e-9)
			if k == CR2 {
				near(t, "df", s.DF/want.Linear.DF[j], 1, 1e-8)
				pv, _ := TTwoSided(f.Beta[j]/s.SE, s.DF)
				near(t, "p", pv, want.Linear.P[j], 1e-8)
			}
		}
	}
	v, s, err := r.Combination(map[int]float64{1: 1, 2: 1}, CR2)
	if err != nil {
		t.Fatal(err)
	}
	all(t, "sum of two", []float64{v, s.SE, s.DF}, want.Sum, 1e-8)

	var scores [][]float64
	for j := range x {
		sc, err := r.ClusterScores(j, CR2)
		if err != nil {
			t.Fatal(err)
		}
		scores = append(scores, sc)
	}
	sup, err := MaxOverCoefficients(scores, 40_000, 3)
	if err != nil {
		t.Fatal(err)
	}
	// Two simulations: the quantile's standard error is about 0.008 in ours.
	crit, err := sup.Critical(0.95, 1e9)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "critical z", crit, want.Sup[0], 0.015)
	if crit, err = sup.Critical(0.95, 5); err != nil {
		t.Fatal(err)
	}
	near(t, "critical t", crit, want.Sup[1], 0.015)
	near(t, "joint p", sup.P(0.03), want.Sup[2], 0.006)

	off := make([]float64, len(p.km))
	for i, v := range p.km {
		off[i] = math.Log(v)
	}
	panel := Panel{Y: p.y, X: x, Offset: off, Effects: Effects{Group: p.press}}
	if f, err = FitPoisson(panel); err != nil {
		t.Fatal(err)
	}
	if r, err = f.Robust(p.press); err != nil {
		t.Fatal(err)
	}
	for j, w := range want.PoissonCR3 {
		s, _ := r.SE(j, CR3)
		near(t, "Poisson CR3", s.SE/w, 1, 1e-6)
	}
	panel.Y = count
	nb, err := FitNegativeBinomial(panel)
	if err != nil {
		t.Fatal(err)
	}
	w := want.NB
	all(t, "negative binomial", nb.Beta, w.Beta, 1e-6)
	near(t, "theta", nb.Theta/w.Theta, 1, 1e-6)
	near(t, "se of theta", nb.SETheta/w.SETheta, 1, 1e-3) // glm.nb takes it before θ has settled
	near(t, "log likelihood", nb.LogLik, w.LogLik, 1e-10)
	near(t, "deviance", nb.Deviance, w.Deviance, 1e-6)
	if r, err = nb.Robust(p.press); err != nil {
		t.Fatal(err)
	}
	for j := range x {
		se, _ := nb.ModelSE(j, 1)
		near(t, "se", se/w.SE[j], 1, 1e-5)
		s, err := r.SE(j, CR2)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "CR2", s.SE/w.CR2[j], 1, 1e-5)
		near(t, "df", s.DF/w.DF[j], 1, 1e-5)
	}
}

func againstWild(t *testing.T, p *randomPanel, want *rMethodsResult) {
	f, err := FitLinear(Panel{Y: p.y, X: [][]float64{p.x1, p.d1, p.d2}, Effects: Effects{Group: p.press}})
	if err != nil {
		t.Fatal(err)
	}
	w, err := WildCluster(f, 1, p.press, Rademacher, 999, 1, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if !w.Exact || w.Draws != 64 {
		t.Errorf("%d draws, exact %v; 7 clusters have 64 patterns", w.Draws, w.Exact)
	}
	all(t, "wild", []float64{w.T, w.P}, want.Wild.Zero, 1e-9)
	// The same test of another value: shift the outcome by it.
	r, err := f.Robust(p.press)
	if err != nil {
		t.Fatal(err)
	}
	se, _ := r.SE(1, CR0)
	b0 := f.Beta[1] + 1.5*se.SE
	y := make([]float64, len(p.y))
	for i := range y {
		y[i] = p.y[i] - b0*p.d1[i]
	}
	g, err := FitLinear(Panel{Y: y, X: [][]float64{p.x1, p.d1, p.d2}, Effects: Effects{Group: p.press}})
	if err != nil {
		t.Fatal(err)
	}
	o, err := WildCluster(g, 1, p.press, Rademacher, 999, 1, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	all(t, "wild, other null", []float64{o.T, o.P}, want.Wild.Other, 1e-9)
	// Six-point weights: draws on both sides.
	six, err := WildCluster(g, 1, p.press, Webb, 9999, 1, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	pw := want.Wild.Webb[1]
	near(t, "six points", six.P, pw, 4*math.Sqrt(pw*(1-pw)*(1.0/9999+1.0/3000)))
	if six.Exact || six.Draws != 9999 {
		t.Errorf("six points: %d draws, exact %v", six.Draws, six.Exact)
	}
	// The interval is what the test does not reject.
	if w.Low == nil || w.High == nil {
		t.Fatal("no interval")
	}
	for _, c := range []struct {
		at     float64
		inside bool
	}{{*w.Low - 1e-6, false}, {*w.Low + 1e-6, true}, {*w.High - 1e-6, true}, {*w.High + 1e-6, false}} {
		for i := range y {
			y[i] = p.y[i] - c.at*p.d1[i]
		}
		g, err := FitLinear(Panel{Y: y, X: [][]float64{p.x1, p.d1, p.d2}, Effects: Effects{Group: p.press}})
		if err != nil {
			t.Fatal(err)
		}
		o, err := WildCluster(g, 1, p.press, Rademacher, 999, 1, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if (o.P > 0.05) != c.inside {
			t.Errorf("p of %v is %v, inside %v", c.at, o.P, c.inside)
		}
	}
}

func againstShuffles(t *testing.T, p *randomPanel, want *rMethodsResult) {
	const lags = 2
	n := 0
	start := []int{0}
	for i, g := range p.press {
		if g > 1 {
			break
		}
		if n = i + 1; i > 0 && g != p.press[i-1] {
			start = append(start, i)
		}
	}
	start = append(start, n)
	use := make([]bool, n)
	for g := range 2 {
		for i := start[g] + lags; i < start[g+1]; i++ {
			use[i] = true
		}
	}
	f, err := FitLinear(Panel{Y: p.y[:n], X: [][]float64{p.x1[:n], p.d1[:n], p.d2[:n]}, Effects: Effects{Group: p.press[:n]}, Use: use})
	if err != nil {
		t.Fatal(err)
	}
	var cols []ShuffleColumn
	for _, c := range []int{1, 2} {
		q, err := f.Partial(c, ones(n))
		if err != nil {
			t.Fatal(err)
		}
		own := make([]float64, n)
		for i := range own {
			if use[i] {
				own[i] = f.Resid[i] + f.Beta[c]*q[i]
			}
		}
		for lag := range lags + 1 {
			sc := ShuffleColumn{R: f.Resid, Q: q, Lag: lag}
			if lag == 0 {
				sc.R, sc.Factor = own, math.Sqrt(1-float64(f.Rank)/float64(f.N))
			}
			cols = append(cols, sc)
		}
	}
	s, err := ShuffleTest(ShufflePlan{Start: start, Draws: 9999, Seed: 1}, cols)
	if err != nil {
		t.Fatal(err)
	}
	if !s.Exact || s.Draws != want.Shift.Draws {
		t.Errorf("%d rotations, exact %v, R has %d", s.Draws, s.Exact, want.Shift.Draws)
	}
	all(t, "T", s.T, want.Shift.T, 1e-9)
	all(t, "p", s.P, want.Shift.P, 1e-12)
	all(t, "max-T", s.MaxT, want.Shift.MaxT, 1e-12)

	// Drawn rotations estimate the same p.
	few, err := ShuffleTest(ShufflePlan{Start: start, Draws: 1500, Seed: 5}, cols)
	if err != nil {
		t.Fatal(err)
	}
	if few.Exact {
		t.Error("1500 draws of more rotations are not all")
	}
	for i := range cols {
		near(t, "drawn p", few.P[i], s.P[i], 4*math.Sqrt(s.P[i]*(1-s.P[i])/1500)+1e-3)
	}
	b, err := ShuffleTest(ShufflePlan{Start: start, Block: 7, Draws: 9999, Seed: 1}, []ShuffleColumn{cols[0], cols[3]})
	if err != nil {
		t.Fatal(err)
	}
	for i, w := range want.Block {
		near(t, "block p", b.P[i], w, 4*math.Sqrt(w*(1-w)*(1.0/9999+1.0/4000))+1e-3)
	}
}

// Published sets read from R's own packages; the values are the literature's,
// with further digits from R 4.2.2.
func againstSets(t *testing.T, want *rMethodsResult) {
	// Venables and Ripley, 4th ed., 7.4: quine. θ 1.275 for main effects (from
	// memory); R's fit polished by Newton steps.
	nb, err := FitNegativeBinomial(Panel{Y: want.Quine.Y, X: want.Quine.X})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "quine θ", nb.Theta, 1.27489264506229, 1e-8)
	near(t, "quine log likelihood", nb.LogLik, -546.575509144992, 1e-12)
	all(t, "quine", nb.Beta, []float64{2.8945799902492, -0.569371697357951, 0.0823202841457459, -0.44842814987748,
		0.0880801521141312, 0.356900971429477, 0.292109157033756}, 1e-8)
	near(t, "quine se of θ", nb.SETheta, 0.161035178773473, 1e-5)
	se, _ := nb.ModelSE(1, 1)
	near(t, "quine se", se, 0.153333359282745, 1e-6)
	vr, err := FitNegativeBinomial(Panel{Y: want.Quine.Y, X: want.QuineVR})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "V&R model θ", vr.Theta, 1.59799073531568, 1e-7)
	near(t, "V&R model 2·log likelihood", 2*vr.LogLik, -1063.02502241555, 1e-11)
	// The same counts as Poisson: far too much spread.
	po, err := FitPoisson(Panel{Y: want.Quine.Y, X: want.Quine.X})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "quine dispersion", po.Dispersion, 13.1668426274744, 1e-8)
	near(t, "quine deviance", po.Deviance, 1696.70655249359, 1e-11)
	// Tippett (1950): warp breaks.
	if po, err = FitPoisson(Panel{Y: want.Warp.Y, X: want.Warp.X}); err != nil {
		t.Fatal(err)
	}
	all(t, "warp breaks", po.Beta, []float64{3.79673684997035, -0.456627160288032, -0.618683019622404, -0.595798725788816,
		0.638176814303405, 0.188363173693353}, 1e-10)
	near(t, "warp deviance", po.Deviance, 182.305131285847, 1e-11)
	near(t, "warp dispersion", po.Dispersion, 3.76388132932909, 1e-9)
	// Henderson and Velleman (1981): cars, many ties.
	m := want.MTCars
	r, _ := Pearson(m.MPG, m.Carb)
	near(t, "cars r", r.Value, -0.550925073902459, 1e-13)
	s, _ := Spearman(m.MPG, m.Carb)
	near(t, "cars rho", s.Value, -0.657497643055235, 1e-13)
	near(t, "cars p", s.P, 4.33757046766946e-05, 1e-13)
	k, _ := Kendall(m.MPG, m.Carb, false)
	near(t, "cars tau", k.Value, -0.504394546779362, 1e-13)
	near(t, "cars z", k.Statistic, -3.68525397432815, 1e-12)
	near(t, "cars tau p", k.P, 0.000228474692572602, 1e-12)
	pc, err := PartialCorrelation(m.MPG, m.HP, [][]float64{m.WT}, false)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "cars partial", pc.Value, -0.546992624170079, 1e-13)
	// The Nile at Aswan 1871–1970 (Cobb 1978): Mann–Kendall trend, lag-1.
	year := make([]float64, len(want.Nile))
	for i := range year {
		year[i] = float64(i)
	}
	score, v, _ := KendallS(year, want.Nile)
	k, _ = Kendall(year, want.Nile, true)
	if score != -1387 {
		t.Errorf("Nile S %d, want -1387", score)
	}
	near(t, "Nile var", v, 112728.333333333, 1e-12)
	near(t, "Nile z", k.Statistic, -4.1280665228441, 1e-12)
	near(t, "Nile p", k.P, 3.65826292166433e-05, 1e-12)
	l, _ := Lag1(want.Nile)
	near(t, "Nile lag 1", l, 0.498408184133029, 1e-13)
}
