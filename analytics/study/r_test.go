package study

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// The whole default model written again in R from the exported CSV: row
// numbers, lagged waste, weekdays, job mix, plant-weeks, press levels and
// trends, glm(quasipoisson), then clubSandwich CR2 with Satterthwaite degrees of
// freedom on lm of the √μ-scaled working response, and the factor of stats.Working
// with matrices of all rows.
const rStudy = `
suppressPackageStartupMessages(library(clubSandwich))
d <- read.csv(commandArgs(TRUE)[1], check.names = FALSE)
L <- 14
d <- d[order(d$press, d$day), ]
d$W <- d$run_waste_mm / 1000; d$km <- d$run_mm / 1e6
cc <- median(d$W[d$W > 0]) / 100
d$pos <- ave(d$day, d$press, FUN = seq_along)
rate <- log((d$W + cc) / d$km)
d$lag <- ave(rate, d$press, FUN = function(x) c(NA, head(x, -1)))
d$lag <- ave(d$lag, d$press, FUN = function(x) ifelse(is.na(x), mean(x, na.rm = TRUE), x))
gap <- ave(d$day, d$press, FUN = function(x) c(0, diff(x)))
d$idle <- as.numeric(gap > 2)
date <- as.Date(d$day, origin = "1970-01-01")
d$wd <- factor(format(date, "%u"))
d$cell <- factor(paste(d$plant, format(date, "%G-%V")))
d$t <- (d$day - min(d$day)) / 365
d$share <- d[["family.paper"]] / (d[["family.film"]] + d[["family.paper"]])
st <- grep("^station\\..*\\.state$", names(d), value = TRUE)
for (s in st) d[[sub("\\.state$", "", s)]] <- as.numeric(d[[s]] == "not_cleaned")
d <- d[d$pos > L, ]; d$press <- factor(d$press)
D <- as.matrix(d[, sub("\\.state$", "", st)]); colnames(D) <- paste0("D", seq_along(st))
f <- W ~ press + press:t + cell + log(km) + lag + wd + log(planned_mm / 1e6) + jobs + shifts + idle + share + D
g <- glm(f, family = quasipoisson, offset = log(km), data = d)
X <- model.matrix(g); X <- X[, !is.na(coef(g))]
g <- glm(d$W ~ X + 0, family = quasipoisson, offset = log(d$km), control = list(epsilon = 1e-14, maxit = 100))
mu <- fitted(g); z <- g$linear.predictors - log(d$km) + (d$W - mu) / mu
l <- lm(I(sqrt(mu) * z) ~ I(sqrt(mu) * X) + 0)
ct <- coef_test(l, vcov = "CR2", cluster = d$press, test = "Satterthwaite")
pick <- match(paste0("X", "D", colnames(D)), names(coef(g)))
A <- sqrt(mu) * X; M <- solve(crossprod(A), t(A)); H <- A %*% M; h <- rowSums(A * t(M)); u <- residuals(l)
power <- 1 + unname(coef(lm(log(u^2 / (1 - h)) ~ log(mu)))[2]); phi <- mu^(power - 1)
root <- function(B) { e <- eigen(B, symmetric = TRUE); v <- ifelse(e$values > 1e-10, 1 / sqrt(e$values), 0); e$vectors %*% (v * t(e$vectors)) }
half <- sapply(levels(d$press), function(p) { at <- which(d$press == p); root(diag(length(at)) - H[at, at]) }, simplify = FALSE)
factor <- sapply(pick, function(j) {
  a <- sapply(levels(d$press), function(p) { at <- which(d$press == p); s <- half[[p]] %*% M[j, at]
    v <- -H[, at] %*% s; v[at] <- v[at] + s; v })
  sqrt(sum(M[j, ]^2 * phi) / sum(a^2 * phi)) })
cat(jsonlite::toJSON(list(beta = unname(coef(g)[pick]), se = ct$SE[pick] * factor, df = ct$df[pick], n = nrow(d), power = power), digits = NA))
`

func TestDefaultStudyAgainstR(t *testing.T) {
	missing := func(why string) {
		if os.Getenv("CI") == "true" {
			t.Fatal(why)
		}
		t.Skip(why)
	}
	rscript, err := exec.LookPath("Rscript")
	if err != nil {
		missing("Rscript is not installed (Debian: r-base-core r-cran-jsonlite r-cran-sandwich r-cran-clubsandwich)")
	}
	if msg, err := exec.Command(rscript, "-e", `for (p in c("jsonlite","clubSandwich")) loadNamespace(p)`).CombinedOutput(); err != nil {
		missing("R lacks a package: " + string(msg))
	}
	ds := fleet{seed: 21, plants: 2, presses: 8, days: 90, stations: 4, effect: 0.4}.make()
	file := filepath.Join(t.TempDir(), "study.csv")
	var b bytes.Buffer
	if err := ds.WriteCSV(&b); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	var stderr bytes.Buffer
	cmd := exec.Command(rscript, "-e", rStudy, file)
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("R: %v\n%s", err, stderr.String())
	}
	var want struct {
		Beta, SE, DF []float64
		N            []int
		Power        []float64
	}
	if err := json.Unmarshal(out, &want); err != nil {
		t.Fatalf("R printed %s: %v", out, err)
	}
	spec := DefaultSpec()
	spec.Permutations, spec.SkipChecks = 99, true
	r, err := Run(ds, spec, nil)
	if err != nil {
		t.Fatal(err)
	}
	if r.Rows.Fitted != want.N[0] {
		t.Errorf("%d rows fitted, R has %d", r.Rows.Fitted, want.N[0])
	}
	if math.Abs(r.Model.VariancePower-want.Power[0]) > 1e-6 {
		t.Errorf("variance power %.10g, R has %.10g", r.Model.VariancePower, want.Power[0])
	}
	for k, x := range r.Findings {
		e := x.Waste
		if e == nil {
			t.Fatalf("%s: %s", x.Name, x.Refusal)
		}
		if math.Abs(e.Beta-want.Beta[k]) > 1e-7 {
			t.Errorf("%s: β %.10g, R %.10g", x.Name, e.Beta, want.Beta[k])
		}
		if math.Abs(e.SE/want.SE[k]-1) > 1e-6 || math.Abs(e.DF/want.DF[k]-1) > 1e-6 {
			t.Errorf("%s: se %.10g df %.10g, R %.10g %.10g", x.Name, e.SE, e.DF, want.SE[k], want.DF[k])
		}
	}
}
